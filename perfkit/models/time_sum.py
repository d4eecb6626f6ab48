"""Time sum: the parts of a frame add up, and each part follows one rate.

t = k0 + kp / S + k1 P / C + k2 P / B + k3 / C + k4 / B + k5 O / C, all k >= 0

t frame time (ms), P drawn and O output megapixels, C arithmetic rate, B bandwidth, S processor
speed. Fitted per workload by non-negative least squares on relative errors, and held towards the
shape that all workloads share, which matters only where a workload has few runs.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.optimize import nnls

from perfkit.models.family import Cells, Family, Fitted, FloatArray, IntArray, Rows
from perfkit.models.words import gain_sentence

CAUSES = ("fixed cost", "processor", "arithmetic", "memory", "arithmetic", "memory", "arithmetic")
"""Cause of each column of `columns`."""

PRIOR_CELLS = 0.3
"""The shared shape weighs as much as this many cells of the workload."""

ROUNDS = 3
"""Rounds between the shared shape and each workload's level."""


def columns(rows: Rows) -> FloatArray:
    """Work over rate for each k, shape (n, 7)."""
    c, b = rows.arithmetic_tflops, rows.bandwidth_gb_s
    p, o = rows.drawn_mpx, rows.output_mpx
    return np.column_stack(
        [np.ones(len(rows)), 1 / rows.cpu_speed, p / c, p / b, 1 / c, 1 / b, o / c]
    )


def told_apart(rows: Rows) -> IntArray:
    """Columns that can be told from earlier ones in these rows.

    The processor's part needs two processor speeds, the output's part a render scale.
    """
    keep = [0, 2, 3, 4, 5]
    if np.ptp(rows.cpu_speed) > 0:
        keep.append(1)
    if np.any(np.abs(rows.drawn_mpx / rows.output_mpx - 1) > 1e-9):
        keep.append(6)
    return np.sort(np.array(keep, dtype=np.intp))


def shared_shape(relative: FloatArray, workload: IntArray, size: int) -> FloatArray:
    """Shape of the frame time that all workloads share, each at its own level.

    Parameters
    ----------
    relative : ndarray, shape (n, j)
        Columns over measured frame time.
    workload : ndarray of int, shape (n,)
        Codes below `size`.
    size : int
        Number of workloads.

    Returns
    -------
    ndarray, shape (size, j)
        The same non-negative shape for all, times each workload's level; zero where not run.
    """
    level = np.ones(size)
    shape = np.zeros(relative.shape[1])
    norm = np.sqrt(np.mean(relative**2, axis=0))
    for _ in range(ROUNDS):
        scaled = relative * level[workload, None] / norm
        shape = nnls(scaled, np.ones(len(relative)))[0] / norm
        said = relative @ shape
        square = np.bincount(workload, said**2, size)
        level = np.divide(
            np.bincount(workload, said, size), square, out=np.zeros(size), where=square > 0
        )
    result: FloatArray = level[:, None] * shape
    return result


@dataclass(frozen=True, slots=True)
class TimeSum(Family):
    """Non-negative least squares on relative errors; see the module's formula."""

    def fit(self, cells: Cells) -> "TimeSumFit":
        """Fit the shared shape, then each workload towards it."""
        size = len(cells.rows.names.workloads)
        keep = told_apart(cells.rows)
        relative = columns(cells.rows)[:, keep] * (np.exp(cells.log_fps) / 1000.0)[:, None]
        workload = cells.rows.workload
        shape = shared_shape(relative, workload, size)
        result = np.full((size, len(CAUSES)), np.nan)
        for code in np.unique(workload):
            mine = relative[workload == code]
            unit = np.sqrt(np.mean(mine**2, axis=0))
            prior = np.sqrt(PRIOR_CELLS) * np.diag(unit)
            matrix = np.vstack([mine, prior])
            goal = np.concatenate([np.ones(len(mine)), prior @ shape[code]])
            result[code] = 0.0
            result[code, keep] = nnls(matrix / np.tile(unit, (len(matrix), 1)), goal)[0] / unit
        return TimeSumFit(cells, result)


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
        total = self.each(rows).sum(axis=1)
        return np.log(1000.0 / np.where(total > 0, total, np.nan))

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
