"""Speeds made of a few numbers, so that every range of them can be worked out by hand."""

import numpy as np
import numpy.typing as npt

from perfkit.value.speeds import HALF, BuildSpeeds


def speeds(
    fps: npt.ArrayLike,
    draws: npt.ArrayLike | None = None,
    *,
    weights: npt.ArrayLike | None = None,
    low: npt.ArrayLike = np.nan,
    low_scale: npt.ArrayLike = np.nan,
    scale: float = 0.1,
) -> BuildSpeeds:
    """Make speeds of builds A, B, C ... on games a, b, c ...

    Parameters
    ----------
    fps : array_like, shape (builds, workloads)
        NaN where not known.
    draws : array_like, shape (builds, workloads, draws), optional
        FPS; one draw of each `fps` where not given.
    weights : array_like, shape (workloads,), optional
    low, low_scale : array_like, shape (builds, workloads)
        1 % low and the scale of its logarithm.
    scale : float
        Of the logarithm of the average.
    """
    point = np.array(fps, dtype=float)
    drawn = point[..., None] if draws is None else np.array(draws, dtype=float)
    known = np.isfinite(point)
    compared = known.mean(axis=1) >= HALF
    return BuildSpeeds(
        names=tuple("ABCDEFGH"[: len(point)]),
        workloads=tuple("abcdefgh"[: point.shape[1]]),
        weights=np.ones(point.shape[1]) if weights is None else np.array(weights, dtype=float),
        fps=point,
        log_draws=np.log(drawn),
        basis=np.where(known, "measured", ""),
        reason=np.where(known, "", "never run and not predicted"),
        passes=known.astype(float),
        log_scale=np.full(point.shape, scale),
        low_fps=np.broadcast_to(low, point.shape).astype(float),
        low_log_scale=np.broadcast_to(low_scale, point.shape).astype(float),
        compared=compared,
        common=known[compared].all(axis=0) & compared.any(),
    )
