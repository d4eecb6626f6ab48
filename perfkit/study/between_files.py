"""Rules between files: names that must exist, frame times that must be there, things that match."""

import os
import posixpath
import stat
from collections.abc import Collection, Hashable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from perfkit.errors import Problem
from perfkit.study.cells import read_number
from perfkit.study.folder import NOT_THERE, Refused, check_name, find_inside
from perfkit.study.near_names import nearest
from perfkit.study.schema import Column
from perfkit.study.settings import FILE, LOG_KEYS
from perfkit.study.tables import CellProblems, ReadTable

_MOST_NEAR = 20
_ANY_NUMBER = Column("", "", "number", low=-1e12, high=1e12)


def cells_of(read: ReadTable, *columns: str) -> CellProblems:
    r"""Say where problems of single cells of `read` go.

    Parameters
    ----------
    read : ReadTable
    *columns : str
        What the check looks at.

    Returns
    -------
    CellProblems
        Without lines that are broken, or have a problem in one of `columns` already.

    Examples
    --------
    >>> from perfkit.study.schema import GPUS
    >>> from perfkit.study.tables import parse_table
    >>> found = cells_of(parse_table(b"gpu\nEmber\n", GPUS))
    >>> found.add(0, "gpu", "Ember", "another name", "rename it")
    >>> found.problems[0].line
    2
    """
    wrong = {problem.line for problem in read.problems if problem.column in columns}
    broken = read.broken | {line for line in wrong if line is not None}
    return CellProblems(read.table.file, read.frame.index.to_numpy(), broken)


def check_names(tables: Mapping[str, ReadTable]) -> list[Problem]:
    r"""Every name that another file must hold.

    Parameters
    ----------
    tables : mapping of str to ReadTable
        All tables of the study by name.

    Returns
    -------
    list of Problem
        A file that could not be read whole is not held against the others.

    Examples
    --------
    >>> from perfkit.study.schema import GPUS, TARGETS
    >>> from perfkit.study.tables import parse_table
    >>> check_names({"targets": parse_table(b"gpu\nEmber\n", TARGETS), **{
    ...     name: parse_table(b"gpu,system,workload\nAmber,s,w\n", GPUS)
    ...     for name in ("gpus", "systems", "workloads")}})[0].action
    "is it 'Amber'? Mend it"
    """
    problems: list[Problem] = []
    for read in tables.values():
        found = cells_of(read)
        for column in read.table.columns:
            homes = [tables[table] for table, _ in column.refers]
            if homes and all(home.whole for home in homes):
                known = set[str]()
                for table, name in column.refers:
                    known.update(tables[table].frame[name])
                files = " or ".join(home.table.file for home in homes)
                check_known(read.frame[column.name], known, files, found)
        problems += found.problems
    return problems


def check_known(
    names: pd.Series, known: Collection[str], files: str, problems: CellProblems
) -> None:
    r"""Report each name that is neither empty nor in `known`.

    Parameters
    ----------
    names : Series of str
        A column, by line.
    known : collection of str
        Names that exist.
    files : str
        Where they stand, for the message.
    problems : CellProblems
        Where problems go.

    Examples
    --------
    >>> found = CellProblems("builds.csv", np.array([2, 3]))
    >>> check_known(pd.Series(["Case", "Cast"], name="item"), {"Case"}, "prices.csv", found)
    >>> [(problem.line, problem.value) for problem in found.problems]
    [(3, 'Cast')]
    """
    stranger = (~names.isin({*known, ""})).to_numpy()
    if not stranger.any():
        return
    ordered = sorted(known)
    advice: dict[str, str] = {}
    for name in names[stranger].unique():
        near = nearest(name, ordered) if len(advice) < _MOST_NEAR else None
        advice[name] = f"is it {near!r}? Mend it" if near else f"add it to {files}, or mend it"
    written = names.tolist()
    for row in np.flatnonzero(stranger).tolist():
        name = written[row]
        problems.add(row, str(names.name), name, f"a name from {files}", advice[name])


