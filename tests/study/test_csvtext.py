"""Bytes of a CSV file to rows: each limit at its edge, each line counted."""

import csv
import functools

import pytest

from perfkit.study import csvtext
from perfkit.study.csvtext import LONGEST_CELL, MOST_COLUMNS, parse_csv

SAVE = "save the file as CSV in UTF-8"


def said(raw):
    return [(p.line, p.value, p.allowed, p.action) for p in raw.problems]


@pytest.mark.parametrize(
    ("data", "problem"),
    [
        ("a,b\n".encode("utf-16-le"), (1, "\0", "text without NUL bytes", SAVE)),
        (b"a,b\n1,2\n\0", (3, "\0", "text without NUL bytes", SAVE)),
        (b"\n\0", (2, "\0", "text without NUL bytes", SAVE)),
        ("a".encode("utf-16"), (1, "", "UTF-8 text; this is UTF-16", SAVE)),
        (b"\xfe\xff\0a", (1, "", "UTF-8 text; this is UTF-16", SAVE)),
        ("a".encode("utf-32"), (1, "", "UTF-8 text; this is UTF-32", SAVE)),
        (b"\0\0\xfe\xff\0\0\0a", (1, "", "UTF-8 text; this is UTF-32", SAVE)),
    ],
)
def test_what_is_no_text_is_one_problem_and_nothing_is_read(data, problem):
    raw = parse_csv(data, "a.csv")
    assert said(raw) == [problem]
    assert (raw.header, raw.rows, raw.lines, raw.whole) == ([], [], [], False)


def test_every_line_that_is_not_utf_8_is_named_by_its_first_bad_byte():
    raw = parse_csv(b"a,b\n1,x\xe9y\xe8\n2,3\n\xe4,4\n", "a.csv")
    assert said(raw) == [(2, "\xe9", "UTF-8 text", SAVE), (4, "\xe4", "UTF-8 text", SAVE)]
    assert raw.rows == [["1", r"x\xe9y\xe8"], ["2", "3"], [r"\xe4", "4"]]
    assert raw.lines == [2, 3, 4]
    assert not raw.whole


def test_lines_that_are_not_utf_8_are_listed_up_to_a_limit(monkeypatch):
    monkeypatch.setattr(csvtext, "MOST_BAD_LINES", 2)
    one = parse_csv(b"a\n\xe9\n", "a.csv")
    assert (len(one.problems), one.rows) == (1, [["\\xe9"]])
    two = parse_csv(b"a\n\xe9\n\xe9\n\xe9\n", "a.csv")
    assert [problem.line for problem in two.problems] == [2, 3]
    assert (two.header, two.rows, two.whole) == ([], [], False)


@pytest.mark.parametrize("sign", [";", "\t", "|"])
def test_another_sign_between_columns_is_refused_only_where_no_comma_stands(sign):
    raw = parse_csv(f"a{sign}b\n1{sign}2\n".encode(), "a.csv")
    allowed = "columns separated by commas"
    assert said(raw) == [(1, f"a{sign}b", allowed, "save the file as comma-separated CSV")]
    both = parse_csv(f"a{sign}b,c\n1,2\n".encode(), "a.csv")
    assert (both.header, both.problems) == ([f"a{sign}b", "c"], [])
    assert parse_csv(b"a\n1\n", "a.csv").rows == [["1"]]


def test_columns_are_counted_to_the_last():
    names = [f"c{at}" for at in range(MOST_COLUMNS + 1)]
    raw = parse_csv(",".join(names).encode(), "a.csv")
    assert said(raw) == [
        (1, ",".join(names[:20]), "at most 1,000 columns", "keep the columns you need")
    ]
    most = parse_csv(",".join(names[:-1]).encode(), "a.csv")
    assert (most.header, most.problems, most.whole) == (names[:-1], [], True)


def test_rows_are_named_by_their_first_line_and_padded_or_cut_to_the_header():
    data = b'a,b\n1,2\n\n"x\ny",3\n4\n5,6,7\n,\n,8\n9,\n'
    raw = parse_csv(data, "a.csv")
    assert raw.rows == [
        ["1", "2"], ["x\ny", "3"], ["4", ""], ["5", "6"], ["", ""], ["", "8"], ["9", ""],
    ]  # fmt: skip
    assert raw.lines == [2, 4, 6, 7, 8, 9, 10]
    assert raw.broken == {6, 7, 8}
    assert raw.whole
    width = "2 cells as in the header, here are {}"
    commas = "add or remove commas; put a text that holds a comma in double quotes"
    assert said(raw) == [
        (6, "4", width.format(1), commas),
        (7, "5,6,7", width.format(3), commas),
        (8, "", "a row with at least one filled cell", "delete the line"),
    ]


def test_a_broken_row_shows_its_first_twenty_cells():
    raw = parse_csv(b"a\n" + b",".join(b"%d" % at for at in range(30)), "a.csv")
    assert raw.problems[0].value == ",".join(map(str, range(20)))


def test_lines_of_another_width_are_listed_up_to_a_limit(monkeypatch):
    monkeypatch.setattr(csvtext, "MOST_BAD_LINES", 3)
    two = parse_csv(b"a,b\n1\n2\n3,3\n", "a.csv")
    assert ([p.line for p in two.problems], two.whole) == ([2, 3], True)
    three = parse_csv(b"a,b\n1\n2\n3,3\n4\n5\n", "a.csv")
    assert [p.line for p in three.problems] == [2, 3, 5, 5]
    assert three.problems[-1].allowed == (
        "at most 3 lines of another width are listed; reading stopped here"
    )
    assert three.lines == [2, 3, 4]
    assert not three.whole


def test_cells_are_counted_to_the_last(monkeypatch):
    monkeypatch.setattr(csvtext, "TABLE_CELLS", 6)
    three = parse_csv(b"a,b\n1,1\n2,2\n3,3\n", "a.csv")
    assert (len(three.rows), three.problems, three.whole) == (3, [], True)
    four = parse_csv(b"a,b\n1,1\n2,2\n3,3\n4,4\n5,5\n", "a.csv")
    assert said(four) == [(5, "", "at most 6 cells in a table", "split the study")]
    assert (four.lines, four.whole) == ([2, 3, 4], False)


def test_an_open_quote_ends_the_reading_at_the_line_where_it_starts():
    raw = parse_csv(b'a,b\n1,2\n"3,4\n5,6\n', "a.csv")
    assert (raw.rows, raw.lines, raw.whole) == ([["1", "2"]], [2], False)
    (problem,) = raw.problems
    assert (problem.line, problem.allowed) == (
        3, "double quotes around a whole cell, those inside it doubled"
    )  # fmt: skip
    header = parse_csv(b'a,"b\n1,2\n', "a.csv")
    assert (header.header, header.rows, header.problems[0].line) == ([], [], 1)


@pytest.mark.parametrize("elsewhere", [100, 10**7])
def test_the_longest_cell_is_the_same_whatever_other_code_allows(
    elsewhere: int, request: pytest.FixtureRequest
) -> None:
    request.addfinalizer(functools.partial(csv.field_size_limit, csv.field_size_limit(elsewhere)))
    longest = "x" * LONGEST_CELL
    assert parse_csv(f"a,b\n1,{longest}\n".encode(), "t.csv").rows == [["1", longest]]
    allowed = f"cells of at most {LONGEST_CELL:,} characters"
    action = "shorten the cell, or close its quote"
    assert said(parse_csv(f"a,b\n1,{longest}x\n".encode(), "t.csv")) == [(2, "", allowed, action)]
    assert csv.field_size_limit() == elsewhere
