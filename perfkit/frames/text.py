"""Logs of text: one column of a CSV log in blocks of milliseconds, every value checked.

Most logs are plain numbers, which NumPy cuts out of the text (`perfkit.frames.plain_numbers`).
From the first block on that is not plain, and for the messages, Arrow reads the rest.
"""

import csv
import io
import re
from collections.abc import Iterator

import numpy as np
import pyarrow as pa
import pyarrow.csv
from numpy.typing import NDArray

from perfkit.frames.logs import READ_ERRORS, BadLog, as_frame_times, check_times
from perfkit.frames.order import Floats
from perfkit.frames.plain_numbers import MARGIN, cut_column

TEXT_FRAMES = 15_000_000
"""Frames of one log of text: days of play, and still read within seconds."""

_BLOCK_BYTES = 1 << 18
_LONGEST_BYTES = 1 << 20
_WHOLE_BYTES = 1 << 22
_AROUND = 2 * MARGIN + 1  # and room for the end of the last line
_NAME = rb'(?:"[^"\r\n]*+"|[^",\r\n]*+)'
_LINE_END = re.compile(rb"[\r\n]")
_FIRST_LINE = re.compile(rb"[^\r\n]*+(?:\r\n?|\n)?")
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
    lines = _Lines(stream)
    start = lines.first_bytes()
    names = _checked_names(csv_columns(start), column)
    head = _first_line(start)
    lines.drop(len(head))
    plain, place, rows = bool(_PLAIN_HEADER.fullmatch(head)), names.index(column), 0
    while size := lines.take(_BLOCK_BYTES if plain else _WHOLE_BYTES):
        times = cut_column(lines.with_margins(size), len(names), place) if plain else None
        if times is not None:
            yield check_times(times, unit, column, _allowed(rows, len(times)), 2)
            rows += len(times)
        else:
            plain, size = False, lines.take(_WHOLE_BYTES)
            for times in _read_any(head + lines.copy(size), column, unit, rows):
                yield times
                rows += len(times)
        lines.drop(size)


class _Lines:
    """Whole lines of a stream, in one buffer; read only by the thread that asks for them."""

    def __init__(self, stream: io.RawIOBase) -> None:
        self._stream = stream
        self._held, self._ended = 0, False
        self._room = memoryview(b"")
        self._make_room(_BLOCK_BYTES)

    def _make_room(self, size: int) -> None:
        kept = bytes(self._room[: self._held])
        self._buffer = bytearray(size + _AROUND)
        self._bytes = np.frombuffer(self._buffer, np.uint8)
        self._room = memoryview(self._buffer)[MARGIN:]
        self._room[: len(kept)] = kept
        self._size = size

    def _fill(self, size: int) -> None:
        if size > self._size:
            self._make_room(size)
        try:
            while self._held < size and not self._ended:
                came = self._stream.readinto(self._room[self._held : size])
                self._held += came or 0
                self._ended = not came
        except OSError as error:
            raise BadLog(None, "", str(error), "a whole, readable CSV log") from None

    def first_bytes(self) -> bytes:
        """Give the start of the text, with its first line if that has less than a megabyte."""
        self._fill(_BLOCK_BYTES)
        if not _LINE_END.search(self._room[: self._held]):
            self._fill(_LONGEST_BYTES)
        return self.copy(self._held)

    def take(self, size: int) -> int:
        """Hold about `size` bytes; how many of them are whole lines, 0 at the end of the text."""
        self._fill(size)
        if self._ended:
            return self._held
        end = self._buffer.rfind(b"\n", MARGIN, MARGIN + self._held)
        if end == -1:
            end = self._buffer.rfind(b"\r", MARGIN, MARGIN + self._held - 1)
        if end != -1:
            return end + 1 - MARGIN
        if size >= _LONGEST_BYTES:
            raise _long_line()
        return self.take(_LONGEST_BYTES)

    def drop(self, size: int) -> None:
        """Leave the first bytes behind."""
        kept = bytes(self._room[size : self._held])
        self._room[: len(kept)] = kept
        self._held = len(kept)

    def copy(self, size: int) -> bytes:
        """Copy the first bytes held."""
        return bytes(self._room[:size])

    def with_margins(self, size: int) -> NDArray[np.uint8]:
        """Show the first bytes held between margins, until more are asked for."""
        open_end = size == self._held and self._room[size - 1] != ord("\n")
        if open_end:
            self._room[size] = ord("\n")
        return self._bytes[: MARGIN + size + open_end + MARGIN]


def _first_line(text: bytes) -> bytes:
    found = _FIRST_LINE.match(text)
    return found[0] if found else b""


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


def _read_any(text: bytes, column: str, unit: str, first_row: int) -> Iterator[Floats]:
    """Read a header and lines with Arrow, which may hold the text but never calls for more of it.

    A reader of Arrow's that is left in the middle of a Python stream goes on reading in a thread of
    its own, and so ends the program with an abort.
    """
    check_lines(text)
    row = first_row
    try:
        reader = pa.csv.open_csv(
            pa.BufferReader(text),
            read_options=pa.csv.ReadOptions(use_threads=False, block_size=len(text)),
            parse_options=pa.csv.ParseOptions(ignore_empty_lines=False),
            convert_options=pa.csv.ConvertOptions(
                include_columns=[column], column_types={column: pa.float64()}, null_values=[]
            ),
        )
        for batch in reader:
            yield as_frame_times(batch.column(0), unit, column, _allowed(row, len(batch)), 2)
            row += len(batch)
    except KeyError:
        allowed = f"the header names the column {column!r}"
        raise BadLog(1, column, "no such column", allowed) from None
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
    if "Empty CSV" in text:
        return _no_header()
    return BadLog(line, "", text, "a whole, readable CSV log")


def _no_header() -> BadLog:
    return BadLog(1, "", "no readable header", "a log's first line names its columns")


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
    start = len(_first_line(text))
    while len(text) - start > _LONGEST_BYTES:
        within = start, start + _LONGEST_BYTES
        end = text.rfind(b"\n", *within)
        if end == -1:
            end = text.rfind(b"\r", *within)
        if end == -1:
            raise _long_line()
        start = end + 1


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
        if len(head) < _LONGEST_BYTES and "\0" not in line:
            return next(csv.reader([line]), [])
    except csv.Error:
        pass  # a name longer than any table's cell
    except UnicodeDecodeError:
        raise BadLog(1, "", "bytes that are not UTF-8", "a log is UTF-8 text") from None
    raise _no_header()