def check_passes(
    root: Path, read: ReadTable, logs: Mapping[str, Any] | None, no_logs: bool
) -> list[Problem]:
    r"""Whether each pass that counts has its frame times, and each named log can be opened.

    Parameters
    ----------
    root : Path
        The study folder.
    read : ReadTable
        passes.csv.
    logs : mapping or None
        Keys of the logs section of study.toml.
    no_logs : bool
        Whether it is certain that there is no such section.

    Returns
    -------
    list of Problem

    Examples
    --------
    >>> from perfkit.study.schema import PASSES
    >>> from perfkit.study.tables import parse_table
    >>> read = parse_table(b"pass_id,log\na,a.csv\n", PASSES)
    >>> [problem.column for problem in check_passes(Path("."), read, None, no_logs=True)]
    ['logs', 'log']
    """
    frame = read.frame
    found = cells_of(read, "log", "avg_fps", "outcome", "void_reason")
    problems = _check_format(frame, logs, no_logs)
    combined = bool(logs and logs["combined"])
    if combined and logs is not None:
        problems += _check_combined(root, logs["combined"])
    ran = (frame["outcome"] == "ran") & (frame["void_reason"] == "")
    bare = ran & (frame["log"] == "") & frame["avg_fps"].isna()
    if not combined:
        for row in np.flatnonzero(bare).tolist():
            action = "name its log or fill avg_fps; set outcome or void_reason if it does not count"
            found.add(row, "log", "", "frame times or an average for each pass that ran", action)
    _check_logs(root, frame["log"], found)
    return problems + found.problems


def _check_format(
    frame: pd.DataFrame, logs: Mapping[str, Any] | None, no_logs: bool
) -> list[Problem]:
    if no_logs:
        if (frame["log"] == "").all():
            return []
        allowed = "a [logs] section, since passes.csv names logs"
        wanted = ", ".join(name for name, key in LOG_KEYS.items() if key.required)
        return [Problem(FILE, None, "logs", "", allowed, f"add [logs] with {wanted}")]
    if logs is not None and logs["counts"] is None and (frame["generated_per_drawn"] > 0).any():
        rule = LOG_KEYS["counts"].allowed
        action = "passes.csv has generated frames: say what one row of a log is"
        return [Problem(FILE, None, "logs.counts", "", rule, action)]
    return []


def _check_combined(root: Path, name: str) -> list[Problem]:
    try:
        find_inside(root, name)
    except Refused as refused:
        return [Problem(FILE, None, "logs.combined", name, refused.allowed, refused.action)]
    return []


def _check_logs(root: Path, names: pd.Series, problems: CellProblems) -> None:
    folders: dict[str, Path | None] = {}
    first: dict[str, Hashable] = {}
    for row, (here, name) in enumerate(names.items()):
        if not name:
            continue
        line = first.setdefault(posixpath.normpath(name), here)
        if line != here:
            allowed = f"each log once; line {line} names it already"
            problems.add(row, "log", name, allowed, "name this pass's own log")
            continue
        try:
            if not _plainly_inside(root, name, folders):
                find_inside(root, name)
        except Refused as refused:
            problems.add(row, "log", name, refused.allowed, refused.action)


def _plainly_inside(root: Path, name: str, folders: dict[str, Path | None]) -> bool:
    """Quick answer for a file in a folder already known to lie inside."""
    check_name(name)
    parent, _, last = name.rpartition("/")
    if parent not in folders:
        real = Path(os.path.realpath(root / parent))
        folders[parent] = real if real.is_relative_to(os.path.realpath(root)) else None
    folder = folders[parent]
    if folder is None:
        return False
    try:
        return stat.S_ISREG(os.lstat(folder / last).st_mode)
    except FileNotFoundError:
        raise Refused(*NOT_THERE) from None
    except (OSError, ValueError):
        return False


