"""Logs of every form are read exactly; bad ones are all named, with their line."""

import gzip
import io

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from perfkit.errors import StudyError
from perfkit.frames import log_problems, logs, summarize_passes
from perfkit.frames.logs import (
    BadLog,
    as_frame_times,
    check_parquet_column,
    check_times,
    open_parquet,
    read_parquet_blocks,
    to_ms,
    unreadable_parquet,
)
from perfkit.frames.text import check_lines
from perfkit.study.folder import Refused
from tests.frames.make import clean_pass, csv_log, make_study, parquet_log

TIMES = clean_pass(np.random.default_rng(0), 1200)


def one_log(folder, name, content, **named):
    return make_study(folder, [{"pass_id": "p", "log": name}], {name: content}, **named)


def problems_of(folder, name, content, **named):
    study = one_log(folder, name, content, **named)
    return log_problems(study.path, study.log_format, study.passes)


FORMS = {
    "csv": ("a.csv", csv_log(TIMES)),
    "no last line end": ("a.csv", csv_log(TIMES).rstrip()),
    "BOM and CRLF": ("a.csv", b"\xef\xbb\xbf" + csv_log(TIMES).replace(b"\n", b"\r\n")),
    "gzip": ("a.csv.gz", gzip.compress(csv_log(TIMES))),
    "gzip in two members": (
        "a.csv.gz",
        gzip.compress(csv_log(TIMES)[:5000]) + gzip.compress(csv_log(TIMES)[5000:]),
    ),
    "parquet": ("a.parquet", parquet_log({"frame_ms": TIMES})),
    "parquet in row groups": ("a.parquet", parquet_log({"frame_ms": TIMES}, row_group_size=7)),
    "more columns": ("a.parquet", parquet_log({"x": [["nested"]] * 1200, "frame_ms": TIMES})),
}


@pytest.mark.parametrize("form", FORMS)
def test_every_form_gives_the_same_numbers_to_the_bit(form, tmp_path):
    row = summarize_passes(one_log(tmp_path, *FORMS[form])).iloc[0]
    assert row["frames"] == 1200
    assert row["seconds"] == TIMES.sum() / 1000
    assert row["avg_fps"] == 1000 * 1200 / TIMES.sum()
    assert row["low_1pct_fps"] == 1000 / np.quantile(TIMES, 0.99)
    assert row["median_ms"] == np.quantile(TIMES, 0.5)


@pytest.mark.parametrize(
    ("unit", "values"),
    [
        ("s", [0.0167, 0.5]),
        ("ms", [16.7, 500.0]),
        ("us", [16_700, 500_000]),
        ("ns", [16_700_000, 5e8]),
    ],
)
def test_units_are_converted_with_one_rounding(unit, values, tmp_path):
    expected = {"s": 1000 * 0.0167, "ms": 16.7, "us": 16_700 / 1000, "ns": 16_700_000 / 1e6}[unit]
    assert to_ms(np.array(values, dtype=float), unit)[0] == expected
    study = one_log(tmp_path, "a.csv", csv_log(values), unit=unit)
    assert summarize_passes(study)["seconds"][0] == pytest.approx(0.5167, rel=1e-15)


def test_an_unknown_unit_is_an_error():
    with pytest.raises(KeyError, match="frame_time_unit is s, ms, us or ns, not 'min'"):
        to_ms(np.ones(1), "min")


@pytest.mark.parametrize("kind", [pa.float32(), pa.int32(), pa.uint64(), pa.float16()])
def test_number_types_of_parquet(kind, tmp_path):
    values = pa.array(np.array([16, 17, 18]), pa.int64()).cast(kind)
    row = summarize_passes(one_log(tmp_path, "a.parquet", parquet_log({"frame_ms": values}))).iloc[
        0
    ]
    assert (row["frames"], row["seconds"]) == (3, 0.051)


GOOD = csv_log([16.0, 17.0])
BAD_TEXTS = {
    "text": (b"frame,frame_ms\n0,16\n1,abc\n", 3, "abc"),
    "decimal comma": (b'frame,frame_ms\n0,16\n1,"16,7"\n', 3, "16,7"),
    "thousands sign": (b"frame,frame_ms\n0,1_900\n", 2, "1_900"),
    "empty cell": (b"frame,frame_ms\n0,16\n1,\n", 3, "nothing"),
    "nan": (b"frame,frame_ms\n0,nan\n", 2, "nan"),
    "NA": (b"frame,frame_ms\n0,NA\n", 2, "NA"),
    "infinite": (b"frame,frame_ms\n0,inf\n", 2, "inf"),
    "zero": (b"frame,frame_ms\n0,16\n1,16\n2,0\n", 4, "0.0"),
    "negative": (b"frame,frame_ms\n0,16\n1,-16\n", 3, "-16.0"),
    "NUL byte": (b"frame,frame_ms\n0,1\x006\n", 2, "1\x006"),
    "empty line": (b"frame,frame_ms\n0,16\n\n1,16\n", 3, "nothing"),
    "missing cell": (b"frame,frame_ms\n0,16\n1\n", 3, "1 cells"),
    "one cell more": (b"frame,frame_ms\n0,16\n1,16,7\n", 3, "3 cells"),
    "other column": (b"frame,time\n0,16\n", 1, "columns frame, time"),
    "semicolons": (b"frame;frame_ms\n0;16\n", 1, "columns frame;frame_ms"),
    "column twice": (b"frame_ms,frame_ms\n16,17\n", 1, "it more than once"),
    "UTF-16": ("frame,frame_ms\n0,16\n".encode("utf-16"), 1, "bytes that are not UTF-8"),
    "no frame": (b"frame,frame_ms\n", None, "no frame"),
    "empty file": (b"", 1, ""),
    "a stray line end in a quoted name": (
        b'a,"frame_ms,"e\r2\r\n2,"3"\r\n',
        1,
        "columns a, frame_ms,e",
    ),
    "a name without end": (b"frame_ms," + b"x" * 200_000 + b"\n16,1\n", 1, "no readable header"),
    "beyond any clock": (b"frame,frame_ms\n0,1e300\n", 2, "1e+300"),
}


