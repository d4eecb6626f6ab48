"""Sizes that the pages of a Parquet file claim, checked before anything is unpacked.

A few bytes may unpack to gigabytes, and Arrow has no limit of its own. Each page says in its header
how large it becomes, so the headers alone are walked: Apache Parquet format 2.x, ``FileMetaData``
and ``PageHeader`` in Thrift's compact protocol.
"""

import os
from typing import Any

import pyarrow.parquet as pq

from perfkit.frames.logs import BadLog

PAGE_BYTES = 128 * 1024**2
"""What one page may unpack to; writers make pages of one, at most a hundred megabytes."""

MOST_PAGES = 500_000
"""Pages of the columns read; a hundred million rows in pages of a megabyte have some thousand."""

FOOTER_BYTES = 16 * 1024**2
"""Footers grow with columns times row groups; a log of one column has some hundred bytes."""

_HEADER_READS = tuple(1 << bits for bits in range(9, 25, 3))
_DELTA_LENGTH_BYTE_ARRAY, _DELTA_BYTE_ARRAY = 6, 7
_DEEPEST = 12

Fields = dict[int, Any]


def check_pages(handle: int, file: pq.ParquetFile, columns: tuple[str, ...]) -> bool:
    """Refuse a file with a page that would fill the memory.

    Parameters
    ----------
    handle : int
        The open file; its position is left alone.
    file : pyarrow.parquet.ParquetFile
        The same file.
    columns : tuple of str
        Columns that will be read.

    Returns
    -------
    bool
        Whether Arrow can leave their texts as codes, which it cannot where DELTA_LENGTH_BYTE_ARRAY
        stores their lengths apart.

    Raises
    ------
    BadLog
        If a page header cannot be read, leads outside its column or claims too much.

    Examples
    --------
    >>> import tempfile
    >>> import pyarrow as pa
    >>> with tempfile.TemporaryFile() as log:
    ...     pq.write_table(pa.table({"frame_ms": [16.0]}), log)
    ...     check_pages(log.fileno(), pq.ParquetFile(log), ("frame_ms",))
    True
    """
    size = os.fstat(handle).st_size
    leaves = [i for i in range(len(file.schema)) if file.schema.column(i).path in columns]
    pages, lengths_apart = 0, False
    for group in _row_groups(handle, size):
        for leaf in leaves:
            start, end = _chunk_place(group, leaf)
            if end > size:
                raise _damaged()
            more, apart = _check_chunk(handle, start, end)
            pages += more
            lengths_apart |= apart
            if pages > MOST_PAGES:
                raise BadLog(
                    None,
                    "",
                    "",
                    f"a Parquet log may have {MOST_PAGES:,} pages",
                    "export it again with pages of a megabyte",
                )
    return not lengths_apart


def _row_groups(handle: int, size: int) -> list[Fields]:
    """Read the footer; pyarrow aborts the process when it shows a damaged column of it."""
    length = int.from_bytes(os.pread(handle, 4, max(0, size - 8)), "little")
    if length > FOOTER_BYTES:
        raise BadLog(
            None,
            "",
            f"a footer of {length:,} bytes",
            f"the footer of a Parquet log may have {FOOTER_BYTES:,} bytes",
            "export it again with fewer columns or larger row groups",
        )
    try:
        footer, _ = _structure(os.pread(handle, length, max(0, size - 8 - length)), 0, 0)
    except IndexError:
        raise _damaged() from None
    return _listed(footer.get(4))


def _listed(value: Any) -> list[Fields]:
    if not isinstance(value, list):
        raise _damaged()
    return value


def _chunk_place(group: Fields, leaf: int) -> tuple[int, int]:
    columns = _listed(group.get(1))
    about = columns[leaf].get(3) if leaf < len(columns) else None
    if not isinstance(about, dict):
        raise _damaged()
    start, dictionary = _whole(about, 9), about.get(11)
    if isinstance(dictionary, int) and dictionary > 0:
        start = min(start or dictionary, dictionary)  # 0: there is no page of data
    return start, start + _whole(about, 7)


