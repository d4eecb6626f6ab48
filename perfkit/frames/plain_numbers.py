"""Decimal numbers cut out of plain text, many at once, equal to the bit to reading each alone.

Text is plain where every line has the same number of cells, nothing is quoted and each number
wanted has at most 16 characters, digits and at most one point. Whole numbers up to 2^53 and powers
of ten up to 10^22 are exact floats, so one division rounds a number as reading it does. All else is
left to a reader of every kind of CSV.
"""

import numpy as np
from numpy.typing import NDArray

from perfkit.frames.order import Floats

MARGIN = 16
"""Bytes that stand before and after the lines; what they hold does not matter."""

_COMMA, _NEWLINE, _RETURN, _QUOTE = b',\n\r"'
_WORD = 8
_MOST = 1 << 53

Bytes = NDArray[np.uint8]
Words = NDArray[np.uint64]
Places = NDArray[np.int64]

_ZEROS, _POINTS, _LOW_BITS, _HIGH_BIT, _BEYOND_NINE = (  # in each byte of a word
    np.uint64(byte * 0x0101_0101_0101_0101)
    for byte in (ord("0"), ord("0") ^ ord("."), 0x7F, 0x80, 0x7F - 9)
)
_KEPT = np.array([(1 << 64) - (1 << 8 * (_WORD - width)) for width in range(_WORD + 1)], np.uint64)
_ONE, _SEVEN, _BITS, _BYTE = (np.uint64(n) for n in (1, 7, 64, 0xFF))
_JOIN = (  # neighbouring digits, pairs and fours: mask, factor, shift
    (np.uint64(0x0F0F_0F0F_0F0F_0F0F), np.uint64(10 << 8 | 1), np.uint64(8)),
    (np.uint64(0x00FF_00FF_00FF_00FF), np.uint64(100 << 16 | 1), np.uint64(16)),
    (np.uint64(0x0000_FFFF_0000_FFFF), np.uint64(10_000 << 32 | 1), np.uint64(32)),
)
# By the upper nine bits of a float: 0 where there is no point, 2^(8 j) where byte j is one.
_DIVISORS = np.ones(127 + _WORD)
_DIVISORS[127:] = 10.0 ** np.arange(_WORD - 1, -1, -1)


def cut_column(text: Bytes, cells: int, place: int) -> Floats | None:
    r"""Read one column of whole lines.

    Parameters
    ----------
    text : ndarray of uint8, shape (MARGIN + n + MARGIN,)
        Lines, each with its end, between margins.
    cells : int
        How many cells each line has.
    place : int
        Which of them is read, 0 the first.

    Returns
    -------
    ndarray of float, shape (lines,), or None
        None where the text is not plain or a number is 0.

    Examples
    --------
    >>> text = np.frombuffer(b"0,16.5,a b\n1,7,\n".center(16 + 2 * MARGIN), np.uint8)
    >>> cut_column(text, 3, 1).tolist()
    [16.5, 7.0]
    """
    ends = _cell_ends(text[MARGIN:-MARGIN], cells)
    if ends is None:
        return None
    stop = ends[:, place] + MARGIN
    start = np.full_like(stop, MARGIN)
    if place:
        start += ends[:, place - 1]
        start += 1
    else:
        start[1:] += ends[:-1, -1] + 1
    return _decimals(text, start, stop)


def _cell_ends(lines: Bytes, cells: int) -> Places | None:
    """Find the commas and line ends, shape (lines, cells or one more); None if not plain."""
    ends = _ends_at(lines, lines <= _COMMA, cells)
    if ends is None and not (lines == _QUOTE).any():
        # In texts stand other bytes that are lower than the comma.
        marks = (lines == _COMMA) | (lines == _NEWLINE) | (lines == _RETURN)
        ends = _ends_at(lines, marks, cells)
    return ends


def _ends_at(lines: Bytes, marks: NDArray[np.bool_], cells: int) -> Places | None:
    """Arrange marked places by line; None where they are not those of lines of so many cells."""
    places = marks.nonzero()[0]
    if len(places) < cells:
        return None
    line_end = b"\r\n" if lines[places[cells - 1]] == _RETURN else b"\n"
    row = b"," * (cells - 1) + line_end
    count, more = divmod(len(places), len(row))
    if more or lines.take(places).tobytes() != row * count:
        return None
    ends: Places = places.reshape(count, len(row))
    if len(line_end) > 1 and not (ends[:, -1] - ends[:, -2] == 1).all():
        return None
    return ends


def _shifted(words: Words, first: Places, shift: NDArray[np.uint64]) -> Words:
    """Read words that begin some bits, below 64, behind the beginning of others."""
    found: Words = words.take(first) >> shift
    found |= words.take(first + 1) << (_BITS - shift)  # NumPy shifts by 64 to 0
    return found


def _decimals(text: Bytes, start: Places, stop: Places) -> Floats | None:
    """Read the numbers between places of a text; None where one is not plain."""
    width = stop - start
    longest = int(np.maximum.reduce(width))
    if int(np.minimum.reduce(width)) < 1 or longest > 2 * _WORD:
        return None
    low = _digits(_word_before(text, stop), np.minimum(width, _WORD))
    if low is None:
        return None
    whole, point = low
    divisor = _divisor(point)
    if longest > _WORD:
        high = _digits(_word_before(text, stop - _WORD), np.maximum(width - _WORD, 0))
        if high is None:
            return None
        upper, above = high[0], high[1] != 0
        if (above & (point != 0)).any():
            return None
        whole += upper * np.where(point != 0, np.uint64(10**7), np.uint64(10**8))
        divisor *= _divisor(high[1]) * np.where(above, 1e8, 1.0)
    if not np.minimum.reduce(whole) or np.maximum.reduce(whole) > _MOST:
        return None
    return whole.astype(np.float64) / divisor


def _word_before(text: Bytes, stop: Places) -> Words:
    """Read the eight bytes before places of a text, the last one the highest."""
    first = stop - _WORD
    words = text[: len(text) // _WORD * _WORD].view("<u8")
    return _shifted(words, first >> 3, ((first & 7) << 3).view(np.uint64))


def _digits(words: Words, width: Places) -> tuple[Words, Words] | None:
    """Read the last `width` bytes of words as digits with at most one point among them.

    Returns the digits as whole numbers, and words with a 1 in the byte of the point; None where
    there is anything else.
    """
    words ^= _ZEROS
    words &= _KEPT.take(width)  # what stands before is digits 0 now
    if np.bitwise_or.reduce(words) & _HIGH_BIT:
        return None
    point = ~((words ^ _POINTS) + _LOW_BITS) & _HIGH_BIT
    point >>= _SEVEN
    words -= point * (_POINTS & _BYTE)
    if np.bitwise_or.reduce((words + _BEYOND_NINE & _HIGH_BIT) | (point & (point - _ONE))):
        return None
    # The digits before the point move up by a byte, into its place.
    words += (words & (point - (point != 0))) * _BYTE
    for mask, factor, shift in _JOIN:
        words &= mask
        words *= factor
        words >>= shift
    return words, point


def _divisor(point: Words) -> Floats:
    divisor: Floats = _DIVISORS.take(point.astype(np.float64).view(np.int64) >> 55)
    return divisor
