"""Prices and rates: which rows contradict each other, and which rate counts."""

import datetime

import pandas as pd
import pytest

from perfkit.study.price_rules import Rate, check_prices, check_rates, find_rate, tax_basis
from perfkit.study.schema import PRICES, RATES
from perfkit.study.tables import parse_table

DAY = datetime.date(2026, 11, 1)
HEAD = "item,date,price,currency,condition,tax_pct,tax_included,listing,bundle\n"
RATE_HEAD = "date,from,to,rate\n"


def prices_said(rows, rates=""):
    read = parse_table((HEAD + rows).encode(), PRICES)
    found = check_prices(read, parse_table((RATE_HEAD + rates).encode(), RATES), "USD", DAY)
    return [(p.file, p.line, p.column, p.value, p.allowed, p.action) for p in found]


def rates_said(rows):
    found = check_rates(parse_table((RATE_HEAD + rows).encode(), RATES))
    return [(p.line, p.column, p.value, p.allowed, p.action) for p in found]


ONE_PRICE = "one price for item, date, condition, listing, bundle; line {} has another"


def test_a_second_price_of_one_key_is_told_with_the_line_of_the_first():
    rows = "B,2026-10-20,1,,,,,,\nA,2026-10-20,100,,,,,,\nA,2026-10-20,100.5,,,,,,\n"
    rows += "A,2026-10-20,100,,,,,,\nB,2026-10-20,2,,,,,,\n"
    assert prices_said(rows) == [
        ("prices.csv", 4, "price", "100.5", ONE_PRICE.format(3), "keep the right one"),
        ("prices.csv", 6, "price", "2", ONE_PRICE.format(2), "keep the right one"),
    ]


@pytest.mark.parametrize(
    ("one", "two", "refused"),
    [
        ("A,2026-10-20,100,,,5,no,,", "A,2026-10-20,100,,,5,no,,", False),
        ("A,2026-10-20,100,,,,,,", "A,2026-10-20,100,,,,,,", False),
        ("A,2026-10-20,100,,,5,no,,", "A,2026-10-20,100,,,6,no,,", True),
        ("A,2026-10-20,100,,,5,no,,", "A,2026-10-20,100,,,,no,,", True),
        ("A,2026-10-20,100,,,5,no,,", "A,2026-10-20,100,,,5,yes,,", True),
        ("A,2026-10-20,100,,,,,shop,", "A,2026-10-20,90,,,,,sold,", False),
        ("A,2026-10-20,100,,,,,shop,", "A,2026-10-20,90,,,,,shop,kit", False),
        ("A,2026-10-20,100,,,,,shop,", "A,2026-10-20,90,,used,,,shop,", False),
        ("A,2026-10-20,100,,,,,shop,", "A,2026-10-21,90,,,,,shop,", False),
    ],
)
def test_one_key_has_one_price_with_one_tax(one, two, refused):
    found = prices_said(f"{one}\n{two}\n")
    assert [p[:3] for p in found] == [("prices.csv", 3, "price")] * refused


def test_a_row_with_a_wrong_cell_gets_no_second_problem():
    rows = "A,2026-10-20,100,,,,,,\nA,2026-10-20,x,,,,,,\nA,2026-10-20,1,,,x,,,\n"
    rows += "A,20/10,1,,,,,,\nA,20/11,2,,,,,,\n"
    assert prices_said(rows) == []


def test_a_tax_basis_is_stated_in_every_row_or_in_none():
    allowed = "yes or no in every row, since other rows have it"
    rows = "A,2026-10-20,1,,,,no,,\nB,2026-10-20,1,,,,,,\nC,2026-10-20,1,,,,,,\n"
    assert prices_said(rows) == [
        ("prices.csv", line, "tax_included", "", allowed, "fill it, or empty the column")
        for line in (3, 4)
    ]
    assert prices_said("A,2026-10-20,1,,,,,,\nB,2026-10-20,1,,,,,,\n") == []


def test_a_percentage_is_needed_where_tax_must_be_added():
    allowed = "a percentage where the price is without tax, since others are with tax"
    rows = "A,2026-10-20,1,,,,no,,\nB,2026-10-20,1,,,0,no,,\nC,2026-10-20,1,,,,yes,,\n"
    assert prices_said(rows) == [("prices.csv", 2, "tax_pct", "", allowed, "fill it")]
    assert prices_said("A,2026-10-20,1,,,,no,,\nB,2026-10-20,1,,,,no,,\n") == []


