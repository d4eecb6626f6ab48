"""Stack: a weighted mean of the families' log FPS, weights by errors on GPUs left out.

Weights are non-negative, sum to one, and minimise the squared left-out error, every GPU counting
the same. They are drawn to equal weights, and each workload's to the study's, because families
err alike and few GPUs cannot tell their weights apart.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from perfkit.models.family import FloatArray, Rows
from perfkit.models.nonneg import nonneg_least_squares
from perfkit.models.selection import Combination, LeftOut, Weights

TO_EQUAL = 1.0
"""Equal weights count as much as this many times the study's evidence."""

TO_STUDY = 3.0
"""The study's weights count as this many times a workload's own evidence."""


def simplex_weights(gram: FloatArray, towards: FloatArray, pull: float) -> FloatArray:
    """Minimise w' G w + pull mean(diag G) |w - towards|^2 over w >= 0 with sum 1, m times.

    Parameters
    ----------
    gram : ndarray, shape (m, F, F)
        Products of the families' errors, summed or averaged.
    towards : ndarray, shape (F,)
        Weights that hold where the errors cannot tell; their sum is 1.
    pull : float
        How much they count, above 0 unless G is positive definite.

    Returns
    -------
    ndarray, shape (m, F)

    Notes
    -----
    Where the sum of w is 1, both terms are squares of linear forms of w, and a constant times the
    squared sum may be added. Minimising w' M w - 2 sum(w) over w >= 0 then gives the weights times
    a number.
    """
    result = np.tile(towards, (len(gram), 1))
    level = np.trace(gram, axis1=1, axis2=2) / len(towards)
    told = level > 0
    away = np.eye(len(towards)) - towards[:, None]
    matrix = gram[told] / level[told, None, None] + pull * away.T @ away + 1.0
    found = nonneg_least_squares(matrix, np.ones(matrix.shape[:2]))
    result[told] = found / found.sum(axis=1, keepdims=True)
    return result


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
        columns = np.array([left.families.index(name) for name in self.members])
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
            whole = products.sum(axis=0, keepdims=True)
            weights[:, columns] = study = simplex_weights(whole, equal, TO_EQUAL)[0]
            codes = np.unique(rows.workload)
            mine = (rows.workload == codes[:, None]).astype(float)
            each = np.tensordot(mine, products, 1)
            weights[np.ix_(codes, columns)] = simplex_weights(each, study, TO_STUDY)
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
