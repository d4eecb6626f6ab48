"""Bundles: which offers stand, and which of them a build takes.

A bundle's latest day on or before the price date is the offer that stands. It counts only in a
build that buys every item of it, and there only

- if an item has no other price, or
- if the items are cheaper together than alone, nobody merely asks for that price, and the offer is
  not superseded: older than 30 days while one of its items has a later price of its own.

One bundle covers one piece of each of its items; pieces beyond that are priced alone. A given item
is not bought, so it completes no bundle.
"""

import datetime
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

import pandas as pd

from perfkit.study.price_rules import STALE_DAYS

Thing = tuple[str, str]
"""An item and its condition."""


@dataclass(frozen=True, slots=True)
class Part:
    """One item's part of a bundle.

    Attributes
    ----------
    price : float
        In the study's currency and tax basis.
    listing : str
    rate_date : datetime.date or None
        Day of the exchange rate used.
    """

    price: float
    listing: str
    rate_date: datetime.date | None


@dataclass(frozen=True, slots=True)
class Offer:
    """A bundle at its latest day.

    Attributes
    ----------
    bundle : str
    date : datetime.date
    old : bool
        Whether that is more than 30 days before the price date.
    parts : mapping of (item, condition) to Part
    """

    bundle: str
    date: datetime.date
    old: bool
    parts: Mapping[Thing, Part]

    @property
    def asked(self) -> bool:
        """Whether some part is only asked for."""
        return any(part.listing == "asked" for part in self.parts.values())


class Price(Protocol):
    """A price of one piece alone: NaN and None where there is none."""

    @property
    def price(self) -> float:
        """In the study's currency and tax basis."""

    @property
    def date(self) -> datetime.date | None:
        """Day of the price."""


def as_day(when: pd.Timestamp) -> datetime.date | None:
    """Turn a cell of a date column into a day.

    Parameters
    ----------
    when : Timestamp or NaT

    Returns
    -------
    datetime.date or None

    Examples
    --------
    >>> as_day(pd.Timestamp("2026-10-20")), as_day(pd.NaT)
    (datetime.date(2026, 10, 20), None)
    """
    return None if pd.isna(when) else when.date()


def offers(counted: pd.DataFrame, price_date: datetime.date) -> list[Offer]:
    """List every bundle at its latest day.

    Parameters
    ----------
    counted : DataFrame
        Prices as `counted_prices` gives them.
    price_date : datetime.date
        The study's.

    Returns
    -------
    list of Offer
        By name. Where one item stands twice in a bundle of one day, the lower price counts.

    Examples
    --------
    >>> offers(pd.DataFrame({"bundle": [""]}), datetime.date(2026, 11, 1))
    []
    """
    found = []
    for bundle, rows in counted[counted["bundle"] != ""].groupby("bundle"):
        day = rows["date"].max()
        last = rows[rows["date"] == day].sort_values("price", ascending=False)
        parts = {
            (row["item"], row["condition"]): Part(
                row["price"], row["listing"], as_day(row["rate_date"])
            )
            for row in last.to_dict("records")
        }
        old = (price_date - day.date()).days > STALE_DAYS
        found.append(Offer(str(bundle), day.date(), old, parts))
    return found


def take_offers(
    pieces: Mapping[Thing, int],
    alone: Mapping[Thing, Price],
    standing: Sequence[Offer],
) -> dict[Thing, tuple[Offer, int]]:
    """Choose the bundles that a build buys.

    Parameters
    ----------
    pieces : mapping of (item, condition) to int
        What the build buys.
    alone : mapping of (item, condition) to Price
        Of one piece without a bundle.
    standing : sequence of Offer

    Returns
    -------
    dict of (item, condition) to (Offer, int)
        The bundle that covers an item, and how many pieces of it. Where bundles share an item,
        the one that saves most is taken first.

    Examples
    --------
    >>> from perfkit.study.prices import ItemPrice
    >>> day = datetime.date(2026, 10, 20)
    >>> a, b = ("board", "new"), ("memory", "new")
    >>> alone = {a: ItemPrice(60.0, day, "shop", (), ""), b: ItemPrice(35.0, day, "shop", (), "")}
    >>> parts = {a: Part(50.0, "shop", None), b: Part(30.0, "shop", None)}
    >>> taken = take_offers({a: 1, b: 2}, alone, [Offer("duo", day, False, parts)])
    >>> {thing[0]: count for thing, (_, count) in taken.items()}
    {'board': 1, 'memory': 1}
    """
    worth = []
    for offer in standing:
        if offer.parts.keys() <= pieces.keys():
            saving = _saving(offer, alone)
            if saving > 0:
                worth.append((-saving, offer.bundle, offer))
    taken: dict[Thing, tuple[Offer, int]] = {}
    for _, _, offer in sorted(worth, key=lambda ranked: ranked[:2]):
        if not offer.parts.keys() & taken.keys():
            count = min(pieces[thing] for thing in offer.parts)
            taken.update(dict.fromkeys(offer.parts, (offer, count)))
    return taken


def _saving(offer: Offer, alone: Mapping[Thing, Price]) -> float:
    """Money saved by one bundle; infinite where an item has no other price, 0 if superseded."""
    singles = [alone[thing] for thing in offer.parts]
    if any(math.isnan(single.price) for single in singles):
        return math.inf
    later = any(single.date is not None and single.date > offer.date for single in singles)
    if offer.asked or (offer.old and later):
        return 0.0
    return sum(single.price for single in singles) - sum(
        part.price for part in offer.parts.values()
    )
