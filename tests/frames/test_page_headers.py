"""Headers of Parquet pages, written byte by byte in Thrift's compact protocol.

The encoding is that of Apache Thrift's "Thrift Compact protocol"; the examples of whole numbers are
those of the DWARF 5 standard (section 7.6, LEB128) and of the Protocol Buffers documentation
("Encoding", base 128 varints and ZigZag), all from memory.
"""

import tempfile
from types import SimpleNamespace

import pytest

from perfkit.frames import pages
from perfkit.frames.logs import BadLog
from perfkit.frames.pages import check_pages

TRUE, FALSE, BYTE, I16, I32, I64, DOUBLE, BINARY, LIST, SET, MAP, STRUCT = range(1, 13)
PLAIN, LENGTHS, PREFIXES = 0, 6, 7
LAST = b"\x00"


def varint(number):
    if number < 128:
        return bytes([number])
    return bytes([number & 127 | 128]) + varint(number >> 7)


def zigzag(number):
    return varint(2 * number if number >= 0 else -2 * number - 1)


def struct(*fields):
    """Write fields (number, kind, bytes), rising, by their distances."""
    text, before = b"", 0
    for number, kind, content in fields:
        step = number - before
        text += bytes([step << 4 | kind]) if 0 < step < 16 else bytes([kind]) + zigzag(number)
        text, before = text + content, number
    return text + LAST


def listed(kind, items):
    count = len(items)
    head = bytes([count << 4 | kind]) if count < 15 else bytes([0xF0 | kind]) + varint(count)
    return head + b"".join(items)


def i32(field, number):
    return field, I32, zigzag(number)


def i64(field, number):
    return field, I64, zigzag(number)


def page(unpacked, packed, encoding=PLAIN, version=1, more=()):
    """Write a page of data; its encoding is field 2 in version 1, field 4 in version 2."""
    about = (5, STRUCT, struct(i32(1, 9), i32(2, encoding)))
    if version == 2:
        about = (8, STRUCT, struct(i32(1, 9), i32(2, 0), i32(3, 9), i32(4, encoding)))
    fields = [i32(1, 0), i32(2, unpacked), i32(3, packed), about, *more]
    return struct(*sorted(fields, key=lambda field: field[0])) + b"x" * packed


def column(start, size, dictionary=None):
    more = () if dictionary is None else (i64(11, dictionary),)
    return struct((3, STRUCT, struct(i64(7, size), i64(9, start), *more)))


def group(*columns):
    return struct((1, LIST, listed(STRUCT, columns)))


def footer(*groups):
    return struct((4, LIST, listed(STRUCT, groups)))


class Schema(list):
    """The leaves of a file, as far as they are asked for."""

    column = list.__getitem__


def check(body, end, names=("a",), wanted=("a",), length=None):
    """Check a file of these bytes and this footer; columns by the names of its leaves."""
    schema = Schema(SimpleNamespace(path=name) for name in names)
    size = len(end) if length is None else length
    with tempfile.TemporaryFile() as file:
        file.write(b"PAR1" + body + end + size.to_bytes(4, "little") + b"PAR1")
        file.flush()
        return check_pages(file.fileno(), SimpleNamespace(schema=schema), wanted)


def refused(match, *args, **named):
    with pytest.raises(BadLog, match=match):
        check(*args, **named)


DAMAGED = "a damaged page header"


@pytest.mark.parametrize(
    ("text", "number"),
    [
        (b"\x00", 0),
        (b"\x02", 2),  # DWARF 5
        (b"\x7f", 127),
        (b"\x80\x01", 128),
        (b"\x81\x01", 129),
        (b"\xb9\x64", 12_857),
        (b"\x96\x01", 150),  # Protocol Buffers
        (b"\xff" * 9 + b"\x01", 2**64 - 1),
    ],
)
def test_whole_numbers_are_read_as_the_standards_write_them(text, number):
    assert pages._number(b"?" + text + b"?", 1) == (number, 1 + len(text))
    assert varint(number) == text


def test_a_number_of_more_than_ten_bytes_is_damaged_and_one_without_end_is_cut():
    with pytest.raises(BadLog, match=DAMAGED):
        pages._number(b"\x80" * 10 + b"\x00", 0)
    with pytest.raises(IndexError):
        pages._number(b"\x80" * 9, 0)


@pytest.mark.parametrize(
    ("written", "number"),
    [(0, 0), (1, -1), (2, 1), (3, -2), (4_294_967_294, 2_147_483_647), (4_294_967_295, -(2**31))],
)
def test_signs_alternate_as_in_the_published_table(written, number):
    # Protocol Buffers, "Encoding", table of ZigZag.
    text = varint(written)
    assert pages._signed(text, 0) == (number, len(text))
    assert zigzag(number) == text


