"""Time sum: the parts of a frame add up, and each part follows one rate.

t = k0 + kp / S + k1 P / C + k2 P / B + k3 / C + k4 / B + k5 O / C, all k >= 0

t frame time (ms), P drawn and O output megapixels, C arithmetic rate, B bandwidth, S processor
speed. Fitted per workload by non-negative least squares on relative errors, and held towards the
shape that all workloads share, which matters only where a workload has few runs.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd

from perfkit.models.cross_products import times
from perfkit.models.family import BoolArray, Cells, Family, Fitted, FloatArray, IntArray, Rows
from perfkit.models.moments import kept_without
from perfkit.models.nonneg import nonneg_least_squares
from perfkit.models.sentences import gain_sentence

CAUSES = ("fixed cost", "processor", "arithmetic", "memory", "arithmetic", "memory", "arithmetic")
"""Cause of each column of `columns`."""

PRIOR_CELLS = 0.3
"""The shared shape weighs as much as this many cells of the workload."""

ROUNDS = 3
"""Rounds between the shared shape and each workload's level."""

SAME_SIZE = 1e-9
"""Drawn and put out at sizes whose ratio is this near to one is the same."""

ALIKE = 1e-8
"""Where all directions have more than this share, columns differ enough for normal equations."""

EMPTY = 1e-13
"""Directions with less than this share of the largest cross-product hold nothing but rounding."""


def columns(rows: Rows) -> FloatArray:
    """Work over rate for each k, shape (n, 7)."""
    c, b = rows.arithmetic_tflops, rows.bandwidth_gb_s
    p, o = rows.drawn_mpx, rows.output_mpx
    return np.column_stack(
        [np.ones(len(rows)), 1 / rows.cpu_speed, p / c, p / b, 1 / c, 1 / b, o / c]
    )


@dataclass(frozen=True, slots=True, eq=False)
class Sums:
    """Cross-products of columns over measured frame time, by workload and GPU.

    Attributes
    ----------
    count : ndarray, shape (W, D)
        Cells.
    products : ndarray, shape (35, W, D)
        Sums of products of the seven relative columns, in the order of `numpy.triu_indices(7)`,
        then sums of the columns.
    speeds : ndarray, shape (2, D)
        Least and largest processor speed of each GPU's cells.
    scaled : ndarray of bool, shape (D,)
        Some cell was not drawn at the size that is put out.
    """

    count: FloatArray
    products: FloatArray
    speeds: FloatArray
    scaled: BoolArray


PAIRS = np.triu_indices(len(CAUSES))
UNFOLD = np.zeros((len(CAUSES), len(CAUSES)), dtype=np.intp)
UNFOLD[PAIRS] = UNFOLD.T[PAIRS] = np.arange(len(PAIRS[0]))
"""Row of `Sums.products` for every two columns."""


@lru_cache(maxsize=4)
def sums_of(cells: Cells) -> Sums:
    """Sum up n cells, GPUs in the order of `cells.gpus`."""
    rows, gpus = cells.rows, cells.gpus
    relative = (columns(rows) * (np.exp(cells.log_fps) / 1000.0)[:, None]).T
    gpu = np.searchsorted(gpus, rows.gpu)
    workloads, count = len(rows.names.workloads), len(gpus)
    place, size = rows.workload * count + gpu, workloads * count
    number = np.bincount(place, minlength=size).reshape(workloads, count).astype(float)
    sums = [
        np.bincount(place, relative[i] * relative[j], size) for i, j in zip(*PAIRS, strict=True)
    ]
    sums += [np.bincount(place, column, size) for column in relative]
    speeds = np.array([np.full(count, np.inf), np.full(count, -np.inf)])
    np.minimum.at(speeds[0], gpu, rows.cpu_speed)
    np.maximum.at(speeds[1], gpu, rows.cpu_speed)
    away = np.abs(rows.drawn_mpx / rows.output_mpx - 1) > SAME_SIZE
    scaled = np.bincount(gpu, away, count) > 0
    return Sums(number, np.reshape(sums, (-1, workloads, count)), speeds, scaled)


def told_apart(sums: Sums, kept: BoolArray) -> IntArray:
    """Columns that can be told from earlier ones in the cells of some GPUs.

    The processor's part needs two processor speeds, the output's part a render scale.
    """
    keep = [0, 2, 3, 4, 5]
    if sums.speeds[1, kept].max() > sums.speeds[0, kept].min():
        keep.append(1)
    if sums.scaled[kept].any():
        keep.append(6)
    return np.sort(np.array(keep, dtype=np.intp))


def shared_shape(gram: FloatArray, total: FloatArray) -> FloatArray:
    """Shape of the frame time that all workloads share, each at its own level.

    Parameters
    ----------
    gram : ndarray, shape (m, W, j, j)
        Cross-products of each workload's columns over measured frame time, in m subsets.
    total : ndarray, shape (m, W, j)
        Their sums.

    Returns
    -------
    ndarray, shape (m, W, j)
        The same non-negative shape for all, times each workload's level; zero where not run.
    """
    level = np.ones(gram.shape[:2])
    norm = np.sqrt(np.diagonal(gram, axis1=2, axis2=3).sum(axis=1))
    for _ in range(ROUNDS):
        weighted = np.einsum("mw,mwij->mij", level**2, gram) / norm[:, :, None] / norm[:, None]
        shape = _nonneg_shapes(weighted, (level[:, None] @ total)[:, 0] / norm) / norm
        said = times(total, shape)
        square = (times(gram, shape[:, None]) * shape[:, None]).sum(axis=-1)
        level = np.divide(said, square, out=np.zeros_like(level), where=square > 0)
    result: FloatArray = level[..., None] * shape[:, None]
    return result


