"""One log of frame times, read in blocks of milliseconds, every value checked."""

from collections.abc import Iterator
from typing import Any, BinaryIO

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from perfkit.errors import PerfkitError, Problem

SHORTEST_MS = 1e-12
"""Below this no clock has ever ticked; far below any real frame in any wrongly named unit."""

LONGEST_MS = 1e15
"""Thirty thousand years; above any real frame in any wrong unit; squares still add up."""

READ_ERRORS = (pa.ArrowException, OSError, ValueError, MemoryError)
"""What the readers of files raise when a file is not what it says."""

_BATCH_ROWS = 1 << 16
_LEAN: dict[str, Any] = {"memory_map": False, "pre_buffer": False, "buffer_size": 1 << 20}
_NUMBER_TYPES = "a whole or floating-point number"


class BadLog(PerfkitError):
    """Why a log cannot be used; becomes a `Problem` where the file and the pass are known.

    Parameters
    ----------
    line : int or None
        Line of a CSV log, its header being line 1; None where no line can be named.
    column : str
        Column of the log.
    value : str
        What was found.
    allowed : str
        What may stand there.
    action : str
        What to do; empty where the caller knows better.
    """

    def __init__(
        self, line: int | None, column: str, value: str, allowed: str, action: str = ""
    ) -> None:
        super().__init__(line, column, value, allowed, action)
        self.line, self.column, self.value = line, column, value
        self.allowed, self.action = allowed, action

    def problem(self, file: str, action: str) -> Problem:
        """Place the error in a file of the study.

        Parameters
        ----------
        file : str
            The log, as a path from the study folder.
        action : str
            What to do, unless the error says it.

        Returns
        -------
        Problem
        """
        return Problem(
            file, self.line, self.column, self.value, self.allowed, self.action or action
        )

    line: int | None
    column: str
    value: str
    allowed: str


def to_ms(values: NDArray[np.float64], unit: str) -> NDArray[np.float64]:
    """Turn times in `unit` into milliseconds with one correctly rounded operation.

    Parameters
    ----------
    values : ndarray of float, shape (n,)
        Times in `unit`.
    unit : {"s", "ms", "us", "ns"}
        Unit of the values.

    Returns
    -------
    ndarray of float, shape (n,)
        Times in ms: s times 1000; us divided by 1000; ns divided by 1,000,000.

    Raises
    ------
    KeyError
        If the unit is none of the four.

    Examples
    --------
    >>> to_ms(np.array([16700.0]), "us").tolist()
    [16.7]
    """
    match unit:
        case "ms":
            return values
        case "s":
            return values * 1e3
        case "us":
            return values / 1e3
        case "ns":
            return values / 1e6
    raise KeyError(f"frame_time_unit is s, ms, us or ns, not {unit!r}")


def as_frame_times(
    column: pa.Array, unit: str, name: str, first_row: int, first_line: int | None
) -> NDArray[np.float64]:
    """Check one batch of a column and return it in milliseconds.

    Parameters
    ----------
    column : pyarrow.Array
        Numbers as the file holds them.
    unit : str
        Their unit.
    name : str
        Column name, for messages.
    first_row : int
        Position of the batch's first value in the log, 0 first.
    first_line : int or None
        Line of row 0 in a text file; None in a Parquet file.

    Returns
    -------
    ndarray of float, shape (n,)
        Frame times in ms.

    Raises
    ------
    BadLog
        If a value is unknown, not finite, zero, negative or beyond any clock.
    """
    if column.null_count:
        row = first_row + int(np.flatnonzero(column.is_null().to_numpy(zero_copy_only=False))[0])
        raise _bad_value(name, unit, "", row, first_line)
    return check_times(column.to_numpy(), unit, name, first_row, first_line)


