"""Hitches: frames that take much longer than the frames around them."""

import numpy as np
from numpy.typing import NDArray

from perfkit.defaults import HITCH_FACTOR, HITCH_NEIGHBOURS

_HALF = HITCH_NEIGHBOURS // 2
_BLOCK = 32
_PIECE = 4096
_MANY = 8
_WINDOW = np.arange(HITCH_NEIGHBOURS)[:, None] - _HALF


def running_median(times: NDArray[np.float64]) -> NDArray[np.float64]:
    """Median of each frame and its neighbours, by definition rather than by speed.

    Parameters
    ----------
    times : ndarray of float, shape (n,)
        Frame times in ms.

    Returns
    -------
    ndarray of float, shape (n,)
        Median over the frame, the 15 before it and the 15 after it; at the ends of the pass over
        those of them that exist, so the first and last frames can be hitches too.

    Examples
    --------
    >>> running_median(np.array([1.0, 9.0, 2.0])).tolist()
    [2.0, 2.0, 2.0]
    """
    count = len(times)
    places = np.arange(count)
    windows = np.pad(times, _HALF, constant_values=np.inf)[places + _WINDOW + _HALF]
    windows.sort(axis=0)
    size = np.minimum(places, _HALF) + np.minimum(places[::-1], _HALF) + 1
    lower, upper = windows[(size - 1) // 2, places], windows[size // 2, places]
    medians: NDArray[np.float64] = (lower + upper) / 2
    return medians


def count_hitches(times: NDArray[np.float64], low: float | None = None) -> int:
    """Count the frames longer than 2.5 times the running median of their neighbours.

    Inside a pass no median is formed: of 31 values the median m satisfies 2.5 m < t exactly when at
    least 16 of them satisfy 2.5 x < t, and only frames above 2.5 times the smallest value around
    them can reach 16. Rounding keeps order, so the count is that of `running_median` to the bit.

    Parameters
    ----------
    times : ndarray of float, shape (n,)
        Frame times of the whole pass in ms.
    low : float or None
        The shortest of them, where it is known.

    Returns
    -------
    int
        Number of hitches.

    Examples
    --------
    >>> count_hitches(np.array([10.0] * 40 + [26.0] + [10.0] * 40))
    1
    """
    if len(times) < HITCH_NEIGHBOURS:
        return int(np.count_nonzero(times > HITCH_FACTOR * running_median(times)))
    candidates = _candidates(times, low)
    first, last = candidates.searchsorted((_HALF, len(times) - _HALF)).tolist()
    found = _count_among(times, candidates[first:last])
    if first > 0:
        found += count_end_hitches(times[: 2 * _HALF])
    if last < len(candidates):
        found += count_end_hitches(times[: -2 * _HALF - 1 : -1])
    return found


def count_end_hitches(end: NDArray[np.float64]) -> int:
    """Count the hitches among the outermost 15 frames at one end of a pass.

    Parameters
    ----------
    end : ndarray of float, shape (30,)
        The outermost 30 frame times in ms, the outermost first.

    Returns
    -------
    int

    Examples
    --------
    >>> count_end_hitches(np.array([26.0] + [10.0] * 29))
    1
    """
    if not end[:_HALF].max() > HITCH_FACTOR * end.min():
        return 0
    return int(np.count_nonzero(end[:_HALF] > HITCH_FACTOR * running_median(end)[:_HALF]))


def count_inner_hitches(times: NDArray[np.float64], low: float | None = None) -> int:
    """Count the hitches among the frames that have all their neighbours.

    Parameters
    ----------
    times : ndarray of float, shape (n,)
        Frame times in ms; the first and last 15 serve as neighbours only.
    low : float or None
        The shortest of them, where it is known.

    Returns
    -------
    int
        Number of hitches among ``times[15:-15]``.

    Examples
    --------
    >>> count_inner_hitches(np.array([10.0] * 15 + [26.0] + [10.0] * 15))
    1
    """
    if len(times) < HITCH_NEIGHBOURS:
        return 0
    candidates = _candidates(times, low)
    first, last = candidates.searchsorted((_HALF, len(times) - _HALF)).tolist()
    return _count_among(times, candidates[first:last])


def _candidates(times: NDArray[np.float64], low: float | None) -> NDArray[np.intp]:
    """Find the frames above 2.5 times the smallest value, of all or, if many, around them."""
    lowest = np.minimum.reduce(times) if low is None else low
    candidates = (times > HITCH_FACTOR * lowest).nonzero()[0]
    if len(candidates) * _MANY > len(times):
        # The smallest value of the block of each frame and of the two blocks beside it, which
        # together hold all its neighbours since a block is longer than 15 frames.
        lows = np.minimum.reduceat(times, np.arange(0, len(times), _BLOCK))
        lows = np.pad(lows, 1, mode="edge")
        around = np.minimum(np.minimum(lows[:-2], lows[1:-1]), lows[2:])
        above = times[candidates] > HITCH_FACTOR * around[candidates // _BLOCK]
        candidates = candidates[above]
    return candidates


def _count_among(times: NDArray[np.float64], candidates: NDArray[np.intp]) -> int:
    """Count the hitches among some frames that have all their neighbours."""
    found = 0
    for first in range(0, len(candidates), _PIECE):
        piece = candidates[first : first + _PIECE]
        windows = times[piece + _WINDOW]
        below = np.add.reduce(HITCH_FACTOR * windows < times[piece], axis=0)
        found += int(np.count_nonzero(below > _HALF))
    return found


class HitchCounter:
    """Counts the hitches of a pass that comes in blocks.

    Blocks are joined by an overlap of 30 frames, so the count is that of the whole pass.
    """

    def __init__(self) -> None:
        self._tail = np.empty(0)
        self._found = 0
        self._seen = 0

    def add(self, times: NDArray[np.float64], low: float | None = None) -> None:
        """Look at the next frames.

        Parameters
        ----------
        times : ndarray of float, shape (n,)
            Frame times in ms.
        low : float or None
            The shortest of them, where it is known.
        """
        if not len(times):
            return
        whole = len(times) >= HITCH_NEIGHBOURS
        # The inner frames of the block, then those whose neighbours lie on both sides of its start.
        seam = np.concatenate([self._tail, times[: 2 * _HALF] if whole else times])
        if self._seen < 2 * _HALF <= len(seam):
            self._found += count_end_hitches(seam[: 2 * _HALF])
        self._seen += len(times)
        self._found += count_inner_hitches(seam)
        if whole:
            self._found += count_inner_hitches(times, low)
        self._tail = (times if whole else seam)[-2 * _HALF :].copy()

    def count(self) -> int:
        """Give the number of hitches, the pass having ended."""
        if self._seen < HITCH_NEIGHBOURS:
            return count_hitches(self._tail)
        return self._found + count_end_hitches(self._tail[::-1])