def _nonneg_shapes(gram: FloatArray, product: FloatArray) -> FloatArray:
    """Minimise x' G x - 2 x' h over x >= 0 for m problems, whose solution need not be unique."""
    value, basis = np.linalg.eigh(gram)
    if (value[:, 0] > ALIKE * value[:, -1]).all():
        return nonneg_least_squares(gram, product)
    from scipy.optimize import nnls  # slow to load, and seldom needed

    root = np.sqrt(np.where(value > EMPTY * value[:, -1:], value, 0.0))
    turned = np.swapaxes(basis, 1, 2)
    goal = times(turned, product)
    goal = np.divide(goal, root, out=np.zeros_like(goal), where=root > 0)
    found = [nnls(a, b)[0] for a, b in zip(root[..., None] * turned, goal, strict=True)]
    return np.asarray(found)


def coefficients(sums: Sums, kept: BoolArray) -> FloatArray:
    """Fit m subsets: the shared shape of each, then each workload towards it.

    Parameters
    ----------
    sums : Sums
        Of W workloads on D GPUs.
    kept : ndarray of bool, shape (m, D)
        Which GPUs each fit sees.

    Returns
    -------
    ndarray, shape (m, W, 7)
        The k of each workload, for frame time in ms; NaN for workloads that a fit never saw.
    """
    workloads, size = len(sums.count), len(CAUSES)
    number = np.moveaxis(sums.count @ kept.T, 1, 0)
    total = np.moveaxis(sums.products @ kept.T, (0, 2), (2, 0))
    gram, plain = total[..., UNFOLD], total[..., len(PAIRS[0]) :]
    result = np.full((len(kept), workloads, size), np.nan)
    kinds: dict[bytes, list[int]] = {}
    for fit, seen in enumerate(kept):
        kinds.setdefault(told_apart(sums, seen).tobytes(), []).append(fit)
    for key, fits in kinds.items():
        keep = np.frombuffer(key, dtype=np.intp)
        own, sides = gram[fits][..., keep[:, None], keep], plain[fits][..., keep]
        shape = shared_shape(own, sides)
        ran = number[fits] > 0
        unit = PRIOR_CELLS * np.diagonal(own, axis1=2, axis2=3)[ran] / number[fits][ran][:, None]
        matrix = own[ran] + unit[:, None] * np.eye(len(keep))
        found = np.zeros((len(matrix), size))
        found[:, keep] = nonneg_least_squares(matrix, sides[ran] + unit * shape[ran])
        some = result[fits]
        some[ran] = found
        result[fits] = some
    return result


@dataclass(frozen=True, slots=True)
class TimeSum(Family):
    """Non-negative least squares on relative errors; see the module's formula."""

    def fit(self, cells: Cells) -> "TimeSumFit":
        """Fit to all cells."""
        kept = np.ones((1, len(cells.gpus)), dtype=bool)
        return TimeSumFit(cells, coefficients(sums_of(cells), kept)[0])

    def left_out_at(self, cells: Cells, without: list[IntArray], rows: Rows) -> list[FloatArray]:
        """Subtract cross-products instead of refitting."""
        found = coefficients(sums_of(cells), kept_without(cells, without))
        table = columns(rows)
        return [log_of_sum((table * each[rows.workload]).sum(axis=1)) for each in found]


def log_of_sum(milliseconds: FloatArray) -> FloatArray:
    """Log FPS of frame times; NaN where there is none."""
    return np.log(1000.0 / np.where(milliseconds > 0, milliseconds, np.nan))


@dataclass(frozen=True, slots=True, eq=False)
class TimeSumFit(Fitted):
    """A fitted time sum.

    Attributes
    ----------
    cells : Cells
        What it was fitted to.
    coefficients : ndarray, shape (workloads, 7)
        The k of each workload, for frame time in ms; NaN for workloads it never saw.
    """

    cells: Cells
    coefficients: FloatArray

    def each(self, rows: Rows) -> FloatArray:
        """Frame time in ms by column, shape (n, 7)."""
        return columns(rows) * self.coefficients[rows.workload]

    def log_fps(self, rows: Rows) -> FloatArray:
        """1000 over the sum of the parts, in logs."""
        return log_of_sum(self.each(rows).sum(axis=1))

    def parts(self, rows: Rows) -> FloatArray:
        """Frame time by cause in ms."""
        each = self.each(rows)
        causes = np.array(CAUSES)
        return np.column_stack(
            [
                each[:, causes == cause].sum(axis=1)
                for cause in ("arithmetic", "memory", "processor", "fixed cost")
            ]
        )

    def terms(self) -> pd.DataFrame:
        """Say what 10 % more of each rate would do, by workload, at its middle configuration."""
        parts = self.parts(self.cells.rows)
        share = pd.DataFrame(parts / parts.sum(axis=1, keepdims=True))
        share.columns = pd.Index(["arithmetic rate", "bandwidth", "processor speed", "fixed cost"])
        names = np.array(self.cells.rows.names.workloads, dtype=object)
        middle = share.groupby(names[self.cells.rows.workload]).median()
        tidy = middle.drop(columns="fixed cost").melt(
            ignore_index=False, var_name="term", value_name="estimate"
        )
        tidy = tidy.rename_axis("workload").reset_index()
        tidy["std_error"] = np.nan
        tidy["sentence"] = [
            f"{workload}: {gain_sentence(term, gain)}"
            for workload, term, gain in zip(
                tidy["workload"], tidy["term"], tidy["estimate"], strict=True
            )
        ]
        return tidy[["term", "workload", "estimate", "std_error", "sentence"]]