def check_weights(read: ReadTable) -> list[Problem]:
    r"""Whether some workload counts at all.

    Parameters
    ----------
    read : ReadTable
        workloads.csv.

    Returns
    -------
    list of Problem

    Examples
    --------
    >>> from perfkit.study.schema import WORKLOADS
    >>> from perfkit.study.tables import parse_table
    >>> check_weights(parse_table(b"workload,weight\nVelm,0\n", WORKLOADS))[0].column
    'weight'
    """
    weight = read.frame["weight"]
    if not len(weight) or (weight != 0).any():
        return []
    allowed = "a weight above 0 for at least one workload"
    return [Problem(read.table.file, None, "weight", "0", allowed, "raise one of them")]


def check_builds(builds: ReadTable, prices: ReadTable, parts: ReadTable) -> list[Problem]:
    r"""Whether each build is one machine made of things that have prices.

    Parameters
    ----------
    builds, prices, parts : ReadTable

    Returns
    -------
    list of Problem

    Examples
    --------
    >>> from perfkit.study.schema import BUILDS, PARTS, PRICES
    >>> from perfkit.study.tables import parse_table
    >>> nothing = [parse_table(b"", table, absent=True) for table in (PRICES, PARTS)]
    >>> check_builds(parse_table(b"build,item\nOne,Case\n", BUILDS), *nothing)[0].file
    'prices.csv'
    """
    frame = builds.frame
    if not len(frame):
        return []
    found = cells_of(builds)
    if prices.whole and not len(prices.frame):
        allowed = "prices of the items in builds.csv"
        action = "add a price for each item, or remove the rows of builds.csv"
        return [Problem(prices.table.file, None, "", "", allowed, action)]
    if prices.whole and parts.whole:
        known = {*prices.frame["item"], *parts.frame["item"]}
        bought = frame["obtained"].isin(["", "bought"])
        check_known(frame["item"].where(bought, ""), known, "prices.csv", found)
    for column in ("system", "gpu"):
        filled = frame.loc[frame[column] != ""]
        first = filled.groupby("build")[column].transform("first")
        other = (filled[column] != first).reindex(frame.index, fill_value=False)
        for row in np.flatnonzero(other).tolist():
            above = first[frame.index[row]]
            allowed = f"one {column} for a build; this one has {above!r} above"
            action = f"write the same {column}, or leave the cell empty"
            found.add(row, column, frame[column].iloc[row], allowed, action)
    return found.problems


def check_claims(tables: Mapping[str, ReadTable]) -> list[Problem]:
    r"""Whether each claim names things of the study.

    Parameters
    ----------
    tables : mapping of str to ReadTable
        All tables of the study by name.

    Returns
    -------
    list of Problem

    Examples
    --------
    >>> from perfkit.study.schema import TABLES
    >>> from perfkit.study.tables import parse_table
    >>> tables = {name: parse_table(b"", TABLES[name], absent=True) for name in TABLES}
    >>> text = b"claim,left,measure,relation\nIt is fast,Ember,average,above\n"
    >>> check_claims(tables | {"claims": parse_table(text, TABLES["claims"])})[0].value
    'Ember'
    """
    homes = {"builds": "build", "gpus": "gpu", "prices": "item"}
    if not all(tables[name].whole for name in homes):
        return []
    found = cells_of(tables["claims"])
    frame = tables["claims"].frame
    known = {*tables["builds"].frame["build"], *tables["gpus"].frame["gpu"]}
    items = set(tables["prices"].frame["item"])
    for measure, some in frame.groupby("measure", sort=False):
        names = known | items if measure == "price" else known
        files = "builds.csv or gpus.csv" + (" or prices.csv" if measure == "price" else "")
        check_known(_in_place(frame["left"], some.index), names, files, found)
        right = some["right"].map(lambda text: "" if _is_number(text) else text)
        check_known(_in_place(frame["right"], right.index, right), names, files, found)
    return found.problems


def _in_place(column: pd.Series, lines: pd.Index, values: pd.Series | None = None) -> pd.Series:
    """`column` with every other line empty."""
    kept = column.where(column.index.isin(lines), "")
    if values is not None:
        kept = kept.mask(kept.index.isin(lines), values.reindex(kept.index))
    return kept


def _is_number(text: str) -> bool:
    return isinstance(read_number(text, _ANY_NUMBER), float)
