"""What every published number was made from, kept beside the numbers so that changes can be told.

Passes stand in their own table; here stand settings, each price with its day, the parts of builds,
specifications and goals, one fact a row.
"""

import datetime
from collections.abc import Hashable, Iterator
from dataclasses import fields
from typing import Any

import numpy as np
import pandas as pd

from perfkit.study import Study
from perfkit.study.price_rules import find_rate
from perfkit.study.prices import build_lines, counted_prices, price_list
from perfkit.study.schema import TABLES

SETTING, PRICE, BUNDLE, RATE, BUILD = "setting", "price", "bundle", "rate", "build"

NAMED = {"GPU": ("gpus", "gpu"), "system": ("systems", "system")}
NAMED |= {"workload": ("workloads", "workload"), "part": ("parts", "item")}
"""Kinds of inputs that are rows of a file, each with the file and the column of its names."""

INPUT_COLUMNS = ("kind", "name", "fact", "value")

Fact = tuple[str, str, str, str]

_LINE = ["role", "quantity", "condition", "obtained", "price", "price_date", "bundle"]
_TYPED = ["price", "currency", "tax_included", "tax_pct"]


def input_table(study: Study) -> pd.DataFrame:
    """List the facts behind the published numbers.

    Parameters
    ----------
    study : Study

    Returns
    -------
    DataFrame
        kind (setting, price, bundle, rate, build, GPU, system, workload, part), name, fact, value:
        one row per fact that is known, texts. A price is the one that counts on the price date, in
        the study's currency and tax basis; where that differs from what was typed, both stand.

    Examples
    --------
    >>> import perfkit as pk
    >>> from perfkit.study.demo import find_demo
    >>> told = input_table(pk.load_study(find_demo())).set_index(["kind", "name", "fact"])["value"]
    >>> told["setting", "currency", "is"], told["price", "Griddle (new)", "date"]
    ('EUR', '2026-10-10')
    """
    facts = [
        *_settings(study),
        *_prices(study),
        *_rates(study),
        *_builds(study),
        *(fact for kind in NAMED for fact in _rows_of_file(study, kind)),
    ]
    known = [fact for fact in facts if fact[-1] != ""]
    return pd.DataFrame(known, columns=list(INPUT_COLUMNS), dtype="str")


def fact_text(value: object) -> str:
    """Write a fact the way it is compared.

    Parameters
    ----------
    value : object
        Text, number, day, a tuple of them, or a missing value.

    Returns
    -------
    str
        Ten significant digits, an ISO day; "" where unknown.

    Examples
    --------
    >>> fact_text(84.0), fact_text((1920, 1080)), fact_text(float("nan")), fact_text(None)
    ('84', '1920, 1080', '', '')
    """
    if isinstance(value, tuple):
        return ", ".join(map(fact_text, value))
    if value is None or value is pd.NaT or (isinstance(value, float) and np.isnan(value)):
        return ""
    if isinstance(value, datetime.date):
        return value.strftime("%Y-%m-%d")
    if isinstance(value, float | np.floating):
        return f"{float(value):.10g}"
    return str(value)


def _settings(study: Study) -> Iterator[Fact]:
    told = {each.name: getattr(study.settings, each.name) for each in fields(study.settings)}
    if study.log_format is not None:
        told |= {
            f"logs.{each.name}": getattr(study.log_format, each.name)
            for each in fields(study.log_format)
        }
    for name, value in told.items():
        yield SETTING, name, "is", fact_text(value)


def _prices(study: Study) -> Iterator[Fact]:
    counted = counted_prices(study)
    typed = study.prices.loc[counted.index, _TYPED].add_prefix("typed_")
    quotes = pd.concat([counted, typed], axis=1).to_dict("records")
    look_up = price_list(study)
    alone: dict[tuple[str, str], list[dict[Hashable, Any]]] = {}
    for quote in quotes:
        if not quote["bundle"]:
            alone.setdefault((quote["item"], quote["condition"]), []).append(quote)
    for (item, condition), mine in alone.items():
        price = look_up(item, condition)
        chosen = next(
            quote
            for quote in mine
            if (quote["date"].date(), quote["listing"]) == (price.date, price.listing)
        )
        yield from _quote(PRICE, f"{item} ({condition})", chosen)
    latest = counted.groupby("bundle")["date"].max().to_dict()
    for quote in quotes:
        if quote["bundle"] and quote["date"] == latest[quote["bundle"]]:
            name = f"{quote['bundle']}: {quote['item']} ({quote['condition']})"
            yield from _quote(BUNDLE, name, quote)


def _quote(kind: str, name: str, quote: dict[Hashable, Any]) -> Iterator[Fact]:
    for fact in ("price", "date", "listing"):
        yield kind, name, fact, fact_text(quote[fact])
    typed = {fact: fact_text(quote[f"typed_{fact}"]) for fact in _TYPED}
    if typed["price"] == fact_text(quote["price"]):
        return
    if typed["currency"] == quote["currency"]:
        typed["currency"] = ""
    for fact, value in typed.items():
        yield kind, name, f"typed {fact}", value


def _rates(study: Study) -> Iterator[Fact]:
    settings = study.settings
    used = study.prices.loc[study.prices["date"] <= pd.Timestamp(settings.price_date), "currency"]
    for code in used.unique():
        rate = find_rate(study.rates, code, settings.currency, settings.price_date)
        if rate is not None and rate.date is not None:
            name = f"{code} to {settings.currency}"
            yield RATE, name, "rate", fact_text(rate.factor)
            yield RATE, name, "date", fact_text(rate.date)


def _builds(study: Study) -> Iterator[Fact]:
    lines = build_lines(study)
    for build, item, *facts in lines[["build", "item", *_LINE]].itertuples(index=False, name=None):
        for fact, value in zip(_LINE, facts, strict=True):
            yield BUILD, f"{build}: {item}", fact, fact_text(value)
    machines = study.builds[["build", "system", "gpu"]].drop_duplicates()
    for build, system, gpu in machines.itertuples(index=False, name=None):
        yield BUILD, build, "system", system
        yield BUILD, build, "gpu", gpu


def _rows_of_file(study: Study, kind: str) -> Iterator[Fact]:
    file, key = NAMED[kind]
    columns = [each.name for each in TABLES[file].columns if each.name != key]
    frame = getattr(study, file)
    for name, *facts in frame[[key, *columns]].itertuples(index=False, name=None):
        for fact, value in zip(columns, facts, strict=True):
            yield kind, name, fact, fact_text(value)
