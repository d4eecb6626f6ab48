"""What things cost on the price date: one price an item, one line a build row, one sum a build.

Each item's latest price on or before ``price_date`` counts, of the condition asked for, told in the
study's currency and tax basis. On one day a shop's price goes before one that was paid, and that
before one without a listing; a price only asked for counts where there is no other.

A row with a bundle's name is that item's part of the bundle's price, so the parts of one day add up
to what the bundle costs. How bundles compete with single prices is said in ``bundles.py``.
"""

import datetime
from collections.abc import Callable, Hashable
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from perfkit.study.bundles import Offer, Thing, as_day, offers, take_offers
from perfkit.study.price_rules import STALE_DAYS, find_rate, tax_basis
from perfkit.study.study import Study

_LISTINGS = ("shop", "sold", "", "asked")


@dataclass(frozen=True, slots=True)
class ItemPrice:
    """The price of one piece, or why it is not known.

    Attributes
    ----------
    price : float
        In the study's currency and tax basis; NaN where it cannot be told.
    date : datetime.date or None
        Day of the price.
    listing : str
        shop, sold, asked or "".
    flags : tuple of str
        What a reader should know, such as "old 45 days" or "asked only".
    reason : str
        Why there is no price; "" where there is one.
    """

    price: float
    date: datetime.date | None
    listing: str
    flags: tuple[str, ...]
    reason: str


def counted_prices(study: Study) -> pd.DataFrame:
    """Rows of prices.csv on or before the price date, in one currency and on one tax basis.

    Parameters
    ----------
    study : Study

    Returns
    -------
    DataFrame
        The columns of prices.csv with `price` and `currency` converted, and rate_date: the day of
        the exchange rate used, NaT where none was needed.

    Examples
    --------
    >>> import perfkit as pk
    >>> from perfkit.study.demo import find_demo
    >>> set(counted_prices(pk.load_study(find_demo()))["currency"])
    {'EUR'}
    """
    settings = study.settings
    day = pd.Timestamp(settings.price_date)
    rows = study.prices[study.prices["date"] <= day].copy()
    rates = {
        code: rate
        for code in rows["currency"].unique()
        if (rate := find_rate(study.rates, code, settings.currency, settings.price_date))
    }
    factor = {code: rate.factor for code, rate in rates.items()}
    dates = {code: rate.date for code, rate in rates.items()}
    tax = np.ones(len(rows))
    if tax_basis(study.prices) == "included":
        without = (rows["tax_included"] == "no").to_numpy()
        tax = np.where(without, 1 + rows["tax_pct"] / 100, 1.0)
    rows["price"] = rows["price"] * rows["currency"].map(factor).astype(float) * tax
    rows["rate_date"] = pd.to_datetime(rows["currency"].map(dates)).astype("datetime64[s]")
    rows["currency"] = pd.Series(settings.currency, index=rows.index, dtype="str")
    return rows


def item_price(study: Study, item: str, condition: str = "new") -> ItemPrice:
    """Tell what one piece of an item costs alone.

    Parameters
    ----------
    study : Study
    item : str
        Name in prices.csv.
    condition : {"new", "used"}
        Prices of the other condition never count.

    Returns
    -------
    ItemPrice

    Examples
    --------
    >>> import perfkit as pk
    >>> from perfkit.study.demo import find_demo
    >>> item_price(pk.load_study(find_demo()), "no such thing").reason
    'no price is known'
    """
    return price_list(study)(item, condition)


def price_list(study: Study) -> Callable[[str, str], ItemPrice]:
    """Look up many prices of one study, each worked out once.

    Parameters
    ----------
    study : Study

    Returns
    -------
    callable
        Takes item and condition, as :func:`item_price` does.

    Examples
    --------
    >>> import perfkit as pk
    >>> from perfkit.study.demo import find_demo
    >>> look_up = price_list(pk.load_study(find_demo()))
    >>> look_up("no such thing", "used").reason
    'no price is known'
    """
    return _prices_alone(study, counted_prices(study))


