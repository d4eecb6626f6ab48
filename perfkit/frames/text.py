"""Logs of text: one column of a CSV log in blocks of milliseconds, every value checked.

Most logs are plain numbers, which NumPy cuts out of the text (`perfkit.frames.plain`). From the
first block on that is not plain, and for the messages, Arrow reads the rest.
"""

import csv
import io
import re
from collections.abc import Iterator
from typing import BinaryIO

import numpy as np
import pyarrow as pa
import pyarrow.csv

from perfkit.frames.logs import READ_ERRORS, BadLog, as_frame_times, check_times
from perfkit.frames.order import Floats
from perfkit.frames.plain import MARGIN, cut_column

TEXT_FRAMES = 15_000_000
"""Frames of one log of text: days of play, and still read within seconds."""

_BLOCK_BYTES = 1 << 18
_HEADER_BYTES = 1 << 20
_WHOLE_BYTES = 1 << 22
_NAME = rb'(?:"[^"\r\n]*+"|[^",\r\n]*+)'
_PLAIN_HEADER = re.compile(_NAME + b"(?:," + _NAME + rb")*+\r?\n")


def read_text(stream: io.RawIOBase, column: str, unit: str) -> Iterator[Floats]:
    r"""Read one column of a CSV log in blocks.

    Parameters
    ----------
    stream : io.RawIOBase
        The text, decompressed as it is read.
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

    Examples
    --------
    >>> log = io.BytesIO(b"frame,frame_ms\n0,16\n1,17\n")
    >>> [block.tolist() for block in read_text(log, "frame_ms", "ms")]
    [[16.0, 17.0]]
    """
    buffer = bytearray(MARGIN + _BLOCK_BYTES + MARGIN)
    lines = memoryview(buffer)[MARGIN : MARGIN + _BLOCK_BYTES]
    filled = _fill(stream, lines)
    start = bytes(lines[:filled])
    plain = _PLAIN_HEADER.match(start)
    if not plain:
        start += _read(stream, _HEADER_BYTES - filled)
    names = _checked_names(csv_columns(start), column)
    if not plain:
        yield from _read_any(start, stream, column, unit, 0)
        return
    place, text, rows = names.index(column), np.frombuffer(buffer, np.uint8), 0
    whole = plain.end()
    while True:
        kept = bytes(lines[whole:filled])
        lines[: len(kept)] = kept
        filled = _fill(stream, lines, len(kept))
        if not filled:
            return
        whole = buffer.rfind(b"\n", MARGIN, MARGIN + filled) + 1 - MARGIN
        if filled < _BLOCK_BYTES and whole < filled:  # the last line may lack its end
            buffer[MARGIN + filled] = ord("\n")
            whole = filled + 1
        times = cut_column(text[: whole + 2 * MARGIN], len(names), place) if whole > 0 else None
        if times is None:
            break
        yield check_times(times, unit, column, _allowed(rows, len(times)), 2)
        rows += len(times)
    yield from _read_any(plain[0] + bytes(lines[:filled]), stream, column, unit, rows)


def _fill(stream: io.RawIOBase, room: memoryview, filled: int = 0) -> int:
    """Read until there is no more room or no more text; bytes in the room then."""
    try:
        while filled < len(room) and (came := stream.readinto(room[filled:])):
            filled += came
    except OSError as error:
        raise BadLog(None, "", str(error), "a whole, readable CSV log") from None
    return filled


def _read(stream: io.RawIOBase, most: int) -> bytes:
    room = bytearray(most)
    return bytes(room[: _fill(stream, memoryview(room))])


def _checked_names(names: list[str], column: str) -> list[str]:
    if not names:
        raise BadLog(1, "", "", "a log has a header and one line per frame")
    if names.count(column) != 1:
        said = "it more than once" if column in names else f"columns {', '.join(names)}"
        raise BadLog(1, column, said, f"one column is named {column!r}")
    return names


def _allowed(rows: int, more: int) -> int:
    if rows + more > TEXT_FRAMES:
        allowed = f"a log of text may have {TEXT_FRAMES:,} frames"
        raise BadLog(None, "", "", allowed, "split it, or store it as Parquet")
    return rows


class _After(io.RawIOBase):
    """A stream with some bytes before it."""

    def __init__(self, before: bytes, stream: io.RawIOBase) -> None:
        self._before = io.BytesIO(before)
        self._stream = stream

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: "bytearray | memoryview[int]") -> int | None:  # type: ignore[override]
        return self._before.readinto(buffer) or self._stream.readinto(buffer)


