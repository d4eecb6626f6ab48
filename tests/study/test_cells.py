"""One cell of text: what it means, and what is said where it means nothing."""

import datetime

import pytest

from perfkit.study.cells import Wrong, is_currency, read_date, read_number, read_text
from perfkit.study.schema import Column, _positive, in_words

ABOVE = Column("x", "", "number", low=0.0, high=100.0, above=True)
FROM = Column("x", "", "number", low=-1.0, high=100.0)
WHOLE = Column("x", "", "integer", low=1.0, high=9.0)
UNIT = "mend the number, or check its unit"


@pytest.mark.parametrize(
    ("column", "text", "found"),
    [
        (ABOVE, "0", UNIT),
        (ABOVE, "1e-300", 1e-300),
        (ABOVE, "100", 100.0),
        (ABOVE, "100.0000001", UNIT),
        (FROM, "-1", -1.0),
        (FROM, "-1.0000001", UNIT),
        (FROM, "0", 0.0),
        (WHOLE, "1", 1.0),
        (WHOLE, "9.0", 9.0),
        (WHOLE, "1.5", "write a whole number"),
        (WHOLE, "0", UNIT),
        (WHOLE, "10", UNIT),
        (ABOVE, " 5", "remove the space around the number"),
        (ABOVE, "NaN", "leave the cell empty if it is not known"),
        (ABOVE, "--", "leave the cell empty if it is not known"),
        (ABOVE, "1,5", "write a decimal point and no thousands sign"),
        (ABOVE, "5 ms", "write the number alone, its unit is in the column's name"),
        (ABOVE, "five", "write a number"),
    ],
)
def test_a_number_is_read_from_its_lowest_to_its_highest(column, text, found):
    read = read_number(text, column)
    if isinstance(found, float):
        assert read == found
    else:
        assert read == Wrong(in_words(column), found)


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("1970-01-01", datetime.date(1970, 1, 1)),
        ("2200-12-31", datetime.date(2200, 12, 31)),
        ("1969-12-31", "mend the year"),
        ("2201-01-01", "mend the year"),
        ("2026-02-29", "there is no such day, mend it"),
        ("2026-2-9", "write year, month and day with hyphens"),
        ("46315.5",
         "this is a spreadsheet's day number: format the column as text and write the day"),
    ],
)  # fmt: skip
def test_a_day_is_read_from_1970_to_2200(text, found):
    allowed = "a day as 2026-11-01, from 1970-01-01 to 2200-12-31"
    assert read_date(text) == (Wrong(allowed, found) if isinstance(found, str) else found)


def test_what_must_be_positive_is_above_zero():
    assert _positive("x", "a length", 9.0) == Column(
        "x", "a length", "number", low=0.0, high=9.0, above=True
    )


def test_a_choice_in_other_letters_is_told_and_another_is_not():
    column = Column("x", "", "choice", allowed=("built_in", "live"))
    assert read_text("live", column) == "live"
    assert read_text(" Built In", column) == Wrong(in_words(column), "write built_in")
    assert read_text("lives", column) == Wrong(in_words(column), "write one of them")


def test_only_a_choice_a_currency_and_a_path_are_held_against_a_rule():
    code = "write the currency's three-letter code"
    assert read_text("usd", Column("x", "", "currency")) == Wrong(
        in_words(Column("x", "", "currency")), code
    )
    assert read_text("USD", Column("x", "", "currency")) == "USD"
    assert read_text("usd", Column("x", "")) == "usd"
    path = read_text("../a.csv", Column("x", "", "path"))
    assert path == Wrong("only files inside the study are opened", "write the path without ..")
    assert read_text("../a.csv", Column("x", "")) == "../a.csv"


@pytest.mark.parametrize(
    ("text", "is_one"), [("USD", True), ("US", False), ("USDT", False), ("USd", False)]
)
def test_a_currency_is_three_capitals(text, is_one):
    assert is_currency(text) is is_one


@pytest.mark.parametrize(
    ("column", "words"),
    [
        (ABOVE, "a number above 0, at most 100"),
        (FROM, "a number from -1 to 100"),
        (WHOLE, "a whole number from 1 to 9"),
        (Column("x", "", "pixels", low=1, high=65_536), "a whole number from 1 to 65536"),
        (Column("x", "", "integer", default="1", low=1, high=9),
         "a whole number from 1 to 9 (1 where empty)"),
        (Column("x", "", "date"), "a day as 2026-11-01"),
        (Column("x", "", "choice", allowed=("a", "b")), "one of a, b"),
        (Column("x", "", "choice", default="a", allowed=("a", "b")), "one of a, b (a where empty)"),
        (Column("x", "", "currency"), "a currency as three capitals, USD"),
        (Column("x", ""), "text"),
    ],
)  # fmt: skip
def test_a_rule_in_words(column, words):
    assert in_words(column) == words
