"""Mixed models by restricted maximum likelihood, from cross-products alone.

y = a_w + (b + d_w) . x + u_g + e,  d_w ~ N(0, s^2 diag(l)),  u_g ~ N(0, s^2 c),  e ~ N(0, s^2)

Workload w has an intercept and slopes of its own, GPU g a deviation u_g that crosses all
workloads. Intercepts are absorbed by centring, workloads enter by their 4 x 4 cross-products, GPUs
by the Schur complement of their equations; s^2 is profiled out. The variance ratios l and c are
found by projected Newton steps on the analytic gradient with the average information (Gilmour,
Thompson and Cullis 1995, *Biometrics* 51:1440-1450), many subsets of cells side by side.
"""

from dataclasses import dataclass, fields

import numpy as np

from perfkit.models.cross_products import Products, closed_basis, times
from perfkit.models.family import BoolArray, FloatArray
from perfkit.models.moments import SIZE

UNIT = np.eye(SIZE)
START = 8.0
LEAPS = 2
FARTHEST = 100.0
STEPS = 100
LEAST_DAMP, MOST_DAMP = 1e-6, 1e8
ROUNDING = 1e-13
TINY = 1e-300
SETTLED = 1e-10
"""A subset has settled when a Newton step promises to lower its deviance by less."""

LEAST_SQUARE = 1e-12
"""Least residual mean square of log FPS."""

MOST_RATIO = 1e6
"""Largest variance over s^2: beyond, residuals are all but zero and rounding decides."""


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """The model at given variance ratios, in each of m subsets.

    Attributes
    ----------
    criterion : ndarray, shape (m,)
        Deviance less what does not depend on the ratios.
    gradient : ndarray, shape (m, 5)
        Its slopes in the ratios, the GPUs' last.
    expected : ndarray, shape (m, 5)
        Traces in the gradient; what they are larger by than it are squares.
    information : ndarray, shape (m, 5, 5)
        Average information.
    shared : ndarray, shape (m, 4)
        Slopes b.
    own : ndarray, shape (m, W, 4)
        Deviations d_w, predicted.
    device : ndarray, shape (m, D)
        Deviations u_g, predicted.
    square : ndarray, shape (m,)
        s^2.
    closed : ndarray of bool, shape (m, 4)
        Directions of the columns that the data determine.
    """

    criterion: FloatArray
    gradient: FloatArray
    expected: FloatArray
    information: FloatArray
    shared: FloatArray
    own: FloatArray
    device: FloatArray
    square: FloatArray
    closed: BoolArray

    def take(self, chosen: BoolArray) -> "Look":
        """Keep some subsets."""
        return Look(*(getattr(self, field.name)[chosen] for field in fields(self)))

    def where(self, better: BoolArray, other: "Look") -> "Look":
        """Take these subsets where they are better, those of `other` elsewhere."""
        pairs = [(getattr(self, f.name), getattr(other, f.name)) for f in fields(self)]
        shaped = [better.reshape(-1, *[1] * (mine.ndim - 1)) for mine, _ in pairs]
        return Look(*(np.where(b, x, y) for b, (x, y) in zip(shaped, pairs, strict=True)))


def _closed_inverse(
    matrix: FloatArray, basis: FloatArray, closed: BoolArray
) -> tuple[FloatArray, FloatArray]:
    """Inverse within the closed directions, and log determinant there."""
    if closed.all():
        return np.asarray(np.linalg.inv(matrix)), np.linalg.slogdet(matrix)[1]
    turned = np.swapaxes(basis, 1, 2) @ matrix @ basis
    both = closed[:, :, None] & closed[:, None, :]
    turned = np.where(both, turned, UNIT)
    inverse = np.where(both, np.linalg.inv(turned), 0.0)
    return basis @ inverse @ np.swapaxes(basis, 1, 2), np.linalg.slogdet(turned)[1]


def _trace(left: FloatArray, right: FloatArray) -> FloatArray:
    """Trace of the product of symmetric matrices, one a subset."""
    result: FloatArray = (left * right).sum(axis=(1, 2))
    return result


