"""Series of several passes side by side, so that small arrays cost one call for all of them."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from perfkit.frames.order import Floats

ROWS = 64
"""Series handled at once: their arrays still fit in a processor's second cache."""

_NARROWEST = 16


@dataclass(frozen=True, slots=True)
class Rows:
    """Series of different lengths as rows of one array.

    The width follows from the length of a series alone, so what is summed along a row does not
    depend on the other rows, not even in its last bit.

    Attributes
    ----------
    values : ndarray of float, shape (rows, width)
        A series per row, then zeros.
    counts : ndarray of int, shape (rows, 1)
        Lengths of the series.
    """

    values: Floats
    counts: NDArray[np.int64]

    @property
    def inside(self) -> NDArray[np.bool_]:
        """Which places hold a value, shape (rows, width)."""
        inside: NDArray[np.bool_] = np.arange(self.values.shape[1]) < self.counts
        return inside

    def some(self, rows: NDArray[np.bool_]) -> "Rows":
        """Keep some of the rows."""
        return Rows(self.values[rows], self.counts[rows])


def width_for(count: int) -> int:
    """Tell how wide the row of a series is.

    Parameters
    ----------
    count : int
        Its length.

    Returns
    -------
    int
        The next power of two, at least 16.

    Examples
    --------
    >>> width_for(3), width_for(512), width_for(513)
    (16, 512, 1024)
    """
    return max(_NARROWEST, 1 << (count - 1).bit_length())


def stack(series: Sequence[Floats]) -> Rows:
    """Put series of one width below each other.

    Parameters
    ----------
    series : sequence of ndarray of float
        All with the same `width_for` their length.

    Returns
    -------
    Rows

    Examples
    --------
    >>> stack([np.ones(2), np.ones(1)]).values[:, :3].tolist()
    [[1.0, 1.0, 0.0], [1.0, 0.0, 0.0]]
    """
    values = np.zeros((len(series), width_for(max(map(len, series)))))
    for row, one in zip(values, series, strict=True):
        row[: len(one)] = one
    return Rows(values, np.array([[len(one)] for one in series]))


def alike(lengths: Sequence[int]) -> Iterator[list[int]]:
    """Group series that can be stacked.

    Parameters
    ----------
    lengths : sequence of int
        Lengths of the series.

    Yields
    ------
    list of int
        Places of up to `ROWS` series of one width.

    Examples
    --------
    >>> list(alike([3, 100, 5]))
    [[0, 2], [1]]
    """
    groups: dict[int, list[int]] = {}
    for place, length in enumerate(lengths):
        groups.setdefault(width_for(length), []).append(place)
    for places in groups.values():
        for first in range(0, len(places), ROWS):
            yield places[first : first + ROWS]
