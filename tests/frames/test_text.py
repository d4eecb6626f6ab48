"""Text in blocks: where they end, how long lines may be, and which line is named."""

import io

import numpy as np
import pytest

from perfkit.frames import text as reader
from perfkit.frames.logs import BadLog
from perfkit.frames.text import (
    _csv_problem,
    _first_line,
    _Lines,
    check_lines,
    csv_columns,
    read_text,
)


class Piecewise(io.BytesIO):
    """A stream that gives a few bytes at a time."""

    def readinto(self, buffer):
        return super().readinto(buffer[:7])


@pytest.fixture
def small(monkeypatch):
    """Blocks of 16 bytes, lines of less than 32."""
    monkeypatch.setattr(reader, "_BLOCK_BYTES", 16)
    monkeypatch.setattr(reader, "_LONGEST_BYTES", 32)
    monkeypatch.setattr(reader, "_WHOLE_BYTES", 64)


def read(log):
    return np.concatenate(list(read_text(Piecewise(log), "t", "ms"))).tolist()


def never(*_):
    pytest.fail("Arrow was asked")


def blocks_of(text, size):
    lines, found = _Lines(Piecewise(text)), []
    while taken := lines.take(size):
        found.append(lines.copy(taken))
        lines.drop(taken)
    return found


@pytest.mark.usefixtures("small")
@pytest.mark.parametrize(
    ("text", "blocks"),
    [
        (b"", []),
        (b"1234567", [b"1234567"]),
        (b"1234567\n1234567\nx", [b"1234567\n1234567\n", b"x"]),
        (b"1234567\n12345678\nx", [b"1234567\n", b"12345678\nx"]),
        (b"1234567\r12345678\rx", [b"1234567\r", b"12345678\rx"]),
        # A return that ends a block may have its newline behind it: more is read.
        (b"12345678901234\r\n" + b"y" * 20, [b"12345678901234\r\n", b"y" * 20]),
        (b"123456789012345\r\n" + b"y" * 20, [b"123456789012345\r\n", b"y" * 20]),
        # A line longer than a block.
        (b"a" * 20 + b"\n" + b"b" * 20, [b"a" * 20 + b"\n", b"b" * 20]),
        (b"a" * 31 + b"\n" + b"b" * 31, [b"a" * 31 + b"\n", b"b" * 31]),
    ],
)
def test_blocks_are_whole_lines(text, blocks):
    assert blocks_of(text, 16) == blocks


@pytest.mark.usefixtures("small")
def test_a_line_of_the_longest_size_has_no_block():
    for text in (b"a" * 32 + b"\n", b"ok\n" + b"a" * 32 + b"\n", b"a" * 40, b"a" * 31 + b"\rb\n"):
        with pytest.raises(BadLog, match="lines of less than a megabyte"):
            blocks_of(text, 16)


@pytest.mark.usefixtures("small")
def test_the_first_bytes_hold_the_first_line_if_it_is_short_enough():
    for length, held in ((10, 16), (16, 32), (31, 32), (50, 32)):
        assert len(_Lines(Piecewise(b"a" * length + b"\n" + b"b" * 90)).first_bytes()) == held
    assert _Lines(Piecewise(b"t\n1")).first_bytes() == b"t\n1"


@pytest.mark.usefixtures("small")
@pytest.mark.parametrize("rows", range(1, 12))
@pytest.mark.parametrize("end", [b"\n", b"\r\n"])
def test_plain_numbers_are_cut_wherever_blocks_end_and_without_a_last_end(rows, end, monkeypatch):
    monkeypatch.setattr(reader, "_read_any", never)
    numbers = [n + 0.5 for n in range(rows)]
    text = b"a,t" + end + end.join(b"9,%d.5" % n for n in range(rows))
    if end == b"\n":
        assert read(text) == numbers
    assert read(text + end) == numbers


@pytest.mark.usefixtures("small")
@pytest.mark.parametrize("length", range(12, 34))
def test_a_last_line_without_end_is_read_whatever_its_length(length, monkeypatch):
    monkeypatch.setattr(reader, "_read_any", never)
    assert read(b"a,t\n" + b"x" * (length - 7) + b",7.25") == [7.25]


