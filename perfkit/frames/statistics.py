"""Statistics of one pass from its frame times: arrays in, numbers out, no labels."""

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from typing import TypeVar

import numpy as np

from perfkit.frames.dependence import standard_errors
from perfkit.frames.order import Floats
from perfkit.frames.pass_record import PassRecord, record_pass
from perfkit.frames.side_by_side import ROWS, alike, stack
from perfkit.frames.signs import Signs, read_signs

FRAMES_FOR_1PCT = 1_000
"""Fewer frames give no 1 % low: under ten frames would decide it (common practice, no source)."""

FRAMES_FOR_01PCT = 10_000
"""Fewer frames give no 0.1 % low: under ten frames would decide it (common practice, no source)."""

Key = TypeVar("Key")


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
    if not len(times):
        raise ValueError("frame_statistics needs at least one frame, got none")
    return finish([record_pass(times, targets_fps)])[0]


def finish_each(records: Iterable[tuple[Key, PassRecord]]) -> Iterator[tuple[Key, FrameStatistics]]:
    """Form the statistics of a stream of passes, some at once.

    Parameters
    ----------
    records : iterable of (key, PassRecord)

    Yields
    ------
    key, FrameStatistics
        In the order of the records.
    """
    stream = iter(records)
    while batch := list(islice(stream, ROWS)):
        found = finish([record for _, record in batch])
        yield from zip((key for key, _ in batch), found, strict=True)


def finish(records: Sequence[PassRecord]) -> list[FrameStatistics]:
    """Form the statistics of passes from their records.

    The small series of all of them are handled together, each in a row of its own, so that the
    result for a pass does not depend on the others.

    Parameters
    ----------
    records : sequence of PassRecord

    Returns
    -------
    list of FrameStatistics
        In the order of the records.
    """
    found: list[FrameStatistics | None] = [None] * len(records)
    for places in alike([len(record.ranked) for record in records]):
        some = [records[place] for place in places]
        runs = stack([record.run_means for record in some])
        ranked = stack([record.ranked for record in some])
        errors, effective = standard_errors(runs, np.array([record.variance for record in some]))
        signs = read_signs(ranked, runs, [record.rising for record in some])
        for place, *numbers in zip(
            places, some, errors.tolist(), effective.tolist(), signs, strict=True
        ):
            found[place] = _assemble(*numbers)
    return [one for one in found if one is not None]


def _assemble(record: PassRecord, error: float, effective: float, signs: Signs) -> FrameStatistics:
    count, total = record.frames, record.total_ms
    return FrameStatistics(
        frames=count,
        seconds=total / 1000,
        avg_fps=1000 * count / total,
        low_1pct_fps=1000 / record.q99_ms if count >= FRAMES_FOR_1PCT else math.nan,
        low_01pct_fps=1000 / record.q999_ms if count >= FRAMES_FOR_01PCT else math.nan,
        slowest_1pct_mean_fps=1000 / record.slowest_ms,
        hitches=record.hitches,
        pacing_ms=record.pacing_ms,
        median_ms=record.q50_ms,
        p95_ms=record.q95_ms,
        over_share=tuple(above / total for above in record.above_ms),
        se_log_avg=error / (total / count),
        effective_frames=effective,
        signs=signs,
    )
