"""Power law: log FPS is linear in log rates, one line for all workloads.

log FPS = a_workload + b_c log C + b_m log B + b_p log P + b_s log S + u_GPU + e

C arithmetic rate (TFLOP/s), B bandwidth (GB/s), P drawn megapixels, S processor speed. Ordinary
least squares with one intercept a workload; standard errors clustered by GPU.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from perfkit.models.family import BoolArray, Cells, Family, Fitted, FloatArray, IntArray, Rows
from perfkit.models.moments import (
    PAIRS,
    UNFOLD,
    cell_sums,
    kept_without,
    least_change,
    subset_moments,
)
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

    def left_out_at(self, cells: Cells, without: list[IntArray], rows: Rows) -> list[FloatArray]:
        """Subtract cross-products instead of refitting."""
        slopes, intercepts = lines_without(cells, kept_without(cells, without))
        return list(intercepts[:, rows.workload] + slopes @ logs(rows).T)

    def left_out_each(self, cells: Cells) -> FloatArray:
        """Subtract cross-products, and predict each cell by its own fit only."""
        count = len(cells.gpus)
        if count < 2:
            return np.full(len(cells), np.nan)
        slopes, intercepts = lines_without(cells, ~np.eye(count, dtype=bool))
        own, x = np.searchsorted(cells.gpus, cells.rows.gpu), logs(cells.rows)
        return np.asarray(intercepts[own, cells.rows.workload] + (slopes[own] * x).sum(axis=1))


def lines_without(cells: Cells, kept: BoolArray) -> tuple[FloatArray, FloatArray]:
    """Fit m subsets of GPUs from cross-products.

    Parameters
    ----------
    cells : Cells
    kept : ndarray of bool, shape (m, D)
        Which GPUs each fit sees, in the order of `cells.gpus`.

    Returns
    -------
    slopes : ndarray, shape (m, 4)
    intercepts : ndarray, shape (m, workloads)
        NaN for workloads that a fit never saw.
    """
    moments = subset_moments(cells, kept)
    gram = moments.xx.sum(axis=1)
    usual = moments.xy.sum(axis=1) - gram @ USUAL_SLOPES
    slopes = USUAL_SLOPES + least_change(gram, usual, OPEN**2)
    intercepts = moments.mean_y - (moments.mean_x @ slopes[..., None])[..., 0]
    return slopes, intercepts


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
        sums = cell_sums(self.cells)
        count = sums.first[0].sum(axis=1)
        mean = sums.first[1:].sum(axis=2) / np.maximum(count, 1.0)
        first, middle = sums.first[1:], mean[..., None]
        # Products about the workload's mean, of each GPU.
        left, right = PAIRS
        centred = sums.second - middle[left] * first[right] - first[left] * middle[right]
        by_gpu = (centred + middle[left] * middle[right] * sums.first[0]).sum(axis=1)[UNFOLD]
        gram = by_gpu[:-1, :-1].sum(axis=2)
        varies = np.diagonal(gram) > FLAT**2 * len(self.cells)
        errors = np.full(len(VARIABLES), np.nan)
        width, cells, gpus = int(varies.sum()), len(self.cells), by_gpu.shape[2]
        parameters = width + int(np.sum(count > 0))
        if not width or gpus <= width or cells <= parameters:
            return errors
        matrix = gram[np.ix_(varies, varies)]
        value, basis = np.linalg.eigh(matrix)
        if value[0] <= OPEN**2 * value[-1]:
            return errors
        scores = by_gpu[:-1, -1] - np.einsum("ijg,j->ig", by_gpu[:-1, :-1], self.slopes)
        half = (basis / value) @ basis.T @ scores[varies]
        correction = gpus / (gpus - 1) * (cells - 1) / (cells - parameters)
        errors[varies] = np.sqrt(correction * np.square(half).sum(axis=1))
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
