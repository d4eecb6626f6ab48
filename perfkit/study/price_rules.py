"""Rules of prices and rates: one price a key, one tax basis, a dated rate for every currency."""

import datetime
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from perfkit.errors import Problem
from perfkit.study.between_files import cells_of
from perfkit.study.tables import CellProblems, ReadTable

PRICE_KEY = ["item", "date", "condition", "listing", "bundle"]
PRICE_VALUES = ["price", "currency", "tax_pct", "tax_included"]
RATE_KEY = ["date", "from", "to"]

STALE_DAYS = 30
"""A price, a rate or a price date older than this is flagged (common practice, no source)."""

TaxBasis = Literal["included", "excluded", "not known"]


def check_prices(
    prices: ReadTable, rates: ReadTable, currency: str, price_date: datetime.date
) -> list[Problem]:
    r"""Conflicting prices, mixed tax bases, and currencies that cannot be converted.

    Parameters
    ----------
    prices, rates : ReadTable
    currency : str
        The study's.
    price_date : datetime.date
        The study's.

    Returns
    -------
    list of Problem

    Examples
    --------
    >>> from perfkit.study.schema import PRICES, RATES
    >>> from perfkit.study.tables import parse_table
    >>> text = b"item,date,price,currency\nCase,2026-10-01,50,EUR\n"
    >>> rates = parse_table(b"", RATES, absent=True)
    >>> day = datetime.date(2026, 11, 1)
    >>> check_prices(parse_table(text, PRICES), rates, "USD", day)[0].action
    'add 1 EUR = rate USD to rates.csv'
    """
    found = cells_of(prices, *PRICE_KEY, *PRICE_VALUES)
    frame = prices.frame
    written = frame["price"].tolist()
    for row, line in _conflicts(frame, PRICE_KEY, PRICE_VALUES):
        allowed = f"one price for {', '.join(PRICE_KEY)}; line {line} has another"
        found.add(row, "price", _plain(written[row]), allowed, "keep the right one")
    known = frame["tax_included"] != ""
    if known.any():
        for row in np.flatnonzero(~known).tolist():
            allowed = "yes or no in every row, since other rows have it"
            found.add(row, "tax_included", "", allowed, "fill it, or empty the column")
    if tax_basis(frame) == "included":
        unknown = (frame["tax_included"] == "no") & frame["tax_pct"].isna()
        for row in np.flatnonzero(unknown).tolist():
            allowed = "a percentage where the price is without tax, since others are with tax"
            found.add(row, "tax_pct", "", allowed, "fill it")
    if rates.whole:
        _check_currencies(frame, rates.frame, currency, price_date, found)
    return found.problems


def _check_currencies(
    frame: pd.DataFrame,
    rates: pd.DataFrame,
    currency: str,
    price_date: datetime.date,
    found: CellProblems,
) -> None:
    counts = frame["date"] <= pd.Timestamp(price_date)
    for code in frame.loc[counts, "currency"].unique():
        if code and find_rate(rates, code, currency, price_date) is None:
            for row in np.flatnonzero((frame["currency"] == code) & counts).tolist():
                allowed = f"{currency}, or a currency with a rate on or before {price_date}"
                action = f"add 1 {code} = rate {currency} to rates.csv"
                found.add(row, "currency", code, allowed, action)


def check_rates(rates: ReadTable) -> list[Problem]:
    r"""Conflicting rates, and rates from a currency to itself.

    Parameters
    ----------
    rates : ReadTable

    Returns
    -------
    list of Problem

    Examples
    --------
    >>> from perfkit.study.schema import RATES
    >>> from perfkit.study.tables import parse_table
    >>> text = b"date,from,to,rate\n2026-10-01,EUR,EUR,1\n"
    >>> check_rates(parse_table(text, RATES))[0].allowed
    'another currency than from'
    """
    found = cells_of(rates, *RATE_KEY, "rate")
    frame = rates.frame
    written = frame["rate"].tolist()
    for row, line in _conflicts(frame, RATE_KEY, ["rate"]):
        allowed = f"one rate for a day and a pair; line {line} has another"
        found.add(row, "rate", _plain(written[row]), allowed, "keep the right one")
    same = (frame["from"] == frame["to"]) & (frame["from"] != "")
    for row in np.flatnonzero(same).tolist():
        found.add(row, "to", frame["to"].iloc[row], "another currency than from", "mend one")
    return found.problems


def _plain(number: float) -> str:
    return "" if np.isnan(number) else f"{number:.15g}"


def _conflicts(frame: pd.DataFrame, key: list[str], values: list[str]) -> list[tuple[int, int]]:
    """Rows, each with the earlier line that has the same key but other values."""
    rows = np.arange(len(frame))
    group = frame.groupby(key, dropna=False).ngroup().to_numpy()
    first = pd.Series(rows).groupby(group).transform("min").to_numpy()
    told = frame[values].reset_index(drop=True)
    before = told.iloc[first].reset_index(drop=True)
    other = ~((told == before) | (told.isna() & before.isna())).all(axis=1)
    lines = frame.index.to_numpy()
    return [(row, int(lines[first[row]])) for row in rows[other].tolist()]


def tax_basis(prices: pd.DataFrame) -> TaxBasis:
    """Basis in which all prices of a study are told.

    Parameters
    ----------
    prices : DataFrame
        Rows of prices.csv.

    Returns
    -------
    {"included", "excluded", "not known"}
        With tax as soon as one price holds it: that is what a viewer pays.

    Examples
    --------
    >>> tax_basis(pd.DataFrame({"tax_included": ["yes", "no"]}))
    'included'
    """
    seen = set(prices["tax_included"])
    if "yes" in seen:
        return "included"
    return "excluded" if "no" in seen else "not known"


@dataclass(frozen=True, slots=True)
class Rate:
    """An exchange rate in use.

    Attributes
    ----------
    factor : float
        What one unit of the first currency costs in the second.
    date : datetime.date or None
        Day of the rate; None where no conversion is needed.
    """

    factor: float
    date: datetime.date | None


def find_rate(rates: pd.DataFrame, code: str, currency: str, day: datetime.date) -> Rate | None:
    """Find the latest rate from `code` to `currency` on or before `day`.

    Parameters
    ----------
    rates : DataFrame
        Rows of rates.csv.
    code, currency : str
        ISO 4217 codes.
    day : datetime.date
        Last day that counts.

    Returns
    -------
    Rate or None
        A rate written the other way round is inverted; on one day the direct one wins. None when
        neither exists: rates are never chained over a third currency.

    Examples
    --------
    >>> rates = pd.DataFrame({"date": pd.to_datetime(["2026-10-01"]), "from": ["USD"],
    ...                       "to": ["CHF"], "rate": [0.8]})
    >>> find_rate(rates, "CHF", "USD", datetime.date(2026, 11, 1)).factor
    1.25
    """
    if code == currency:
        return Rate(1.0, None)
    past = rates[rates["date"] <= pd.Timestamp(day)]
    direct = past[(past["from"] == code) & (past["to"] == currency)]
    inverse = past[(past["from"] == currency) & (past["to"] == code)]
    best: Rate | None = None
    for rows, inverted in ((direct, False), (inverse, True)):
        if len(rows):
            last = rows.sort_values("date").iloc[-1]
            rate = float(last["rate"])
            here = Rate(1 / rate if inverted else rate, last["date"].date())
            if best is None or best.date is None or (here.date and here.date > best.date):
                best = here
    return best
