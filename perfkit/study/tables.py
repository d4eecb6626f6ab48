"""Rows of text to typed frames: the rules of the schema applied a column at a time."""

import datetime
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from perfkit.errors import Problem
from perfkit.study.cells import Wrong, read_date, read_number, read_text
from perfkit.study.csvtext import RawTable, parse_csv
from perfkit.study.folder import TABLE_BYTES, Refused, read_inside
from perfkit.study.near_names import nearest
from perfkit.study.schema import Column, Table, in_words

Cells = np.ndarray | pd.api.extensions.ExtensionArray
_NUMBERS = ("number", "integer", "pixels")
MOST_PROBLEMS = 250_000
"""Single cells that one check of one file lists, so that memory stays bounded."""


@dataclass(frozen=True, slots=True)
class ReadTable:
    """One file of a study, read as far as possible.

    Attributes
    ----------
    table : Table
        Its rules.
    frame : DataFrame
        All known columns, then the unknown ones as text; index "line".
    problems : list of Problem
    notices : list of str
    whole : bool
        Whether every row's names are known, so that other files may be checked against them.
    broken : frozenset of int
        Lines not worth a second problem.
    """

    table: Table
    frame: pd.DataFrame
    problems: list[Problem]
    notices: list[str]
    whole: bool
    broken: frozenset[int]


def read_table(root: Path, table: Table) -> ReadTable:
    """Read one file of the study at `root`.

    Parameters
    ----------
    root : Path
        The study folder.
    table : Table
        Rules of the file.

    Returns
    -------
    ReadTable
        With no rows when the file is optional and absent.

    Examples
    --------
    >>> import tempfile
    >>> from perfkit.study.schema import RATES
    >>> read_table(Path(tempfile.mkdtemp()), RATES).frame.columns.tolist()
    ['date', 'from', 'to', 'rate']
    """
    nothing = parse_table(b"", table, absent=True)
    if not table.required and not _is_there(root / table.file):
        return nothing
    try:
        data = read_inside(root, table.file, TABLE_BYTES)
    except Refused as refused:
        problem = Problem(table.file, None, "", "", refused.allowed, refused.action)
        return replace(nothing, problems=[problem], whole=False)
    return parse_table(data, table)


def _is_there(path: Path) -> bool:
    return path.exists() or path.is_symlink()


def parse_table(data: bytes, table: Table, absent: bool = False) -> ReadTable:
    r"""Read the bytes of one file.

    Parameters
    ----------
    data : bytes
        The file.
    table : Table
        Its rules.
    absent : bool
        Take no bytes for a table without rows instead of a file without a header.

    Returns
    -------
    ReadTable

    Examples
    --------
    >>> from perfkit.study.schema import WORKLOADS
    >>> read = parse_table(b"workload,weight\r\nVelm,0\r\n007,", WORKLOADS)
    >>> read.frame[["workload", "weight"]].to_dict("index")
    {2: {'workload': 'Velm', 'weight': 0.0}, 3: {'workload': '007', 'weight': 1.0}}
    """
    if absent:
        raw = RawTable(list(table.names), [], [], frozenset(), True, [])
    else:
        raw = parse_csv(data, table.file)
    problems = list(raw.problems)
    header = _check_header(raw.header, table, problems) if raw.header else {}
    columns = list(zip(*raw.rows, strict=True)) if raw.rows else [()] * len(raw.header)
    lines = np.array(raw.lines, dtype=np.int64)
    cells = CellProblems(table.file, lines, raw.broken)
    frame = {}
    for column in table.columns:
        known = column.name in header
        text = columns[header[column.name]] if known else ("",) * len(lines)
        frame[column.name] = typed(text, column, cells if known else None)
    for name, place in header.items():
        if name not in frame:
            frame[name] = pd.array(list(columns[place]), dtype="str")
    result = pd.DataFrame(frame, index=pd.Index(lines, name="line"))
    if not absent:
        _check_unique(result, table, cells)
        if table.required and raw.whole and not len(result):
            problems.append(Problem(table.file, None, "", "", "at least one row", "add a row"))
    problems = in_order(problems + cells.problems)
    whole = raw.whole and set(table.unique) <= set(header)
    return ReadTable(table, result, problems, _notices(table, header), whole, raw.broken)


def in_order(problems: Iterable[Problem]) -> list[Problem]:
    """Sort the problems of one file by line.

    Parameters
    ----------
    problems : iterable of Problem

    Returns
    -------
    list of Problem
        Those of the whole file first.

    Examples
    --------
    >>> [p.line for p in in_order(Problem("a.csv", n, "", "", "", "") for n in (3, None, 2))]
    [None, 2, 3]
    """
    return sorted(problems, key=lambda problem: problem.line or 0)