def test_numbers_structures_and_lists_are_read_by_field_and_all_else_is_stepped_over():
    inner = struct(i32(1, -7), i64(3, 1 << 40))
    text = struct(
        (1, TRUE, b""),
        (2, FALSE, b""),
        (3, BYTE, b"\x05"),
        (4, I16, zigzag(-300)),
        (5, DOUBLE, b"\x00" * 7 + b"\x40"),
        (6, BINARY, varint(300) + b"n" * 300),
        (7, BINARY, varint(0)),
        (8, STRUCT, inner),
        (9, LIST, listed(STRUCT, [inner, inner])),
        (10, SET, listed(I32, [zigzag(n) for n in range(20)])),
        (11, LIST, listed(TRUE, [b"\x01", b"\x02", b"\x01"])),
        (12, LIST, listed(BINARY, [varint(2) + b"ab"] * 15)),
        (13, LIST, listed(LIST, [listed(STRUCT, [inner])] * 2)),
        (14, LIST, listed(STRUCT, [])),
        (15, LIST, listed(DOUBLE, [b"8 bytes."] * 14)),
        (16, LIST, listed(BYTE, [b"\xff"] * 3)),
        (99, I32, zigzag(5)),  # too far for a distance: its number is written out
    )
    there = {1: -7, 3: 1 << 40}
    found, place = pages._structure(b"??" + text + b"??", 2, 0)
    assert place == 2 + len(text)
    assert found == {
        **dict.fromkeys([1, 2, 3, 5, 6, 7]), 4: -300, 8: there, 9: [there, there],
        10: [], 11: [], 12: [], 13: [], 14: [], 15: [], 16: [], 99: 5,
    }  # fmt: skip
    for cut in range(len(text)):
        with pytest.raises(IndexError):
            pages._structure(text[:cut], 0, 0)


def test_a_field_told_twice_and_a_map_are_damage():
    assert pages._structure(struct(i32(1, 4)) + b"?", 0, 0)[0] == {1: 4}
    twice = bytes([1 << 4 | I32]) + zigzag(4) + bytes([I32]) + zigzag(1) + zigzag(4) + LAST
    for text in (twice, struct((1, MAP, b"\x00")), struct((1, 13, b"")), struct((1, 15, b""))):
        with pytest.raises(BadLog, match=DAMAGED):
            pages._structure(text, 0, 0)


@pytest.mark.parametrize("kind", [STRUCT, LIST])
def test_twelve_levels_are_the_deepest(kind):
    def nested(levels):
        if not levels:
            return struct(i32(1, 1))
        if kind == STRUCT:
            return struct((1, STRUCT, nested(levels - 1)))
        return struct((1, LIST, lists(levels)))

    def lists(levels):
        return listed(LIST, [lists(levels - 1)]) if levels > 1 else listed(I32, [zigzag(1)])

    assert pages._structure(nested(12), 0, 0)[1] == len(nested(12))
    with pytest.raises(BadLog, match=DAMAGED):
        pages._structure(nested(13), 0, 0)


def test_footers_and_headers_may_be_as_deep_as_any_structure():
    def deep(levels):
        return struct(i32(1, 1)) if not levels else struct((1, STRUCT, deep(levels - 1)))

    plain = page(80, 30)
    for levels in (12, 13):  # 9 is a field of nobody, its structure the first level
        body = page(80, 30, more=((9, STRUCT, deep(levels - 1)),))
        end = footer(group(column(4, len(body))))[:-1] + bytes([5 << 4 | STRUCT])
        end += deep(levels - 1) + LAST
        sound = footer(group(column(4, len(body))))
        if levels == 12:
            assert check(body, sound)
            assert check(body, end)
        else:
            refused(DAMAGED, body, sound)
            refused(DAMAGED, plain, end)


@pytest.mark.parametrize("version", [1, 2])
@pytest.mark.parametrize("encoding", [PLAIN, LENGTHS, PREFIXES])
def test_lengths_apart_are_told_and_prefixes_refused_in_both_versions(version, encoding):
    body = page(80, 30) + page(80, 30, encoding, version) + page(80, 30)
    end = footer(group(column(4, len(body))))
    if encoding == PREFIXES:
        refused("DELTA_BYTE_ARRAY", body, end)
    else:
        assert check(body, end) is (encoding == PLAIN)


def test_only_the_columns_that_are_read_are_walked_in_every_group():
    good, bad, apart = page(80, 30), page(pages.PAGE_BYTES + 1, 30), page(80, 30, LENGTHS)
    body = good + bad + good + apart
    places = [4, 4 + len(good), 4 + len(good + bad), 4 + len(good + bad + good)]
    sizes = [len(good), len(bad), len(good), len(apart)]
    first, second, third, fourth = (
        column(at, size) for at, size in zip(places, sizes, strict=True)
    )
    end = footer(group(first, second), group(third, fourth))
    assert check(body, end, ("a", "b"), ("a",)) is True
    refused("a page of 134,217,729 bytes", body, end, ("a", "b"), ("b",))
    assert check(body, footer(group(first), group(fourth))) is False
    assert check(body, footer(group(fourth), group(first))) is False
    refused(DAMAGED, body, footer(group(first)), ("a", "b"), ("b",))  # a group lacks the column


