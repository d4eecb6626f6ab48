"""Random good studies load exactly as written; one random defect is found in its very cell."""

import csv
import datetime
import io
import tempfile
from pathlib import Path

import pandas as pd
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import perfkit as pk
from perfkit.study import inspect_study
from perfkit.study.csvtext import parse_csv
from perfkit.study.schema import TABLES
from perfkit.study.settings import read_settings
from tests.study.make import SETTINGS

SLOW = settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
NAMES = st.text(st.characters(codec="utf-8", exclude_characters="\0\r"), min_size=1, max_size=6)
NEVER = {"numbers": ["x", "1,5", "1_0", "nan", "inf", "-1e-9", "1e300", "0x1", " 1", "1e999", "--"]}
WRONG = {
    "number": NEVER["numbers"],
    "integer": [*NEVER["numbers"], "1.5"],
    "pixels": [*NEVER["numbers"], "1.5", "0", ""],
    "date": ["45962", "1/2/2026", "2026-13-01", "2026-1-1", "20261101", "2026-11-01T00:00"],
    "choice": ["zzz", " "],
    "currency": ["usd", "US", "USDX", "€"],
}


def cells(column, names):
    """Draw what a cell of `column` may hold in a good study."""
    if column.refers:
        options = st.sampled_from(names[column.refers[0][0]])
    elif column.kind in ("integer", "pixels"):
        low = max(column.low, 1)
        options = st.integers(int(low), int(min(column.high, 10_000))).map(str)
    elif column.kind == "number":
        low = column.low + 1e-6 if column.above else column.low
        options = st.floats(low, min(column.high, 1e9)).map(repr)
    elif column.kind == "date":
        options = st.dates(datetime.date(1970, 1, 1), datetime.date(2200, 12, 31)).map(str)
    elif column.kind == "choice":
        options = st.sampled_from(column.allowed)
    elif column.kind == "currency":
        options = st.just("USD")
    else:
        options = NAMES
    return options if column.required else st.one_of(st.just(""), options)


@st.composite
def tables(draw):
    """Columns and rows of the required files and targets.csv, parts.csv and workloads.csv."""
    names = {
        name: draw(st.lists(NAMES, min_size=1, max_size=4, unique=True))
        for name in ("gpus", "systems", "workloads", "parts", "passes")
    }
    made = {}
    for name in ("gpus", "systems", "workloads", "parts", "passes", "targets"):
        table = TABLES[name]
        optional = [c for c in table.columns if not c.required and c.kind != "path"]
        kept = draw(st.lists(st.sampled_from(optional), unique=True)) if optional else []
        columns = draw(st.permutations([*(c for c in table.columns if c.required), *kept]))
        rows = []
        for name_here in names.get(name, ["", ""]):
            row = {column.name: draw(cells(column, names)) for column in columns}
            if table.unique:
                row[table.unique[0]] = name_here
            if name == "passes":
                row["avg_fps"] = repr(draw(st.floats(0.001, 1e6)))
                row["void_reason"] = draw(NAMES)
            if name == "workloads":
                row["weight"] = "1"
            rows.append(row)
        made[name] = rows
    return made


def text_of(rows, quoting, line_end):
    target = io.StringIO(newline="")
    writer = csv.DictWriter(target, list(rows[0]), lineterminator=line_end, quoting=quoting)
    writer.writeheader()
    lines = []
    for row in rows:
        lines.append(1 + len(io.StringIO(target.getvalue(), newline="").readlines()))
        writer.writerow(row)
    return target.getvalue(), lines


def write(folder, made, quoting=csv.QUOTE_MINIMAL, line_end="\n"):
    (folder / "study.toml").write_text(SETTINGS)
    lines = {}
    for name, rows in made.items():
        text, lines[name] = text_of(rows, quoting, line_end)
        (folder / f"{name}.csv").write_bytes(text.encode())
    return lines


@SLOW
@given(
    tables(), st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL]), st.sampled_from(["\n", "\r\n"])
)
def test_a_random_good_study_is_read_exactly(made, quoting, line_end):
    with tempfile.TemporaryDirectory() as folder:
        lines = write(Path(folder), made, quoting, line_end)
        study = pk.load_study(folder)
    for name, rows in made.items():
        frame = getattr(study, name)
        assert frame.index.tolist() == lines[name]
        for column in TABLES[name].columns:
            written = [row.get(column.name, "") or column.default for row in rows]
            read = frame[column.name]
            if column.kind in ("number", "integer", "pixels"):
                assert [x for x in read if x == x] == [float(x) for x in written if x]
                assert read.isna().tolist() == [not x for x in written]
            elif column.kind == "date":
                assert [x.strftime("%Y-%m-%d") if x == x else "" for x in read] == written
            else:
                assert read.tolist() == written


@SLOW
@given(tables(), st.data())
def test_one_random_defect_is_found_in_its_cell_and_nowhere_else(made, data):
    places = [
        (name, row, column)
        for name, rows in made.items()
        for row, cells_of_row in enumerate(rows)
        for column in TABLES[name].columns
        if column.name in cells_of_row and (column.kind in WRONG or column.refers)
    ]
    name, row, column = data.draw(st.sampled_from(places))
    wrong = WRONG.get(column.kind, ["no such name at all, nowhere"])
    value = data.draw(st.sampled_from(wrong))
    made[name][row][column.name] = value
    with tempfile.TemporaryDirectory() as folder:
        lines = write(Path(folder), made)
        (problem,) = inspect_study(folder).problems
    assert (problem.file, problem.line) == (f"{name}.csv", lines[name][row])
    assert (problem.column, problem.value) == (column.name, value)
    assert problem.allowed
    assert problem.action
    assert len(str(problem).splitlines()) == 1


@settings(max_examples=300, deadline=None)
@given(st.binary(max_size=200))
def test_any_bytes_are_a_table_or_have_a_problem(data):
    raw = parse_csv(data, "x.csv")
    assert raw.problems or (raw.header and raw.whole)
    assert len(raw.rows) == len(raw.lines) == len(set(raw.lines))
    assert all(len(row) == len(raw.header) for row in raw.rows)
    assert raw.lines == sorted(raw.lines)


@settings(max_examples=150, deadline=None)
@given(st.one_of(st.binary(max_size=200), st.text(max_size=200).map(str.encode)), st.booleans())
def test_any_bytes_are_settings_or_have_a_problem(data, good_start):
    start = SETTINGS.encode() if good_start else b""
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "study.toml").write_bytes(start + data)
        read = read_settings(Path(folder))
    assert read.problems or read.keys["currency"] == "USD"
    assert all(len(str(problem).splitlines()) == 1 for problem in read.problems)


@settings(max_examples=25, deadline=None)
@given(st.sampled_from(list(TABLES)), st.binary(max_size=300), st.booleans())
def test_any_bytes_in_any_file_never_raise(name, data, keep_header):
    with tempfile.TemporaryDirectory() as folder:
        write(Path(folder), {"systems": [{"system": "s"}]})
        header = ",".join(TABLES[name].names).encode() + b"\n" if keep_header else b""
        (Path(folder) / f"{name}.csv").write_bytes(header + data)
        inspection = inspect_study(folder)
    assert inspection.study is None
    assert isinstance(inspection.passes, pd.DataFrame)
    assert all(problem.allowed and problem.action for problem in inspection.problems)