@pytest.mark.parametrize(
    ("shown", "basis"),
    [(["no", "yes"], "included"), (["yes"], "included"), (["no", "no"], "excluded"),
     ([""], "not known"), ([], "not known")],
)  # fmt: skip
def test_prices_are_told_with_tax_as_soon_as_one_holds_it(shown, basis):
    assert tax_basis(pd.DataFrame({"tax_included": shown})) == basis


def test_every_price_that_counts_needs_a_rate():
    rows = "A,2026-11-01,1,CHF,,,,,\nB,2026-10-20,1,EUR,,,,,\nC,2026-10-01,1,CHF,,,,,\n"
    rows += "D,2026-11-02,1,SEK,,,,,\nE,2026-10-01,1,USD,,,,,\nF,2026-10-01,1,,,,,,\n"
    allowed = "USD, or a currency with a rate on or before 2026-11-01"
    assert prices_said(rows, "2026-10-01,EUR,USD,1.1\n") == [
        ("prices.csv", line, "currency", "CHF", allowed, "add 1 CHF = rate USD to rates.csv")
        for line in (2, 4)
    ]


def test_rates_that_could_not_be_read_whole_are_not_held_against_prices():
    prices = parse_table((HEAD + "A,2026-11-01,1,CHF,,,,,\n").encode(), PRICES)
    cut_off = parse_table(b'date,from,to,rate\n"', RATES)
    assert check_prices(prices, cut_off, "USD", DAY) == []


def test_rates_contradict_each_other_by_day_and_pair():
    rows = "2026-10-01,EUR,USD,1.1\n2026-10-01,EUR,USD,1.25\n2026-10-02,EUR,USD,1.2\n"
    rows += "2026-10-01,USD,EUR,0.9\n2026-10-01,EUR,USD,1.1\n2026-10-01,EUR,EUR,1\n"
    assert rates_said(rows) == [
        (3, "rate", "1.25", "one rate for a day and a pair; line 2 has another",
         "keep the right one"),
        (7, "to", "EUR", "another currency than from", "mend one"),
    ]  # fmt: skip


def table(*rows):
    frame = pd.DataFrame(rows, columns=["date", "from", "to", "rate"])
    return frame.assign(date=pd.to_datetime(frame["date"]))


NEW, OLD = datetime.date(2026, 11, 1), datetime.date(2026, 10, 1)


@pytest.mark.parametrize(
    ("rates", "rate"),
    [
        ([], None),
        ([("2026-11-02", "EUR", "USD", 1.1)], None),
        ([("2026-10-01", "EUR", "CHF", 1.1), ("2026-10-01", "CHF", "USD", 1.1)], None),
        ([("2026-11-01", "EUR", "USD", 1.1), ("2026-10-01", "EUR", "USD", 9)], Rate(1.1, NEW)),
        ([("2026-10-01", "EUR", "USD", 9), ("2026-11-01", "EUR", "USD", 1.1)], Rate(1.1, NEW)),
        ([("2026-10-01", "USD", "EUR", 0.5)], Rate(2.0, OLD)),
        ([("2026-11-01", "USD", "CHF", 9), ("2026-11-01", "CHF", "EUR", 9)], None),
        ([("2026-11-01", "EUR", "CHF", 9), ("2026-10-01", "EUR", "USD", 1.1)], Rate(1.1, OLD)),
        ([("2026-11-01", "USD", "EUR", 0.5), ("2026-11-01", "EUR", "USD", 1.1)], Rate(1.1, NEW)),
        ([("2026-11-01", "USD", "EUR", 0.5), ("2026-10-01", "EUR", "USD", 1.1)], Rate(2.0, NEW)),
        ([("2026-10-01", "USD", "EUR", 0.5), ("2026-11-01", "EUR", "USD", 1.1)], Rate(1.1, NEW)),
    ],
    ids=["none", "future", "chain", "latest", "latest again", "inverse", "chain back",
         "other pair", "same day", "later inverse", "earlier inverse"],
)  # fmt: skip
def test_the_latest_rate_counts_and_of_one_day_the_direct_one(rates, rate):
    assert find_rate(table(*rates), "EUR", "USD", DAY) == rate


def test_a_currency_in_itself_needs_no_rate():
    assert find_rate(table(), "USD", "USD", DAY) == Rate(1.0, None)
