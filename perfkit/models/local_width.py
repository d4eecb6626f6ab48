"""Widths that follow the frame time: from left-out errors of cells predicted about as fast.

A workload's errors are larger where frames are short (fixed parts, disturbances) or where its law
bends, so squared left-out errors are averaged with weights that fall off with the distance in log
FPS. Every GPU counts the same, and the workload's mean counts as `PRIOR_GPUS` further GPUs.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from perfkit.models.family import BoolArray, Cells, FloatArray, IntArray, Rows
from perfkit.models.intervals import (
    NEW_FAMILY,
    NEW_KIND,
    Scales,
    Spread,
    Width,
    device_share,
    disagreement,
)
from perfkit.models.law_family import law_variance
from perfkit.models.law_subsets import as_key
from perfkit.models.laws import Law
from perfkit.models.ranges import levels, outside, seen_ranges
from perfkit.models.selection import LeftOut, left_out_error

REACH = 0.8
"""Standard deviation, in log FPS, of the weights."""

PRIOR_GPUS = 4.0
"""GPUs that a workload's mean square counts for; the study's counts for half as many in that."""

FURTHER_DOF = 2.0
"""Degrees of freedom, beyond GPUs less one, that other workloads' errors on the same GPUs are good
for at most; none with two GPUs."""

FASTER, SLOWER = 0.05, 0.01
"""Scale of log FPS added in quadrature for each unit of ln-distance outside the range seen, on the
side of shorter frames (limits nobody has met yet) and of longer ones (the same parts, larger)."""

LEAST_VARIANCE = 1e-6
CHI2_MEDIAN = 0.455
"""Median of a chi-squared with one degree of freedom."""

LEAST_OWN = 0.05
"""Part of a row's variance that is its own, at least."""


def ln_outside(seen: Rows, asked: Rows) -> tuple[FloatArray, FloatArray]:
    """ln-distance outside the range seen, towards shorter and towards longer frames, (m,) each.

    More rate and fewer pixels make frames shorter. NaN for workloads that were never run.
    """
    ranges = seen_ranges(seen)
    value = levels(asked)
    with np.errstate(divide="ignore", invalid="ignore"):
        above = np.maximum(np.log(value / ranges.high[asked.workload]), 0.0)
        below = np.maximum(np.log(ranges.low[asked.workload] / value), 0.0)
    pixels = 2
    above[:, pixels], below[:, pixels] = below[:, pixels].copy(), above[:, pixels].copy()
    return np.linalg.norm(above, axis=1), np.linalg.norm(below, axis=1)


def beyond_range(seen: Rows, asked: Rows, log_fps: FloatArray) -> tuple[FloatArray, BoolArray]:
    """Variance of log FPS that lying outside the range seen adds, (m,), and where that is, (m,).

    Parameters
    ----------
    seen, asked : Rows
        Measured configurations, and m others.
    log_fps : ndarray, shape (m, F)
        Predictions of the laws whose disagreement counts.
    """
    shorter, longer = ln_outside(seen, asked)
    left = outside(seen, asked)
    result = (FASTER * shorter) ** 2 + (SLOWER * longer) ** 2
    result += (NEW_KIND * left.new_kind) ** 2 + (NEW_FAMILY * left.new_family) ** 2
    out = shorter + longer > 1e-9
    result += np.where(out, disagreement(log_fps), 0.0)
    return np.nan_to_num(result), out


@lru_cache(maxsize=4)
def left_out_beyond(left: LeftOut, heard: tuple[int, ...], laws: tuple[Law, ...]) -> FloatArray:
    """Variance that lying outside the range of the other GPUs gives each left-out cell, (n,)."""
    cells = left.cells
    rows = cells.rows
    result, out = np.zeros(len(cells)), np.zeros(len(cells), dtype=bool)
    for gpu in cells.gpus:
        mine = rows.gpu == gpu
        if not mine.all():
            said = left.log_fps[mine][:, heard]
            result[mine], out[mine] = beyond_range(rows.take(~mine), rows.take(mine), said)
    edges = np.unique(rows.gpu[out])
    if len(edges):
        unsure = law_variance(laws, cells, as_key(list(edges[:, None])), rows)
        mine = np.flatnonzero(out)
        result[mine] += np.nan_to_num(unsure[np.searchsorted(edges, rows.gpu[mine]), mine])
    return result