def _check_chunk(handle: int, start: int, end: int) -> tuple[int, bool]:
    """Walk the pages of one column in one row group; their number, and if lengths stand apart."""
    pages, lengths_apart = 0, False
    while start < end:
        header, length = _read_header(handle, start)
        unpacked, packed = _whole(header, 2), _whole(header, 3)
        start += length + packed
        if start > end:
            raise _damaged()
        if unpacked > PAGE_BYTES:
            raise BadLog(
                None,
                "",
                f"a page of {unpacked:,} bytes",
                f"a page of a Parquet log may unpack to {PAGE_BYTES:,} bytes",
                "export it again with pages of a megabyte",
            )
        encodings = _encodings(header)
        lengths_apart |= _DELTA_LENGTH_BYTE_ARRAY in encodings
        if _DELTA_BYTE_ARRAY in encodings:
            raise BadLog(
                None,
                "",
                "encoding DELTA_BYTE_ARRAY",
                "texts in a log are stored plainly or through a dictionary",
                "export it again in another encoding",
            )
        pages += 1
    return pages, lengths_apart


def _whole(fields: Fields, field: int) -> int:
    value = fields.get(field)
    if not isinstance(value, int) or value < 0:
        raise _damaged()
    return value


def _encodings(header: Fields) -> list[Any]:
    data_pages = ((header.get(5), 2), (header.get(8), 4))  # of versions 1 and 2
    return [page.get(field) for page, field in data_pages if isinstance(page, dict)]


def _read_header(handle: int, start: int) -> tuple[Fields, int]:
    for size in _HEADER_READS:
        data = os.pread(handle, size, start)
        try:
            return _structure(data, 0, 0)
        except IndexError:
            if len(data) < size:
                break
    raise _damaged()


def _damaged() -> BadLog:
    return BadLog(None, "", "a damaged page header", "a whole, readable Parquet log")


def _number(data: bytes, place: int) -> tuple[int, int]:
    value = shift = 0
    while True:
        byte = data[place]
        place += 1
        value |= (byte & 127) << shift
        if byte < 128:
            return value, place
        shift += 7
        if shift >= 70:  # ten bytes hold 64 bits
            raise _damaged()


def _signed(data: bytes, place: int) -> tuple[int, int]:
    value, place = _number(data, place)
    return (value >> 1) ^ -(value & 1), place


def _structure(data: bytes, place: int, depth: int) -> tuple[Fields, int]:
    """Read numbers, structures and lists of structures by field; step over all else."""
    fields: Fields = {}
    field = 0
    while True:
        byte = data[place]
        place += 1
        kind, step = byte & 15, byte >> 4
        if not kind:
            return fields, place
        if step:
            field += step
        else:
            field, place = _signed(data, place)
        if field in fields:
            raise _damaged()
        fields[field], place = (None, place) if kind < 3 else _value(data, place, kind, depth)


def _value(data: bytes, place: int, kind: int, depth: int) -> tuple[Any, int]:
    if depth > _DEEPEST:
        raise _damaged()
    if kind == 12:
        return _structure(data, place, depth + 1)
    if kind == 8:
        length, place = _number(data, place)
        return None, place + length
    if kind in (4, 5, 6):
        return _signed(data, place)
    if kind in (3, 7):
        return None, place + (1 if kind == 3 else 8)
    if kind in (9, 10):
        return _list(data, place, depth)
    raise _damaged()  # Parquet has no map in its headers


def _list(data: bytes, place: int, depth: int) -> tuple[list[Any], int]:
    count, kind = data[place] >> 4, data[place] & 15
    place += 1
    if count == 15:
        count, place = _number(data, place)
    items = []
    for _ in range(count):
        # A truth in a list has a byte of its own.
        item, place = _value(data, place, max(kind, 3), depth + 1)
        if kind == 12:
            items.append(item)
        if place > len(data):
            raise IndexError
    return items, place