@dataclass(frozen=True, slots=True, eq=False)
class Equations:
    """What is left of the model's equations once workloads' own slopes are taken out.

    H is the covariance over s^2 of what workloads alone give, x_w a workload's columns, z the
    indicators of GPUs, X the columns of all.

    Attributes
    ----------
    spread : ndarray, shape (m, W, 4, 4)
        x_w' inv(H) x_w.
    ask : ndarray, shape (m, W, 4)
        x_w' inv(H) y.
    to_gpu : ndarray, shape (m, W, 4, D)
        x_w' inv(H) z.
    gpus : ndarray, shape (m, D, D)
        z' inv(H) z.
    gpu_y : ndarray, shape (m, D)
        z' inv(H) y.
    square : ndarray, shape (m,)
        y' inv(H) y.
    log_det : ndarray, shape (m,)
        Of H.
    """

    spread: FloatArray
    ask: FloatArray
    to_gpu: FloatArray
    gpus: FloatArray
    gpu_y: FloatArray
    square: FloatArray
    log_det: FloatArray


def _without_own_slopes(p: Products, between: FloatArray) -> Equations:
    inflated = UNIT + p.xx * between[:, None, None, :]
    solved = np.linalg.solve(inflated, np.concatenate([p.xx, p.xy[..., None], p.xz], axis=3))
    ask, to_gpu = solved[..., SIZE], solved[..., SIZE + 1 :]
    gpus, gpu_y = p.zz, p.zy
    if gpus.size:
        size = (len(between), SIZE * p.count.shape[1], p.zz.shape[1])
        weighted = np.swapaxes((p.xz * between[:, None, :, None]).reshape(size), 1, 2)
        gpus = gpus - weighted @ to_gpu.reshape(size)
        gpu_y = gpu_y - times(weighted, ask.reshape(size[:2]))
    return Equations(
        spread=solved[..., :SIZE],
        ask=ask,
        to_gpu=to_gpu,
        gpus=gpus,
        gpu_y=gpu_y,
        square=p.yy.sum(axis=1) - (p.xy * between[:, None] * ask).sum(axis=(1, 2)),
        log_det=np.linalg.slogdet(inflated)[1].sum(axis=1),
    )


@dataclass(frozen=True, slots=True, eq=False)
class Crossed:
    """Equations of the GPUs, taken out of those of the columns by the Schur complement.

    Attributes
    ----------
    matrix, keep, away : ndarray, shape (m, D, D)
        M = 1 + c z' inv(H) z, its inverse, and c times that.
    every : ndarray, shape (m, 4, D)
        X' inv(H) z.
    drawn : ndarray, shape (m, 4, D)
        What of a GPU's own falls to the shared slopes.
    """

    matrix: FloatArray
    keep: FloatArray
    away: FloatArray
    every: FloatArray
    drawn: FloatArray

    @staticmethod
    def of(e: Equations, ratio: FloatArray) -> "Crossed":
        """Solve for the GPUs at their variance ratios, shape (m,)."""
        crossed = ratio[:, None, None]
        matrix = np.eye(e.gpus.shape[1]) + crossed * e.gpus
        keep = np.asarray(np.linalg.inv(matrix), dtype=np.float64)
        every = e.to_gpu.sum(axis=1)
        away: FloatArray = crossed * keep
        return Crossed(matrix, keep, away, every, every @ away)


@dataclass(frozen=True, slots=True, eq=False)
class Variates:
    """Traces, squares and products of the working variates of the ratios; GPUs' last.

    Attributes
    ----------
    expected, score : ndarray, shape (m, 5)
        Traces, and squares.
    pairs : ndarray, shape (m, 5, 5)
        Products, before what the shared slopes take.
    shared : ndarray, shape (m, 5, 4)
        Products with the columns of all.
    """

    expected: FloatArray
    score: FloatArray
    pairs: FloatArray
    shared: FloatArray


def _variates(e: Equations, cover: FloatArray, across: FloatArray, ask: FloatArray) -> Variates:
    """Those of the slopes between workloads, where GPUs do not deviate."""
    count = len(cover)
    result = Variates(*(np.zeros((count, SIZE + 1, *tail)) for tail in ((), (), (5,), (4,))))
    result.expected[:, :SIZE] = np.einsum("mwii->mi", e.spread)
    result.expected[:, :SIZE] -= ((across @ cover[:, None]) * across).sum(axis=(1, 3))
    result.score[:, :SIZE] = (ask**2).sum(axis=1)
    result.pairs[:, :SIZE, :SIZE] = (ask[..., None] * e.spread * ask[:, :, None, :]).sum(axis=1)
    result.shared[:, :SIZE] = (ask[..., None] * across).sum(axis=1)
    return result


