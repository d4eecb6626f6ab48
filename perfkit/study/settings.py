"""study.toml: what is read, what is refused, and on which line."""

import datetime
import math
import re
import reprlib
import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from perfkit.errors import Problem
from perfkit.study.cells import is_currency
from perfkit.study.folder import SETTINGS_BYTES, Refused, check_name, read_inside
from perfkit.study.near_names import nearest

FILE = "study.toml"
UNITS = ("s", "ms", "us", "ns")
COUNTS = ("drawn", "shown")
MOST_TARGETS = 20
# The parser's time grows with the square of the number of parts in a key.
_DEEP_KEY = re.compile(
    r"""(?<![\w-])(?:(?:[\w-]+|"[^"\n]*"|'[^'\n]*')[ \t]*\.[ \t]*){32}""", re.ASCII
)


@dataclass(frozen=True, slots=True)
class Settings:
    """What a study says about itself.

    Attributes
    ----------
    title : str
    currency : str
        ISO 4217 code of every published price.
    price_date : datetime.date
        Prices after this day do not count.
    targets_fps : tuple of float
        Averages for which shares are told, in FPS.
    value_at : tuple of (int, int)
        Width and height in pixels at which builds are compared.
    budget : float or None
        For the whole build, in `currency`.
    tariff_per_kwh : float or None
        Price of energy, in `currency`.
    hours_per_week : float or None
        Hours played.
    disclosure : str
        Printed under every figure and table.
    """

    title: str
    currency: str
    price_date: datetime.date
    targets_fps: tuple[float, ...]
    value_at: tuple[int, int]
    budget: float | None
    tariff_per_kwh: float | None
    hours_per_week: float | None
    disclosure: str


@dataclass(frozen=True, slots=True)
class LogFormat:
    """How the logs of a study are read.

    Attributes
    ----------
    frame_time_column : str
    frame_time_unit : str
        s, ms, us or ns.
    counts : str
        What one row is: a drawn or a shown frame.
    combined : str or None
        Path of one file for all passes, with a pass_id column.
    """

    frame_time_column: str
    frame_time_unit: str
    counts: str
    combined: str | None


@dataclass(frozen=True, slots=True)
class Key:
    """The rule for one key: how its value is read, what is allowed, and what it counts as."""

    read: Callable[[Any], Any]
    allowed: str
    required: bool = False
    default: Any = None
    meaning: str = ""


class _Unfit(Exception):
    pass


def _fits(value: Any, fine: bool) -> Any:
    if not fine:
        raise _Unfit
    return value


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _text(value: Any) -> str:
    return str(_fits(value, isinstance(value, str) and len(value) <= 10_000))


def _day(value: Any) -> datetime.date:
    is_day = isinstance(value, datetime.date) and not isinstance(value, datetime.datetime)
    day: datetime.date = _fits(value, is_day)
    _fits(day, 1970 <= day.year <= 2200)
    return day


def _amount(value: Any, above: float, most: float) -> float:
    return float(_fits(value, _is_number(value) and above < value <= most))


def _from_zero(value: Any, most: float) -> float:
    return float(_fits(value, _is_number(value) and 0 <= value <= most))


def _targets(value: Any) -> tuple[float, ...]:
    _fits(value, isinstance(value, list) and 1 <= len(value) <= MOST_TARGETS)
    targets = tuple(_amount(item, 0, 100_000) for item in value)
    return tuple(sorted(_fits(targets, len(set(targets)) == len(targets))))


def _size(value: Any) -> tuple[int, int]:
    _fits(value, isinstance(value, list) and len(value) == 2)
    for pixels in value:
        _fits(pixels, type(pixels) is int and 1 <= pixels <= 65_536)
    return value[0], value[1]


def _path(value: Any) -> str:
    check_name(_text(value))
    return str(value)


KEYS = {
    "title": Key(_text, "a text", default="Untitled study", meaning="title of the report"),
    "currency": Key(
        lambda value: _fits(value, isinstance(value, str) and is_currency(value)),
        'a currency as three capitals, currency = "USD"',
        required=True,
        meaning="currency of every published price",
    ),
    "price_date": Key(
        _day,
        "a day without quotes, price_date = 2026-11-01",
        required=True,
        meaning="each item's latest price on or before this day counts",
    ),
    "targets_fps": Key(
        _targets,
        f"1 to {MOST_TARGETS} different numbers above 0, targets_fps = [30, 60, 120]",
        default=(30.0, 60.0, 120.0),
        meaning="averages for which shares are told",
    ),
    "value_at": Key(
        _size,
        "width and height in whole pixels, value_at = [1920, 1080]",
        meaning="the size at which builds are compared",
    ),
    "budget": Key(
        lambda value: _amount(value, 0, 1e12),
        "a number above 0, budget = 600",
        meaning="for the whole build",
    ),
    "tariff_per_kwh": Key(
        lambda value: _from_zero(value, 1e9),
        "a number from 0, tariff_per_kwh = 0.17",
        meaning="price of energy",
    ),
    "hours_per_week": Key(
        lambda value: _from_zero(value, 168),
        "a number from 0 to 168, hours_per_week = 10",
        meaning="hours played",
    ),
    "disclosure": Key(_text, "a text", default="", meaning="printed under every figure and table"),
}

