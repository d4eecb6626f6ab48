"""Fit a law to many subsets of cells at once: robust loss on log frame time, weak priors.

Least is taken by Levenberg-Marquardt steps on reweighted squares, all subsets side by side. The
loss is that of Student's t, so a disturbed cell pulls little; its scale is the median absolute
residual, but never less than `LEAST_SCALE`.
"""

from dataclasses import dataclass

import numpy as np

from perfkit.models.family import FloatArray
from perfkit.models.laws import MOST_CONTENTION, MOST_SHARPNESS, Form, with_slopes

LOSS_DOF = 4.0
"""Degrees of freedom of the loss."""

LEAST_SCALE = 0.03
"""Least scale of the loss on log frame time: no law is truer than that."""

MAD_TO_SD = 1.4826
STEPS = 80
SETTLED = 1e-4
"""A subset has settled when a step lowers its loss by less."""

LONGEST_STEP = 1.5


@dataclass(frozen=True, slots=True, eq=False)
class Problem:
    """m subsets of n cells.

    Attributes
    ----------
    form : Form
    features : ndarray, shape (n, J)
    contention : ndarray, shape (n,)
    log_ms : ndarray, shape (n,)
        Measured log frame time.
    used : ndarray, shape (m, n)
        1 where a cell takes part, else 0; every subset holds at least one.
    """

    form: Form
    features: FloatArray
    contention: FloatArray
    log_ms: FloatArray
    used: FloatArray

    def centred(self) -> tuple[FloatArray, FloatArray]:
        """Level of each subset's log frame time (m, 1), and of its parts (m, J + 2)."""
        weight = self.used / self.used.sum(axis=1, keepdims=True)
        offset = (weight @ self.log_ms)[:, None]
        parts = weight @ self.features
        return offset, np.concatenate([parts, np.zeros((len(parts), 2))], axis=1)


def _scale(residual: FloatArray, used: FloatArray) -> FloatArray:
    """Median absolute residual of each subset as a standard deviation, shape (m, 1)."""
    size = np.sort(np.where(used > 0, np.abs(residual), np.inf), axis=1)
    count = used.sum(axis=1).astype(int)
    each = np.arange(len(size))
    middle = (size[each, (count - 1) // 2] + size[each, count // 2]) / 2
    return np.maximum(MAD_TO_SD * middle, LEAST_SCALE)[:, None]


def _loss(
    residual: FloatArray, used: FloatArray, scale: FloatArray, away: FloatArray
) -> FloatArray:
    data = (LOSS_DOF + 1) / 2 * np.log1p((residual / scale) ** 2 / LOSS_DOF)
    result: FloatArray = (used * data).sum(axis=1) + 0.5 * (away**2).sum(axis=1)
    return result


def _step(
    slopes: FloatArray, weight: FloatArray, residual: FloatArray, pull: FloatArray, damp: FloatArray
) -> FloatArray:
    """Damped Gauss-Newton step, shape (m, p); `pull` is (prior precision, its gradient)."""
    weighted = slopes * weight[..., None]
    matrix = np.swapaxes(weighted, 1, 2) @ slopes
    diagonal = np.arange(matrix.shape[1])
    matrix[:, diagonal, diagonal] += pull[0]
    gradient = (weighted * residual[..., None]).sum(axis=1) - pull[1]
    matrix[:, diagonal, diagonal] *= 1 + damp[:, None]
    step = np.linalg.solve(matrix, gradient[..., None])[..., 0]
    return np.clip(step, -LONGEST_STEP, LONGEST_STEP)


def fit_law(problem: Problem, start: FloatArray | None = None) -> FloatArray:
    """Parameters of a law for every subset.

    Parameters
    ----------
    problem : Problem
    start : ndarray, shape (m, J + 2), optional
        Parameters to start from; by default equal shares.

    Returns
    -------
    ndarray, shape (m, J + 2)
    """
    form, used = problem.form, problem.used
    size = form.size
    offset, level = problem.centred()
    lifted = np.concatenate([np.ones(size), np.zeros(2)])[None]
    target = problem.log_ms[None] - offset

    def look(theta: FloatArray) -> tuple[FloatArray, FloatArray]:
        said, slopes = with_slopes(form, theta, problem.features, problem.contention)
        return (target - said) * used, slopes

    mean = form.mean - level
    if start is None:
        theta = form.start - level
        residual, _ = look(theta)
        theta = theta + lifted * (residual.sum(axis=1) / used.sum(axis=1))[:, None]
    else:
        theta = start - lifted * offset
    residual, slopes = look(theta)
    scale = _scale(residual, used)
    loss = _loss(residual, used, scale, (theta - mean) / form.sd)
    damp = np.full(len(used), 1e-2)
    for turn in range(STEPS):
        weight = used * (LOSS_DOF + 1) / (LOSS_DOF + (residual / scale) ** 2) / scale**2
        pull = np.stack([np.broadcast_to(form.sd**-2, theta.shape), (theta - mean) / form.sd**2])
        tried = theta + _step(slopes, weight, residual, pull, damp)
        tried[:, size] = np.clip(tried[:, size], 0.0, MOST_SHARPNESS)
        tried[:, size + 1] = np.clip(tried[:, size + 1], 0.0, MOST_CONTENTION)
        new_residual, new_slopes = look(tried)
        new_loss = _loss(new_residual, used, scale, (tried - mean) / form.sd)
        better = new_loss < loss
        gain = np.where(better, loss - new_loss, 0.0)
        theta = np.where(better[:, None], tried, theta)
        residual = np.where(better[:, None], new_residual, residual)
        slopes = np.where(better[:, None, None], new_slopes, slopes)
        damp = np.clip(np.where(better, damp * 0.3, damp * 5.0), 1e-6, 1e6)
        if turn % 3 == 2:
            scale = _scale(residual, used)
        loss = _loss(residual, used, scale, (theta - mean) / form.sd)
        if turn >= 5 and turn % 3 != 2 and (gain < SETTLED).all():
            break
    return theta + lifted * offset