class CellProblems:
    """Collects problems of single cells, by their position in the file's columns.

    Parameters
    ----------
    file : str
        Name for the problems.
    lines : ndarray of int, shape (rows,)
        Line of each row.
    broken : frozenset of int
        Lines that are not reported again.
    """

    def __init__(self, file: str, lines: np.ndarray, broken: Iterable[int] = ()) -> None:
        self.file = file
        self.problems: list[Problem] = []
        self._lines = lines
        self._broken = frozenset(broken)

    def add(self, row: int, column: str, value: str, allowed: str, action: str) -> None:
        """Report the cell of one row."""
        line = int(self._lines[row])
        if line in self._broken:
            return
        if len(self.problems) < MOST_PROBLEMS:
            self.problems.append(Problem(self.file, line, column, value, allowed, action))
        elif len(self.problems) == MOST_PROBLEMS:
            more = f"at most {MOST_PROBLEMS:,} problems are listed of one kind of check"
            self.problems.append(Problem(self.file, None, "", "", more, "mend these first"))


def typed(text: Iterable[str], column: Column, problems: CellProblems | None) -> Cells:
    """Read one column; each distinct text is judged once.

    Parameters
    ----------
    text : iterable of str, length rows
        Cells as written.
    column : Column
        Their rule.
    problems : CellProblems or None
        Where wrong cells go; None when the file lacks the column.

    Returns
    -------
    array, length rows
        float64, int64, datetime64[s] or str, with defaults filled in.

    Examples
    --------
    >>> from perfkit.study.schema import PASSES
    >>> typed(["0.5", ""], PASSES.column("render_scale"), None).tolist()
    [0.5, 1.0]
    """
    codes, distinct = pd.factorize(np.array([*text, ""], dtype=object)[:-1])
    read = [_read_cell(cell, column) for cell in distinct]
    faults = {code: value for code, value in enumerate(read) if isinstance(value, Wrong)}
    if problems is not None and faults:
        for row in np.flatnonzero(np.isin(codes, list(faults))).tolist():
            fault = faults[codes[row]]
            problems.add(row, column.name, distinct[codes[row]], fault.allowed, fault.action)
    values: list[Any] = [None if isinstance(value, Wrong) else value for value in read]
    if column.kind == "pixels":
        return np.array([value or 0 for value in values], dtype="int64")[codes]
    if column.kind in _NUMBERS:
        return np.array([np.nan if value is None else value for value in values], float)[codes]
    if column.kind == "date":
        return np.array(values, dtype="datetime64[s]")[codes]
    return pd.array(np.array([value or "" for value in values], object)[codes], dtype="str")


def _read_cell(text: str, column: Column) -> float | datetime.date | str | Wrong | None:
    if not text:
        if column.required:
            return Wrong(f"{in_words(column)}, the cell is empty", "fill it")
        text = column.default
        if not text:
            return None
    if column.kind in _NUMBERS:
        return read_number(text, column)
    return read_date(text) if column.kind == "date" else read_text(text, column)


def _check_header(header: list[str], table: Table, problems: list[Problem]) -> dict[str, int]:
    places: dict[str, int] = {}
    for place, name in enumerate(header):
        if not name.strip():
            action = f"name column {place + 1}, or remove it with its commas"
            problems.append(Problem(table.file, 1, "", name, "a name for each column", action))
        elif name in places:
            action = "rename or remove one of them"
            problems.append(Problem(table.file, 1, name, name, "each column once", action))
        else:
            places[name] = place
    strangers = [name for name in places if name not in table.names]
    for column in table.columns:
        if column.required and column.name not in places:
            near = nearest(column.name, strangers)
            action = f"rename the column {near!r}" if near else "add the column"
            found = "" if near is None else near
            allowed = f"the column {column.name} is required"
            problems.append(Problem(table.file, 1, column.name, found, allowed, action))
    return places


def _check_unique(frame: pd.DataFrame, table: Table, problems: CellProblems) -> None:
    if not table.unique:
        return
    key = list(table.unique)
    again = frame.duplicated(key).to_numpy() & (frame[key[0]] != "").to_numpy()
    if not again.any():
        return
    cells = list(zip(*(frame[name] for name in key), strict=True))
    first: dict[tuple[str, ...], int] = {}
    for row, line in enumerate(frame.index):
        before = first.setdefault(cells[row], line)
        if again[row]:
            allowed = f"each {' + '.join(key)} once; line {before} has it already"
            problems.add(row, key[0], cells[row][0], allowed, "rename or remove one of the two")


def _notices(table: Table, header: Iterable[str]) -> list[str]:
    notices = []
    for name in header:
        if name not in table.names:
            near = nearest(name, table.names)
            hint = f"; is it {near}?" if near else ""
            notices.append(f"{table.file}: column {name!r} is kept but not used{hint}")
    return notices
