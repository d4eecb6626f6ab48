"""Widths that follow the frame time: from left-out errors of cells predicted about as fast.

A workload's errors are larger where frames are short (fixed parts, disturbances) or where its law
bends, so squared left-out errors are averaged with weights that fall off with the distance in log
FPS. Every GPU counts the same, and the workload's mean counts as `PRIOR_GPUS` further GPUs.
"""

from dataclasses import dataclass

import numpy as np

from perfkit.models.beyond import beyond, ends, left_out_beyond, trust_in_laws
from perfkit.models.family import Cells, FloatArray, IntArray, Rows
from perfkit.models.intervals import Scales, Spread, Width, device_share
from perfkit.models.laws import Law
from perfkit.models.selection import left_out_error

REACH = 0.8
"""Standard deviation, in log FPS, of the weights."""

PRIOR_GPUS = 2.0
"""GPUs that a workload's mean square counts for; the study's counts for half as many in that."""

LEAST_VARIANCE = 1e-6
CHI2_MEDIAN = 0.455
"""Median of a chi-squared with one degree of freedom."""

LEAST_OWN = 0.05
"""Part of a row's variance that is its own, at least."""


@dataclass(frozen=True, slots=True)
class LocalT(Width):
    """Student t whose scale follows left-out errors near in log FPS, GPUs less one dof.

    Attributes
    ----------
    laws : tuple of Law
        Their doubt, so far as GPUs at the ends bear it out, widens ranges outside of what was seen.
    """

    laws: tuple[Law, ...]

    def leaves_out(self, cells: Cells) -> list[IntArray]:
        """Leave out the GPUs at either end."""
        return ends(cells) if len(cells.gpus) > 1 else []

    def learn(self, cells: Cells, predicted: FloatArray) -> "LocalSpread":
        """Collect squared left-out errors, those from outside the others' range counting less."""
        error = left_out_error(predicted, cells)
        known = np.flatnonzero(np.isfinite(error))
        square = error[known] ** 2
        total = square + cells.scatter[known]
        workload = cells.rows.workload[known]
        size = len(cells.rows.names.workloads)
        usual = _medians(total, workload, size) / CHI2_MEDIAN + LEAST_VARIANCE
        factor = trust_in_laws(self.laws, cells, usual)
        lies = left_out_beyond(self.laws, cells)
        owed = lies.doubt * factor[lies.faster, cells.rows.workload] + lies.alien
        trust = np.sqrt(usual[workload] / (usual[workload] + owed[known]))
        mean, gpus = _means(cells.rows.take(known), total * trust, trust)
        scaled = np.full(len(cells), np.nan)
        scaled[known] = error[known] * np.sqrt(trust)
        several = cells.passes[known]
        return LocalSpread(
            cells=cells,
            laws=self.laws,
            factor=factor,
            workload=workload,
            log_fps=predicted[known],
            weight=trust,
            error=np.column_stack(
                [
                    total * trust,
                    square * trust,
                    cells.scatter[known] * several / np.maximum(several - 1.0, 1.0),
                ]
            ),
            mean=mean,
            gpus=gpus,
            share=device_share(scaled, cells) if len(known) else np.nan,
            dof=len(np.unique(cells.rows.gpu[known])) - 1.0,
        )


def _medians(values: FloatArray, group: IntArray, size: int) -> FloatArray:
    """Median of each of `size` groups, NaN where one has no value."""
    result = np.full(size, np.nan)
    count = np.bincount(group, minlength=size)
    first, some = np.cumsum(count) - count, count > 0
    ordered = values[np.lexsort((values, group))]
    lower, upper = (ordered[(first + place)[some]] for place in ((count - 1) // 2, count // 2))
    result[some] = (lower + upper) / 2
    return result


def _means(rows: Rows, square: FloatArray, weight: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Mean square of each workload, drawn to the study's, and how many GPUs told."""
    size = len(rows.names.workloads)
    ran = np.zeros((size, len(rows.names.gpus)), dtype=bool)
    ran[rows.workload, rows.gpu] = True
    gpus = ran.sum(axis=1).astype(float)
    total = np.bincount(rows.workload, weight, size)
    summed = np.bincount(rows.workload, square * weight, size)
    mean = np.divide(summed, total, out=np.full(size, np.nan), where=gpus > 0)
    pooled = float(np.nanmedian(mean)) if len(rows) else np.nan
    half = PRIOR_GPUS / 2
    return (np.nan_to_num(mean) * gpus + pooled * half) / (gpus + half), gpus


@dataclass(frozen=True, slots=True, eq=False)
class LocalSpread(Spread):
    """Widths learnt by `LocalT`, from n left-out cells.

    Attributes
    ----------
    cells : Cells
        What was seen.
    laws : tuple of Law
        Laws whose doubt counts outside the range.
    factor : ndarray, shape (2, workloads)
        How much of it, towards longer frames and towards shorter.
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
    laws: tuple[Law, ...]
    factor: FloatArray
    workload: IntArray
    log_fps: FloatArray
    weight: FloatArray
    error: FloatArray
    mean: FloatArray
    gpus: FloatArray
    share: float
    dof: float

    def near(self, rows: Rows, predicted: FloatArray) -> FloatArray:
        """Mean squares near each row's log FPS.

        Returns
        -------
        ndarray, shape (m, 3)
            Of a pass's error, of a cell's, and of passes about their cell.
        """
        result = np.full((len(rows), 3), np.nan)
        for code in np.unique(rows.workload):
            asked = np.flatnonzero(rows.workload == code)
            mine = self.workload == code
            prior = np.full(3, self.mean[code])
            if not mine.any():
                result[asked] = prior * np.array([1.0, 1.0, 0.0])
                continue
            per_gpu = mine.sum() / self.gpus[code]
            away = predicted[asked][:, None] - self.log_fps[mine][None]
            weight, error = self.weight[mine], self.error[mine]
            kernel = np.exp(-0.5 * (away / REACH) ** 2) * weight / per_gpu
            usual = weight @ error / weight.sum()
            prior[1:] *= usual[1:] / max(usual[0], LEAST_VARIANCE)
            summed = kernel @ error + PRIOR_GPUS * prior
            result[asked] = summed / (kernel.sum(axis=1) + PRIOR_GPUS)[:, None]
        return result

    def scales(self, rows: Rows, predicted: FloatArray) -> Scales:
        """Split by the shared part; what lies outside the range widens the shared part."""
        if self.dof < 1:
            nothing = np.full(len(rows), np.nan)
            return Scales(nothing, nothing, nothing, np.zeros(len(rows)))
        total, cell, about = self.near(rows, predicted).T
        shared = self.share * np.minimum(cell, total)
        lies = beyond(self.laws, self.cells, rows)
        added = lies.doubt * self.factor[lies.faster, rows.workload] + lies.alien
        least = LEAST_OWN * total
        own = np.maximum(total - shared, least)
        own_mean = np.maximum(total - about - shared, least)
        return Scales(
            device=np.sqrt(shared + added),
            own=np.sqrt(own),
            own_mean=np.sqrt(own_mean),
            dof=np.full(len(rows), self.dof),
        )
