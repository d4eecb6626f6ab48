"""The 1 % low by its own model: log(low / average), never above zero."""

from dataclasses import dataclass

import numpy as np

from perfkit.models.family import Cells, FloatArray, Rows

SHRINK_CELLS = 1.0
"""A workload's own mean ratio weighs against the study's as its cells against this many."""


@dataclass(frozen=True, slots=True, eq=False)
class LowRatio:
    """log(1 % low / average), one number a workload.

    Attributes
    ----------
    intercepts : ndarray, shape (workloads,)
        NaN where no pass of the workload has a 1 % low.
    """

    intercepts: FloatArray

    def log_ratio(self, rows: Rows) -> FloatArray:
        """Median log ratio of each row, at most 0."""
        result: FloatArray = np.minimum(self.intercepts[rows.workload], 0.0)
        return result


def fit_ratio(cells: Cells) -> LowRatio:
    """Mean over the cells that have a 1 % low, drawn to the study's."""
    known = np.isfinite(cells.log_low_ratio)
    size = len(cells.rows.names.workloads)
    if not known.any():
        return LowRatio(np.full(size, np.nan))
    workload, ratio = cells.rows.workload[known], cells.log_low_ratio[known]
    count = np.bincount(workload, minlength=size)
    total = np.bincount(workload, ratio, size) + SHRINK_CELLS * ratio.mean()
    return LowRatio(np.where(count > 0, total / (count + SHRINK_CELLS), np.nan))


def left_out_ratio(cells: Cells) -> FloatArray:
    """Ratio of each cell from fits that never saw its GPU, shape (n,)."""
    result = np.full(len(cells), np.nan)
    for gpu in cells.gpus:
        mine = cells.rows.gpu == gpu
        result[mine] = fit_ratio(cells.take(~mine)).log_ratio(cells.rows.take(mine))
    return result
