"""Which of many prices counts, what it is flagged with, and what a build row costs."""

import datetime
import math
from types import SimpleNamespace

import pandas as pd
import pytest

from perfkit.study.prices import (
    _prices_alone,
    build_lines,
    build_prices,
    counted_prices,
)

DAY = datetime.date(2026, 11, 1)
COLUMNS = ["item", "date", "price", "listing", "condition", "bundle", "rate_date"]


class Written(SimpleNamespace):
    """As much of a study as prices need; another one each time, as a study is."""

    __hash__ = object.__hash__


def study(*rows, builds=(), rates=()):
    frame = pd.DataFrame(rows, columns=COLUMNS)
    frame = frame.assign(
        date=pd.to_datetime(frame["date"]), rate_date=pd.to_datetime(frame["rate_date"]),
        currency="USD", tax_included="", tax_pct=math.nan,
    )  # fmt: skip
    made = pd.DataFrame(builds, columns=["build", "item", "quantity", "obtained"])
    rate = pd.DataFrame(rates, columns=["date", "from", "to", "rate"])
    return Written(
        settings=SimpleNamespace(price_date=DAY, currency="USD"),
        prices=frame,
        builds=made.assign(role="", condition="new").rename_axis("line"),
        rates=rate.assign(date=pd.to_datetime(rate["date"])),
    )


def row(price, date="2026-10-20", listing="shop", condition="new", bundle="", rate_date=None):
    return ("A", date, price, listing, condition, bundle, rate_date)


def chosen(*rows, condition="new"):
    made = study(*rows)
    counted = made.prices[made.prices["date"] <= pd.Timestamp(DAY)]
    return _prices_alone(made, counted)("A", condition)


@pytest.mark.parametrize(
    ("rows", "price", "flags"),
    [
        ([row(1.0), row(2.0, "2026-10-21"), row(3.0, "2026-10-19")], 2.0, ()),
        ([row(1.0, listing="sold"), row(2.0), row(3.0, listing="")], 2.0, ()),
        ([row(1.0, listing=""), row(2.0, listing="sold")], 2.0, ()),
        ([row(1.0, listing=""), row(2.0, "2026-10-21", listing="asked")], 1.0, ()),
        ([row(1.0), row(2.0)], 1.0, ()),
        ([row(1.0, listing="asked"), row(2.0, "2026-10-21", "asked")], 2.0, ("asked only",)),
        ([row(1.0, "2026-10-02")], 1.0, ()),
        ([row(1.0, "2026-10-01")], 1.0, ("old 31 days",)),
        ([row(1.0, rate_date="2026-10-02")], 1.0, ()),
        ([row(1.0, "2026-09-01", "asked", rate_date="2026-10-01")], 1.0,
         ("asked only", "old 61 days", "exchange rate old 31 days")),
    ],
    ids=["latest", "shop", "sold", "never asked", "first of equals", "only asked", "30 days",
         "31 days", "rate of 30 days", "all flags"],
)  # fmt: skip
def test_the_price_that_counts(rows, price, flags):
    found = chosen(*rows)
    assert (found.price, found.flags, found.reason) == (price, flags, "")


@pytest.mark.parametrize(
    ("rows", "reason"),
    [
        ([], "no price is known"),
        ([row(1.0, condition="used")], "no new price is known, only used ones"),
        ([row(1.0, "2026-11-02"), row(1.0, "2026-12-02")],
         "its first new price is of 2026-11-02, after 2026-11-01"),
        ([row(1.0, "2026-11-01", bundle="kit"), row(1.0, bundle="duo"), row(1.0, "2026-11-02")],
         "it has a price only inside a bundle (duo, kit) that this build does not buy whole"),
    ],
)  # fmt: skip
def test_why_there_is_no_price(rows, reason):
    found = chosen(*rows)
    assert (found.date, found.listing, found.flags, found.reason) == (None, "", (), reason)
    assert math.isnan(found.price)