LOG_KEYS = {
    "frame_time_column": Key(
        lambda value: _fits(_text(value), value != ""),
        'the name of a column of the logs, frame_time_column = "frame_ms"',
        required=True,
        meaning="column of the logs that holds the frame times",
    ),
    "frame_time_unit": Key(
        lambda value: _fits(value, value in UNITS),
        f"one of {', '.join(UNITS)} in quotes",
        required=True,
        meaning="s, ms, us or ns",
    ),
    "counts": Key(
        lambda value: _fits(value, value in COUNTS),
        f"one of {', '.join(COUNTS)} in quotes",
        meaning="what one row of a log is, a drawn or a shown frame",
    ),
    "combined": Key(
        _path,
        "the path of one file inside the study",
        meaning="one file with a pass_id column for all passes",
    ),
}


@dataclass(frozen=True, slots=True)
class ReadSettings:
    """study.toml, read as far as possible.

    Attributes
    ----------
    keys : dict
        Every key of the study, None where it is not known.
    logs : dict or None
        Every key of the logs section; None when there is none that can be read.
    no_logs : bool
        Whether it is certain that there is no such section.
    problems : list of Problem
    notices : list of str
    """

    keys: dict[str, Any]
    logs: dict[str, Any] | None
    no_logs: bool
    problems: list[Problem]
    notices: list[str]


def read_settings(root: Path) -> ReadSettings:
    r"""Read ``study.toml`` of the study at `root`.

    Parameters
    ----------
    root : Path
        The study folder.

    Returns
    -------
    ReadSettings

    Examples
    --------
    >>> import tempfile
    >>> folder = Path(tempfile.mkdtemp())
    >>> _ = (folder / "study.toml").write_text('currency = "usd"\nprice_date = 2026-11-01')
    >>> print(read_settings(folder).problems[0].line)
    1
    """
    problems: list[Problem] = []
    notices: list[str] = []
    text, raw = _load(root, problems)
    if raw is None:
        return ReadSettings(dict.fromkeys(KEYS), None, False, problems, notices)
    no_logs = "logs" not in raw
    logs = raw.pop("logs", None)
    values = _read_keys(raw, KEYS, "", text, problems, notices)
    if logs is not None and not isinstance(logs, dict):
        line = _line_of(text, "", "logs")
        action = "write [logs] on a line of its own, its keys below"
        problems.append(Problem(FILE, line, "logs", _shortly(logs), "a section", action))
        logs = None
    read_logs = (
        None if logs is None else _read_keys(logs, LOG_KEYS, "logs", text, problems, notices)
    )
    return ReadSettings(values, read_logs, no_logs, problems, notices)


def _load(root: Path, problems: list[Problem]) -> tuple[str, dict[str, Any] | None]:
    try:
        data = read_inside(root, FILE, SETTINGS_BYTES)
    except Refused as refused:
        problems.append(Problem(FILE, None, "", "", refused.allowed, refused.action))
        return "", None
    try:
        text = data.removeprefix(b"\xef\xbb\xbf").decode()
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        problems.append(Problem(FILE, line, "", "", "UTF-8 text", "save the file as UTF-8"))
        return "", None
    if deep := _DEEP_KEY.search(text):
        line = text.count("\n", 0, deep.start()) + 1
        problems.append(Problem(FILE, line, "", "", "keys of a few parts", "shorten the key"))
        return text, None
    try:
        return text, tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        message = str(error) if isinstance(error, ValueError) else "nested too deeply"
        found = re.search(r"line (\d+)", message)
        line_no = (
            int(found[1]) if found else (text.count("\n") + 1 if "end of" in message else None)
        )
        problems.append(
            Problem(FILE, line_no, "", "", f"TOML ({message})", "mend the line; texts need quotes")
        )
        return text, None


def _read_keys(
    raw: dict[str, Any],
    rules: dict[str, Key],
    section: str,
    text: str,
    problems: list[Problem],
    notices: list[str],
) -> dict[str, Any]:
    values = {}
    shown = f"{section}." if section else ""
    for name, rule in rules.items():
        values[name] = rule.default
        line = _line_of(text, section, name)
        if name not in raw:
            if rule.required:
                line = _line_of(text, "", section) if section else None
                problems.append(Problem(FILE, line, shown + name, "", rule.allowed, "add the key"))
            continue
        try:
            values[name] = rule.read(raw[name])
        except _Unfit:
            found = _shortly(raw[name])
            problems.append(
                Problem(FILE, line, shown + name, found, rule.allowed, "mend the value")
            )
        except Refused as refused:
            found = _shortly(raw[name])
            problems.append(
                Problem(FILE, line, shown + name, found, refused.allowed, refused.action)
            )
    for name in raw:
        if name not in rules:
            near = nearest(name, rules)
            hint = f"; is it {near}?" if near else ""
            notices.append(f"{FILE}: key {shown + name!r} is not known and not used{hint}")
    return values


def _shortly(value: object) -> str:
    """Show what stands there, a nested value only down to a few levels."""
    return value[:200] if isinstance(value, str) else reprlib.repr(value)


def _line_of(text: str, section: str, name: str) -> int | None:
    """Line on which a key or a section is written; None where it is not written plainly."""
    inside = ""
    for number, line in enumerate(text.splitlines(), 1):
        head = re.match(r"\s*\[\s*([\w.-]+)\s*\]", line)
        if head:
            inside = head[1]
            if not section and inside == name:
                return number
        elif inside == section and re.match(rf'\s*"?{re.escape(name)}"?\s*=', line):
            return number
    return None
