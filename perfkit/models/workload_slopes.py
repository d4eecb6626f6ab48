"""Power law in which every workload has slopes of its own: a mixed model.

log FPS = a_w + (b + d_w) . x + e,  d_w ~ N(0, diag(v)),  e ~ N(0, s^2)

x are the logs of arithmetic rate, bandwidth, pixels drawn and processor speed. A workload run on
many GPUs keeps its own slopes; one run on few is drawn to what all workloads share. Fitted by EM
on cross-products. For a new GPU the deviation of GPUs comes on top, from left-out errors.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from perfkit.models.family import Cells, Family, Fitted, FloatArray, IntArray, Rows
from perfkit.models.moments import Moments, kept_without, least_change, subset_moments
from perfkit.models.power_law import OPEN, USUAL_SLOPES
from perfkit.models.ranges import VARIABLES, logs
from perfkit.models.words import gain_sentence

LEAST_WORKLOADS = 5
"""With fewer workloads nothing can be said of how slopes differ: they stay equal."""

ROUNDS = 60
START_SD = 0.2
LEAST_VARIANCE = 1e-8


@dataclass(frozen=True, slots=True, eq=False)
class Slopes:
    """Slopes of m fits.

    Attributes
    ----------
    shared : ndarray, shape (m, 4)
    own : ndarray, shape (m, W, 4)
        Shared slopes plus the workload's deviation.
    variance : ndarray, shape (m, 4)
        Of the deviations.
    residual : ndarray, shape (m,)
        Variance of log FPS about the lines.
    """

    shared: FloatArray
    own: FloatArray
    variance: FloatArray
    residual: FloatArray


def mixed_slopes(moments: Moments) -> Slopes:
    """Fit m mixed models side by side.

    Parameters
    ----------
    moments : Moments
        Of m subsets of cells.

    Returns
    -------
    Slopes
        Directions that the data leave open stay at `USUAL_SLOPES`.
    """
    xx, xy = moments.xx, moments.xy - np.einsum("mwij,j->mwi", moments.xx, USUAL_SLOPES)
    yy = moments.yy - np.einsum("mwi,i->mw", moments.xy + xy, USUAL_SLOPES)
    ran = moments.count > 0
    workloads = ran.sum(axis=1)
    spare = np.maximum(moments.count.sum(axis=1) - workloads, 1.0)
    size = len(USUAL_SLOPES)
    variance = np.where(workloads >= LEAST_WORKLOADS, START_SD**2, LEAST_VARIANCE)[:, None]
    variance = np.repeat(variance, size, axis=1)
    shared = least_change(xx.sum(axis=1), xy.sum(axis=1), OPEN**2)
    fitted = np.einsum("mi,mwi->m", shared, 2 * xy - np.einsum("mwij,mj->mwi", xx, shared))
    residual = np.maximum((yy.sum(axis=1) - fitted) / spare, LEAST_VARIANCE)
    eye = np.eye(size)
    own = np.zeros_like(xy)
    for _ in range(ROUNDS):
        precision = xx / residual[:, None, None, None] + (eye / variance[:, None, :, None])[:, :]
        cover = np.linalg.inv(precision)
        shrunk = np.einsum("mwij,mwjk->mwik", xx, cover) / residual[:, None, None, None]
        matrix = xx - np.einsum("mwij,mwjk->mwik", shrunk, xx)
        vector = xy - np.einsum("mwij,mwj->mwi", shrunk, xy)
        shared = least_change(matrix.sum(axis=1), vector.sum(axis=1), OPEN**2)
        rest = xy - np.einsum("mwij,mj->mwi", xx, shared)
        own = np.einsum("mwij,mwj->mwi", cover, rest) / residual[:, None, None]
        second = own**2 + np.diagonal(cover, axis1=2, axis2=3)
        moved = (second * ran[..., None]).sum(axis=1) / np.maximum(workloads, 1)[:, None]
        enough = (workloads >= LEAST_WORKLOADS)[:, None]
        variance = np.where(enough, np.maximum(moved, LEAST_VARIANCE), variance)
        line = shared[:, None] + own
        square = yy - 2 * (line * xy).sum(axis=2) + np.einsum("mwi,mwij,mwj->mw", line, xx, line)
        spread = np.einsum("mwij,mwji->mw", xx, cover)
        residual = np.maximum((square + spread).sum(axis=1) / spare, LEAST_VARIANCE)
    return Slopes(shared + USUAL_SLOPES, shared[:, None] + own + USUAL_SLOPES, variance, residual)


@dataclass(frozen=True, slots=True)
class WorkloadSlopes(Family):
    """Mixed model with random workload slopes; see the module's formula."""

    def fit(self, cells: Cells) -> "WorkloadSlopesFit":
        """Fit to all cells."""
        moments = subset_moments(cells, np.ones((1, len(cells.gpus)), dtype=bool))
        slopes = mixed_slopes(moments)
        intercepts = moments.mean_y - (moments.mean_x * slopes.own).sum(axis=2)
        return WorkloadSlopesFit(cells, slopes, intercepts[0])

    def left_out(self, cells: Cells, without: list[IntArray]) -> list[FloatArray]:
        """Fit all subsets side by side from cross-products."""
        moments = subset_moments(cells, kept_without(cells, without))
        slopes = mixed_slopes(moments)
        intercepts = moments.mean_y - (moments.mean_x * slopes.own).sum(axis=2)
        workload = cells.rows.workload
        said = intercepts[:, workload] + (slopes.own[:, workload] * logs(cells.rows)).sum(axis=2)
        return list(said)


@dataclass(frozen=True, slots=True, eq=False)
class WorkloadSlopesFit(Fitted):
    """A fitted mixed model.

    Attributes
    ----------
    cells : Cells
        What it was fitted to.
    slopes : Slopes
        Of one fit.
    intercepts : ndarray, shape (workloads,)
        NaN for workloads it never saw.
    """

    cells: Cells
    slopes: Slopes
    intercepts: FloatArray

    def log_fps(self, rows: Rows) -> FloatArray:
        """Evaluate each workload's line."""
        slopes = self.slopes.own[0][rows.workload]
        result: FloatArray = self.intercepts[rows.workload] + (slopes * logs(rows)).sum(axis=1)
        return result

    def terms(self) -> pd.DataFrame:
        """Shared slopes, then each workload's; std_error holds how far workloads differ.

        For a shared slope the standard error is that of a mean over workloads.
        """
        names = self.cells.rows.names.workloads
        varies = np.flatnonzero(np.ptp(logs(self.cells.rows), axis=0) > 0)
        ran = np.unique(self.cells.rows.workload)
        between = np.sqrt(self.slopes.variance[0] / max(len(ran), 1))
        rows = [("", j, self.slopes.shared[0, j], between[j]) for j in varies]
        rows += [(names[w], j, self.slopes.own[0, w, j], np.nan) for w in ran for j in varies]
        table = pd.DataFrame(rows, columns=["workload", "variable", "estimate", "std_error"])
        table["term"] = [VARIABLES[j] for j in table["variable"]]
        table["sentence"] = [
            (f"{workload}: " if workload else "") + gain_sentence(term, estimate)
            for workload, term, estimate in zip(
                table["workload"], table["term"], table["estimate"], strict=True
            )
        ]
        return table[["term", "workload", "estimate", "std_error", "sentence"]]
