"""Bytes of a CSV file to rows of text, each with its line, and what is wrong with its form."""

import contextlib
import csv
import io
from collections.abc import Iterator
from dataclasses import dataclass

from perfkit.errors import Problem
from perfkit.study.folder import TABLE_CELLS

MOST_COLUMNS = 1_000
LONGEST_CELL = 131_072
MOST_BAD_LINES = 50_000
"""Lines of one file listed for their form; reading stops there."""
_MARKS = {  # the longer ones first
    b"\xff\xfe\0\0": "UTF-32",
    b"\0\0\xfe\xff": "UTF-32",
    b"\xff\xfe": "UTF-16",
    b"\xfe\xff": "UTF-16",
}
_SAVE = "save the file as CSV in UTF-8"


@dataclass(frozen=True, slots=True)
class RawTable:
    """A CSV file as text.

    Attributes
    ----------
    header : list of str
        Cells of the first row; empty when the file cannot be read as a table at all.
    rows : list of list of str
        Every further row that is not a blank line, as wide as the header.
    lines : list of int
        Line of each row's first character, the header being line 1.
    broken : frozenset of int
        Lines whose cells cannot be trusted to stand under their header.
    whole : bool
        Whether the file was read to its end.
    problems : list of Problem
    """

    header: list[str]
    rows: list[list[str]]
    lines: list[int]
    broken: frozenset[int]
    whole: bool
    problems: list[Problem]


def parse_csv(data: bytes, file: str) -> RawTable:
    r"""Split the bytes of a CSV file into rows of text.

    Parameters
    ----------
    data : bytes
        UTF-8 with or without a byte-order mark, any line endings.
    file : str
        Name for the problems.

    Returns
    -------
    RawTable

    Examples
    --------
    >>> raw = parse_csv(b"gpu,kind\r\nquarry,discrete\r\n", "gpus.csv")
    >>> raw.header, raw.rows, raw.lines
    (['gpu', 'kind'], [['quarry', 'discrete']], [2])
    """
    problems: list[Problem] = []
    for mark, encoding in _MARKS.items():
        if data.startswith(mark):
            problems.append(Problem(file, 1, "", "", f"UTF-8 text; this is {encoding}", _SAVE))
            return _unread(problems)
    if b"\0" in data:
        line = data.count(b"\n", 0, data.index(b"\0")) + 1
        problems.append(Problem(file, line, "", "\0", "text without NUL bytes", _SAVE))
        return _unread(problems)
    text = _decode(data.removeprefix(b"\xef\xbb\xbf"), file, problems)
    if len(problems) == MOST_BAD_LINES:
        return _unread(problems)
    with _bounded_cells():
        return _split(text, file, problems)


@contextlib.contextmanager
def _bounded_cells() -> Iterator[None]:
    """Bound cells, whatever other code of this process allows them, and leave that as it was."""
    before = csv.field_size_limit(LONGEST_CELL)
    try:
        yield
    finally:
        csv.field_size_limit(before)


def _unread(problems: list[Problem]) -> RawTable:
    return RawTable([], [], [], frozenset(), False, problems)


def _decode(data: bytes, file: str, problems: list[Problem]) -> str:
    try:
        return data.decode()
    except UnicodeDecodeError:
        for number, line in enumerate(io.BytesIO(data), 1):
            try:
                line.decode()
            except UnicodeDecodeError as error:
                found = line[error.start : error.start + 1].decode("latin-1")
                problems.append(Problem(file, number, "", found, "UTF-8 text", _SAVE))
                if len(problems) == MOST_BAD_LINES:
                    return ""
    return data.decode(errors="backslashreplace")


def _split(text: str, file: str, problems: list[Problem]) -> RawTable:
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    decoded = not problems
    header: list[str] = []
    rows: list[list[str]] = []
    lines: list[int] = []
    broken: set[int] = set()
    start, cells, whole = 1, 0, False
    try:
        header = next(reader, [])
        width = len(header)
        if not _header_fits(header, file, problems):
            return _unread(problems)
        start = reader.line_num + 1
        for row in reader:
            if row:
                if len(row) != width or not (row[0] or any(row)):
                    problems.append(_ragged(row, width, file, start))
                    broken.add(start)
                    row = row[:width] + [""] * (width - len(row))
                if len(broken) == MOST_BAD_LINES:
                    problems.append(_too_bad(file, start))
                    break
            cells += width
            if cells > TABLE_CELLS:
                problems.append(_too_many(file, start))
                break
            if row:
                rows.append(row)
                lines.append(start)
            start = reader.line_num + 1
        else:
            whole = decoded
    except csv.Error as error:
        problems.append(_bad_quotes(file, start, str(error)))
    return RawTable(header, rows, lines, frozenset(broken), whole, problems)


def _header_fits(header: list[str], file: str, problems: list[Problem]) -> bool:
    allowed, action = "", ""
    if not header:
        allowed, action = "names of the columns in the first line", "write the header in line 1"
    elif len(header) == 1 and any(sign in header[0] for sign in ";\t|"):
        allowed, action = "columns separated by commas", "save the file as comma-separated CSV"
    elif len(header) > MOST_COLUMNS:
        allowed, action = f"at most {MOST_COLUMNS:,} columns", "keep the columns you need"
    if allowed:
        found = ",".join(header[:20])
        problems.append(Problem(file, 1, "", found, allowed, action))
    return not allowed


def _ragged(row: list[str], width: int, file: str, line: int) -> Problem:
    if len(row) == width:
        return Problem(file, line, "", "", "a row with at least one filled cell", "delete the line")
    return Problem(
        file,
        line,
        "",
        ",".join(row[:20]),
        f"{width} cells as in the header, here are {len(row)}",
        "add or remove commas; put a text that holds a comma in double quotes",
    )


def _too_bad(file: str, line: int) -> Problem:
    allowed = f"at most {MOST_BAD_LINES:,} lines of another width are listed; reading stopped here"
    return Problem(file, line, "", "", allowed, "mend these first")


def _too_many(file: str, line: int) -> Problem:
    return Problem(
        file,
        line,
        "",
        "",
        f"at most {TABLE_CELLS:,} cells in a table",
        "split the study",
    )


def _bad_quotes(file: str, line: int, message: str) -> Problem:
    if "field larger" in message:
        allowed = f"cells of at most {LONGEST_CELL:,} characters"
        return Problem(file, line, "", "", allowed, "shorten the cell, or close its quote")
    return Problem(
        file,
        line,
        "",
        "",
        "double quotes around a whole cell, those inside it doubled",
        f"mend the quotes ({message}); the rest of the file was not read",
    )
