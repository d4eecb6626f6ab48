"""One cell of text at a time: what it means, or what is wrong with it."""

import datetime
import re
from dataclasses import dataclass

from perfkit.study.folder import Refused, check_name
from perfkit.study.schema import Column, in_words

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_NOT_FINITE = re.compile(r"[+-]?(nan|inf|infinity)|n/?a|none|null|-+|#.*", re.IGNORECASE)
_DATE = re.compile(r"\d{4}-\d\d-\d\d", re.ASCII)
_SERIAL = re.compile(r"\d{5}(\.\d+)?", re.ASCII)
_FIRST_DAY, _LAST_DAY = datetime.date(1970, 1, 1), datetime.date(2200, 12, 31)


@dataclass(frozen=True, slots=True)
class Wrong:
    """What is wrong with a cell.

    Attributes
    ----------
    allowed : str
        What may stand there.
    action : str
        What to do.
    """

    allowed: str
    action: str


def read_number(text: str, column: Column) -> float | Wrong:
    """Read a number, exactly as written, within the column's bounds.

    Parameters
    ----------
    text : str
        A cell that is not empty.
    column : Column
        Its rule.

    Returns
    -------
    float or Wrong

    Examples
    --------
    >>> from perfkit.study.schema import PASSES
    >>> read_number("59.94", PASSES.column("cap_fps"))
    59.94
    >>> read_number("59,94", PASSES.column("cap_fps")).action
    'write a decimal point and no thousands sign'
    """
    if not _NUMBER.fullmatch(text):
        return Wrong(in_words(column), _number_advice(text))
    value = float(text)
    if column.low < value <= column.high or (value == column.low and not column.above):
        if column.kind == "number" or value.is_integer():
            return value
        return Wrong(in_words(column), "write a whole number")
    return Wrong(in_words(column), "mend the number, or check its unit")


def _number_advice(text: str) -> str:
    if _NUMBER.fullmatch(text.strip()):
        return "remove the space around the number"
    if _NOT_FINITE.fullmatch(text.strip()):
        return "leave the cell empty if it is not known"
    if re.fullmatch(r"[+-]?[\d.,'_\s]+", text):
        return "write a decimal point and no thousands sign"
    if re.search(r"\d", text):
        return "write the number alone, its unit is in the column's name"
    return "write a number"


def read_date(text: str) -> datetime.date | Wrong:
    """Read a day.

    Parameters
    ----------
    text : str
        A cell that is not empty.

    Returns
    -------
    datetime.date or Wrong

    Examples
    --------
    >>> read_date("2026-11-01")
    datetime.date(2026, 11, 1)
    >>> read_date("45962").action
    "this is a spreadsheet's day number: format the column as text and write the day"
    """
    allowed = f"a day as 2026-11-01, from {_FIRST_DAY} to {_LAST_DAY}"
    if _SERIAL.fullmatch(text):
        return Wrong(
            allowed,
            "this is a spreadsheet's day number: format the column as text and write the day",
        )
    if not _DATE.fullmatch(text):
        return Wrong(allowed, "write year, month and day with hyphens")
    try:
        day = datetime.date.fromisoformat(text)
    except ValueError:
        return Wrong(allowed, "there is no such day, mend it")
    return day if _FIRST_DAY <= day <= _LAST_DAY else Wrong(allowed, "mend the year")


def read_text(text: str, column: Column) -> str | Wrong:
    """Read a name, a choice, a currency or a path: the text itself, or what is wrong with it.

    Parameters
    ----------
    text : str
        A cell that is not empty.
    column : Column
        Its rule.

    Returns
    -------
    str or Wrong

    Examples
    --------
    >>> from perfkit.study.schema import GPUS
    >>> read_text("Discrete", GPUS.column("kind")).action
    'write discrete'
    """
    if column.kind == "choice" and text not in column.allowed:
        near = text.strip().lower().replace(" ", "_")
        known = near in column.allowed
        return Wrong(in_words(column), f"write {near}" if known else "write one of them")
    if column.kind == "currency" and not is_currency(text):
        return Wrong(in_words(column), "write the currency's three-letter code")
    if column.kind == "path":
        try:
            check_name(text)
        except Refused as refused:
            return Wrong(refused.allowed, refused.action)
    return text


def is_currency(text: str) -> bool:
    """Whether `text` has the form of an ISO 4217 code.

    Parameters
    ----------
    text : str

    Returns
    -------
    bool

    Examples
    --------
    >>> is_currency("USD"), is_currency("usd")
    (True, False)
    """
    return re.fullmatch(r"[A-Z]{3}", text) is not None