@pytest.mark.parametrize("case", BAD_TEXTS)
def test_bad_text_logs_are_refused_by_line_and_value(case, tmp_path):
    content, line, value = BAD_TEXTS[case]
    (problem,) = problems_of(tmp_path, "a.csv", content)
    assert (problem.file, problem.line, problem.value) == ("a.csv", line, value)
    assert problem.action == "mend the log of pass p (passes.csv, line 2)"


def test_a_late_bad_line_is_named_exactly(tmp_path):
    lines = csv_log(np.full(200_000, 16.0)).decode().splitlines()
    lines[150_000] = "149999,oops"
    (problem,) = problems_of(tmp_path, "a.csv", "\n".join(lines).encode())
    assert (problem.line, problem.value) == (150_001, "oops")
    assert problem.allowed == "a frame time is a positive number of ms"


BAD_PARQUETS = {
    "text": ({"frame_ms": ["16"]}, "type string"),
    "nested": ({"frame_ms": [[16.0]]}, "type list<element: double>"),
    "object": ({"frame_ms": [{"ms": 16.0}]}, "type struct<ms: double>"),
    "boolean": ({"frame_ms": [True]}, "type bool"),
    "other column": ({"time": [16.0]}, "columns time"),
    "unknown": ({"frame_ms": [16.0, None]}, "nothing"),
    "zero": ({"frame_ms": [16, 0]}, "0"),
    "not finite": ({"frame_ms": [16.0, np.nan]}, "nan"),
    "no frame": ({"frame_ms": pa.array([], pa.float64())}, "no frame"),
}


@pytest.mark.parametrize("case", BAD_PARQUETS)
def test_bad_parquet_logs_are_refused(case, tmp_path):
    columns, value = BAD_PARQUETS[case]
    (problem,) = problems_of(tmp_path, "a.parquet", parquet_log(columns))
    assert problem.value == value
    if case in ("unknown", "zero", "not finite"):
        assert problem.allowed == "a frame time is a positive number of ms (row 2 of the log)"


DAMAGED = {
    "cut gzip": ("a.csv.gz", gzip.compress(csv_log(TIMES))[:-200], "cut short or damaged"),
    "no gzip": ("a.csv.gz", csv_log(TIMES), "cut short or damaged"),
    "cut parquet": ("a.parquet", FORMS["parquet"][1][:-200], "a whole, readable Parquet log"),
    "no parquet": ("a.parquet", b"PAR1 hello PAR1", "a whole, readable Parquet log"),
    "empty parquet": ("a.parquet", b"", "a whole, readable Parquet log"),
}


@pytest.mark.parametrize("case", DAMAGED)
def test_damaged_files_are_refused(case, tmp_path):
    name, content, allowed = DAMAGED[case]
    (problem,) = problems_of(tmp_path, name, content)
    assert allowed in problem.allowed
    assert problem.line is None


def test_a_parquet_damaged_inside_is_refused(tmp_path):
    content = bytearray(parquet_log({"frame_ms": np.random.default_rng(1).random(50_000) + 1}))
    content[20_000:60_000] = b"\xff" * 40_000
    found = problems_of(tmp_path, "a.parquet", bytes(content))
    # Without checksums damage may also decode to numbers; these bytes decode to NaN.
    assert len(found) == 1
    assert found[0].file == "a.parquet"


def test_text_that_outgrows_the_limit_is_refused(tmp_path, monkeypatch):
    from perfkit.study import folder

    monkeypatch.setattr(folder.Bounded.__init__, "__defaults__", (10_000,))
    monkeypatch.setattr(folder.open_text, "__defaults__", (10_000,))
    (problem,) = problems_of(tmp_path, "a.csv.gz", gzip.compress(csv_log(TIMES)))
    assert problem.allowed == "a log may grow to 10,000 bytes of text"
    assert issubclass(Refused, Exception)


