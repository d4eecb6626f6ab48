"""One Parquet file with the frame times of many passes, cut into passes as it is read."""

import bisect
import itertools
from collections import Counter
from collections.abc import Callable, Iterator
from functools import partial

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from perfkit.frames.logs import (
    READ_ERRORS,
    BadLog,
    as_frame_times,
    check_parquet_column,
    unreadable_parquet,
)
from perfkit.frames.order import Floats
from perfkit.frames.pass_record import PassRecord
from perfkit.frames.stream import WHOLE, PassReader

ID_COLUMN = "pass_id"
_BATCH_ROWS = 1 << 15
_HELD_FRAMES = 1 << 22
_LONGEST_NAME = 4 * 131_072  # bytes of the longest cell that passes.csv can have

Pieces = Iterator[tuple[str, Floats]]


class Scattered(Exception):
    """The rows of a pass do not stand together."""


def check_columns(file: pq.ParquetFile, column: str) -> None:
    """Refuse a combined file without one column of frame times and one of pass ids.

    Parameters
    ----------
    file : pyarrow.parquet.ParquetFile
        The open file.
    column : str
        Name of the frame time column.

    Raises
    ------
    BadLog
        With the names or the type found.
    """
    check_parquet_column(file, column)
    found = [field.type for field in file.schema_arrow if field.name == ID_COLUMN]
    if len(found) != 1:
        names = ", ".join(file.schema_arrow.names)
        raise BadLog(None, ID_COLUMN, f"columns {names}", f"one column is named {ID_COLUMN!r}")
    kind = found[0].value_type if pa.types.is_dictionary(found[0]) else found[0]
    is_text = pa.types.is_string(kind) or pa.types.is_large_string(kind)
    if not (is_text or pa.types.is_integer(kind)):
        raise BadLog(None, ID_COLUMN, f"type {kind}", "a pass is named by a text or a whole number")


def read_pieces(
    file: pq.ParquetFile, column: str, unit: str, groups: range, first_row: int
) -> Pieces:
    """Read a combined file as pieces that each belong to one pass.

    Parameters
    ----------
    file : pyarrow.parquet.ParquetFile
        The open file, ids read as a dictionary.
    column, unit : str
        Name and unit of the frame time column.
    groups : range
        Row groups to read.
    first_row : int
        Rows before them, for messages.

    Yields
    ------
    pass_id : str
        Whose frames these are.
    times : ndarray of float
        Frame times in ms, in file order; a pass comes in as many pieces as it takes.

    Raises
    ------
    BadLog
        If the file cannot be read to its end, a frame time is not one or a row names no pass.
    """
    row = first_row
    for batch in batches(file, [ID_COLUMN, column], groups):
        times = as_frame_times(batch.column(column), unit, column, row, None)
        for pass_id, start, stop in _stretches(batch.column(ID_COLUMN), row):
            yield pass_id, times[start:stop]
        row += len(batch)


def count_rows(file: pq.ParquetFile) -> list[tuple[str, int]]:
    """Read the pass ids alone.

    Parameters
    ----------
    file : pyarrow.parquet.ParquetFile
        The open file, ids read as a dictionary.

    Returns
    -------
    list of (str, int)
        Stretches of rows that name the same pass, in file order.

    Raises
    ------
    BadLog
        If the file cannot be read to its end or a row names no pass.
    """
    found: list[tuple[str, int]] = []
    row = 0
    for batch in batches(file, [ID_COLUMN], range(file.num_row_groups)):
        for pass_id, start, stop in _stretches(batch.column(0), row):
            before = found.pop()[1] if found and found[-1][0] == pass_id else 0
            found.append((pass_id, before + stop - start))
        row += len(batch)
    return found


def batches(file: pq.ParquetFile, columns: list[str], groups: range) -> Iterator[pa.RecordBatch]:
    """Decode some columns in small pieces.

    Parameters
    ----------
    file : pyarrow.parquet.ParquetFile
        The open file.
    columns : list of str
        Their names.
    groups : range
        Row groups to read.

    Yields
    ------
    pyarrow.RecordBatch

    Raises
    ------
    BadLog
        If the file cannot be read to its end.
    """
    try:
        yield from file.iter_batches(
            _BATCH_ROWS, row_groups=list(groups), columns=columns, use_threads=False
        )
    except READ_ERRORS as error:
        raise unreadable_parquet(error) from None


def _stretches(ids: pa.Array, first_row: int) -> Iterator[tuple[str, int, int]]:
    if ids.null_count:
        row = first_row + int(np.flatnonzero(ids.is_null().to_numpy(zero_copy_only=False))[0])
        raise BadLog(
            None, ID_COLUMN, "nothing", f"every row names its pass (row {row + 1} of the log)"
        )
    coded = ids if pa.types.is_dictionary(ids.type) else ids.dictionary_encode()
    codes = coded.indices.to_numpy()
    if not len(codes):
        return
    edges = [0, *(np.flatnonzero(codes[1:] != codes[:-1]) + 1).tolist(), len(codes)]
    for start, stop in itertools.pairwise(edges):
        yield _name(coded.dictionary, int(codes[start])), start, stop


