"""Hitches: frames that take much longer than the frames around them."""

import numpy as np
from numpy.typing import NDArray

from perfkit.defaults import HITCH_FACTOR, HITCH_NEIGHBOURS

_HALF = HITCH_NEIGHBOURS // 2
_PIECE = 4096


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
    return np.array(
        [np.median(times[max(0, i - _HALF) : i + _HALF + 1]) for i in range(len(times))],
        dtype=float,
    )


def count_hitches(times: NDArray[np.float64]) -> int:
    """Count the frames longer than 2.5 times the running median of their neighbours.

    Inside a pass no median is formed: of 31 values the median m satisfies 2.5 m < t exactly when at
    least 16 of them satisfy 2.5 x < t, and only frames above 2.5 times the smallest value around
    them can reach 16. Rounding keeps order, so the count is that of `running_median` to the bit.

    Parameters
    ----------
    times : ndarray of float, shape (n,)
        Frame times of the whole pass in ms.

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
    head = _HALF + times[: 2 * _HALF].size - _HALF
    start = times[:_HALF] > HITCH_FACTOR * running_median(times[:head])[:_HALF]
    end = times[-_HALF:] > HITCH_FACTOR * running_median(times[-head:])[-_HALF:]
    return int(np.count_nonzero(start)) + count_inner_hitches(times) + int(np.count_nonzero(end))


def count_inner_hitches(times: NDArray[np.float64]) -> int:
    """Count the hitches among the frames that have all their neighbours.

    Parameters
    ----------
    times : ndarray of float, shape (n,)
        Frame times in ms; the first and last 15 serve as neighbours only.

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
    scaled = HITCH_FACTOR * times
    windows = np.lib.stride_tricks.sliding_window_view(scaled, HITCH_NEIGHBOURS)
    inner = times[_HALF:-_HALF]
    candidates = np.flatnonzero(inner > scaled.min())
    found = 0
    for first in range(0, len(candidates), _PIECE):
        piece = candidates[first : first + _PIECE]
        below = np.count_nonzero(windows[piece] < inner[piece, None], axis=1)
        found += int(np.count_nonzero(below > _HALF))
    return found
