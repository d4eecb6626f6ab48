"""The 1 % low by its own model: log(low / average), never above zero."""

from dataclasses import dataclass

import numpy as np

from perfkit.models.family import Cells, FloatArray, IntArray, Rows
from perfkit.models.ranges import logs

SHRINK_CELLS = 1.0
"""A workload's own mean ratio weighs against the study's as its cells against this many."""

LEVELS = (0.0, 1.0)
"""Candidates: one ratio a workload, or a ratio that also follows the rates."""

OPEN = 1e-5


@dataclass(frozen=True, slots=True, eq=False)
class LowRatio:
    """log(1 % low / average) = a_workload + s (slopes x logs), s of 0 or 1.

    Attributes
    ----------
    intercepts : ndarray, shape (workloads,)
        NaN where no pass of the workload has a 1 % low.
    slopes : ndarray, shape (4,)
        Zero where the ratio does not follow the rates.
    """

    intercepts: FloatArray
    slopes: FloatArray

    def log_ratio(self, rows: Rows) -> FloatArray:
        """Median log ratio of each row, at most 0."""
        predicted = self.intercepts[rows.workload] + logs(rows) @ self.slopes
        result: FloatArray = np.minimum(predicted, 0.0)
        return result


def fit_ratio(cells: Cells, follow: float) -> LowRatio:
    """Least squares on the cells that have a 1 % low.

    Parameters
    ----------
    cells : Cells
        Any cells.
    follow : float
        1 lets the ratio follow the rates, 0 keeps one ratio a workload.
    """
    known = np.isfinite(cells.log_low_ratio)
    size = len(cells.rows.names.workloads)
    workload = cells.rows.workload[known]
    ratio, design = cells.log_low_ratio[known], logs(cells.rows)[known]
    slopes: FloatArray = np.zeros(design.shape[1])
    count = np.bincount(workload, minlength=size).astype(float)
    if not known.any():
        return LowRatio(np.full(size, np.nan), slopes)
    if follow:
        ran = np.where(count > 0, count, 1.0)
        mean_x = np.column_stack([np.bincount(workload, x, size) / ran for x in design.T])
        mean_y = np.bincount(workload, ratio, size) / ran
        centred = design - mean_x[workload]
        slopes = np.asarray(
            np.linalg.lstsq(centred, ratio - mean_y[workload], rcond=OPEN)[0], dtype=np.float64
        )
    rest = ratio - design @ slopes
    total = np.bincount(workload, rest, size) + SHRINK_CELLS * rest.mean()
    intercepts = np.where(count > 0, total / (count + SHRINK_CELLS), np.nan)
    return LowRatio(intercepts, slopes)


def left_out_ratio(cells: Cells, follow: float) -> FloatArray:
    """Ratio of each cell from fits that never saw its GPU, shape (n,)."""
    result = np.full(len(cells), np.nan)
    gpus: IntArray = cells.gpus
    for gpu in gpus:
        mine = cells.rows.gpu == gpu
        result[mine] = fit_ratio(cells.take(~mine), follow).log_ratio(cells.rows.take(mine))
    return result
