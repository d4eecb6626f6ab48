"""Signs in the frame times of one pass that something other than the game was measured."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from perfkit.frames.dependence import line_changes
from perfkit.frames.order import Floats
from perfkit.frames.side_by_side import Rows
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
_PARTS = np.array(STEP_PARTS, dtype=float)[:, None, None]
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
        Chance of such a change in a pass that only wanders (`line_changes`).
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


def rises(head: Floats, sample: Floats) -> bool:
    """Tell whether every frame looked at is longer than the one before.

    Parameters
    ----------
    head : ndarray of float, shape (up to 64,)
        First frame times of a pass in ms.
    sample : ndarray of float, shape (m,)
        One frame time of each run, in order.

    Returns
    -------
    bool

    Examples
    --------
    >>> rises(np.array([1.0, 2.0]), np.array([1.0, 5.0])), rises(np.ones(2), np.ones(1))
    (True, False)
    """
    return bool((head[1:] > head[:-1]).all() and (sample[1:] > sample[:-1]).all())


def read_signs(ranked: Rows, runs: Rows, rising: Sequence[bool]) -> list[Signs]:
    """Look for signs in several passes.

    Parameters
    ----------
    ranked : Rows
        One frame time in ms of each run of 2^k frames, a pass per row, rising; at least one each.
    runs : Rows
        Means of these runs in ms, in order.
    rising : sequence of bool
        What `rises` says of each pass.

    Returns
    -------
    list of Signs
    """
    inside, counts = ranked.inside, ranked.counts
    rank = np.arange(len(counts))
    n = counts[:, 0]
    values = np.where(inside, ranked.values, np.inf)
    edge = values[rank, n // 10]
    below, first, last = (
        np.count_nonzero(values < (edge * mark)[:, None], axis=1)
        for mark in (1 - 2 * EDGE_WIDTH, 1 - EDGE_WIDTH, 1 + EDGE_WIDTH)
    )
    logs = Rows(np.log(runs.values, where=runs.inside, out=np.zeros_like(runs.values)), counts)
    columns = (
        edge,
        (last - first) / n,
        below / n,
        *_steps(values, n, edge),
        _ticks(values, inside),
        values[rank, (n - 1) * 19 // 20] - values[rank, (n - 1) // 20],
        *line_changes(logs, math.log1p(DRIFT_CHANGE.value) / 2),
        *_two_groups(ranked.values, n),
    )
    lists = [column.tolist() for column in columns]
    return [Signs(*row) for row in zip(*lists, rising, strict=True)]


def _ticks(values: Floats, inside: NDArray[np.bool_]) -> Floats:
    """Find the smallest difference of unequal neighbours in each row, NaN where there is none."""
    gaps = values[:, 1:] - np.where(inside[:, 1:], values[:, :-1], -np.inf)
    gaps[gaps == 0] = np.inf
    smallest = np.minimum.reduce(gaps, axis=1)
    return np.where(np.isinf(smallest), np.nan, smallest)


def _steps(values: Floats, n: NDArray[np.int64], edge: Floats) -> tuple[Floats, Floats, Floats]:
    """Find the refresh of which a pass's frames are multiples, its share and the second's."""
    step, share, second = edge.copy(), np.zeros(len(edge)), np.zeros(len(edge))
    with np.errstate(invalid="ignore"):  # inf - inf beyond the end of a row
        finest = values * (_FINEST / edge)[:, None]
        near = np.abs(finest - np.rint(finest)) <= STEP_WIDTH * _FINEST * (1 + 1e-9)
        rows = np.flatnonzero(np.count_nonzero(near, axis=1) >= STEP_SHARE.value * n)
        if not len(rows):
            return step, share, second
        multiples = values[rows] * (_PARTS / edge[rows, None])
        whole = np.rint(multiples)
        on = np.abs(multiples - whole) <= STEP_WIDTH * _PARTS
    found = np.count_nonzero(on, axis=2)
    for place, row in enumerate(rows):
        best = 0
        for part, count in enumerate(found[:, place].tolist()):
            # A finer grid holds more by chance: it must hold clearly more to be preferred.
            if count > (share[row] + 0.1) * n[row]:
                best, share[row] = part, count / n[row]
        step[row] = edge[row] / STEP_PARTS[best]
        if share[row] >= STEP_SHARE.value:
            steps = np.minimum(whole[best, place][on[best, place]], 64).astype(np.intp)
            second[row] = np.sort(np.bincount(steps))[-2] / n[row]
    return step, share, second


def _two_groups(ranked: Floats, n: NDArray[np.int64]) -> tuple[Floats, ...]:
    """Split each sample where the variance between the two groups is largest (Otsu).

    Returns the geometric means of the two groups in ms, the share of the smaller one, the share of
    the variance between them and the share of the sample in the middle third between their means.
    """
    cut = (n * _TRIM).astype(np.int64)
    counts = (n - 2 * cut)[:, None]
    width = ranked.shape[1]
    within = np.arange(width) < counts
    kept = np.take_along_axis(ranked, np.minimum(np.arange(width) + cut[:, None], width - 1), 1)
    logs = np.log(kept, where=within, out=np.zeros_like(kept))
    alike = logs[:, 0] == logs[np.arange(len(n)), counts[:, 0] - 1]
    mean = np.add.reduce(logs, axis=1, keepdims=True) / counts
    logs = np.where(within, logs - mean, 0.0)
    whole = np.add.reduce(logs * logs, axis=1)
    sums = np.cumsum(logs, axis=1)[:, :-1]
    sizes = np.arange(1.0, width)
    with np.errstate(divide="ignore", invalid="ignore"):
        between = np.where(sizes < counts, sums * sums / (sizes * (counts - sizes)), -1.0)
        split = between.argmax(axis=1)[:, None]
        k, largest = split + 1.0, np.take_along_axis(between, split, 1)[:, 0]
        at = np.take_along_axis(sums, split, 1)
        low, high = at / k, -at / (counts - k)
        third = (high - low) / 3
        valley = np.count_nonzero(within & (logs >= low + third) & (logs < high - third), axis=1)
        smaller = np.minimum(k, counts - k) / counts
        share = largest * counts[:, 0] / whole
    found = (
        np.exp(mean + low)[:, 0],
        np.exp(mean + high)[:, 0],
        smaller[:, 0],
        share,
        valley / counts[:, 0],
    )
    level = ranked[np.arange(len(n)), cut]
    none, every = np.zeros(len(n)), np.ones(len(n))
    one_level = (level, level, none, none, every)
    return tuple(
        np.where(alike, plain, value) for plain, value in zip(one_level, found, strict=True)
    )