def check_times(
    raw: NDArray[Any], unit: str, name: str, first_row: int, first_line: int | None
) -> NDArray[np.float64]:
    """Check some numbers of a log and return them in milliseconds.

    Parameters
    ----------
    raw : ndarray, shape (n,)
        Numbers as the file holds them.
    unit, name : str
        Their unit and their column.
    first_row, first_line : int, int or None
        As `as_frame_times`.

    Returns
    -------
    ndarray of float, shape (n,)
        Frame times in ms.

    Raises
    ------
    BadLog
        If a value is not finite, zero, negative or beyond any clock.
    """
    times = to_ms(np.asarray(raw, np.float64), unit)
    # A NaN makes both comparisons false.
    if times.size and not (times.min() >= SHORTEST_MS and times.max() <= LONGEST_MS):
        wrong = int(np.flatnonzero(~((times >= SHORTEST_MS) & (times <= LONGEST_MS)))[0])
        raise _bad_value(name, unit, str(raw[wrong]), first_row + wrong, first_line)
    return times


def _bad_value(name: str, unit: str, value: str, row: int, first_line: int | None) -> BadLog:
    line = None if first_line is None else first_line + row
    place = "" if first_line is not None else f" (row {row + 1} of the log)"
    return BadLog(
        line, name, value or "nothing", f"a frame time is a positive number of {unit}{place}"
    )


def open_parquet(stream: BinaryIO, dictionary: str = "") -> pq.ParquetFile:
    """Open a Parquet log for reading in small pieces.

    A mapped or prefetched file would count as memory in use, so neither is asked for.

    Parameters
    ----------
    stream : binary file
        The file, seekable.
    dictionary : str
        Column of texts to leave as codes into a table of its values; none where empty.

    Returns
    -------
    pyarrow.parquet.ParquetFile

    Raises
    ------
    BadLog
        If the footer cannot be read.
    """
    try:
        return pq.ParquetFile(stream, **_LEAN, read_dictionary=[dictionary] if dictionary else None)
    except READ_ERRORS as error:
        raise unreadable_parquet(error) from None


def unreadable_parquet(error: Exception) -> BadLog:
    """Say that a Parquet log cannot be read.

    Parameters
    ----------
    error : Exception
        What the reader said.

    Returns
    -------
    BadLog
    """
    said = str(error).strip().splitlines() or [type(error).__name__]
    return BadLog(None, "", said[0], "a whole, readable Parquet log")


def check_parquet_column(file: pq.ParquetFile, column: str) -> None:
    """Refuse a Parquet log whose frame time column is absent, doubled, nested or no number.

    Parameters
    ----------
    file : pyarrow.parquet.ParquetFile
        The open log.
    column : str
        Name of the frame time column.

    Raises
    ------
    BadLog
        With the names or the type found.
    """
    found = [field for field in file.schema_arrow if field.name == column]
    if len(found) != 1:
        names = ", ".join(file.schema_arrow.names)
        said = f"columns {names}" if not found else f"{len(found)} columns of that name"
        raise BadLog(None, column, said, f"one column is named {column!r}")
    kind = found[0].type
    if not (pa.types.is_integer(kind) or pa.types.is_floating(kind)):
        raise BadLog(None, column, f"type {kind}", f"a frame time is {_NUMBER_TYPES}")


def read_parquet_blocks(
    file: pq.ParquetFile, column: str, unit: str
) -> Iterator[NDArray[np.float64]]:
    """Read one column of a Parquet log in blocks.

    Parameters
    ----------
    file : pyarrow.parquet.ParquetFile
        The open log.
    column : str
        Name of the frame time column.
    unit : str
        Its unit.

    Yields
    ------
    ndarray of float
        Frame times in ms, in file order.

    Raises
    ------
    BadLog
        If the file cannot be read to its end or a frame time is not one.
    """
    check_parquet_column(file, column)
    row = 0
    try:
        for batch in file.iter_batches(_BATCH_ROWS, columns=[column], use_threads=False):
            yield as_frame_times(batch.column(0), unit, column, row, None)
            row += len(batch)
    except READ_ERRORS as error:
        raise unreadable_parquet(error) from None
