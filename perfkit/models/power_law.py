"""Power law: log FPS is linear in log rates, one line for all workloads.

log FPS = a_workload + b_c log C + b_m log B + b_p log P + b_s log S + u_GPU + e

C arithmetic rate (TFLOP/s), B bandwidth (GB/s), P drawn megapixels, S processor speed. Ordinary
least squares with one intercept a workload; standard errors clustered by GPU.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from statsmodels.regression.linear_model import OLS

from perfkit.models.family import Cells, Family, Fitted, FloatArray, IntArray, Rows
from perfkit.models.moments import kept_without, least_change, subset_moments
from perfkit.models.ranges import VARIABLES, logs
from perfkit.models.words import gain_sentence

USUAL_SLOPES = np.array([0.5, 0.4, -0.7, 0.1])
"""Slopes that hold in directions the data leave open (common practice, no source)."""

OPEN = 1e-5
"""A direction with less than this share of the largest singular value counts as left open."""


@dataclass(frozen=True, slots=True)
class PowerLaw(Family):
    """Ordinary least squares on logs; see the module's formula."""

    def fit(self, cells: Cells) -> "PowerLawFit":
        """Sweep out workload means, then least squares on the four logs.

        Where columns vary together (or not at all) the slopes stay, in those directions only, at
        `USUAL_SLOPES`; where the data determine the slopes this is ordinary least squares.
        """
        workload = cells.rows.workload
        size = len(cells.rows.names.workloads)
        count = np.bincount(workload, minlength=size).astype(float)
        with np.errstate(invalid="ignore"):
            design = logs(cells.rows)
            mean_x = np.column_stack(
                [np.bincount(workload, column, size) / count for column in design.T]
            )
            mean_y = np.bincount(workload, cells.log_fps, size) / count
        centred = design - mean_x[workload]
        usual = cells.log_fps - mean_y[workload] - centred @ USUAL_SLOPES
        slopes = USUAL_SLOPES + np.linalg.lstsq(centred, usual, rcond=OPEN)[0]
        return PowerLawFit(cells, slopes, mean_y - mean_x @ slopes)

    def left_out(self, cells: Cells, without: list[IntArray]) -> list[FloatArray]:
        """Subtract cross-products instead of refitting."""
        moments = subset_moments(cells, kept_without(cells, without))
        gram = moments.xx.sum(axis=1)
        usual = moments.xy.sum(axis=1) - gram @ USUAL_SLOPES
        slopes = USUAL_SLOPES + least_change(gram, usual, OPEN**2)
        intercepts = moments.mean_y - np.einsum("mwi,mi->mw", moments.mean_x, slopes)
        return list(intercepts[:, cells.rows.workload] + slopes @ logs(cells.rows).T)


@dataclass(frozen=True, slots=True, eq=False)
class PowerLawFit(Fitted):
    """A fitted power law.

    Attributes
    ----------
    cells : Cells
        What it was fitted to.
    slopes : ndarray, shape (4,)
        Elasticities of FPS, in the order of `perfkit.models.ranges.VARIABLES`.
    intercepts : ndarray, shape (workloads,)
        NaN for workloads it never saw.
    """

    cells: Cells
    slopes: FloatArray
    intercepts: FloatArray

    def log_fps(self, rows: Rows) -> FloatArray:
        """Evaluate the line."""
        predicted: FloatArray = self.intercepts[rows.workload] + logs(rows) @ self.slopes
        return predicted

    def clustered(self) -> pd.DataFrame:
        """Slopes with standard errors clustered by GPU, by statsmodels.

        Returns
        -------
        DataFrame
            One row per variable that varied: term, estimate, std_error. Standard errors are NaN
            where there are too few GPUs for them or the slopes are not determined.
        """
        design = logs(self.cells.rows)
        dummies = np.eye(len(self.intercepts))[self.cells.rows.workload]
        dummies = dummies[:, dummies.any(axis=0)]
        centred = design - dummies @ np.linalg.lstsq(dummies, design, rcond=None)[0]
        varies = np.ptp(centred, axis=0) > 1e-12
        terms = np.array(VARIABLES)[varies]
        errors = np.full(len(terms), np.nan)
        matrix = np.column_stack([design[:, varies], dummies])
        determined = np.linalg.matrix_rank(centred[:, varies], tol=None) == len(terms)
        enough = len(self.cells.gpus) > len(terms) and len(matrix) > matrix.shape[1]
        if len(terms) and determined and enough:
            fitted = OLS(self.cells.log_fps, matrix).fit()
            clustered = fitted.get_robustcov_results("cluster", groups=self.cells.rows.gpu)
            errors = np.asarray(clustered.bse)[: len(terms)]
        return pd.DataFrame({"term": terms, "estimate": self.slopes[varies], "std_error": errors})

    def terms(self) -> pd.DataFrame:
        """Slopes in words a person can say."""
        table = self.clustered()
        sentences = [
            gain_sentence(term, slope)
            for term, slope in zip(table["term"], table["estimate"], strict=True)
        ]
        table = table.assign(workload="", sentence=pd.Series(sentences, dtype="str"))
        return table[["term", "workload", "estimate", "std_error", "sentence"]]
