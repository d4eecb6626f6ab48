"""Exact order statistics of a stream that does not fit in memory."""

import math
from collections.abc import Callable, Iterable

import numpy as np

from perfkit.frames.order import Floats, between, place, put_in_place, values_between

KEEP = 7 << 17
"""Values a `Middle` may hold before it narrows."""

_SPARE = KEEP // 16
_DIGIT_BITS = 16
_DIGITS_AT = (48, 32, 16, 0)
_SAMPLED = 64


class Largest:
    """The largest values of a stream.

    Parameters
    ----------
    keep : int
        How many, at least 1.
    """

    def __init__(self, keep: int) -> None:
        self._keep = keep
        self._floor = -math.inf
        self._parts: list[Floats] = []
        self._held = 0

    def add(self, values: Floats) -> None:
        """Look at the next values of the stream."""
        high = values.compress(values > self._floor)
        self._parts.append(high)
        self._held += len(high)
        if self._held > self._keep + max(self._keep, _SPARE):
            self._narrow()

    def _narrow(self) -> None:
        held = np.concatenate(self._parts)
        if len(held) > self._keep:
            put_in_place(held, (len(held) - self._keep,))
            held = held[len(held) - self._keep :].copy()
            self._floor = float(held.min())
        self._parts, self._held = [held], len(held)

    def sorted(self) -> Floats:
        """Give the values kept, smallest first."""
        self._narrow()
        return np.sort(self._parts[0])


class Middle:
    """One quantile of a stream, exact as long as the stream's middle stays where it was.

    All values are held until there are too many, then only those around the quantile of what came
    so far; the others are counted. If the stream drifts away from them, `value` says so.

    Parameters
    ----------
    share : float
        Share of the quantile in [0, 1].
    keep : int
        Values that may be held.
    """

    def __init__(self, share: float, keep: int = KEEP) -> None:
        self._share = share
        self._keep = keep
        self._low, self._high = -math.inf, math.inf
        self._lost = False
        self._seen = self._below = self._held = 0
        self._parts: list[Floats] = []

    def add(self, values: Floats) -> None:
        """Look at the next values of the stream."""
        self._seen += len(values)
        if self._lost:
            return
        if self._low > -math.inf:
            values, below = values_between(values, self._low, self._high)
            self._below += below
        else:
            values = values.copy()
        self._parts.append(values)
        self._held += len(values)
        if self._held > self._keep:
            self._narrow()

    def _narrow(self) -> None:
        held = np.concatenate(self._parts)
        found = len(held)
        centre = place(self._seen, self._share)[0] - self._below
        self._lost = not 0 <= centre < found
        if not self._lost:
            # About half are kept; which exactly does not matter, so a sample says where to cut.
            sample = np.sort(held[::_SAMPLED])
            middle, quarter = centre * len(sample) // found, len(sample) // 4
            self._low = float(sample[max(0, middle - quarter)])
            self._high = float(sample[min(len(sample) - 1, middle + quarter)])
            held, below = values_between(held, self._low, self._high)
            self._below += below
            # One value may stand there so often that nothing is gained.
            self._lost = 4 * len(held) > 3 * self._keep
        if self._lost:
            held = np.empty(0)
        self._parts, self._held = [held], len(held)

    def value(self) -> float:
        """Give the quantile, or NaN where it is not among the values held."""
        if self._lost or not self._parts:
            return math.nan
        held = np.concatenate(self._parts)
        rank, part = place(self._seen, self._share)
        rank -= self._below
        if rank < 0 or rank + (part > 0) >= len(held):
            return math.nan
        put_in_place(held, (rank,))
        lower = float(held[rank])
        return between(lower, float(held[rank + 1 :].min()), part) if part else lower


def value_at_rank(again: Callable[[], Iterable[Floats]], rank: int) -> float:
    """Find the value of one rank by reading a stream four times in little memory.

    Non-negative floats are ordered like their bit patterns, so each reading fixes sixteen bits.

    Parameters
    ----------
    again : callable
        Starts a new reading of the same non-negative values.
    rank : int
        Rank wanted, 0 the smallest.

    Returns
    -------
    float

    Examples
    --------
    >>> value_at_rank(lambda: [np.array([3.0, 1.0]), np.array([2.0])], 1)
    2.0
    """
    prefix = 0
    for shift in _DIGITS_AT:
        counts = np.zeros(1 << _DIGIT_BITS, dtype=np.int64)
        for values in again():
            digits = np.ascontiguousarray(values).view(np.int64) >> shift
            inside = digits[digits >> _DIGIT_BITS == prefix]
            low_digits = inside & ((1 << _DIGIT_BITS) - 1)
            counts += np.bincount(low_digits, minlength=1 << _DIGIT_BITS)
        running = np.cumsum(counts)
        digit = int(np.searchsorted(running, rank, side="right"))
        rank -= int(running[digit - 1]) if digit else 0
        prefix = prefix << _DIGIT_BITS | digit
    return float(np.array([prefix], dtype=np.int64).view(np.float64)[0])


def quantile_again(again: Callable[[], Iterable[Floats]], count: int, share: float) -> float:
    """Find one quantile of a stream that can be read again, whatever its order.

    Parameters
    ----------
    again : callable
        Starts a new reading of the same non-negative values.
    count : int
        How many values there are.
    share : float
        Share of the quantile in [0, 1].

    Returns
    -------
    float
        Quantile of type 7.

    Examples
    --------
    >>> quantile_again(lambda: [np.array([3.0, 1.0, 2.0, 4.0])], 4, 0.5)
    2.5
    """
    rank, part = place(count, share)
    lower = value_at_rank(again, rank)
    return between(lower, value_at_rank(again, rank + 1), part) if part else lower
