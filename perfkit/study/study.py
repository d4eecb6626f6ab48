"""A folder on disk to one frozen study, or to the list of everything wrong with it."""

import datetime
import os
from dataclasses import dataclass, fields
from pathlib import Path

import pandas as pd

from perfkit.errors import Problem, StudyError
from perfkit.study.between_files import (
    check_builds,
    check_claims,
    check_names,
    check_passes,
    check_weights,
)
from perfkit.study.folder import TABLE_BYTES, Refused, read_inside
from perfkit.study.ledger_hashes import broken_ledger, plain_forecasts
from perfkit.study.near_names import plainly
from perfkit.study.price_rules import STALE_DAYS, check_prices, check_rates
from perfkit.study.schema import TABLES
from perfkit.study.settings import FILE, LogFormat, ReadSettings, Settings, read_settings
from perfkit.study.tables import ReadTable, parse_table, read_table
from perfkit.study.value_at import default_value_at


@dataclass(frozen=True, slots=True, repr=False, eq=False)
class Study:
    """One study, read and found good.

    Every frame has all columns of its schema, then unknown ones as text; its index, named "line",
    is the line in the file. Text that is not known is "", numbers are NaN, dates NaT.

    Attributes
    ----------
    path : Path
        The folder, absolute.
    settings : Settings
    log_format : LogFormat or None
        None when no log is named.
    gpus, systems, workloads, passes, prices, rates, builds, parts, targets, claims, forecasts :
        DataFrame, one row a line of the file; no rows where the file is absent.
    notices : tuple of str
        What a person should know although the study is good.
    """

    path: Path
    settings: Settings
    log_format: LogFormat | None
    gpus: pd.DataFrame
    systems: pd.DataFrame
    workloads: pd.DataFrame
    passes: pd.DataFrame
    prices: pd.DataFrame
    rates: pd.DataFrame
    builds: pd.DataFrame
    parts: pd.DataFrame
    targets: pd.DataFrame
    claims: pd.DataFrame
    forecasts: pd.DataFrame
    notices: tuple[str, ...]

    def __repr__(self) -> str:
        """Title and the number of rows in each file that is there."""
        counts = [f"{len(getattr(self, name))} {name}" for name in TABLES]
        filled = ", ".join(text for text in counts if not text.startswith("0 "))
        return f"<Study {self.settings.title!r}: {filled}>"


@dataclass(frozen=True, slots=True)
class Inspection:
    """A study as far as it could be read, and all that is wrong with it.

    Attributes
    ----------
    path : Path
        The folder, absolute.
    study : Study or None
        None when there is any problem.
    problems : tuple of Problem
        In the order of files and lines; problems inside the logs are not among them.
    log_format : LogFormat or None
        How logs are read, where that much is known.
    passes : DataFrame
        passes.csv as far as read; lines with a problem are left out, so that their logs need not
        be opened.
    notices : tuple of str
        What a person should know besides.
    """

    path: Path
    study: Study | None
    problems: tuple[Problem, ...]
    log_format: LogFormat | None
    passes: pd.DataFrame
    notices: tuple[str, ...]


def load_study(path: str | os.PathLike[str]) -> Study:
    """Read a study.

    Parameters
    ----------
    path : path-like
        Folder that holds ``study.toml`` and its tables.

    Returns
    -------
    Study

    Raises
    ------
    StudyError
        When anything is wrong; all problems of all files are in it.

    Examples
    --------
    >>> load_study("no-such-folder")
    Traceback (most recent call last):
    perfkit.errors.StudyError: 1 problem in this study
      no-such-folder: the folder of a study; there is none, make one with: perfkit new FOLDER
    """
    inspection = inspect_study(path)
    if inspection.study is None:
        raise StudyError(inspection.problems)
    return inspection.study


def inspect_study(path: str | os.PathLike[str]) -> Inspection:
    """Read a study as far as possible; nothing in it makes this raise.

    Parameters
    ----------
    path : path-like
        Folder of the study.

    Returns
    -------
    Inspection

    Examples
    --------
    >>> inspect_study("no-such-folder").problems[0].action
    'there is none, make one with: perfkit new FOLDER'
    """
    root = Path(os.path.abspath(path))
    nothing = parse_table(b"", TABLES["passes"]).frame
    if not os.path.isdir(root):
        problem = Problem(
            os.fspath(path),
            None,
            "",
            "",
            "the folder of a study",
            "there is none, make one with: perfkit new FOLDER",
        )
        return Inspection(root, None, (problem,), None, nothing, ())
    settings = read_settings(root)
    tables = {name: read_table(root, table) for name, table in TABLES.items()}
    _fill_currency(tables["prices"].frame, settings.keys["currency"])
    problems = _all_problems(root, settings, tables)
    log_format = _log_format(settings, problems)
    passes = tables["passes"].frame
    notices = _all_notices(settings, tables)
    if not problems:
        study = _build(root, settings, tables, log_format, notices)
        return Inspection(root, study, (), log_format, passes, notices)
    bad = {problem.line for problem in problems if problem.file == TABLES["passes"].file}
    sound = passes[~passes.index.isin(bad)]
    return Inspection(root, None, tuple(problems), log_format, sound, notices)


