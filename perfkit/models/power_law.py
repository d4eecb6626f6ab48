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
from perfkit.models.moments import SIZE, kept_without, least_change, subset_moments
from perfkit.models.outside_seen import VARIABLES, logs
from perfkit.models.row_index import (
    FLAT,
    OPEN,
    USUAL_SLOPES,
    error_index,
    left_out_index,
    row_index,
)
from perfkit.models.sentences import gain_sentence


@dataclass(frozen=True, slots=True)
class PowerLaw(Family):
    """Ordinary least squares on logs; see the module's formula."""

    def fit(self, cells: Cells) -> "PowerLawFit":
        """Sweep out workload means, then least squares on the four logs.

        Where columns vary together (or not at all) the slopes stay, in those directions only, at
        `USUAL_SLOPES`; where the data determine the slopes this is ordinary least squares.
        """
        index = row_index(cells.rows)
        said = cells.log_fps.take(index.place)
        pull = index.products(index.turned, said) @ index.back.T
        slopes = index.rest + pull.sum(axis=0)
        level = index.by_workload(said) / index.number
        return PowerLawFit(cells, slopes, level - index.mean @ slopes, pull)

    def left_out_at(self, cells: Cells, without: list[IntArray], rows: Rows) -> list[FloatArray]:
        """Subtract cross-products instead of refitting."""
        kept = kept_without(cells, without)
        if (kept.sum(axis=1) == kept.shape[1] - 1).all() and len(kept):
            gone = np.argmin(kept, axis=1)
            slopes, level = (each[gone] for each in lines_without_each(cells))
            intercepts = level - slopes @ row_index(cells.rows).mean.T
        else:
            slopes, intercepts = lines_without(cells, kept)
        return list(intercepts[:, rows.workload] + slopes @ logs(rows).T)

    def left_out_each(self, cells: Cells) -> FloatArray:
        """Subtract cross-products, and predict each cell by its own fit only."""
        index = row_index(cells.rows)
        if len(index.gpus) < 2:
            return np.full(len(cells), np.nan)
        slopes, level = lines_without_each(cells)
        left = left_out_index(cells.rows)
        owned = slopes if len(left.owner) == len(slopes) else slopes[left.owner]
        said = level.take(left.cell) + (owned[:, None] @ index.centred)[:, 0]
        return said.take(index.home)


def lines_without_each(cells: Cells) -> tuple[FloatArray, FloatArray]:
    """Fit without each of D GPUs in turn.

    Parameters
    ----------
    cells : Cells
        Of at least two GPUs.

    Returns
    -------
    slopes : ndarray, shape (D, 4)
    level : ndarray, shape (D, W)
        Log FPS where all logs are at their workload's mean over all cells; NaN for workloads that
        a fit never saw.
    """
    index, left = row_index(cells.rows), left_out_index(cells.rows)
    said = cells.log_fps.take(index.place)
    own = np.concatenate([index.products(index.centred, said), index.by_both(said)], axis=1)
    others = own.sum(axis=0) - own
    slopes = left.rest + (left.solve @ others[..., None])[..., 0]
    away = (left.away @ slopes[..., None])[..., 0]
    return slopes, others[:, SIZE:] / left.count - away


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
        Elasticities of FPS, in the order of `perfkit.models.outside_seen.VARIABLES`.
    intercepts : ndarray, shape (workloads,)
        NaN for workloads it never saw.
    pull : ndarray, shape (D, 4)
        What the cells of each GPU add to the slopes.
    """

    cells: Cells
    slopes: FloatArray
    intercepts: FloatArray
    pull: FloatArray

    def log_fps(self, rows: Rows) -> FloatArray:
        """Evaluate the line."""
        predicted: FloatArray = self.intercepts[rows.workload] + logs(rows) @ self.slopes
        return predicted

    def clustered(self) -> FloatArray:
        """Compute standard errors of the slopes, clustered by GPU, shape (4,).

        NaN for variables that did not vary, and for all where there are too few GPUs or the
        slopes are not determined.
        """
        index = error_index(self.cells.rows)
        line = np.concatenate([self.intercepts.take(index.ran), self.slopes])
        half = (self.pull.ravel() - index.explained @ line).reshape(self.pull.shape)
        errors: FloatArray = np.sqrt(index.correction * np.square(half).sum(axis=0))
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