def _read_any(
    before: bytes, stream: io.RawIOBase, column: str, unit: str, first_row: int
) -> Iterator[Floats]:
    """Read a log with Arrow: the header, what follows `first_row` rows, the rest of the stream."""
    before += _read(stream, _WHOLE_BYTES - len(before))
    if len(before) < _WHOLE_BYTES:
        # Parsed at once, without a Python file between the text and Arrow.
        check_lines(before)
        block = max(len(before), _HEADER_BYTES)
        yield from read_csv_blocks(pa.BufferReader(before), column, unit, block, first_row)
    else:
        rest = io.BufferedReader(_After(before, stream), _HEADER_BYTES)
        yield from read_csv_blocks(rest, column, unit, _HEADER_BYTES, first_row)


def read_csv_blocks(
    stream: "BinaryIO | pa.NativeFile", column: str, unit: str, block: int, first_row: int
) -> Iterator[Floats]:
    """Read one column of any CSV log in blocks.

    Parameters
    ----------
    stream : binary file
        The text, decompressed as it is read.
    column : str
        Name of the frame time column.
    unit : str
        Its unit.
    block : int
        Bytes to parse at once.
    first_row : int
        Rows of the log that are left out after its header, for messages.

    Yields
    ------
    ndarray of float
        Frame times in ms, in file order.

    Raises
    ------
    BadLog
        If the file cannot be read to its end or a frame time is not one.
    """
    row = first_row
    try:
        reader = pa.csv.open_csv(
            stream,
            read_options=pa.csv.ReadOptions(use_threads=False, block_size=block),
            parse_options=pa.csv.ParseOptions(ignore_empty_lines=False),
            convert_options=pa.csv.ConvertOptions(
                include_columns=[column], column_types={column: pa.float64()}, null_values=[]
            ),
        )
        for batch in reader:
            yield as_frame_times(batch.column(0), unit, column, _allowed(row, len(batch)), 2)
            row += len(batch)
    except KeyError:
        raise BadLog(
            1, column, "no such column", f"the header names the column {column!r}"
        ) from None
    except READ_ERRORS as error:
        raise _csv_problem(error, column, unit, first_row) from None


def _csv_problem(error: Exception, column: str, unit: str, first_row: int) -> BadLog:
    text = str(error).strip()
    line_match = re.search(r"Row #(\d+)", text)
    line = int(line_match.group(1)) + first_row if line_match else None
    value = re.search(r"invalid value '(.*)'", text, flags=re.DOTALL)
    if value:
        return BadLog(
            line,
            column,
            value.group(1) or "nothing",
            f"a frame time is a positive number of {unit}",
        )
    shape = re.search(r"Expected (\d+) columns, got (\d+)", text)
    if shape:
        return BadLog(
            line, "", f"{shape[2]} cells", f"each line has {shape[1]} cells, as the header"
        )
    if "straddling" in text:
        return _long_line()
    if "Empty CSV" in text:
        return BadLog(None, "", "an empty file", "a log has a header and one line per frame")
    return BadLog(line, "", text, "a whole, readable CSV log")


def _long_line() -> BadLog:
    return BadLog(None, "", "", "lines of less than a megabyte", "keep only the frame times")


def check_lines(text: bytes) -> None:
    """Refuse a line that a log read block by block could not have.

    Parameters
    ----------
    text : bytes
        A whole log; its first line is left to `csv_columns`.

    Raises
    ------
    BadLog
        If a line has a megabyte or more.
    """
    start = text.find(b"\n") + 1
    while len(text) - start > _HEADER_BYTES:
        within = start, start + _HEADER_BYTES
        end = text.rfind(b"\n", *within)
        start = (end if end >= 0 else text.rfind(b"\r", *within)) + 1
        if start <= within[0]:
            raise _long_line()


def csv_columns(start: bytes) -> list[str]:
    """Read the names in the first line of a CSV log.

    Parameters
    ----------
    start : bytes
        Its first megabyte.

    Returns
    -------
    list of str
        Column names, repeated ones included.

    Raises
    ------
    BadLog
        If there is no first line in UTF-8 within a megabyte.
    """
    try:
        end = re.search(rb"[\r\n]", start)
        head = start[: end.start()] if end else start
        line = head.decode("utf-8-sig")
        if len(head) < _HEADER_BYTES and "\0" not in line:
            return next(csv.reader([line]), [])
    except csv.Error:
        pass  # a name longer than any table's cell
    except UnicodeDecodeError:
        raise BadLog(1, "", "bytes that are not UTF-8", "a log is UTF-8 text") from None
    raise BadLog(1, "", "no readable header", "a log's first line names its columns")
