"""Power law: log FPS is linear in log rates, one line for all workloads.

log FPS = a_workload + b_c log C + b_m log B + b_p log P + b_s log S + u_GPU + e

C arithmetic rate (TFLOP/s), B bandwidth (GB/s), P drawn megapixels, S processor speed. Ordinary
least squares with one intercept a workload; standard errors clustered by GPU.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from perfkit.models.family import Cells, Family, Fitted, FloatArray, IntArray, Rows
from perfkit.models.moments import kept_without, least_change, subset_moments
from perfkit.models.ranges import VARIABLES, logs
from perfkit.models.words import gain_sentence

USUAL_SLOPES = np.array([0.5, 0.4, -0.7, 0.1])
"""Slopes that hold in directions the data leave open (common practice, no source)."""

OPEN = 1e-5
"""A direction with less than this share of the largest singular value counts as left open."""

FLAT = 1e-12
"""A log that varies less than this does not vary."""


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

    def clustered(self) -> FloatArray:
        """Compute standard errors of the slopes, clustered by GPU, shape (4,).

        NaN for variables that did not vary, and for all where there are too few GPUs or the
        slopes are not determined.
        """
        workload = self.cells.rows.workload
        count = np.bincount(workload)
        design = logs(self.cells.rows)
        means = np.column_stack([np.bincount(workload, x) for x in design.T])
        centred = design - means[workload] / count[workload, None]
        varies = np.ptp(centred, axis=0) > FLAT
        errors = np.full(len(VARIABLES), np.nan)
        width, cells = int(varies.sum()), len(self.cells)
        gpus, index = np.unique(self.cells.rows.gpu, return_inverse=True)
        parameters = width + int(np.sum(count > 0))
        if not width or len(gpus) <= width or cells <= parameters:
            return errors
        chosen = centred[:, varies]
        if np.linalg.matrix_rank(chosen, tol=OPEN * np.linalg.norm(chosen, 2)) < width:
            return errors
        residual = self.cells.log_fps - self.log_fps(self.cells.rows)
        scores = np.column_stack([np.bincount(index, x * residual) for x in chosen.T])
        bread = np.linalg.inv(chosen.T @ chosen)
        correction = len(gpus) / (len(gpus) - 1) * (cells - 1) / (cells - parameters)
        errors[varies] = np.sqrt(correction * np.diag(bread @ (scores.T @ scores) @ bread))
        return errors

    def regression(self) -> Any:
        """Return the same regression as statsmodels results, errors clustered by GPU.

        Returns
        -------
        statsmodels RegressionResults
            With its summary, tests and diagnostics; columns are named.
        """
        from statsmodels.regression.linear_model import OLS

        names = self.cells.rows.names.workloads
        ran = np.unique(self.cells.rows.workload)
        design = logs(self.cells.rows)
        varies = np.ptp(design, axis=0) > FLAT
        columns = dict(zip(np.array(VARIABLES)[varies], design[:, varies].T, strict=True))
        columns |= {names[w]: (self.cells.rows.workload == w).astype(float) for w in ran}
        frame = pd.DataFrame(columns)
        clusters = {"groups": self.cells.rows.gpu}
        return OLS(self.cells.log_fps, frame).fit(cov_type="cluster", cov_kwds=clusters)

    def terms(self) -> pd.DataFrame:
        """Slopes in words a person can say."""
        varies = np.ptp(logs(self.cells.rows), axis=0) > FLAT
        terms = [name for name, moved in zip(VARIABLES, varies, strict=True) if moved]
        sentences = [
            gain_sentence(name, float(slope))
            for name, slope in zip(terms, self.slopes[varies], strict=True)
        ]
        return pd.DataFrame(
            {
                "term": pd.Series(terms, dtype="str"),
                "workload": "",
                "estimate": self.slopes[varies],
                "std_error": self.clustered()[varies],
                "sentence": pd.Series(sentences, dtype="str"),
            }
        )
