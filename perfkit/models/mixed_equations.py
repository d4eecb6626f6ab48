"""A mixed model at given variance ratios: deviance, gradient, information, predictions.

The model is that of `perfkit.models.reml`. Intercepts are absorbed by centring, workloads enter by
their 4 x 4 cross-products, GPUs by the Schur complement of their equations, and not at all where
none deviates; s^2 is profiled out.
"""

from dataclasses import dataclass, fields

import numpy as np

from perfkit.models.cross_products import Products, times
from perfkit.models.family import BoolArray, FloatArray
from perfkit.models.moments import SIZE

UNIT = np.eye(SIZE)
LEAST_SQUARE = 1e-12
"""Least residual mean square of log FPS."""


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
    result.pairs[:, :SIZE, :SIZE] = np.einsum("mwi,mwij,mwj->mij", ask, e.spread, ask)
    result.shared[:, :SIZE] = np.einsum("mwi,mwij->mij", ask, across)
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
