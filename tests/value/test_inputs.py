"""Facts behind the numbers: how each is written, which price of many, what was typed."""

import datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from perfkit.value.inputs import fact_text, input_table
from tests.value.market import BASE, build, market, priced

NAN = float("nan")


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (None, ""), (NAN, ""), (np.float64("nan"), ""), (pd.NaT, ""), ("", ""), ("7.0", "7.0"),
        (0.0, "0"), (84.0, "84"), (1234567.89123, "1234567.891"), (np.float32(0.5), "0.5"),
        (7, "7"), (True, "True"), ((30.0, 60.0), "30, 60"), ((NAN, "x"), ", x"), ((), ""),
        (datetime.date(2026, 1, 2), "2026-01-02"), (pd.Timestamp("2026-01-02"), "2026-01-02"),
    ],
)  # fmt: skip
def test_a_fact_is_written_one_way(value: object, text: str) -> None:
    assert fact_text(value) == text


def facts(folder: Path, **told: object) -> dict[tuple[str, str], dict[str, str]]:
    table = input_table(market(folder, **told))  # type: ignore[arg-type]
    assert not (table["value"] == "").any()
    assert not table.duplicated(["kind", "name", "fact"]).any()
    return {
        key: dict(zip(rows["fact"], rows["value"], strict=True))
        for key, rows in table.groupby(["kind", "name"], sort=False)
    }


def quote(item: str, date: str, price: float, **more: object) -> dict:
    told = {"item": item, "date": date, "price": price, "currency": "EUR", "listing": "shop",
            "condition": "new", "tax_included": "yes", "tax_pct": ""}  # fmt: skip
    return told | more


RATES = [
    {"date": "2026-09-01", "from": "USD", "to": "EUR", "rate": 0.5},
    {"date": "2026-10-01", "from": "USD", "to": "EUR", "rate": 0.9},
    {"date": "2026-10-03", "from": "CHF", "to": "EUR", "rate": 2},
    {"date": "2026-10-03", "from": "SEK", "to": "EUR", "rate": 0.1},
]


def test_the_price_that_counts_stands_with_what_was_typed(tmp_path: Path) -> None:
    """Of one day the shop's goes before a sale, a later day before both; used stands apart."""
    prices = [
        quote("Alder", "2026-10-25", 70, listing="sold"),
        quote("Alder", "2026-10-25", 100, currency="USD"),
        quote("Alder", "2026-10-10", 60),
        quote("Alder", "2026-10-12", 55, condition="used", listing="asked"),
        quote("Birch", "2026-10-20", 200, tax_included="no", tax_pct=25),
        quote("Ember", "2026-11-01", 30, currency="CHF"),
        quote("Cedar", "2026-11-02", 30, currency="SEK"),
    ]
    found = facts(tmp_path, prices=prices, rates=RATES, builds=[])
    day = {"date": "2026-10-25", "listing": "shop"}
    assert {key: told for key, told in found.items() if key[0] == "price"} == {
        ("price", "Alder (new)"): {
            "price": "90", **day, "typed price": "100", "typed currency": "USD",
            "typed tax_included": "yes",
        },
        ("price", "Alder (used)"): {"price": "55", "date": "2026-10-12", "listing": "asked"},
        ("price", "Birch (new)"): {
            "price": "250", "date": "2026-10-20", "listing": "shop", "typed price": "200",
            "typed tax_included": "no", "typed tax_pct": "25",
        },
        ("price", "Ember (new)"): {
            "price": "60", "date": "2026-11-01", "listing": "shop", "typed price": "30",
            "typed currency": "CHF", "typed tax_included": "yes",
        },
    }  # fmt: skip
    assert {key: told for key, told in found.items() if key[0] == "rate"} == {
        ("rate", "USD to EUR"): {"rate": "0.9", "date": "2026-10-01"},
        ("rate", "CHF to EUR"): {"rate": "2", "date": "2026-10-03"},
    }


def test_a_bundle_is_that_of_its_latest_day(tmp_path: Path) -> None:
    told = [("Plank", "01", 50, "kit"), ("Loom", "01", 30, "kit"), ("Plank", "09", 60, "kit"),
            ("Loom", "09", 20, "kit"), ("Plank", "20", 80, ""), ("Plank", "05", 8, "other"),
            ("Loom", "05", 9, "other")]  # fmt: skip
    prices = [quote(item, f"2026-10-{day}", paid, bundle=name) for item, day, paid, name in told]
    found = facts(tmp_path, prices=prices, builds=[])
    late, early = ({"date": day, "listing": "shop"} for day in ("2026-10-09", "2026-10-05"))
    assert {key: told for key, told in found.items() if key[0] in ("price", "bundle")} == {
        ("price", "Plank (new)"): {"price": "80", "date": "2026-10-20", "listing": "shop"},
        ("bundle", "kit: Plank (new)"): {"price": "60", **late},
        ("bundle", "kit: Loom (new)"): {"price": "20", **late},
        ("bundle", "other: Plank (new)"): {"price": "8", **early},
        ("bundle", "other: Loom (new)"): {"price": "9", **early},
    }


def test_parts_machines_and_rows_of_files(tmp_path: Path) -> None:
    rows = build("bare", "Ember", [BASE[0], BASE[2]])
    rows[1] |= {"quantity": 2, "obtained": "lent"}
    study = market(tmp_path, builds=rows, prices=priced(*BASE))
    table = input_table(study)
    told = table[table["kind"] == "build"].set_index(["name", "fact"])["value"]
    assert told["bare: Plank"].to_dict() == {
        "role": "board", "quantity": "1", "condition": "new",
        "price": "80", "price_date": "2026-10-20",
    }  # fmt: skip
    assert told["bare: Loom"].to_dict() == {
        "role": "memory", "quantity": "2", "condition": "new", "obtained": "lent",
        "price": "60", "price_date": "2026-10-20",
    }  # fmt: skip
    assert told["bare"].to_dict() == {"system": "bench", "gpu": "Ember"}
    alder = table[(table["kind"] == "GPU") & (table["name"] == "Alder")]
    assert dict(zip(alder["fact"], alder["value"], strict=True)) == {
        "kind": "discrete", "compute_units": "20", "lanes_per_unit": "64", "clock_mhz": "2000",
        "length_mm": "200",
    }  # fmt: skip
    bench = table[table["kind"] == "system"]
    assert dict(zip(bench["fact"], bench["value"], strict=True)) == {
        "cpu": "Spindle", "channel_bits": "64",
    }  # fmt: skip
