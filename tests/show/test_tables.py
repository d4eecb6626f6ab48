"""CSV files: exact bytes, nothing a spreadsheet would run."""

import csv
import datetime
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from perfkit.show.tables import (
    PASS_COLUMNS,
    cell_text,
    column_texts,
    first_columns,
    safe_text,
    write_csv,
    write_tables,
)


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (1 / 3, "0.3333333333"),
        (1e-12, "1e-12"),
        (60.0, "60"),
        (-0.0, "0"),
        (float("nan"), ""),
        (float("inf"), "inf"),
        (np.float64(2.5), "2.5"),
        (np.int64(-7), "-7"),
        (np.bool_(False), "false"),
        (True, "true"),
        (None, ""),
        (pd.NA, ""),
        (pd.NaT, ""),
        (datetime.date(2026, 11, 1), "2026-11-01"),
        (pd.Timestamp("2026-11-01"), "2026-11-01"),
        ("NA", "NA"),
        ("007", "007"),
    ],
)
def test_each_kind_of_value_has_one_spelling(value, text):
    assert cell_text(value) == text


@pytest.mark.parametrize(
    "text",
    ["=1", "+1", "-1", "@A", "\t=1", "\r1", "\n1", " =1", "\ufeff=1", "＝1", "\u200b＋1", "＠"],
)
def test_formulas_get_an_apostrophe(text):
    assert safe_text(text) == "'" + text


@pytest.mark.parametrize("text", ["", "a=b", "1-2", "Quarry <b>", "'quoted", "a@b", "½"])
def test_plain_text_is_left_alone(text):
    assert safe_text(text) == text


@given(st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\x00"), max_size=30))
def test_any_text_survives_the_file(tmp_path_factory, text):
    path = tmp_path_factory.mktemp("csv") / "t.csv"
    write_csv(pd.DataFrame({"a": [text], "b": [1.5]}), path)
    with open(path, encoding="utf-8", newline="") as file:
        header, row = csv.reader(file)
    assert header == ["a", "b"]
    assert row[0] in (text, "'" + text)
    assert row[1] == "1.5"


def test_bytes_are_exact(tmp_path):
    frame = pd.DataFrame(
        {"=b": ["Velm, one", 'say "hi"'], "n": [1, 2], "x": [0.1, np.nan], "ok": [True, False]},
        index=[7, 9],
    )
    write_csv(frame, tmp_path / "t.csv")
    expected = '\'=b,n,x,ok\n"Velm, one",1,0.1,true\n"say ""hi""",2,,false\n'
    assert (tmp_path / "t.csv").read_bytes() == expected.encode()


def test_a_column_with_missing_booleans():
    assert column_texts(pd.Series([True, None, False], dtype="boolean")) == ["true", "", "false"]


def test_dates_without_a_day_are_empty():
    assert column_texts(pd.Series(pd.to_datetime(["2026-01-02", None]))) == ["2026-01-02", ""]


def test_pinned_columns_come_first_and_none_is_lost():
    frame = pd.DataFrame([[1, 2, 3]], columns=["x", "y", "z"])
    assert list(first_columns(frame, ["z", "x"])) == ["z", "x", "y"]


def test_every_table_is_written_even_without_rows(tmp_path):
    empty = pd.DataFrame({"build": pd.Series(dtype="str")})
    analysis = SimpleNamespace(
        study=SimpleNamespace(passes=pd.DataFrame({"pass_id": [], "diary": []})),
        predictions=empty,
        value=empty,
        upgrades=empty,
        flags=empty,
        passes=pd.DataFrame({name: [] for name in ["date", *reversed(PASS_COLUMNS)]}),
        model=SimpleNamespace(comparison=empty, left_out=empty),
        tables={"memory": empty},
    )
    written = write_tables(analysis, tmp_path / "tables")
    assert [path.name for path in written] == [
        "predictions.csv", "value.csv", "passes.csv", "upgrades.csv", "flags.csv",
        "model_comparison.csv", "left_out.csv", "memory.csv",
    ]  # fmt: skip
    assert (tmp_path / "tables/passes.csv").read_text() == ",".join([*PASS_COLUMNS, "date"]) + "\n"
