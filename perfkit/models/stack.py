"""Stack: a weighted mean of the families' log FPS, weights by errors on GPUs left out.

Weights are non-negative, sum to one, and minimise the squared left-out error, every GPU counting
the same. They are drawn to equal weights, and each workload's to the study's, because families
err alike and few GPUs cannot tell their weights apart.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import nnls

from perfkit.models.family import FloatArray, Rows
from perfkit.models.selection import Combination, LeftOut, Weights

TO_EQUAL = 1.0
"""Equal weights count as much as this many times the study's evidence."""

TO_STUDY = 3.0
"""The study's weights count as this many times a workload's own evidence."""

SUM_TO_ONE = 1e3


def simplex_weights(gram: FloatArray, towards: FloatArray, pull: float) -> FloatArray:
    """Minimise w' G w + pull mean(diag G) |w - towards|^2 over w >= 0 with sum 1.

    Parameters
    ----------
    gram : ndarray, shape (F, F)
        Mean products of the families' errors.
    towards : ndarray, shape (F,)
        Weights that hold where the errors cannot tell.
    pull : float
        How much they count.

    Returns
    -------
    ndarray, shape (F,)
    """
    size = len(gram)
    level = float(np.trace(gram)) / size
    if not level > 0:
        return towards
    value, basis = np.linalg.eigh(gram / level)
    root = (basis * np.sqrt(np.maximum(value, 0.0))).T
    matrix = np.vstack([root, np.sqrt(pull) * np.eye(size), np.full((1, size), SUM_TO_ONE)])
    goal = np.concatenate([np.zeros(size), np.sqrt(pull) * towards, [SUM_TO_ONE]])
    found = np.asarray(nnls(matrix, goal)[0], dtype=np.float64)
    weights: FloatArray = found / found.sum()
    return weights


@dataclass(frozen=True, slots=True)
class Stack(Combination):
    """Weighted mean of some families; see the module's rule.

    Attributes
    ----------
    members : tuple of str
        Names of the families; others get no weight.
    """

    members: tuple[str, ...]

    def learn(self, left: LeftOut) -> "StackWeights":
        """Weights of the study, then of each workload drawn to them."""
        columns = [left.families.index(name) for name in self.members]
        size = len(left.cells.rows.names.workloads)
        equal = np.full(len(columns), 1.0 / len(columns))
        error = left.log_fps[:, columns] - left.cells.log_fps[:, None]
        known = np.isfinite(error).all(axis=1) & ~left.cells.at_least
        weights = np.zeros((size, len(left.families)))
        weights[:, columns] = equal
        if known.any():
            error, rows = error[known], left.cells.rows.take(known)
            share = 1.0 / np.bincount(rows.gpu)[rows.gpu]
            products = error[:, :, None] * error[:, None, :] * share[:, None, None]
            study = simplex_weights(products.sum(axis=0) / share.sum(), equal, TO_EQUAL)
            weights[:, columns] = study
            for code in np.unique(rows.workload):
                mine = rows.workload == code
                gram = products[mine].sum(axis=0) / share[mine].sum()
                weights[code, columns] = simplex_weights(gram, study, TO_STUDY)
        return StackWeights(weights)


@dataclass(frozen=True, slots=True, eq=False)
class StackWeights(Weights):
    """Learnt weights.

    Attributes
    ----------
    weights : ndarray, shape (workloads, F)
        Rows sum to one.
    """

    weights: FloatArray

    def combine(self, log_fps: FloatArray, rows: Rows) -> FloatArray:
        """Weighted mean; families without a number give their weight to the others."""
        weights = np.where(np.isfinite(log_fps), self.weights[rows.workload], 0.0)
        total = weights.sum(axis=1)
        mean = (weights * np.nan_to_num(log_fps)).sum(axis=1)
        result: FloatArray = np.divide(mean, total, out=np.full(len(rows), np.nan), where=total > 0)
        return result

    def shares(self, families: Sequence[str]) -> dict[str, float]:
        """Mean weight over workloads."""
        return dict(zip(families, self.weights.mean(axis=0).tolist(), strict=True))