def _add_gpus(
    v: Variates, e: Equations, g: Crossed, cover: FloatArray, ask: FloatArray, shared: FloatArray
) -> FloatArray:
    """Add the variates of the GPUs in place; what GPUs still ask for, z' P y, shape (m, D)."""
    gpu_shared = g.keep @ np.swapaxes(g.every, 1, 2)
    gpu_ask: FloatArray = times(g.keep, e.gpu_y) - times(gpu_shared, shared)
    lines = (ask[..., None] * e.to_gpu).sum(axis=1)
    kept = times(g.keep, gpu_ask)
    v.expected[:, :SIZE] -= ((e.to_gpu @ g.away[:, None]) * e.to_gpu).sum(axis=(1, 3))
    v.expected[:, SIZE] = _trace(e.gpus, g.keep)
    v.expected[:, SIZE] -= _trace(cover, np.swapaxes(gpu_shared, 1, 2) @ gpu_shared)
    v.score[:, SIZE] = (gpu_ask**2).sum(axis=1)
    v.pairs[:, :SIZE, :SIZE] -= lines @ g.away @ np.swapaxes(lines, 1, 2)
    v.pairs[:, :SIZE, SIZE] = v.pairs[:, SIZE, :SIZE] = times(lines, kept)
    v.pairs[:, SIZE, SIZE] = (gpu_ask * times(e.gpus, kept)).sum(axis=1)
    v.shared[:, SIZE] = times(g.every, kept)
    return gpu_ask


def look(p: Products, ratio: FloatArray, basis: FloatArray, closed: BoolArray) -> Look:
    """Evaluate deviance, gradient, information and predictions.

    Parameters
    ----------
    p : Products
        Of m subsets; without GPUs, where none deviates.
    ratio : ndarray, shape (m, 5)
        Variances over s^2: of the four slopes between workloads, then of GPUs.
    basis, closed : ndarray
        From `closed_basis`.

    Returns
    -------
    Look
    """
    between = ratio[:, :SIZE]
    e = _without_own_slopes(p, between)
    g = Crossed.of(e, ratio[:, SIZE]) if e.gpus.size else None
    total, vector, square, log_det = e.spread.sum(axis=1), e.ask.sum(axis=1), e.square, e.log_det
    if g is not None:
        total = total - g.drawn @ np.swapaxes(g.every, 1, 2)
        vector = vector - times(g.drawn, e.gpu_y)
        square = square - (e.gpu_y * times(g.away, e.gpu_y)).sum(axis=1)
        log_det = log_det + np.linalg.slogdet(g.matrix)[1]
    cover, log_total = _closed_inverse(total, basis, closed)
    shared = times(cover, vector)
    spare = np.maximum(p.free - closed.sum(axis=1), 1.0)
    square = np.maximum((square - (shared * vector).sum(axis=1)) / spare, LEAST_SQUARE)
    # What each workload's slopes still ask for: x_w' P y.
    across, ask, gpu_ask = e.spread, e.ask, e.gpu_y
    if g is not None:
        across = across - e.to_gpu @ np.swapaxes(g.drawn, 1, 2)[:, None]
        ask = ask - times(e.to_gpu, times(g.away, e.gpu_y)[:, None])
    ask = ask - times(across, shared[:, None])
    v = _variates(e, cover, across, ask)
    if g is not None:
        gpu_ask = _add_gpus(v, e, g, cover, ask, shared)
    pairs = v.pairs - v.shared @ cover @ np.swapaxes(v.shared, 1, 2)
    score = v.score / square[:, None]
    return Look(
        criterion=log_det + log_total + spare * np.log(square),
        gradient=v.expected - score,
        expected=v.expected,
        information=pairs / square[:, None, None]
        - score[:, :, None] * score[:, None, :] / spare[:, None, None],
        shared=shared,
        own=between[:, None] * ask,
        device=ratio[:, SIZE, None] * gpu_ask,
        square=square,
        closed=closed,
    )


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