def _all_problems(
    root: Path, settings: ReadSettings, tables: dict[str, ReadTable]
) -> list[Problem]:
    values = settings.keys
    problems = [*settings.problems]
    for read in tables.values():
        problems += read.problems
    problems += check_names(tables)
    problems += check_passes(root, tables["passes"], settings.logs, settings.no_logs)
    problems += check_weights(tables["workloads"])
    problems += check_builds(tables["builds"], tables["prices"], tables["parts"])
    problems += check_claims(tables)
    problems += check_rates(tables["rates"])
    problems += _check_ledger(root, tables["forecasts"])
    if values["currency"] and values["price_date"]:
        problems += check_prices(
            tables["prices"], tables["rates"], values["currency"], values["price_date"]
        )
    files = [FILE, *(table.file for table in TABLES.values())]
    order = {file: place for place, file in enumerate(files)}
    return sorted(problems, key=lambda problem: (order[problem.file], problem.line or 0))


def _check_ledger(root: Path, read: ReadTable) -> list[Problem]:
    if not len(read.frame):
        return []
    try:
        return broken_ledger(read_inside(root, read.table.file, TABLE_BYTES))
    except Refused as refused:
        return [Problem(read.table.file, None, "", "", refused.allowed, refused.action)]


def _fill_currency(prices: pd.DataFrame, currency: str | None) -> None:
    prices["currency"] = prices["currency"].where(prices["currency"] != "", currency or "")


def _log_format(settings: ReadSettings, problems: list[Problem]) -> LogFormat | None:
    logs = settings.logs
    if logs is None or logs["frame_time_column"] is None or logs["frame_time_unit"] is None:
        return None
    return LogFormat(
        logs["frame_time_column"],
        logs["frame_time_unit"],
        logs["counts"] or "drawn",
        None
        if any(problem.column == "logs.combined" for problem in problems)
        else logs["combined"],
    )


def _build(
    root: Path,
    read: ReadSettings,
    tables: dict[str, ReadTable],
    log_format: LogFormat | None,
    notices: tuple[str, ...],
) -> Study:
    frames = {name: table.frame for name, table in tables.items()}
    frames["forecasts"] = plain_forecasts(frames["forecasts"])
    values = dict(read.keys)
    if values["value_at"] is None:
        values["value_at"] = default_value_at(frames["passes"], frames["builds"])
    settings = Settings(**{field.name: values[field.name] for field in fields(Settings)})
    return Study(root, settings, log_format, **frames, notices=notices)


def _all_notices(settings: ReadSettings, tables: dict[str, ReadTable]) -> tuple[str, ...]:
    notices = [*settings.notices]
    for table in tables.values():
        notices += table.notices
    return (*notices, *_look_alikes(tables))


def _look_alikes(tables: dict[str, ReadTable]) -> list[str]:
    notices = []
    for read in tables.values():
        if not read.table.unique:
            continue
        names = pd.Series(read.frame[read.table.unique[0]].unique(), dtype="object")
        plain = names.map(plainly)
        for _, alike in names[plain.duplicated(keep=False)].groupby(plain, sort=False):
            shown = ", ".join(repr(name) for name in alike.head(3))
            notices.append(
                f"{read.table.file}: {shown} differ only by case, spaces or hyphens "
                "and are kept apart"
            )
    return notices


def stale_notice(study: Study, today: datetime.date) -> str | None:
    """Whether the study's price date lies far behind, or ahead of, the day it is read.

    Parameters
    ----------
    study : Study
    today : datetime.date
        The caller's date; `load_study` itself never looks at the clock.

    Returns
    -------
    str or None
        A sentence for the terminal, or None within 30 days.

    Examples
    --------
    >>> from perfkit.study.demo import find_demo
    >>> study = load_study(find_demo())
    >>> stale_notice(study, study.settings.price_date) is None
    True
    """
    days = (today - study.settings.price_date).days
    if days < 0:
        return f"price_date {study.settings.price_date} is still to come"
    if days <= STALE_DAYS:
        return None
    return (
        f"price_date {study.settings.price_date} is {days} days ago: "
        "prices may have moved; add today's to prices.csv and set price_date"
    )
