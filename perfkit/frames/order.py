"""Exact order statistics of an array: quantiles of type 7, equal to `numpy.quantile` to the bit."""

import math

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_MANY = 256


def place(count: int, share: float) -> tuple[int, float]:
    """Position of a quantile of type 7 among sorted values.

    Parameters
    ----------
    count : int
        Number of values.
    share : float
        Share of the quantile in [0, 1].

    Returns
    -------
    rank : int
        Rank of the value at or below it, 0 the smallest.
    part : float
        How far it lies towards the next value, in [0, 1).

    Examples
    --------
    >>> place(5, 0.625)
    (2, 0.5)
    """
    position = (count - 1) * share
    rank = math.floor(position)
    return rank, position - rank


def between(lower: float, upper: float, part: float) -> float:
    """Interpolate between two neighbouring values, rounding as `numpy.quantile` does.

    Parameters
    ----------
    lower, upper : float
        The neighbours.
    part : float
        How far from lower to upper, in [0, 1).

    Returns
    -------
    float

    Examples
    --------
    >>> between(10.0, 20.0, 0.25)
    12.5
    """
    gap = upper - lower
    return upper - gap * (1 - part) if part >= 0.5 else lower + gap * part


def put_in_place(values: Floats, ranks: tuple[int, ...]) -> None:
    """Reorder an array so that the values of some ranks stand where sorting would put them.

    Each step looks only at the values above the last one, so all together cost little more than the
    first. Non-negative floats are ordered like their bit patterns, and whole numbers, of which none
    is a NaN, are put in order faster.

    Parameters
    ----------
    values : ndarray of float, shape (n,)
        Non-negative; reordered in place.
    ranks : tuple of int
        Rising ranks, 0 the smallest.

    Examples
    --------
    >>> values = np.array([4.0, 1.0, 3.0, 2.0])
    >>> put_in_place(values, (1, 2))
    >>> values.tolist()
    [1.0, 2.0, 3.0, 4.0]
    """
    patterns = values.view(np.int64)
    start = 0
    for rank in ranks:
        patterns[start:].partition(rank - start)
        start = rank + 1


def quantile_in_place(
    values: Floats, share: float, stop: int | None = None, below: int = 0
) -> float:
    """Read a quantile of type 7, equal to that of `numpy.quantile` to the bit.

    Parameters
    ----------
    values : ndarray of float, shape (n,)
        An array in which `put_in_place` has set the quantile's rank.
    share : float
        Share of the quantile in [0, 1].
    stop : int or None
        A higher place that is set too, which shortens the search for the next value.
    below : int
        How many more values there are, all known to lie below these.

    Returns
    -------
    float

    References
    ----------
    .. [1] R. J. Hyndman and Y. Fan (1996), "Sample quantiles in statistical packages",
       The American Statistician 50:361-365.

    Examples
    --------
    >>> quantile_in_place(np.array([1.0, 2.0, 4.0, 3.0]), 0.5)
    2.5
    """
    rank, part = place(below + len(values), share)
    rank -= below
    lower = float(values[rank])
    if not part:
        return lower
    last = None if stop is None else max(stop + 1, rank + 2)
    return between(lower, float(np.minimum.reduce(values[rank + 1 : last])), part)


def values_between(values: Floats, low: float, high: float) -> tuple[Floats, int]:
    """Take the values of a range and count those below it.

    Parameters
    ----------
    values : ndarray of float, shape (n,)
    low, high : float
        Ends of the range, both in it.

    Returns
    -------
    taken : ndarray of float
        A copy, in the order of the values.
    below : int

    Examples
    --------
    >>> taken, below = values_between(np.array([4.0, 1.0, 3.0, 2.0]), 2.0, 3.0)
    >>> taken.tolist(), below
    ([3.0, 2.0], 1)
    """
    under = values < low
    below = int(np.count_nonzero(under))
    taken = values <= high
    taken ^= under
    return values.compress(taken), below


def quantile_near(values: Floats, share: float, sample: Floats) -> float:
    """Find a quantile of type 7 with the help of a sample, equal to `numpy.quantile` to the bit.

    The sample says between which two values the quantile ought to lie. Only those between are put
    in order, or, were they spread evenly, those of them near its rank; the others are counted,
    which shows whether it lies there. If not, all are put in order.

    Parameters
    ----------
    values : ndarray of float, shape (n,)
        Non-negative; n at least 1.
    share : float
        Share of the quantile in [0, 1].
    sample : ndarray of float, shape (m,)
        Some of the values, rising; m at least 1.

    Returns
    -------
    float

    Examples
    --------
    >>> quantile_near(np.arange(100.0), 0.5, np.array([40.0, 50.0, 60.0]))
    49.5
    """
    rank, part = place(len(values), share)
    guess, size = share * (len(sample) - 1), len(sample)
    margin = 2.5 * math.sqrt(share * (1 - share) * size) + 1
    first, last = math.floor(guess - margin), math.ceil(guess + margin)
    low = float(sample[first]) if first >= 0 else -math.inf
    high = float(sample[last]) if last < size else math.inf
    taken, below = values_between(values, low, high)
    if not _holds(taken, rank - below, part):
        taken, below = values.copy(), 0
    elif len(taken) > _MANY:
        nearer, less = _around(taken, rank - below, low, high)
        if _holds(nearer, rank - below - less, part):
            taken, below = nearer, below + less
    put_in_place(taken, (rank - below,))
    lower = float(taken[rank - below])
    if not part:
        return lower
    return between(lower, float(np.minimum.reduce(taken[rank - below + 1 :])), part)


def _holds(values: Floats, rank: int, part: float) -> bool:
    """Tell whether a rank, and the next one where it is needed too, are among some values."""
    return 0 <= rank <= len(values) - 1 - (part > 0)


def _around(values: Floats, rank: int, low: float, high: float) -> tuple[Floats, int]:
    """Take the values around a rank if they are spread evenly, and count those below."""
    count = len(values)
    step = (high - low) / count
    centre = low + (rank + 0.5) * step
    margin = (3 * math.sqrt(rank * (count - rank) / count) + 4) * step
    return values_between(values, centre - margin, centre + margin)
