"""What lying outside the range seen costs: told by the laws, and scaled by trying.

Where the parameters of the laws are unsure, or the laws disagree, a number outside of what was seen
is unsure by that much. How far that can be trusted is measured: the slowest third of the GPUs is
left out and predicted from the others, then the fastest third. Where such numbers were better than
the laws said, ranges on that side are widened by less; where they were worse, by more.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from perfkit.models.family import BoolArray, Cells, FloatArray, IntArray, Rows
from perfkit.models.intervals import NEW_FAMILY, NEW_KIND, disagreement
from perfkit.models.law_family import blended
from perfkit.models.law_subsets import GPUs, as_key, fit_subsets
from perfkit.models.laws import Law
from perfkit.models.outside_seen import levels, outside, seen_ranges

PER_LN = 0.03
"""Scale of log FPS added in quadrature for each unit of ln-distance outside the range seen, before
it is held against GPUs left out."""

SHARE_OUT = 3
"""One GPU in so many is left out at either end."""

TO_LAWS = 0.3
"""What the laws say weighs as much as this many workloads that tell clearly."""

TO_SIDE = 0.5
"""What all workloads say of a side weighs as this many clear ones against a workload's own."""


def ln_outside(seen: Rows, asked: Rows) -> tuple[FloatArray, FloatArray]:
    """ln-distance outside the range seen, towards shorter and towards longer frames, (m,) each.

    More rate and fewer pixels make frames shorter. Infinite for workloads that were never run.
    """
    ranges = seen_ranges(seen)
    value = levels(asked)
    with np.errstate(divide="ignore", invalid="ignore"):
        above = np.maximum(np.log(value / ranges.high[asked.workload]), 0.0)
        below = np.maximum(np.log(ranges.low[asked.workload] / value), 0.0)
    pixels = 2
    above[:, pixels], below[:, pixels] = below[:, pixels].copy(), above[:, pixels].copy()
    return np.linalg.norm(above, axis=1), np.linalg.norm(below, axis=1)


def law_doubt(
    laws: tuple[Law, ...], cells: Cells, without: tuple[GPUs, ...], rows: Rows
) -> FloatArray:
    """Variance of log FPS that unsure parameters and disagreeing laws give, shape (m, n)."""
    if not laws:
        return np.zeros((len(without), len(rows)))
    told = [fit_subsets(law, cells, without).log_ms_and_variance(rows) for law in laws]
    unsure = np.mean([variance for _, variance in told], axis=0)
    said = np.stack([log_ms for log_ms, _ in told], axis=-1)
    return np.asarray(np.nan_to_num(unsure) + disagreement(said))


@dataclass(frozen=True, slots=True, eq=False)
class Beyond:
    """Where rows lie outside, and what that adds before anything was tried; all of shape (m,).

    Attributes
    ----------
    out : ndarray of bool
        Some rate or the pixels lie outside the range seen.
    faster : ndarray of int
        1 where frames are shorter than what was seen, else 0.
    doubt : ndarray
        Variance of log FPS by the laws and by distance.
    alien : ndarray
        Variance added for a new kind or family of GPU.
    """

    out: BoolArray
    faster: IntArray
    doubt: FloatArray
    alien: FloatArray

    @staticmethod
    def of(cells: Cells, gone: IntArray, rows: Rows) -> "Beyond":
        """Hold rows against the range of the cells of all GPUs but some; doubt by distance only."""
        seen = cells.rows.take(~np.isin(cells.rows.gpu, gone)) if len(gone) else cells.rows
        shorter, longer = np.nan_to_num(ln_outside(seen, rows), posinf=0.0)
        left = outside(seen, rows)
        return Beyond(
            out=shorter + longer > 1e-9,
            faster=(shorter > longer).astype(np.intp),
            doubt=PER_LN**2 * (shorter**2 + longer**2),
            alien=(NEW_KIND * left.new_kind) ** 2 + (NEW_FAMILY * left.new_family) ** 2,
        )


@lru_cache(maxsize=4)
def beyond(laws: tuple[Law, ...], cells: Cells, rows: Rows) -> Beyond:
    """Hold configurations against the range of all cells."""
    lies = Beyond.of(cells, np.empty(0, dtype=np.intp), rows)
    if lies.out.any():
        lies.doubt[lies.out] += law_doubt(laws, cells, ((),), rows.take(lies.out))[0]
    return lies


