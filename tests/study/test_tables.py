"""One file of a study, from its bytes to a typed frame: each rule at its edge."""

import pytest

from perfkit.errors import Problem
from perfkit.study.schema import GPUS, PASSES, RATES, SYSTEMS, WORKLOADS
from perfkit.study.tables import in_order, parse_table, read_table, typed


def said(read):
    return [(p.line, p.column, p.value, p.allowed, p.action) for p in read.problems]


def test_a_header_is_held_against_the_rules_in_line_1():
    read = parse_table(b"gpu,gpu,,kind,speed,compute units\nA,B,,integrated,1,2\n", GPUS)
    missing = "the column {} is required"
    assert said(read) == [
        (1, "gpu", "gpu", "each column once", "rename or remove one of them"),
        (1, "", "", "a name for each column", "name column 3, or remove it with its commas"),
        (1, "compute_units", "compute units", missing.format("compute_units"),
         "rename the column 'compute units'"),
        (1, "lanes_per_unit", "", missing.format("lanes_per_unit"), "add the column"),
        (1, "clock_mhz", "", missing.format("clock_mhz"), "add the column"),
    ]  # fmt: skip
    # The first of two columns counts.
    assert read.frame["gpu"].tolist() == ["A"]
    assert read.notices == [
        "gpus.csv: column 'speed' is kept but not used",
        "gpus.csv: column 'compute units' is kept but not used; is it compute_units?",
    ]


def test_a_column_that_is_there_is_no_near_match_of_one_that_is_not():
    (problem,) = parse_table(b"workload,weigth\nA,1\n", WORKLOADS).problems or [None]
    assert problem is None
    read = parse_table(b"system_,ram_mtps\nA,1\n", SYSTEMS)
    assert said(read) == [
        (1, "system", "system_", "the column system is required", "rename the column 'system_'")
    ]


def test_a_name_that_stands_twice_is_told_with_the_line_of_the_first():
    read = parse_table(b"workload,weight\nA,1\nB,1\n\nA,1\n,1\n,1\nA,2\n", WORKLOADS)
    once = "each workload once; line 2 has it already", "rename or remove one of the two"
    empty = "text, the cell is empty", "fill it"
    assert said(read) == [
        (5, "workload", "A", *once),
        (6, "workload", "", *empty),
        (7, "workload", "", *empty),
        (8, "workload", "A", *once),
    ]


@pytest.mark.parametrize(
    ("data", "table", "whole"),
    [
        (b"workload,weight\nA,1\n", WORKLOADS, True),
        (b"workload\nA\n", WORKLOADS, True),
        (b"weight\n1\n", WORKLOADS, False),
        (b'workload\nA\n"B', WORKLOADS, False),
        (b"workload\n\xff\n", WORKLOADS, False),
        (b"date\n2026-11-01\n", RATES, True),
    ],
    ids=["more than its names", "its names alone", "no names", "cut off", "not UTF-8", "nameless"],
)
def test_other_files_are_held_only_against_one_whose_names_are_all_known(data, table, whole):
    assert parse_table(data, table).whole is whole


def test_an_absent_optional_file_is_whole_and_one_that_is_refused_is_not(tmp_path):
    absent = read_table(tmp_path, RATES)
    assert (absent.whole, len(absent.frame), absent.problems) == (True, 0, [])
    refused = read_table(tmp_path, GPUS)
    assert (refused.whole, len(refused.frame)) == (False, 0)
    assert said(refused) == [(None, "", "", "the file is not there", "add it, or mend its name")]
    assert refused.frame.columns.tolist() == list(GPUS.names)
    assert refused.frame["compute_units"].dtype == "float64"


@pytest.mark.parametrize(
    ("table", "data", "problems"),
    [
        (WORKLOADS, b"workload\n", [(None, "", "", "at least one row", "add a row")]),
        (RATES, b"date,from,to,rate\n", []),
    ],
)
def test_only_a_required_file_needs_a_row(table, data, problems):
    assert said(parse_table(data, table)) == problems


def test_problems_of_the_whole_file_come_before_those_of_line_1():
    made = [
        Problem("a.csv", line, "", str(place), "", "") for place, line in enumerate((2, 1, None, 1))
    ]
    assert [(p.line, p.value) for p in in_order(made)] == [
        (None, "2"), (1, "1"), (1, "3"), (2, "0"),
    ]  # fmt: skip


def test_a_wrong_number_is_unknown_and_wrong_pixels_are_none():
    assert typed(["7", "x", ""], PASSES.column("width"), None).tolist() == [7, 0, 0]
    scale = typed(["0.5", "x", ""], PASSES.column("render_scale"), None).tolist()
    assert scale[0::2] == [0.5, 1.0]
    assert scale[1] != scale[1]
    days = typed(["2026-11-01", "x"], PASSES.column("date"), None)
    assert days.astype("datetime64[D]").astype(str).tolist() == ["2026-11-01", "NaT"]
