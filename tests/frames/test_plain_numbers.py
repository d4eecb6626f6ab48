"""Numbers cut out of text by NumPy are those that Arrow reads, to the bit; Arrow reads the rest."""

import io
import threading
from typing import ClassVar

import numpy as np
import pyarrow as pa
import pyarrow.csv
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from perfkit.frames import text as reader
from perfkit.frames.logs import BadLog
from perfkit.frames.plain_numbers import MARGIN, cut_column
from perfkit.frames.text import read_text

PLAIN = st.one_of(
    st.integers(1, 10**15 - 1).map(str),
    st.floats(1e-3, 9e5).flatmap(
        lambda x: st.integers(1, 8).map(lambda digits: f"{max(x, 10.0**-digits):.{digits}f}")
    ),
    st.sampled_from([".5", "7.", "007", "00.50", "1.00000000000001", "9007199254740.99"]),
)
UNUSUAL = st.sampled_from(
    [
        "1e1",
        "+5",
        " 5",
        "5 ",
        "16.683300018310547",
        "900719925474.0993",
        '"16.5"',
        "0.1e2",
        "12345678901234.75",
    ]
)
OTHER = st.sampled_from(["", "7", "a b", "(x)", "1.25", "\u00e9", "-3", "x" * 70])
NAMES = ("a", "frame_ms", "b", "c")


def log_of(rows, line_end, last_end=True):
    lines = [",".join(NAMES), *(",".join(row) for row in rows)]
    text = line_end.join(lines) + (line_end if last_end else "")
    return text.encode()


def with_arrow(log):
    table = pa.csv.read_csv(
        pa.BufferReader(log),
        read_options=pa.csv.ReadOptions(use_threads=False),
        convert_options=pa.csv.ConvertOptions(
            include_columns=["frame_ms"], column_types={"frame_ms": pa.float64()}
        ),
    )
    return table["frame_ms"].to_numpy()


def with_perfkit(log, column="frame_ms"):
    return np.concatenate(list(read_text(io.BytesIO(log), column, "ms")))


ROWS = st.lists(st.tuples(OTHER, PLAIN, OTHER, OTHER), min_size=1, max_size=30)


@settings(max_examples=60, deadline=None)
@given(ROWS, st.sampled_from(["\n", "\r\n"]), st.booleans(), st.sampled_from([128, 200, 1 << 18]))
def test_plain_logs_are_read_as_arrow_reads_them(rows, line_end, last_end, block):
    log = log_of(rows, line_end, last_end)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(reader, "_BLOCK_BYTES", block)
        np.testing.assert_array_equal(with_perfkit(log), with_arrow(log), strict=True)


@settings(max_examples=60, deadline=None)
@given(ROWS, UNUSUAL, st.integers(0, 30), st.sampled_from([128, 200, 1 << 18]))
def test_a_log_with_one_unusual_number_is_read_as_arrow_reads_it(rows, number, place, block):
    log = log_of([*rows[:place], ("7", number, "", ""), *rows[place:]], "\n")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(reader, "_BLOCK_BYTES", block)
        np.testing.assert_array_equal(with_perfkit(log), with_arrow(log), strict=True)


def cut(text, cells=2, place=1):
    edge = b"9" * MARGIN  # what stands around the text must not matter
    return cut_column(np.frombuffer(edge + text + edge, np.uint8), cells, place)


@pytest.mark.parametrize("place", [0, 1, 2])
@pytest.mark.parametrize("line_end", [b"\n", b"\r\n"])
def test_every_place_of_a_line_can_be_cut(place, line_end):
    lines = [b"%d,%d.25,%d7" % (i, i, i) for i in range(1, 400)]
    text = b"".join(line + line_end for line in lines)
    expected = [(i, i + 0.25, 10 * i + 7)[place] for i in range(1, 400)]
    assert cut(text, 3, place).tolist() == expected


@pytest.mark.parametrize(
    "line",
    [
        b"1,",
        b"1,.",
        b"1,0",
        b"1,1.2.3",
        b"1,123456.89.123456",
        b"1,-5",
        b"1,5e1",
        b"1,\xb2",
        b"1,\xb0\xb1",
        b"1,1/2",
        b"1,1:2",
        b"1,12345678901234567",
        b"1,9999999999999999",
        b'"1",5',
        b"1\r,5",
        b"1,5\r",
        b"1",
        b"1,5,6",
        b"",
    ],
)
def test_what_is_not_plain_is_left_alone(line):
    before, after = b"1,16.5\n" * 3, b"1,16.5\n" * 3
    assert cut(before + after).tolist() == [16.5] * 6
    assert cut(before + line + b"\n" + after) is None


NUMBERS = [  # of every width, the point in the lower eight characters, in the upper ones, or absent
    "1", "12345678", "1234.567", ".5", "7.", "123456789", "12345678.", ".12345678", "1.2345678",
    "12345678.9", "1234567890.12345", "1.23456789012345", "123456789012345.", "1234567890123.45",
    "1234567890123456", "9007199254740992", "0000000000000001", "000000.500000000", "16.683300018",
]  # fmt: skip


@pytest.mark.parametrize("number", NUMBERS)
def test_a_number_alone_is_the_nearest_float_to_its_text(number):
    # Python reads the nearest, as IEEE 754 asks.
    assert cut(f"1,{number}\n".encode()).tolist() == [float(number)]
    assert cut(f"{number}\r\n".encode(), 1, 0).tolist() == [float(number)]


@pytest.mark.parametrize("line_end", ["\n", "\r\n"])
def test_numbers_of_all_widths_are_cut_beside_each_other(line_end):
    text = "".join(f"{number},{number}{line_end}" for number in [*NUMBERS, *NUMBERS[::-1]])
    for place in (0, 1):
        assert cut(text.encode(), 2, place).tolist() == [*map(float, [*NUMBERS, *NUMBERS[::-1]])]