@pytest.mark.usefixtures("small")
@pytest.mark.parametrize("end", [b"\n", b"\r\n", b"\r"])
def test_a_frame_beyond_any_clock_is_named_by_its_line(end):
    for line in (2, 3, 9, 30):
        for number in (b"2000000000000000", b"2e15"):
            rows = [b"1,16.5"] * 30
            rows[line - 2] = b"1," + number
            with pytest.raises(BadLog) as raised:
                read(end.join([b"a,t", *rows]) + end)
            assert (raised.value.line, raised.value.value) == (line, "2000000000000000.0")


@pytest.mark.usefixtures("small")
def test_an_empty_line_is_a_line_without_a_number():
    for line in (2, 5, 20):
        rows = [b"16.5"] * 30
        rows[line - 2] = b""
        with pytest.raises(BadLog) as raised:
            read(b"\n".join([b"t", *rows]))
        assert (raised.value.line, raised.value.value) == (line, "nothing")


@pytest.mark.usefixtures("small")
@pytest.mark.parametrize("end", [b"\n", b"\r\n", b"\r"])
def test_lines_are_shorter_than_the_longest_at_every_place(end):
    long = b"x" * (32 - len(end))
    check_lines(b"t" + end + long + end + long + end + b"x" * 31)
    check_lines(b"h" * 99 + end + b"x" * 31)  # the first line is not looked at
    check_lines(b"t" + end + (b"1" + end) * 40)
    check_lines(b"t" + end + b"x" * 32)  # the last one has no end within so many
    for before in range(3):
        with pytest.raises(BadLog, match="lines of less than a megabyte"):
            check_lines(b"t" + end + (b"12" + end) * before + b"x" * 33)
        with pytest.raises(BadLog, match="lines of less than a megabyte"):
            check_lines(b"t" + end + (b"12" + end) * before + b"x" * 32 + end)


@pytest.mark.usefixtures("small")
def test_a_header_is_shorter_than_the_longest_line_and_has_no_nul():
    assert csv_columns(b"a" * 31 + b"\n1") == ["a" * 31]
    assert csv_columns(b"a" * 31) == ["a" * 31]
    assert csv_columns(b"") == csv_columns(b"\n1") == []
    assert csv_columns(b'"a,b",c\r1') == ["a,b", "c"]
    assert csv_columns(b"\xef\xbb\xbfa,b\n") == ["a", "b"]
    for start in (b"a" * 32 + b"\n", b"a" * 32, b"a\0b\n1"):
        with pytest.raises(BadLog, match="a log's first line names its columns"):
            csv_columns(start)


@pytest.mark.parametrize(
    ("text", "first"),
    [(b"a\nb", b"a\n"), (b"a\r\nb", b"a\r\n"), (b"a\rb", b"a\r"), (b"a", b"a"), (b"", b"")],
)
def test_the_first_line_has_its_end(text, first):
    assert _first_line(text) == first


@pytest.mark.parametrize("log", [b't,"\n16.5', b't,"\r\n16.5\n17,"', b't,"a\n\n""\n'])
def test_a_quote_that_the_header_leaves_open_is_no_readable_header(log):
    with pytest.raises(BadLog, match="no readable header") as raised:
        read(log)
    assert raised.value.line == 1


@pytest.mark.parametrize(
    ("said", "line", "value", "allowed"),
    [
        ("In CSV column #1: Row #3: CSV conversion error to double: invalid value 'a\nb'", 103,
         "a\nb", "a frame time is a positive number of us"),
        ("Row #3: invalid value ''", 103, "nothing", "a frame time is a positive number of us"),
        ("CSV parse error: Row #2: Expected 3 columns, got 1: 7", 102, "1 cells",
         "each line has 3 cells, as the header"),
        ("Expected 3 columns, got 4", None, "4 cells", "each line has 3 cells, as the header"),
        (" Row #1: odd ", 101, "Row #1: odd", "a whole, readable CSV log"),
        ("odd", None, "odd", "a whole, readable CSV log"),
    ],
)  # fmt: skip
def test_what_arrow_says_is_told_by_line_value_and_rule(said, line, value, allowed):
    found = _csv_problem(ValueError(said), "t", "us", 100)
    assert (found.line, found.value, found.allowed) == (line, value, allowed)
    assert found.column == ("t" if "us" in allowed else "")
