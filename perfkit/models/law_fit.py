"""Fit a law to many subsets of cells at once: robust loss on log frame time, weak priors.

Least is taken by Levenberg-Marquardt steps on reweighted squares, all subsets side by side; a
parameter that its slope pushes against a bound stays there and the others step as if it were known.
The loss is that of Student's t, so a disturbed cell pulls little; its scale is the median absolute
residual, but never less than `LEAST_SCALE`.
"""

from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from perfkit.models.family import FloatArray
from perfkit.models.laws import MOST_CONTENTION, MOST_SHARPNESS, Form, slopes, take

LOSS_DOF = 4.0
"""Degrees of freedom of the loss."""

LEAST_SCALE = 0.03
"""Least scale of the loss on log frame time: no law is truer than that."""

LEAST_SEEN = 0.005
"""Least scale taken for the covariance of the parameters."""

MAD_TO_SD = 1.4826
STEPS = 80
RESCALE = 3
"""Steps between two looks at the scale."""

SETTLED = 1e-4
"""A subset has settled when a step lowers its loss by less."""

LONGEST_STEP = 1.5
MOST = np.array([MOST_SHARPNESS, MOST_CONTENTION])


@dataclass(frozen=True, slots=True, eq=False)
class Problem:
    """m subsets of up to n cells each.

    Attributes
    ----------
    form : Form
    features : ndarray, shape (m, n, J)
    contention : ndarray, shape (m, n)
    log_ms : ndarray, shape (m, n)
        Measured log frame time.
    used : ndarray, shape (m, n)
        1 where a cell takes part, else 0; every subset holds at least one. What stands where it is
        0 must be finite and does not matter.
    """

    form: Form
    features: FloatArray
    contention: FloatArray
    log_ms: FloatArray
    used: FloatArray

    def centred(self) -> tuple[FloatArray, FloatArray]:
        """Level of each subset's log frame time (m, 1), and of its parts (m, J + 2)."""
        weight = self.used / self.used.sum(axis=1, keepdims=True)
        offset = (weight * self.log_ms).sum(axis=1)[:, None]
        parts = (weight[:, None] @ self.features)[:, 0]
        return offset, np.concatenate([parts, np.zeros((len(parts), 2))], axis=1)


@dataclass(frozen=True, slots=True, eq=False)
class State:
    """Where the search stands in each of m subsets; every field has m rows.

    Attributes
    ----------
    theta, mean : ndarray, shape (m, J + 2)
        Parameters, and what is expected of them before seeing data.
    residual : ndarray, shape (m, n)
    slopes : ndarray, shape (m, n, J + 2)
    scale, loss, damp, gain : ndarray, shape (m,)
        Scale of the residuals, loss, damping of the next step, what the last step gained
        (infinite when it was refused).
    features, contention, target, used : ndarray
        As in `Problem`; `target` is the log frame time less its level.
    """

    theta: FloatArray
    mean: FloatArray
    residual: FloatArray
    slopes: FloatArray
    scale: FloatArray
    loss: FloatArray
    damp: FloatArray
    gain: FloatArray
    features: FloatArray
    contention: FloatArray
    target: FloatArray
    used: FloatArray

    def take(self, chosen: NDArray[np.bool_]) -> "State":
        """Keep some subsets."""
        return State(*(getattr(self, field.name)[chosen] for field in fields(self)))