def test_pages_of_all_columns_and_groups_count_together(monkeypatch):
    body = page(80, 30) * 6
    one = len(page(80, 30))
    columns = [column(4 + 2 * one * n, 2 * one) for n in range(3)]
    end = footer(group(*columns[:2]), group(*columns[1:]))
    monkeypatch.setattr(pages, "MOST_PAGES", 8)
    assert check(body, end, ("a", "b"), ("a", "b"))
    monkeypatch.setattr(pages, "MOST_PAGES", 7)
    refused("may have 7 pages", body, end, ("a", "b"), ("a", "b"))


def test_a_column_begins_at_its_dictionary_where_that_stands_first():
    first, second = page(80, 30, LENGTHS), page(80, 30)
    one, both = len(first), len(first) + len(second)
    body = first + second

    def whole(*place):
        return check(body, footer(group(column(*place))))

    assert whole(4, both) is False
    assert whole(4 + one, both - one) is True
    assert whole(4 + one, both, 4) is False  # from the dictionary on
    assert whole(4 + one, both - one, 4 + one) is True
    assert whole(4, one, 4 + one) is False  # a dictionary behind the data is not where it begins
    assert whole(0, both, 4) is False  # no page of data
    assert whole(4 + one, both - one, 0) is True  # and no dictionary
    assert whole(4 + one, both - one, -9) is True
    refused(DAMAGED, body, footer(group(column(4, both, 1))))  # within the mark of the file


def test_a_column_ends_with_its_last_page_and_the_file():
    body = page(80, 30)
    for size, good in (
        (len(body), True),
        (len(body) - 1, False),
        (len(body) + 1, False),
        (0, True),
    ):
        end = footer(group(column(4, size)))
        if good:
            assert check(body, end)
        else:
            refused(DAMAGED, body, end)
    whole = 4 + len(body)
    for _ in range(2):  # the second time, with the length that the first one made
        end = footer(group(column(whole, 9)))
        whole = 4 + len(body) + len(end) + 8
    assert check(body, footer(group(column(whole, 0))))
    refused(DAMAGED, body, footer(group(column(whole + 1, 0))))


def test_a_page_may_be_empty_but_not_of_negative_size():
    assert check(page(0, 0), footer(group(column(4, len(page(0, 0))))))
    for fields in ([i32(2, -1), i32(3, 0)], [i32(2, 0), i32(3, -1)], [i32(2, 0)], [i32(3, 0)],
                   [(2, TRUE, b""), i32(3, 0)]):  # fmt: skip
        text = struct(*fields)
        refused(DAMAGED, text, footer(group(column(4, len(text)))))
    for place in ((-1, 4), (4, -1)):
        refused(DAMAGED, page(0, 0), footer(group(column(*place))))


def test_an_encoding_counts_only_in_the_header_of_a_page_of_data():
    # A dictionary page (field 7) may say 6 or 7 of its own, and field 5 may be a mere number.
    for fields in ([(7, STRUCT, struct(i32(1, 7), i32(2, 7)))], [i32(5, 7)], [i32(8, 6)]):
        text = struct(i32(1, 2), i32(2, 9), i32(3, 0), *fields)
        assert check(text, footer(group(column(4, len(text))))) is True


@pytest.mark.parametrize("length", [10, 600, 5_000, 40_000])
def test_headers_of_any_length_are_read_to_their_end(length):
    texts = ((4, BINARY, varint(length) + b"s" * length),)
    body = page(80, 30, more=texts) * 2
    assert check(body, footer(group(column(4, len(body)))))
    refused(DAMAGED, body, footer(group(column(4, len(body) - 31))))  # the last header is cut


def test_a_header_may_have_no_more_than_its_longest(monkeypatch):
    monkeypatch.setattr(pages, "_HEADER_READS", (64, 512))
    short, long = (page(80, 30, more=((4, BINARY, varint(n) + b"s" * n),)) for n in (400, 600))
    assert check(short + page(80, 999), footer(group(column(4, len(short + page(80, 999))))))
    refused(DAMAGED, long + page(80, 999), footer(group(column(4, len(long + page(80, 999))))))


def test_the_footer_stands_where_its_length_says(monkeypatch):
    body = page(80, 30)
    end = footer(group(column(4, len(body))))
    monkeypatch.setattr(pages, "FOOTER_BYTES", len(end))
    assert check(body, end)
    refused(DAMAGED, body, end, length=len(end) - 1)
    monkeypatch.setattr(pages, "FOOTER_BYTES", len(end) - 1)
    refused(f"a footer of {len(end):,} bytes", body, end)


def test_a_footer_without_groups_or_with_others_in_their_place_is_damaged():
    refused(DAMAGED, b"", struct(i32(1, 1)))
    refused(DAMAGED, b"", struct(i32(4, 1)))
    refused(DAMAGED, b"", footer(struct(i32(1, 1))))
    refused(DAMAGED, b"", footer(group(struct(i32(3, 1)))))
    assert check(b"", footer())


@pytest.mark.parametrize("size", range(9))
def test_files_of_a_few_bytes_are_damaged(size):
    with tempfile.TemporaryFile() as file:
        file.write(b"\xff\x00\x00\x00PAR1"[:size])
        file.flush()
        with pytest.raises(BadLog, match=DAMAGED):
            check_pages(file.fileno(), SimpleNamespace(schema=Schema()), ())
