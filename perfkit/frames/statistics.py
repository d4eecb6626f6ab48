"""Statistics of one pass from its frame times: arrays in, numbers out, no labels."""

import math
from dataclasses import dataclass

import numpy as np

from perfkit.frames.dependence import halvings_for, run_sums, standard_error
from perfkit.frames.hitches import count_hitches
from perfkit.frames.order import Floats, between, place, put_in_place, quantile_in_place
from perfkit.frames.signs import HEAD, MOST_HALVINGS, Signs, one_of_each_run, read_signs

FRAMES_FOR_1PCT = 1_000
"""Fewer frames give no 1 % low: under ten frames would decide it (common practice, no source)."""

FRAMES_FOR_01PCT = 10_000
"""Fewer frames give no 0.1 % low: under ten frames would decide it (common practice, no source)."""


_FEW = 8


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
        Median of abs(t_i - t_(i-1)) in ms; 0 where frames are even, never above the range of t; NaN
        for a single frame.
    median_ms, p95_ms : float
        Quantiles 0.5 and 0.95 of the frame times, type 7, in ms.
    over_share : tuple of float
        For each target, sum of the frame times above 1000/target over the sum of all.
    se_log_avg : float
        Standard error of the log of the average within this pass: that of the mean frame time, by
        the circular block bootstrap, over the mean; NaN below 16 frames.
    effective_frames : float
        Independent frames that would give the same standard error.
    signs : Signs
        What the flags are told from.
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
    signs: Signs


def frame_statistics(times: Floats, targets_fps: tuple[float, ...] = ()) -> FrameStatistics:
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
    total = float(np.add.reduce(times))
    work = times - total / count
    variance = float(np.einsum("i,i->", work, work)) / count
    steps = np.subtract(times[1:], times[:-1], out=work[1:])
    np.abs(steps, out=steps)
    ordered = times.copy()
    middle, p95, tail = _place(count, 0.5), _place(count, 0.95), count - tail_length(count)
    ranks = tuple(sorted({middle, p95, tail}))
    put_in_place(ordered, ranks)
    halvings = halvings_for(count)
    fine = min(halvings, MOST_HALVINGS)
    runs = run_sums(run_sums(times, fine), halvings - fine) / (1 << halvings)
    sample = one_of_each_run(times, fine)[:: 1 << (halvings - fine)][: len(runs)]
    return assemble(
        count=count,
        total_ms=total,
        tail=np.sort(ordered[tail:]),
        hitches=count_hitches(times),
        pacing_ms=_median(steps),
        median_ms=quantile_in_place(ordered, 0.5, p95),
        p95_ms=quantile_in_place(ordered, 0.95),
        above_ms=tuple(_time_above(ordered, ranks, 1000 / fps, total) for fps in targets_fps),
        run_means=runs,
        variance=variance,
        signs=read_signs(times[:HEAD], sample, runs),
    )


def _place(count: int, share: float) -> int:
    return place(count, share)[0]


def _median(values: Floats) -> float:
    if not len(values):
        return math.nan
    put_in_place(values, (_place(len(values), 0.5),))
    return quantile_in_place(values, 0.5)


def assemble(
    *,
    count: int,
    total_ms: float,
    tail: Floats,
    hitches: int,
    pacing_ms: float,
    median_ms: float,
    p95_ms: float,
    above_ms: tuple[float, ...],
    run_means: Floats,
    variance: float,
    signs: Signs,
) -> FrameStatistics:
    """Form the statistics from what was gathered over a pass.

    Parameters
    ----------
    count : int
        Frames.
    total_ms : float
        Sum of the frame times.
    tail : ndarray of float, shape (tail_length(count),)
        The longest frame times in ms, rising.
    hitches : int
    pacing_ms, median_ms, p95_ms : float
    above_ms : tuple of float
        Time in frames above each target's frame time.
    run_means : ndarray of float, shape (m,)
        Means of runs of frames in ms, m at most 512.
    variance : float
        Variance of the frame times in ms^2.
    signs : Signs

    Returns
    -------
    FrameStatistics
    """
    slowest = math.ceil(count / 100)
    error, effective = standard_error(run_means, variance)
    return FrameStatistics(
        frames=count,
        seconds=total_ms / 1000,
        avg_fps=1000 * count / total_ms,
        low_1pct_fps=1000 / _high(count, 0.99, tail) if count >= FRAMES_FOR_1PCT else math.nan,
        low_01pct_fps=1000 / _high(count, 0.999, tail) if count >= FRAMES_FOR_01PCT else math.nan,
        slowest_1pct_mean_fps=1000 * slowest / math.fsum(tail[len(tail) - slowest :]),
        hitches=hitches,
        pacing_ms=pacing_ms,
        median_ms=median_ms,
        p95_ms=p95_ms,
        over_share=tuple(above / total_ms for above in above_ms),
        se_log_avg=error / (total_ms / count),
        effective_frames=effective,
        signs=signs,
    )


def _high(count: int, share: float, tail: Floats) -> float:
    rank, part = place(count, share)
    first = rank - (count - len(tail))
    return between(float(tail[first]), float(tail[first + 1]), part) if part else float(tail[first])


def time_above(times: Floats, limit_ms: float, total_ms: float) -> float:
    """Sum the frame times above a limit.

    Parameters
    ----------
    times : ndarray of float, shape (n,)
        Frame times in ms.
    limit_ms : float
        The limit; a frame of just this length is not above it.
    total_ms : float
        Sum of all of them.

    Returns
    -------
    float
        In ms.

    Examples
    --------
    >>> time_above(np.array([10.0, 20.0, 30.0]), 20.0, 60.0)
    30.0
    """
    above = times > limit_ms
    some = int(np.count_nonzero(above))
    if some == len(times):
        return total_ms
    if some * _FEW <= len(times):
        return float(times[np.flatnonzero(above)].sum())
    return float(np.einsum("i,i->", times, above.astype(np.float64)))


def _time_above(ordered: Floats, ranks: tuple[int, ...], limit_ms: float, total_ms: float) -> float:
    """Sum the frame times above a limit where `put_in_place` has set some ranks.

    No value after a rank is below it, so only the part that holds the limit is looked at closely.
    """
    starts = [rank for rank in ranks if ordered[rank] > limit_ms]
    stop = starts[0] if starts else len(ordered)
    start = max((rank for rank in ranks if rank < stop), default=0)
    part = ordered[start:stop]
    if not start and len(part) and np.minimum.reduce(part) > limit_ms:
        return total_ms
    above = part * (part > limit_ms)
    return float(np.add.reduce(above)) + float(np.add.reduce(ordered[stop:]))


def tail_length(count: int) -> int:
    """Tell how many of the longest frames decide both lows and the slowest 1 %.

    Parameters
    ----------
    count : int
        Frames in the pass.

    Returns
    -------
    int
        ceil(count/100) + 2, or all.

    Examples
    --------
    >>> tail_length(1_000), tail_length(2)
    (12, 2)
    """
    return min(count, math.ceil(count / 100) + 2)