def _scale(residual: FloatArray, used: FloatArray, least: float = LEAST_SCALE) -> FloatArray:
    """Median absolute residual of each subset as a standard deviation, shape (m,)."""
    size = np.sort(np.where(used > 0, np.abs(residual), np.inf), axis=1)
    count = used.sum(axis=1).astype(int)
    each = np.arange(len(size))
    middle = (size[each, (count - 1) // 2] + size[each, count // 2]) / 2
    result: FloatArray = np.maximum(MAD_TO_SD * middle, least)
    return result


def _loss(
    residual: FloatArray, used: FloatArray, scale: FloatArray, away: FloatArray
) -> FloatArray:
    data = (LOSS_DOF + 1) / 2 * np.log1p((residual / scale[:, None]) ** 2 / LOSS_DOF)
    result: FloatArray = (used * data).sum(axis=1) + 0.5 * (away**2).sum(axis=1)
    return result


def _residual(form: Form, state: State, theta: FloatArray) -> tuple[FloatArray, FloatArray]:
    taken = take(form, theta, state.features, state.contention)
    return (state.target - taken.log_ms) * state.used, slopes(form, taken, state.contention)


def _tried(form: Form, state: State) -> FloatArray:
    """Parameters one damped Gauss-Newton step further."""
    weight = state.used * (LOSS_DOF + 1) / state.scale[:, None] ** 2
    weight = weight / (LOSS_DOF + (state.residual / state.scale[:, None]) ** 2)
    weighted = np.swapaxes(state.slopes * weight[..., None], 1, 2)
    matrix = weighted @ state.slopes
    diagonal = np.arange(matrix.shape[1])
    matrix[:, diagonal, diagonal] += form.sd**-2
    gradient = (weighted @ state.residual[..., None])[..., 0]
    gradient -= (state.theta - state.mean) / form.sd**2
    matrix[:, diagonal, diagonal] *= 1 + state.damp[:, None]
    bounded = slice(form.size, None)
    free = np.ones_like(gradient)
    here, push = state.theta[:, bounded], gradient[:, bounded]
    free[:, bounded] -= ((here <= 0.0) & (push < 0.0)) | ((here >= MOST) & (push > 0.0))
    matrix *= free[:, :, None] * free[:, None, :]
    matrix[:, diagonal, diagonal] += 1.0 - free
    step = np.linalg.solve(matrix, (gradient * free)[..., None])[..., 0]
    result: FloatArray = state.theta + np.clip(step, -LONGEST_STEP, LONGEST_STEP)
    result[:, bounded] = np.clip(result[:, bounded], 0.0, MOST)
    return result


def _advance(form: Form, state: State, *, rescale: bool) -> State:
    """Take the step where it lowers the loss, else damp more."""
    tried = _tried(form, state)
    residual, slope = _residual(form, state, tried)
    loss = _loss(residual, state.used, state.scale, (tried - state.mean) / form.sd)
    better = loss < state.loss
    theta = np.where(better[:, None], tried, state.theta)
    residual = np.where(better[:, None], residual, state.residual)
    scale = _scale(residual, state.used) if rescale else state.scale
    kept = np.where(better, loss, state.loss)
    if rescale:
        kept = _loss(residual, state.used, scale, (theta - state.mean) / form.sd)
    return replace(
        state,
        theta=theta,
        residual=residual,
        slopes=np.where(better[:, None, None], slope, state.slopes),
        scale=scale,
        loss=kept,
        damp=np.clip(np.where(better, state.damp * 0.3, state.damp * 5.0), 1e-6, 1e6),
        gain=np.where(better, state.loss - loss, np.where(state.damp > 1e4, 0.0, np.inf)),
    )


def _begin(problem: Problem) -> State:
    """Start from equal shares at the level of each subset."""
    form, used = problem.form, problem.used
    offset, level = problem.centred()
    theta = form.start - level
    empty = np.zeros(len(used))
    state = State(
        theta=theta,
        mean=form.mean - level,
        residual=used,
        slopes=used,
        scale=empty,
        loss=empty,
        damp=empty + 1e-2,
        gain=empty,
        features=problem.features,
        contention=problem.contention,
        target=problem.log_ms - offset,
        used=used,
    )
    residual, _ = _residual(form, state, theta)
    theta[:, : form.size] += (residual.sum(axis=1) / used.sum(axis=1))[:, None]
    residual, slope = _residual(form, state, theta)
    scale = _scale(residual, used)
    loss = _loss(residual, used, scale, (theta - state.mean) / form.sd)
    return replace(state, residual=residual, slopes=slope, scale=scale, loss=loss)


def covariance(problem: Problem, theta: FloatArray, weight: FloatArray) -> FloatArray:
    """Covariance of the parameters of each subset by the curvature of loss and prior.

    Parameters
    ----------
    problem : Problem
    theta : ndarray, shape (m, J + 2)
        As found by `fit_law`.
    weight : ndarray, shape (m,)
        What a cell counts: less than one where several cells of a GPU share its error.

    Returns
    -------
    ndarray, shape (m, J + 2, J + 2)
    """
    form, used = problem.form, problem.used
    taken = take(form, theta, problem.features, problem.contention)
    slope = slopes(form, taken, problem.contention)
    residual = (problem.log_ms - taken.log_ms) * used
    scale = _scale(residual, used, LEAST_SEEN)[:, None]
    trust = used * (LOSS_DOF + 1) / (LOSS_DOF + (residual / scale) ** 2) / scale**2
    matrix = np.swapaxes(slope * (trust * weight[:, None])[..., None], 1, 2) @ slope
    diagonal = np.arange(matrix.shape[1])
    matrix[:, diagonal, diagonal] += form.sd**-2
    result = np.asarray(np.linalg.inv(matrix))
    return result


def fit_law(problem: Problem) -> FloatArray:
    """Parameters of a law for every subset.

    Parameters
    ----------
    problem : Problem

    Returns
    -------
    ndarray, shape (m, J + 2)
    """
    form = problem.form
    state = _begin(problem)
    result = state.theta.copy()
    live = np.arange(len(result))
    for turn in range(STEPS):
        rescale = turn % RESCALE == RESCALE - 1
        state = _advance(form, state, rescale=rescale)
        result[live] = state.theta
        if turn > RESCALE and not rescale:
            going = state.gain >= SETTLED
            if not going.any():
                break
            live, state = live[going], state.take(going)
    result[:, : form.size] += problem.centred()[0]
    return result