def _prices_alone(study: Study, counted: pd.DataFrame) -> Callable[[str, str], ItemPrice]:
    columns = ["item", "condition", "date", "rate_date", "listing", "price"]
    rows = counted.loc[counted["bundle"] == "", columns].itertuples(index=False, name=None)
    alone: dict[Thing, list[_Quote]] = {}
    for item, condition, *quote in rows:
        alone.setdefault((item, condition), []).append(_Quote(*quote))
    return cache(lambda *thing: _choose(study, alone.get(thing, []), *thing))


class _Quote(NamedTuple):
    """One price of one thing."""

    date: pd.Timestamp
    rate_date: pd.Timestamp
    listing: str
    price: float


def _choose(study: Study, alone: list[_Quote], item: str, condition: str) -> ItemPrice:
    if not alone:
        reason = _why_unknown(study.prices, item, condition, study.settings.price_date)
        return ItemPrice(np.nan, None, "", (), reason)
    firm = [quote for quote in alone if quote.listing != "asked"]
    rank = {name: place for place, name in enumerate(_LISTINGS)}
    # of equals, the first in the file
    best = max(firm or alone, key=lambda quote: (quote.date, -rank[quote.listing]))
    date, rate_date = as_day(best.date), as_day(best.rate_date)
    flags = _age_flags(study, date, rate_date)
    if not firm:
        flags = ["asked only", *flags]
    return ItemPrice(float(best.price), date, best.listing, tuple(flags), "")


def _age_flags(
    study: Study, date: datetime.date | None, rate_date: datetime.date | None
) -> list[str]:
    flags = []
    for name, when in (("old", date), ("exchange rate old", rate_date)):
        if when is not None and (days := (study.settings.price_date - when).days) > STALE_DAYS:
            flags.append(f"{name} {days} days")
    return flags


def _why_unknown(prices: pd.DataFrame, item: str, condition: str, day: datetime.date) -> str:
    mine = prices[prices["item"] == item]
    if not len(mine):
        return "no price is known"
    same = mine[mine["condition"] == condition]
    if not len(same):
        other = mine["condition"].iloc[0]
        return f"no {condition} price is known, only {other} ones"
    past = same[same["date"] <= pd.Timestamp(day)]
    if not len(past):
        return f"its first {condition} price is of {same['date'].min():%Y-%m-%d}, after {day}"
    names = ", ".join(sorted(past["bundle"].unique()))
    return f"it has a price only inside a bundle ({names}) that this build does not buy whole"


def build_lines(study: Study) -> pd.DataFrame:
    """Price each row of builds.csv.

    Parameters
    ----------
    study : Study

    Returns
    -------
    DataFrame
        One row a row of builds.csv, in file order, indexed by line: build, item, role, quantity,
        condition, obtained, price (of one piece, the mean where some come in a bundle), amount
        (price times quantity), price_date (the oldest used), listing, bundle ("" where none is
        used), bundle_amount (part of `amount` paid through the bundle), flags (joined by "; "),
        reason. A given item counts 0; a lent one counts its price, for a viewer has to buy it.

    Examples
    --------
    >>> import perfkit as pk
    >>> from perfkit.study.demo import find_demo
    >>> lines = build_lines(pk.load_study(find_demo()))
    >>> bool((lines["amount"] - lines["price"] * lines["quantity"]).abs().max() < 1e-9)
    True
    """
    return _build_lines(study).copy()


@lru_cache(maxsize=1)  # several tables ask for the same study
def _build_lines(study: Study) -> pd.DataFrame:
    counted = counted_prices(study)
    look_up = _prices_alone(study, counted)
    columns = ["build", "item", "role", "quantity", "condition", "obtained"]
    lines = study.builds[columns].copy()
    keys = zip(lines["item"], lines["condition"], strict=True)
    prices = {key: look_up(*key) for key in dict.fromkeys(keys)}
    standing = offers(counted, study.settings.price_date)
    priced = [
        row
        for _, build in lines.groupby("build")
        for row in _price_build(study, build, prices, standing)
    ]
    result = pd.DataFrame(priced, columns=["line", *_PRICED]).set_index("line")
    return lines.join(result.astype(_PRICED))


