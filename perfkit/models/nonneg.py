"""Many small non-negative least-squares problems at once, from their normal equations.

Block principal pivoting (Portugal, Judice and Vicente 1994, *Mathematics of Computation*
63:625-643; Kim and Park 2011, *SIAM J. Scientific Computing* 33:3261-3281): solve with some
unknowns held at zero, exchange all that break an optimality condition, and where that stops helping
exchange only the last one, which always ends.
"""

import numpy as np

from perfkit.models.family import BoolArray, FloatArray

BLOCK = 2048
"""Problems solved side by side, so that they stay in the cache of the processor."""

PATIENCE = 3
"""Exchanges of all that a problem may take without breaking fewer conditions."""

STEPS = 100
SLACK = 1e-12
"""Conditions may be missed by this, unknowns being scaled to columns of length one."""


def _solve(gram: FloatArray, product: FloatArray, passive: BoolArray) -> FloatArray:
    """Solve with all but `passive` unknowns at zero; problems along the last axis."""
    size = len(product)
    matrix = np.where(passive[:, None] & passive, gram, 0.0)
    diagonal = np.arange(size)
    matrix[diagonal, diagonal] = np.where(passive, gram[diagonal, diagonal], 1.0)
    x = np.where(passive, product, 0.0)
    for k in range(size - 1):
        factor = matrix[k, k + 1 :] / matrix[k, k]
        matrix[k + 1 :, k + 1 :] -= factor[:, None] * matrix[k, k + 1 :]
        x[k + 1 :] -= factor * x[k]
    for k in range(size - 1, -1, -1):
        x[k] = (x[k] - (matrix[k, k + 1 :] * x[k + 1 :]).sum(axis=0)) / matrix[k, k]
    return x


def _look(
    gram: FloatArray, product: FloatArray, passive: BoolArray
) -> tuple[FloatArray, FloatArray]:
    """Solutions with all but `passive` unknowns at zero, and the slopes there."""
    x, slope = np.empty_like(product), np.empty_like(product)
    for first in range(0, product.shape[1], BLOCK):
        some = slice(first, first + BLOCK)
        here = gram[..., some]
        x[:, some] = _solve(here, product[:, some], passive[:, some])
        np.einsum("ijm,jm->im", here, x[:, some], out=slope[:, some])
    return x, slope - product


def _settle(gram: FloatArray, product: FloatArray) -> FloatArray:
    """Exchange until no condition is broken; problems along the last axis."""
    size, count = product.shape
    slack = -SLACK * np.abs(product).max(axis=0, initial=0.0)
    result, passive = np.zeros((size, count)), np.ones((size, count), dtype=bool)
    best, patience = np.full(count, size), np.full(count, PATIENCE)
    live = np.arange(count)
    for _ in range(STEPS):
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            x, slope = _look(gram, product, passive)
        if not np.isfinite(x).all():
            break
        broken = np.where(passive, x, slope) < slack
        result[:, live] = x
        number = broken.sum(axis=0)
        going = np.flatnonzero(number)
        if not len(going):
            return np.maximum(result, 0.0)
        live, slack = live[going], slack[going]
        gram, product = gram.take(going, axis=2), product.take(going, axis=1)
        passive, broken = passive.take(going, axis=1), broken.take(going, axis=1)
        number = number[going]
        fewer = number < best[going]
        best = np.where(fewer, number, best[going])
        patience = np.where(fewer, PATIENCE, patience[going] - 1)
        last = size - 1 - np.argmax(broken[::-1], axis=0)
        one = np.arange(size)[:, None] == last
        passive = passive ^ np.where(patience > 0, broken, one)
    raise ArithmeticError("non-negative least squares did not settle: columns are not independent")


def nonneg_least_squares(gram: FloatArray, product: FloatArray) -> FloatArray:
    """Minimise x' G x - 2 x' h over x >= 0 for m problems.

    Parameters
    ----------
    gram : ndarray, shape (m, k, k)
        G = A'A, positive definite.
    product : ndarray, shape (m, k)
        h = A'b.

    Returns
    -------
    ndarray, shape (m, k)
        Exact zeros where the bound holds; at every solution G x - h is zero where x is positive
        and not negative elsewhere.

    Raises
    ------
    ArithmeticError
        No solution was found, as with a G that is not positive definite.

    Examples
    --------
    >>> design, goal = np.array([[1.0, 2.0], [2.0, 1.0]]), np.array([1.0, 3.0])
    >>> nonneg_least_squares((design.T @ design)[None], (design.T @ goal)[None])
    array([[1.4, 0. ]])
    """
    length = np.sqrt(np.diagonal(gram, axis1=1, axis2=2))
    length = np.where(length > 0, length, 1.0)
    scaled = np.ascontiguousarray(np.moveaxis(gram / length[:, :, None] / length[:, None], 0, -1))
    goal = np.ascontiguousarray((product / length).T)
    return _settle(scaled, goal).T / length