def _name(names: pa.Array, code: int) -> str:
    if not 0 <= code < len(names):  # Arrow believes the file
        raise unreadable_parquet(ValueError("a pass id outside its dictionary"))
    value = names[code]
    if not pa.types.is_integer(value.type) and value.as_buffer().size > _LONGEST_NAME:
        allowed = f"a pass id has at most {_LONGEST_NAME:,} bytes"
        raise BadLog(None, ID_COLUMN, "a longer one", allowed)
    try:
        return str(value.as_py())
    except UnicodeDecodeError:
        raise BadLog(
            None, ID_COLUMN, "bytes that are not UTF-8", "a pass is named by UTF-8 text"
        ) from None


def measure_together(
    pieces: Pieces, reader: Callable[[], PassReader], again: Callable[[str], Iterator[Floats]]
) -> Iterator[tuple[str, PassRecord]]:
    """Measure passes whose rows stand together, one at a time.

    Parameters
    ----------
    pieces : iterator of (str, ndarray)
        As `read_pieces` yields them.
    reader : callable
        Makes an empty reader for one pass.
    again : callable
        Reads one pass once more.

    Yields
    ------
    pass_id : str
    record : PassRecord

    Raises
    ------
    Scattered
        If a pass comes back after another one.
    """
    done: set[str] = set()
    for pass_id, stretch in itertools.groupby(pieces, key=lambda piece: piece[0]):
        if pass_id in done:
            raise Scattered
        done.add(pass_id)
        one = reader()
        for _, times in stretch:
            one.add(times)
        yield pass_id, one.finish(partial(again, pass_id))


def measure_scattered(
    pieces: Pieces,
    wanted: frozenset[str],
    reader: Callable[[], PassReader],
    again: Callable[[str], Iterator[Floats]],
) -> Iterator[tuple[str, PassRecord]]:
    """Measure some passes whose rows stand anywhere, all at the same time.

    Parameters
    ----------
    pieces : iterator of (str, ndarray)
        As `read_pieces` yields them.
    wanted : frozenset of str
        The passes to measure.
    reader : callable
        Makes an empty reader for one pass.
    again : callable
        Reads one pass once more.

    Yields
    ------
    pass_id : str
    record : PassRecord
    """
    readers: dict[str, PassReader] = {}
    for pass_id, times in pieces:
        if pass_id in wanted:
            readers.setdefault(pass_id, reader()).add(times.copy())
    for pass_id, one in readers.items():
        yield pass_id, one.finish(partial(again, pass_id))


def share_out(stretches: list[tuple[str, int]]) -> list[frozenset[str]]:
    """Group scattered passes so that each group fits in memory.

    Parameters
    ----------
    stretches : list of (str, int)
        As `count_rows` returns them.

    Returns
    -------
    list of frozenset of str
        Together all passes; in each the frames held at once are about four million at most.

    Examples
    --------
    >>> share_out([("a", 5), ("b", 5), ("a", 5)]) == [frozenset({"a", "b"})]
    True
    """
    rows: Counter[str] = Counter()
    for pass_id, count in stretches:
        rows[pass_id] += count
    groups: list[set[str]] = []
    room = 0
    for pass_id, count in rows.items():
        held = min(count, WHOLE)
        if held > room:
            groups.append(set())
            room = _HELD_FRAMES
        groups[-1].add(pass_id)
        room -= held
    return [frozenset(group) for group in groups]


def cut(
    stretches: list[tuple[str, int]], group_ends: list[int]
) -> list[tuple[frozenset[str], range]]:
    """Cut a combined file into tasks that measure whole passes.

    Parameters
    ----------
    stretches : list of (str, int)
        As `count_rows` returns them.
    group_ends : list of int
        Rows up to the end of each row group.

    Returns
    -------
    list of (frozenset of str, range)
        Passes and the row groups to read for them: one task for each row group in which a pass
        begins, or, where passes are scattered, one for each group of `share_out` over all of them.

    Examples
    --------
    >>> cut([("a", 6), ("b", 2)], [4, 8])
    [(frozenset({'a'}), range(0, 2)), (frozenset({'b'}), range(1, 2))]
    """
    if len({pass_id for pass_id, _ in stretches}) < len(stretches):
        return [(wanted, range(len(group_ends))) for wanted in share_out(stretches)]
    tasks: dict[int, tuple[set[str], int]] = {}
    row = 0
    for pass_id, count in stretches:
        first = bisect.bisect_right(group_ends, row)
        row += count
        last = bisect.bisect_left(group_ends, row)
        names, furthest = tasks.get(first, (set(), last))
        names.add(pass_id)
        tasks[first] = (names, max(last, furthest))
    return [(frozenset(names), range(first, last + 1)) for first, (names, last) in tasks.items()]
