"""Signs in the frame times of one pass that something other than the game was measured."""

import math
from dataclasses import dataclass

import numpy as np

from perfkit.frames.dependence import line_change
from perfkit.frames.order import Floats
from perfkit.frames.thresholds import DRIFT_CHANGE, STEP_SHARE

HEAD = 64
"""Frames at the start that are looked at one by one."""

MOST_HALVINGS = 8
"""Runs of more than 256 frames are not formed while a long pass is read."""

EDGE_WIDTH = 0.005
"""Frames within this share of each other count as equally long: limiters hold better than that."""

STEP_WIDTH = 0.02
"""Frames within this share of a frame from a multiple of a refresh count as on it."""

STEP_PARTS = (1, 2, 3, 4)
"""Refreshes that the shortest usual frame may span."""

_FINEST = 12.0
"""Every multiple of a half, a third or a quarter is one of a twelfth."""

_TRIM = 0.01
_PARTS = np.array(STEP_PARTS, dtype=float)[:, None]
_WIDTHS = STEP_WIDTH * _PARTS
_MIX = 2_654_435_761  # an odd number near 2^32 over the golden ratio: products look random (Knuth)
_MIXED = (np.arange(1 << 12, dtype=np.int64) * _MIX) >> 16


@dataclass(frozen=True, slots=True)
class Signs:
    """Numbers behind the flags, from a sample of at most 512 frames spread over the pass.

    Attributes
    ----------
    edge_ms : float
        Quantile 0.1 of the sample in ms: where a cap would put the shortest frames.
    edge_share : float
        Share of the sample within 0.5 % of it.
    below_share : float
        Share of the sample more than 1 % shorter than it.
    step_ms : float
        Part of edge_ms (1, 1/2, 1/3 or 1/4) of which most of the sample are multiples.
    step_share : float
        Share of the sample that are, within 2 % of edge_ms; 0 where too few are on any.
    second_step_share : float
        Share of the sample on the second most frequent multiple; 0 where too few are on any.
    tick_ms : float
        Smallest difference between two unequal frames of the sample; NaN where all are equal.
    spread_ms : float
        Quantile 0.95 less quantile 0.05 of the sample.
    drift_log : float
        Change of log frame time from start to end by a straight line.
    drift_chance : float
        Chance of such a change in a pass that only wanders (`line_change`).
    low_mode_ms, high_mode_ms : float
        Geometric means of the two groups that split the log frame times best.
    smaller_share : float
        Share of the sample in the smaller group.
    between_share : float
        Share of the variance that lies between the groups.
    valley_share : float
        Share of the sample in the middle third between the two means.
    rising : bool
        Whether every frame looked at is longer than the one before.
    """

    edge_ms: float
    edge_share: float
    below_share: float
    step_ms: float
    step_share: float
    second_step_share: float
    tick_ms: float
    spread_ms: float
    drift_log: float
    drift_chance: float
    low_mode_ms: float
    high_mode_ms: float
    smaller_share: float
    between_share: float
    valley_share: float
    rising: bool


def one_of_each_run(times: Floats, halvings: int, first_run: int = 0) -> Floats:
    """Take one frame from each run of 2^halvings frames, at a place that looks random.

    A fixed place would miss what alternates from frame to frame.

    Parameters
    ----------
    times : ndarray of float, shape (n,)
        Frame times in ms; an incomplete run at the end is left out.
    halvings : int
        Binary logarithm of the run length, at most `MOST_HALVINGS`.
    first_run : int
        Runs before these in the pass.

    Returns
    -------
    ndarray of float, shape (n >> halvings,)

    Examples
    --------
    >>> one_of_each_run(np.arange(8.0), 1).tolist()
    [0.0, 3.0, 4.0, 6.0]
    """
    length = 1 << halvings
    runs = len(times) >> halvings
    if first_run + runs <= len(_MIXED):
        mixed = _MIXED[first_run : first_run + runs]
    else:
        mixed = (np.arange(first_run, first_run + runs, dtype=np.int64) * _MIX) >> 16
    return times[np.arange(0, runs * length, length) + (mixed & (length - 1))]