def test_every_bad_log_is_listed_and_good_ones_are_not(tmp_path):
    contents = {"a.csv": BAD_TEXTS["text"][0], "b.csv": GOOD, "c.csv": BAD_TEXTS["zero"][0]}
    rows = [{"pass_id": name[0], "log": name} for name in contents]
    study = make_study(tmp_path, rows, contents)
    with pytest.raises(StudyError) as raised:
        summarize_passes(study)
    assert str(raised.value).splitlines() == [
        "2 problems in this study",
        "  a.csv, line 3, frame_ms: found 'abc'; a frame time is a positive number of ms; "
        "mend the log of pass a (passes.csv, line 2)",
        "  c.csv, line 4, frame_ms: found '0.0'; a frame time is a positive number of ms; "
        "mend the log of pass c (passes.csv, line 4)",
    ]


@pytest.mark.parametrize("end", [b"\n", b"\r\n", b"\r"])
def test_a_line_of_a_megabyte_is_refused_at_any_place(end):
    row, million = b"1,16.5" + end, b"x" * (1 << 20)
    check_lines(row * 400_000)
    check_lines(million[:-1] + end + million[:-1])
    for before in (row, row * 7, row * 200_000):
        with pytest.raises(BadLog, match="less than a megabyte"):
            check_lines(before + million + end + row)


@pytest.mark.parametrize("unit", ["ms", "ns"])
def test_the_shortest_and_the_longest_frame_of_any_clock_are_the_last_that_pass(unit):
    factor = {"ms": 1.0, "ns": 1e6}[unit]
    good = np.array([1e-12, 16.0, 1e15]) * factor
    assert check_times(good, unit, "t", 0, 2).tolist() == [1e-12, 16.0, 1e15]
    for wrong in (np.nextafter(1e-12, 0), np.nextafter(1e15, np.inf), np.nan, np.inf, 0.0):
        values = np.array([1e-12, 1e15, wrong, wrong]) * factor
        with pytest.raises(BadLog) as raised:
            check_times(values, unit, "t", 30, 2)
        assert (raised.value.line, raised.value.value) == (34, str(values[2]))
        assert raised.value.allowed == f"a frame time is a positive number of {unit}"
        with pytest.raises(BadLog) as raised:
            check_times(values, unit, "t", 30, None)
        assert raised.value.line is None
        assert raised.value.allowed.endswith(f"number of {unit} (row 33 of the log)")
    assert check_times(np.empty(0), unit, "t", 0, 2).tolist() == []


def test_whole_numbers_are_checked_as_such_and_an_unknown_one_is_named_by_its_place():
    assert as_frame_times(pa.array([1, 2000]), "us", "t", 0, 2).tolist() == [0.001, 2.0]
    column = pa.array([16.0, 17.0, None, None])
    for first_line, line, row in ((2, 14, ""), (None, None, " (row 13 of the log)")):
        with pytest.raises(BadLog) as raised:
            as_frame_times(column, "s", "t", 10, first_line)
        bad = raised.value
        assert (bad.line, bad.column, bad.value) == (line, "t", "nothing")
        assert bad.allowed == f"a frame time is a positive number of s{row}"


def test_what_a_reader_says_is_told_in_its_first_line():
    assert unreadable_parquet(OSError(" first \nsecond")).value == "first "
    assert unreadable_parquet(MemoryError()).value == "MemoryError"
    assert unreadable_parquet(ValueError("  ")).value == "ValueError"


def test_a_bad_log_says_what_to_do_unless_the_caller_knows_better():
    assert BadLog(3, "t", "x", "y").problem("a.csv", "mend").action == "mend"
    problem = BadLog(3, "t", "x", "y", "split it").problem("a.csv", "mend")
    assert (problem.file, problem.line, problem.column, problem.action) == (
        "a.csv", 3, "t", "split it",
    )  # fmt: skip


@pytest.mark.parametrize(
    "kind", [pa.int8(), pa.int64(), pa.uint16(), pa.float16(), pa.float32(), pa.float64()]
)
def test_every_kind_of_number_is_a_frame_time(kind, tmp_path):
    values = pa.array(np.array([16, 17], kind.to_pandas_dtype()), kind)
    study = one_log(tmp_path, "a.parquet", parquet_log({"frame_ms": values}))
    assert summarize_passes(study)["seconds"][0] == 0.033


def test_one_column_has_the_name_of_the_frame_times(tmp_path):
    for names, told in ((["frame_ms"] * 2, "2 columns of that name"), (["a", "b"], "columns a, b"),
                        (["frame_ms", "b"], None)):  # fmt: skip
        buffer = io.BytesIO()
        pq.write_table(pa.Table.from_arrays([pa.array([1.0])] * 2, names), buffer)
        buffer.seek(0)
        file = open_parquet(buffer)
        if told:
            with pytest.raises(BadLog) as raised:
                check_parquet_column(file, "frame_ms")
            assert raised.value.value == told
        else:
            check_parquet_column(file, "frame_ms")


def test_a_bad_frame_of_a_later_batch_is_named_by_its_row(monkeypatch):
    monkeypatch.setattr(logs, "_BATCH_ROWS", 4)
    for bad in (None, -1.0):
        file = open_parquet(io.BytesIO(parquet_log({"t": [16.0] * 9 + [bad]})))
        with pytest.raises(BadLog, match=r"row 10 of the log"):
            list(read_parquet_blocks(file, "t", "ms"))