def test_what_needs_more_than_53_bits_or_16_characters_is_left_to_arrow():
    for number in (b"9007199254740993", b"12345678901234567", b"1.234567890123456", b"0.0", b"."):
        assert cut(b"1," + number + b"\n") is None


def test_a_return_ends_a_line_only_just_before_its_newline():
    good = b"1,5\r\n1,6\r\n"
    assert cut(good).tolist() == [5.0, 6.0]
    for bad in (b"1,5\r6\n", b"1,5\r\n1,6\n", b"1,5\n\r", b"1\r,6\n"):
        assert cut(good + bad) is None
        assert cut(bad + good) is None


def test_lower_bytes_in_other_cells_do_not_matter_but_quotes_do():
    assert cut(b"a b!#,5\n\t(x)*+,6\n").tolist() == [5.0, 6.0]
    assert cut(b'a "b",5\nc,6\n') is None


def test_lines_of_wrong_lengths_that_add_up_are_left_alone():
    assert cut(b"1,2,3\n1\n", cells=2) is None
    assert cut(b"1\n1,2,3\n", cells=2) is None


@pytest.mark.parametrize("block", [128, 1 << 18])
@pytest.mark.parametrize(
    ("bad", "value"), [("x", "x"), ("", "nothing"), ("0", "0.0"), ("nan", "nan"), ('"3,5"', "3,5")]
)
@pytest.mark.parametrize("line", [2, 3, 150, 301])
def test_a_bad_number_is_named_by_its_line_wherever_blocks_end(
    block, bad, value, line, monkeypatch
):
    monkeypatch.setattr(reader, "_BLOCK_BYTES", block)
    rows = [("1", "16.5", "", "")] * 300
    rows[line - 2] = ("1", bad, "", "")
    with pytest.raises(BadLog) as raised:
        with_perfkit(log_of(rows, "\n"))
    assert (raised.value.line, raised.value.value) == (line, value)


def test_a_wrong_number_of_cells_late_in_a_log_is_named_by_its_line(monkeypatch):
    monkeypatch.setattr(reader, "_BLOCK_BYTES", 128)
    rows = [("1", "16.5", "", "")] * 300
    rows[200] = ("1", "16.5", "")
    with pytest.raises(BadLog, match="each line has 4 cells") as raised:
        with_perfkit(log_of(rows, "\n"))
    assert (raised.value.line, raised.value.value) == (202, "3 cells")


@pytest.mark.parametrize("header", [b'"a","frame_ms"', b'a,"frame_ms"', b"a,frame_ms"])
def test_quoted_names_do_not_make_numbers_unusual(header, monkeypatch):
    monkeypatch.setattr(reader, "_read_any", lambda *_: pytest.fail("not plain"))
    assert with_perfkit(header + b"\n1,16.5\n2,17\n").tolist() == [16.5, 17.0]


def test_more_frames_than_a_text_may_have_are_refused(monkeypatch):
    monkeypatch.setattr(reader, "TEXT_FRAMES", 299)
    for number in ("16.5", "1.65e1"):
        with pytest.raises(BadLog, match="a log of text may have 299 frames"):
            with_perfkit(log_of([("1", number, "", "")] * 300, "\n"))
        assert len(with_perfkit(log_of([("1", number, "", "")] * 299, "\n"))) == 299


class Watched(io.BytesIO):
    """A stream that keeps who reads it."""

    readers: ClassVar[set[int]] = set()

    def readinto(self, buffer):
        self.readers.add(threading.get_ident())
        return super().readinto(buffer)


def test_a_log_too_long_to_hold_goes_to_arrow_in_pieces_read_by_no_other_thread(monkeypatch):
    monkeypatch.setattr(reader, "_WHOLE_BYTES", 4096)
    monkeypatch.setattr(reader, "_BLOCK_BYTES", 1024)
    numbers = ["16.5"] * 30_000 + ["1.65e1"] + ["17"] * 30_000
    log = Watched(log_of([("1", number, "", "") for number in numbers], "\n"))
    blocks = list(read_text(log, "frame_ms", "ms"))
    assert len(blocks) > 100
    assert np.concatenate(blocks).tolist() == [float(number) for number in numbers]
    # A thread of Arrow's that reads a Python stream while the program ends would abort it.
    assert Watched.readers == {threading.get_ident()}


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_lines_may_be_longer_than_a_block_but_not_a_megabyte(end, monkeypatch):
    monkeypatch.setattr(reader, "_BLOCK_BYTES", 128)
    monkeypatch.setattr(reader, "_WHOLE_BYTES", 1 << 12)
    monkeypatch.setattr(reader, "_LONGEST_BYTES", 1 << 10)
    rows = [("1", "16.5", "x" * 900, ""), ("1", "16.5", "y" * 90, "")] * 9
    assert with_perfkit(log_of(rows, end)).tolist() == [16.5] * 18
    with pytest.raises(BadLog, match="lines of less than a megabyte"):
        with_perfkit(log_of([*rows, ("1", "16.5", "x" * 1200, "")], end))


def test_a_disk_that_fails_in_the_middle_of_a_log_is_told():
    class Failing(io.BytesIO):
        def readinto(self, buffer):
            if self.tell() > 1000:
                raise OSError(5, "no such luck")
            return super().readinto(buffer[:600])

    log = Failing(log_of([("1", "16.5", "", "")] * 400, "\n"))
    with pytest.raises(BadLog, match="a whole, readable CSV log"):
        list(read_text(log, "frame_ms", "ms"))