_PRICED = {
    "price": "float64",
    "amount": "float64",
    "price_date": "datetime64[s]",
    "listing": "str",
    "bundle": "str",
    "bundle_amount": "float64",
    "flags": "str",
    "reason": "str",
}


def _price_build(
    study: Study,
    build: pd.DataFrame,
    prices: dict[Thing, ItemPrice],
    standing: list[Offer],
) -> list[tuple[object, ...]]:
    bought = build[build["obtained"] != "given"]
    things = zip(bought["item"], bought["condition"], strict=True)
    pieces = dict(zip(things, bought["quantity"].astype(int), strict=True))
    taken = take_offers(pieces, prices, standing)
    return [
        (line, *_price_line(study, row, prices[row["item"], row["condition"]], taken))
        for line, row in build.to_dict("index").items()
    ]


def _price_line(
    study: Study, row: dict[Hashable, Any], alone: ItemPrice, taken: dict[Thing, tuple[Offer, int]]
) -> tuple[object, ...]:
    if row["obtained"] == "given":
        return 0.0, 0.0, None, "", "", 0.0, "given, counts 0", ""
    quantity = int(row["quantity"])
    flags = ["lent, counted at its price"] if row["obtained"] == "lent" else []
    listing, bundle, inside = alone.listing, "", 0.0
    dates: list[datetime.date | None] = []
    offer, count = taken.get((row["item"], row["condition"]), (None, 0))
    if offer is not None:
        part = offer.parts[row["item"], row["condition"]]
        bundle, listing = offer.bundle, part.listing
        inside = part.price * count
        dates.append(offer.date)
        flags += [f"in bundle {bundle}"] + (["asked only"] if offer.asked else [])
        flags += _age_flags(study, offer.date, part.rate_date)
    rest = quantity - count
    if rest:
        dates.append(alone.date)
        flags += [flag for flag in alone.flags if flag not in flags]
    amount = inside + (rest * alone.price if rest else 0.0)
    date = min((date for date in dates if date is not None), default=None)
    reason = alone.reason if rest else ""
    return amount / quantity, amount, date, listing, bundle, inside, "; ".join(flags), reason


def build_prices(study: Study) -> pd.DataFrame:
    """Price each build.

    Parameters
    ----------
    study : Study

    Returns
    -------
    DataFrame
        One row a build in file order: build, price, currency, price_date (the oldest price used),
        flags and reason, each part naming its item. The price is NaN where that of any item
        cannot be told; nothing is left out of a sum.

    Examples
    --------
    >>> import perfkit as pk
    >>> from perfkit.study.demo import find_demo
    >>> build_prices(pk.load_study(find_demo())).columns.tolist()
    ['build', 'price', 'currency', 'price_date', 'flags', 'reason']
    """
    lines = build_lines(study)
    grouped = lines.groupby("build", sort=False)
    result = pd.DataFrame(
        {
            "price": grouped["amount"].sum(skipna=False),
            "currency": study.settings.currency,
            "price_date": grouped["price_date"].min(),
            "flags": _by_build(lines, "flags"),
            "reason": _by_build(lines, "reason"),
        }
    )
    texts = dict.fromkeys(("currency", "flags", "reason"), "str")
    return result.rename_axis("build").reset_index().astype({"build": "str", **texts})


def _by_build(lines: pd.DataFrame, column: str) -> pd.Series:
    said = (lines["item"] + ": " + lines[column]).where(lines[column] != "", "")
    return said.groupby(lines["build"], sort=False).agg(lambda part: "; ".join(filter(None, part)))