@dataclass(frozen=True, slots=True)
class LocalT(Width):
    """Student t whose scale follows left-out errors near in log FPS.

    Attributes
    ----------
    heard : tuple of str
        Families whose disagreement widens the range outside of what was seen.
    laws : tuple of Law
        Laws whose uncertain parameters do so too.
    """

    heard: tuple[str, ...]
    laws: tuple[Law, ...]

    def learn(self, left: LeftOut, predicted: FloatArray) -> "LocalSpread":
        """Collect squared left-out errors, less what lying outside the others' range explains."""
        cells = left.cells
        heard = tuple(left.families.index(name) for name in self.heard if name in left.families)
        error = left_out_error(predicted, cells)
        known = np.flatnonzero(np.isfinite(error))
        rows = cells.rows
        square = error[known] ** 2
        total = square + cells.scatter[known]
        beyond = left_out_beyond(left, heard, self.laws)[known]
        size = len(rows.names.workloads)
        workload = rows.workload[known]
        trust = np.ones(len(known))
        mean = np.full(size, np.nan)
        gpus = np.zeros(size)
        for code in np.unique(workload):
            mine = workload == code
            usual = np.median(total[mine]) / CHI2_MEDIAN + LEAST_VARIANCE
            trust[mine] = usual / (usual + beyond[mine])
            weight = np.sqrt(trust[mine])
            mean[code] = np.average(total[mine] * trust[mine], weights=weight)
            gpus[code] = len(np.unique(rows.gpu[known][mine]))
        pooled = float(np.nanmedian(mean)) if len(known) else np.nan
        half = PRIOR_GPUS / 2
        mean = (np.nan_to_num(mean) * gpus + pooled * half) / (gpus + half)
        scaled = np.full(len(cells), np.nan)
        scaled[known] = error[known] * np.sqrt(trust)
        several = cells.passes[known]
        return LocalSpread(
            cells=cells,
            heard=heard,
            laws=self.laws,
            workload=workload,
            log_fps=predicted[known],
            weight=np.sqrt(trust),
            error=np.column_stack(
                [
                    total * trust,
                    square * trust,
                    np.where(several > 1, cells.scatter[known] * several, 0.0)
                    / np.maximum(several - 1.0, 1.0),
                ]
            ),
            mean=mean,
            gpus=gpus,
            share=device_share(scaled, cells) if len(known) else np.nan,
            dof=len(np.unique(rows.gpu[known])) - 1.0,
        )


@dataclass(frozen=True, slots=True, eq=False)
class LocalSpread(Spread):
    """Widths learnt by `LocalT`, from n left-out cells.

    Attributes
    ----------
    cells : Cells
        What was seen.
    heard : tuple of int
        Columns of the families whose disagreement counts outside the range.
    laws : tuple of Law
        Laws whose uncertain parameters count there.
    workload : ndarray of int, shape (n,)
    log_fps : ndarray, shape (n,)
        As predicted.
    weight : ndarray, shape (n,)
        Less where the GPU lay outside the range of the others.
    error : ndarray, shape (n, 3)
        Squares: of a pass's error, of the cell's, and of passes about their cell.
    mean : ndarray, shape (workloads,)
        Mean square of a pass's error.
    gpus : ndarray, shape (workloads,)
        GPUs left out in turn that had run the workload.
    share : float
        Part of the cells' squares that all rows of a device share.
    dof : float
        Left-out GPUs less one; negative where nothing is known.
    """

    cells: Cells
    heard: tuple[int, ...]
    laws: tuple[Law, ...]
    workload: IntArray
    log_fps: FloatArray
    weight: FloatArray
    error: FloatArray
    mean: FloatArray
    gpus: FloatArray
    share: float
    dof: float

    def near(self, rows: Rows, predicted: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Mean squares near each row's log FPS, and how many GPUs told.

        Returns
        -------
        squares : ndarray, shape (m, 3)
            Of a pass's error, of a cell's, and of passes about their cell.
        gpus : ndarray, shape (m,)
            Sum of weights, a whole GPU counting 1.
        """
        result, told = np.full((len(rows), 3), np.nan), np.zeros(len(rows))
        for code in np.unique(rows.workload):
            asked = np.flatnonzero(rows.workload == code)
            mine = self.workload == code
            prior = np.full(3, self.mean[code])
            if not mine.any():
                result[asked] = prior * np.array([1.0, 1.0, 0.0])
                continue
            per_gpu = mine.sum() / self.gpus[code]
            away = predicted[asked][:, None] - self.log_fps[mine][None]
            kernel = np.exp(-0.5 * (away / REACH) ** 2) * self.weight[mine] / per_gpu
            usual = np.average(self.error[mine], axis=0, weights=self.weight[mine])
            prior[1:] *= usual[1:] / max(usual[0], LEAST_VARIANCE)
            summed = kernel @ self.error[mine] + PRIOR_GPUS * prior
            told[asked] = kernel.sum(axis=1)
            result[asked] = summed / (told[asked] + PRIOR_GPUS)[:, None]
        return result, told

    def scales(self, rows: Rows, predicted: FloatArray, log_fps: FloatArray) -> Scales:
        """Split by the shared part; what lies outside the range widens the shared part."""
        if self.dof < 1:
            nothing = np.full(len(rows), np.nan)
            return Scales(nothing, nothing, nothing, np.zeros(len(rows)))
        squares, told = self.near(rows, predicted)
        total, cell, about = squares.T
        shared = self.share * np.minimum(cell, total)
        beyond, out = beyond_range(self.cells.rows, rows, log_fps[:, self.heard])
        if out.any():
            unsure = law_variance(self.laws, self.cells, ((),), rows.take(out))[0]
            beyond[out] += np.nan_to_num(unsure)
        least = LEAST_OWN * total
        own = np.maximum(total - shared, least)
        own_mean = np.clip(total - about - shared, least, own)
        most = self.dof + (FURTHER_DOF if self.dof > 1 else 0.0)
        return Scales(
            device=np.sqrt(shared + beyond),
            own=np.sqrt(own),
            own_mean=np.sqrt(own_mean),
            dof=np.minimum(told + PRIOR_GPUS - 1.0, most),
        )