def read_signs(head: Floats, sample: Floats, runs: Floats) -> Signs:
    """Look for signs.

    Parameters
    ----------
    head : ndarray of float, shape (up to 64,)
        First frame times in ms.
    sample : ndarray of float, shape (m,)
        One frame time in ms of each run, in order; m at least 1.
    runs : ndarray of float, shape (r,)
        Means of runs of 2^k frames in ms, in order.

    Returns
    -------
    Signs
    """
    ranked = np.sort(sample)
    edge = float(ranked[len(ranked) // 10])
    step, step_share, second = _steps(ranked, edge)
    gaps = ranked[1:] - ranked[:-1]
    gaps = gaps[gaps > 0]
    drift, chance = line_change(np.log(runs), math.log1p(DRIFT_CHANGE.value) / 2)
    low, high, smaller, between, valley = _two_groups(ranked)
    count = len(ranked)
    marks = edge * np.array([1 - 2 * EDGE_WIDTH, 1 - EDGE_WIDTH, 1 + EDGE_WIDTH])
    below, first, last = np.searchsorted(ranked, marks).tolist()
    return Signs(
        edge_ms=edge,
        edge_share=(last - first) / count,
        below_share=below / count,
        step_ms=step,
        step_share=step_share,
        second_step_share=second,
        tick_ms=float(gaps.min()) if len(gaps) else math.nan,
        spread_ms=float(ranked[(count - 1) * 19 // 20] - ranked[(count - 1) // 20]),
        drift_log=drift,
        drift_chance=chance,
        low_mode_ms=low,
        high_mode_ms=high,
        smaller_share=smaller,
        between_share=between,
        valley_share=valley,
        rising=bool((head[1:] > head[:-1]).all() and (sample[1:] > sample[:-1]).all()),
    )


def _steps(ranked: Floats, edge: float) -> tuple[float, float, float]:
    """Find the refresh of which the sample's frames are multiples, its share and the second's."""
    finest = ranked * (_FINEST / edge)
    near = np.abs(finest - np.rint(finest)) <= STEP_WIDTH * _FINEST * (1 + 1e-9)
    if np.count_nonzero(near) < STEP_SHARE.value * len(ranked):
        return edge, 0.0, 0.0
    multiples = ranked * (_PARTS / edge)
    whole = np.rint(multiples)
    on = np.abs(multiples - whole) <= _WIDTHS
    best, share = 0, 0.0
    for place, count in enumerate(on.sum(axis=1).tolist()):
        # A finer grid holds more by chance: it must hold clearly more to be preferred.
        if count > (share + 0.1) * len(ranked):
            best, share = place, count / len(ranked)
    if share < STEP_SHARE.value:
        return edge / STEP_PARTS[best], share, 0.0
    steps = np.minimum(whole[best][on[best]], 64).astype(np.intp)
    levels = np.sort(np.bincount(steps))
    second = float(levels[-2]) / len(ranked) if len(levels) > 1 else 0.0
    return edge / STEP_PARTS[best], share, second


def _two_groups(ranked: Floats) -> tuple[float, float, float, float, float]:
    """Split the sample where the variance between the two groups is largest (Otsu)."""
    cut = int(len(ranked) * _TRIM)
    logs = np.log(ranked[cut : len(ranked) - cut])
    count = len(logs)
    if logs[0] == logs[-1]:
        level = math.exp(logs[0])
        return level, level, 0.0, 0.0, 1.0
    mean = float(np.add.reduce(logs)) / count
    logs -= mean
    whole = float(np.add.reduce(logs * logs))
    sums = np.cumsum(logs)[:-1]
    sizes = np.arange(1.0, count)
    between = sums * sums / (sizes * (count - sizes))
    k = int(between.argmax()) + 1
    low, high = float(sums[k - 1]) / k, -float(sums[k - 1]) / (count - k)
    third = (high - low) / 3
    first, last = np.searchsorted(logs, (low + third, high - third)).tolist()
    return (
        math.exp(mean + low),
        math.exp(mean + high),
        min(k, count - k) / count,
        float(between[k - 1]) * count / whole,
        (last - first) / count,
    )