def _left_out(
    laws: tuple[Law, ...], cells: Cells, without: list[IntArray], asked: list[IntArray]
) -> list[Beyond]:
    """Hold some cells against the range of the others, several times.

    Parameters
    ----------
    laws : tuple of Law
    cells : Cells
    without : list of ndarray
        Codes of the GPUs that do not count as seen; some cell always remains.
    asked : list of ndarray
        Positions of cells.
    """
    result = [
        Beyond.of(cells, gone, cells.rows.take(place))
        for gone, place in zip(without, asked, strict=True)
    ]
    place = np.concatenate([place[lies.out] for place, lies in zip(asked, result, strict=True)])
    if len(place):
        doubt, first = law_doubt(laws, cells, as_key(without), cells.rows.take(place)), 0
        for own, lies in zip(doubt, result, strict=True):
            count = int(lies.out.sum())
            lies.doubt[lies.out] += own[first : first + count]
            first += count
    return result


@lru_cache(maxsize=4)
def left_out_beyond(laws: tuple[Law, ...], cells: Cells) -> Beyond:
    """Hold each cell against the range of the other GPUs."""
    size = len(cells)
    result = Beyond(np.zeros(size, bool), np.zeros(size, np.intp), np.zeros(size), np.zeros(size))
    if len(cells.gpus) < 2:
        return result
    each = [np.flatnonzero(cells.rows.gpu == gpu) for gpu in cells.gpus]
    left = _left_out(laws, cells, list(cells.gpus[:, None]), each)
    for mine, one in zip(each, left, strict=True):
        for name in Beyond.__dataclass_fields__:
            getattr(result, name)[mine] = getattr(one, name)
    return result


def ends(cells: Cells) -> list[IntArray]:
    """Codes of the slowest third of the GPUs and of the fastest, by their rates."""
    rates = np.log(cells.rows.arithmetic_tflops) + np.log(cells.rows.bandwidth_gb_s)
    gpus, place = np.unique(cells.rows.gpu, return_inverse=True)
    order = np.argsort(np.bincount(place, rates) / np.bincount(place), kind="stable")
    count = max(1, len(gpus) // SHARE_OUT)
    return [np.sort(gpus[order[:count]]), np.sort(gpus[order[-count:]])]


@dataclass(frozen=True, slots=True, eq=False)
class Tried:
    """Cells of the GPUs at one end, predicted without that end; all of shape (m,).

    Attributes
    ----------
    workload : ndarray of int
    square : ndarray
        Squared error of log FPS of a pass.
    doubt : ndarray
        Its variance beyond that of GPUs inside, as the laws have it.
    """

    workload: IntArray
    square: FloatArray
    doubt: FloatArray


@lru_cache(maxsize=4)
def tried_ends(laws: tuple[Law, ...], cells: Cells) -> tuple[Tried, ...]:
    """Leave out the slowest GPUs, then the fastest, and predict them by the mean of the laws."""
    if len(cells.gpus) < 2 or not laws:
        return ()
    without = ends(cells)
    log_ms = blended(laws, cells, as_key(without), cells.rows, kriged=True)
    error = np.log(1000.0) - log_ms - cells.log_fps
    places = [np.flatnonzero(np.isin(cells.rows.gpu, gone) & ~cells.at_least) for gone in without]
    result = []
    left = _left_out(laws, cells, without, places)
    for place, missed, lies in zip(places, error, left, strict=True):
        place, doubt = place[lies.out], lies.doubt[lies.out]
        square = missed[place] ** 2 + cells.scatter[place]
        result.append(Tried(cells.rows.workload[place], square, doubt))
    return tuple(result)


def trust_in_laws(laws: tuple[Law, ...], cells: Cells, usual: FloatArray) -> FloatArray:
    """Find what to multiply the laws' doubt by, from the GPUs at the ends.

    Parameters
    ----------
    laws : tuple of Law
    cells : Cells
    usual : ndarray, shape (workloads,)
        Variance of a pass of a GPU inside the range, above 0; NaN where not known.

    Returns
    -------
    ndarray, shape (2, workloads)
        First where frames are longer than what was seen, then where they are shorter. Excess of
        squares over `usual` on what the laws said, by weighted least squares, never negative;
        each side's drawn to 1, each workload's to its side's.
    """
    size = len(usual)
    result = np.ones((2, size))
    for side, tried in enumerate(tried_ends(laws, cells)):
        count = np.maximum(np.bincount(tried.workload, minlength=size), 1)
        excess = np.bincount(tried.workload, tried.square, size) / count - usual
        doubt = np.bincount(tried.workload, tried.doubt, size) / count
        weight = doubt / (usual + doubt) ** 2
        agrees = np.nan_to_num(weight * excess)
        tells = np.nan_to_num(weight * doubt)
        whole = max((agrees.sum() + TO_LAWS) / (tells.sum() + TO_LAWS), 0.0)
        result[side] = np.maximum((agrees + TO_SIDE * whole) / (tells + TO_SIDE), 0.0)
    return result
