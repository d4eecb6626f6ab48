"""Statistics of one pass from its frame times: arrays in, numbers out, no labels."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from perfkit.frames.dependence import standard_error
from perfkit.frames.hitches import count_hitches

FRAMES_FOR_1PCT = 1_000
"""Fewer frames give no 1 % low: under ten frames would decide it (common practice, no source)."""

FRAMES_FOR_01PCT = 10_000
"""Fewer frames give no 0.1 % low: under ten frames would decide it (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class FrameStatistics:
    """What the frame times of one pass say.

    Attributes
    ----------
    frames : int
        Number of frames N.
    seconds : float
        Sum of the frame times in s.
    avg_fps : float
        1000 N / sum(t).
    low_1pct_fps, low_01pct_fps : float
        1000 / Q99(t) and 1000 / Q99.9(t), quantile type 7; NaN below 1,000 and 10,000 frames.
    slowest_1pct_mean_fps : float
        1000 / mean of the ceil(N/100) longest frames.
    hitches : int
        Frames longer than 2.5 times the running median of their neighbours.
    pacing_ms : float
        Median of abs(t_i - t_(i-1)) in ms; 0 at perfectly even frames, never above the range of t;
        NaN for a single frame.
    median_ms, p95_ms : float
        Quantiles 0.5 and 0.95 of the frame times, type 7, in ms.
    over_share : tuple of float
        For each target, sum of the frame times above 1000/target over the sum of all.
    se_log_avg : float
        Standard error of the log of the average within this pass; NaN below 16 frames.
    effective_frames : float
        Independent frames that would give the same standard error.
    """

    frames: int
    seconds: float
    avg_fps: float
    low_1pct_fps: float
    low_01pct_fps: float
    slowest_1pct_mean_fps: float
    hitches: int
    pacing_ms: float
    median_ms: float
    p95_ms: float
    over_share: tuple[float, ...]
    se_log_avg: float
    effective_frames: float


def frame_statistics(
    times: NDArray[np.float64], targets_fps: tuple[float, ...] = ()
) -> FrameStatistics:
    """Compute every statistic of one pass.

    Parameters
    ----------
    times : ndarray of float, shape (n,)
        Frame times in ms, in order, positive and finite; n at least 1.
    targets_fps : tuple of float
        Rates whose frame time divides smooth from too slow.

    Returns
    -------
    FrameStatistics

    Raises
    ------
    ValueError
        If there is no frame.

    References
    ----------
    .. [1] R. J. Hyndman and Y. Fan (1996), "Sample quantiles in statistical packages",
       The American Statistician 50:361-365.

    Examples
    --------
    >>> result = frame_statistics(np.array([10.0, 30.0]), (60.0,))
    >>> result.avg_fps, result.over_share
    (50.0, (0.75,))
    """
    count = len(times)
    if count == 0:
        raise ValueError("frame_statistics needs at least one frame, got none")
    total = float(np.sum(times))
    median, p95, q99, q999 = (float(q) for q in np.quantile(times, [0.5, 0.95, 0.99, 0.999]))
    slowest = math.ceil(count / 100)
    worst = np.partition(times, count - slowest)[count - slowest :]
    error, effective = standard_error(times)
    return FrameStatistics(
        frames=count,
        seconds=total / 1000,
        avg_fps=1000 * count / total,
        low_1pct_fps=1000 / q99 if count >= FRAMES_FOR_1PCT else math.nan,
        low_01pct_fps=1000 / q999 if count >= FRAMES_FOR_01PCT else math.nan,
        slowest_1pct_mean_fps=1000 * slowest / math.fsum(worst),
        hitches=count_hitches(times),
        pacing_ms=float(np.median(np.abs(np.diff(times)))) if count > 1 else math.nan,
        median_ms=median,
        p95_ms=p95,
        over_share=tuple(float(times[times > 1000 / fps].sum()) / total for fps in targets_fps),
        se_log_avg=error / (total / count),
        effective_frames=effective,
    )
