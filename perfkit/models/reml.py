"""Mixed models by restricted maximum likelihood, from cross-products alone.

y = a_w + (b + d_w) . x + u_g + e,  d_w ~ N(0, s^2 diag(l)),  u_g ~ N(0, s^2 c),  e ~ N(0, s^2)

Workload w has an intercept and slopes of its own, GPU g a deviation u_g that crosses all
workloads. `perfkit.models.mixed_equations` evaluates the model. The variance ratios l and c are
found by projected Newton steps on the analytic gradient with the average information (Gilmour,
Thompson and Cullis 1995, *Biometrics* 51:1440-1450), many subsets of cells side by side.
"""

from dataclasses import dataclass

import numpy as np

from perfkit.models.cross_products import Products, closed_basis
from perfkit.models.family import BoolArray, FloatArray
from perfkit.models.mixed_equations import Look, look
from perfkit.models.moments import SIZE

START = 8.0
LEAPS = 2
FARTHEST = 100.0
STEPS = 100
LEAST_DAMP, MOST_DAMP = 1e-6, 1e8
ROUNDING = 1e-13
TINY = 1e-300
SETTLED = 1e-10
"""A subset has settled when a Newton step promises to lower its deviance by less."""

MOST_RATIO = 1e6
"""Largest variance over s^2: beyond, residuals are all but zero and rounding decides."""


@dataclass(frozen=True, slots=True, eq=False)
class Mixed:
    """m mixed models at their best variance ratios.

    Attributes
    ----------
    ratio : ndarray, shape (m, 5)
        Variances over s^2: of the four slopes between workloads, then of GPUs.
    look : Look
        The models there.
    deviance : ndarray, shape (m,)
        Minus twice the restricted log likelihood, intercepts counting as fixed effects.
    """

    ratio: FloatArray
    look: Look
    deviance: FloatArray


def _start(p: Products, allowed: BoolArray) -> FloatArray:
    """Ratios at which a group's own data weigh a little more than what groups share."""
    of_slopes = np.diagonal(p.xx, axis1=2, axis2=3).sum(axis=1)
    of_gpus = np.diagonal(p.zz, axis1=1, axis2=2).sum(axis=1)
    groups = (p.count > 0).sum(axis=1)
    gpus = (np.diagonal(p.zz, axis1=1, axis2=2) > 0).sum(axis=1)
    of_slopes = of_slopes / np.maximum(groups, 1)[:, None]
    weight = np.concatenate([of_slopes, (of_gpus / np.maximum(gpus, 1))[:, None]], axis=1)
    start = np.divide(START, weight, out=np.zeros_like(weight), where=weight > 0)
    return np.where(allowed, start, 0.0)


def _newton(
    at: Look, ratio: FloatArray, damp: FloatArray, allowed: BoolArray
) -> tuple[FloatArray, FloatArray]:
    """Projected step of each subset, and what it promises to gain."""
    free = allowed & ((ratio > 0) | (at.gradient < 0))
    diagonal = np.arange(SIZE + 1)
    scale = np.sqrt(np.maximum(at.information[:, diagonal, diagonal], TINY))
    matrix = at.information / scale[:, :, None] / scale[:, None, :]
    matrix = np.where(free[:, :, None] & free[:, None, :], matrix, 0.0)
    matrix[:, diagonal, diagonal] = np.where(free, 1.0 + damp[:, None], 1.0)
    gradient = np.where(free, at.gradient / scale, 0.0)
    step = -np.linalg.solve(matrix, gradient[..., None])[..., 0]
    return np.maximum(ratio + step / scale, 0.0), -0.5 * (gradient * step).sum(axis=1)


def _leap(at: Look, ratio: FloatArray) -> FloatArray:
    """Step to where squares would meet their expectation, had groups nothing in common."""
    square = at.expected - at.gradient
    factor = np.divide(square, at.expected, out=np.ones_like(ratio), where=at.expected > 0)
    leapt: FloatArray = ratio * np.clip(factor, 1.0 / FARTHEST, FARTHEST)
    return leapt


def _search(p: Products, allowed: BoolArray) -> tuple[FloatArray, Look]:
    """Find the best variance ratios of m subsets side by side, shape (m, 5), and look there."""
    basis, closed = closed_basis(p)
    whole = p, basis, closed
    ratio = _start(p, allowed)
    result = ratio.copy()
    at = look(p, ratio, basis, closed)
    damp = np.full(len(ratio), LEAST_DAMP)
    live = np.arange(len(ratio))
    for turn in range(STEPS):
        tried, gain = _newton(at, ratio, damp, allowed)
        if turn < LEAPS:
            tried, gain = _leap(at, ratio), np.full(len(ratio), np.inf)
        tried = np.minimum(tried, MOST_RATIO)
        going = (gain > SETTLED) & (damp < MOST_DAMP)
        result[live] = ratio
        if not going.any() and len(live) == len(result):
            return result, at
        if not going.any():
            break
        if not going.all():
            p, at, live = p.take(going), at.take(going), live[going]
            basis, closed, allowed = basis[going], closed[going], allowed[going]
            ratio, damp, tried = ratio[going], damp[going], tried[going]
        new = look(p, tried, basis, closed)
        better = new.criterion <= at.criterion + ROUNDING * np.abs(at.criterion)
        ratio = np.where(better[:, None], tried, ratio)
        at = new if better.all() else new.where(better, at)
        damp = np.where(better, np.maximum(damp * 0.1, LEAST_DAMP), np.maximum(damp, 0.1) * 8.0)
    p, basis, closed = whole
    return result, look(p, result, basis, closed)


def fit_reml(p: Products, allowed: BoolArray) -> Mixed:
    """Fit m mixed models side by side.

    Parameters
    ----------
    p : Products
        Of m subsets.
    allowed : ndarray of bool, shape (m, 5)
        Which variance ratios may differ from zero: slopes between workloads, GPUs last.

    Returns
    -------
    Mixed
        Directions of the columns that the data leave open have slopes 0.
    """
    found, at = _search(p, allowed)
    spare = p.free - at.closed.sum(axis=1)
    deviance = at.criterion + np.log(np.maximum(p.count, 1.0)).sum(axis=1)
    return Mixed(found, at, deviance + np.maximum(spare, 1.0) * (1.0 + np.log(2.0 * np.pi)))