def test_prices_in_one_currency_with_their_tax():
    made = study(
        row(100.0), row(100.0), row(100.0, "2026-11-01"), row(9.0, "2026-11-02"),
        rates=[("2026-10-30", "EUR", "USD", 1.5)],
    )  # fmt: skip
    made.prices = made.prices.assign(
        currency=["EUR", "USD", "EUR", "CHF"], tax_included=["no", "yes", "yes", "no"],
        tax_pct=[20.0, 20.0, math.nan, 1.0],
    )  # fmt: skip
    found = counted_prices(made)
    assert found["price"].tolist() == pytest.approx([180.0, 100.0, 150.0], rel=1e-12)
    assert found["currency"].tolist() == ["USD"] * 3
    rate = pd.Timestamp("2026-10-30")
    assert found["rate_date"].tolist() == [rate, pd.NaT, rate]
    made.prices["tax_included"] = "no"
    assert counted_prices(made)["price"].tolist() == pytest.approx([150.0, 100.0, 150.0])


def test_build_rows_by_hand():
    """A kit of A and B at 10 and 5: one of three A's, and B, come in it; C is given, D lent."""
    kit = [("A", "2026-10-01", 10.0, "shop", "new", "kit", None),
           ("B", "2026-10-01", 5.0, "asked", "new", "kit", None)]  # fmt: skip
    alone = [("A", "2026-10-20", 20.0, "sold", "new", "", None),
             ("D", "2026-10-10", 7.0, "shop", "new", "", None)]  # fmt: skip
    builds = [("z", "A", 3, ""), ("z", "B", 1, "bought"), ("z", "C", 2, "given"),
              ("z", "D", 2, "lent"), ("a", "A", 2, ""), ("a", "B", 1, "given")]  # fmt: skip
    made = study(*kit, *alone, builds=builds)
    found = build_lines(made)
    assert found["amount"].tolist() == [50.0, 5.0, 0.0, 14.0, 40.0, 0.0]
    assert found["price"].tolist() == pytest.approx([50 / 3, 5.0, 0.0, 7.0, 20.0, 0.0])
    assert found["bundle"].tolist() == ["kit", "kit", "", "", "", ""]
    assert found["bundle_amount"].tolist() == [10.0, 5.0, 0.0, 0.0, 0.0, 0.0]
    assert found["listing"].tolist() == ["shop", "asked", "", "shop", "sold", ""]
    days = [None if pd.isna(day) else f"{day:%m-%d}" for day in found["price_date"]]
    assert days == ["10-01", "10-01", None, "10-10", "10-20", None]
    old = "in bundle kit; asked only; old 31 days"
    assert found["flags"].tolist() == [
        old, old, "given, counts 0", "lent, counted at its price",
        "", "given, counts 0",
    ]  # fmt: skip
    total = build_prices(made)
    assert total["build"].tolist() == ["z", "a"]
    assert total["price"].tolist() == [69.0, 40.0]
    assert total["price_date"].dt.day.tolist() == [1, 20]
    assert total["flags"].tolist() == [
        f"A: {old}; B: {old}; C: given, counts 0; D: lent, counted at its price",
        "B: given, counts 0",
    ]


def test_an_unknown_price_leaves_no_sum():
    kit = [(item, "2026-10-01", 9.0, "shop", "new", "kit", None) for item in "AB"]
    made = study(*kit, builds=[("z", "A", 2, ""), ("z", "Q", 1, ""), ("y", "A", 2, ""),
                               ("y", "B", 1, "")])  # fmt: skip
    found = build_lines(made)
    why = "it has a price only inside a bundle (kit) that this build does not buy whole"
    assert found["reason"].tolist() == [why, "no price is known", why, ""]
    assert found["bundle"].tolist() == ["", "", "kit", "kit"]
    assert found["bundle_amount"].tolist() == [0.0, 0.0, 9.0, 9.0]
    assert found["amount"].isna().tolist() == [True, True, True, False]
    total = build_prices(made)
    assert total["price"].isna().all()
    assert total["reason"].tolist() == [f"A: {why}; Q: no price is known", f"A: {why}"]
