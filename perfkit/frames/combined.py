"""One Parquet file with the frame times of many passes, cut into passes as it is read."""

import itertools
from collections.abc import Iterator

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from perfkit.frames.logs import BadLog, as_frame_times, check_parquet_column

ID_COLUMN = "pass_id"
_BATCH_ROWS = 1 << 16


def read_combined(
    file: pq.ParquetFile, column: str, unit: str
) -> Iterator[tuple[str, NDArray[np.float64]]]:
    """Read a combined file as pieces that each belong to one pass.

    Parameters
    ----------
    file : pyarrow.parquet.ParquetFile
        The open file, ids read as a dictionary.
    column : str
        Name of the frame time column.
    unit : str
        Its unit.

    Yields
    ------
    pass_id : str
        Whose frames these are.
    times : ndarray of float
        Frame times in ms, in file order; a pass may come in several pieces.

    Raises
    ------
    BadLog
        If the file cannot be read to its end, a frame time is not one or a row names no pass.
    """
    check_parquet_column(file, column)
    _check_id_column(file)
    row = 0
    try:
        for batch in file.iter_batches(_BATCH_ROWS, columns=[ID_COLUMN, column], use_threads=False):
            times = as_frame_times(batch.column(column), unit, column, row, None)
            yield from _pieces(batch.column(ID_COLUMN), times, row)
            row += len(batch)
    except (pa.ArrowException, OSError) as error:
        raise BadLog(None, column, str(error), "a whole, readable Parquet log") from None


def _check_id_column(file: pq.ParquetFile) -> None:
    found = [field.type for field in file.schema_arrow if field.name == ID_COLUMN]
    if len(found) != 1:
        names = ", ".join(file.schema_arrow.names)
        raise BadLog(None, ID_COLUMN, f"columns {names}", f"one column is named {ID_COLUMN!r}")
    kind = found[0].value_type if pa.types.is_dictionary(found[0]) else found[0]
    if not (
        pa.types.is_string(kind) or pa.types.is_large_string(kind) or pa.types.is_integer(kind)
    ):
        raise BadLog(
            None, ID_COLUMN, f"type {found[0]}", "a pass is named by a text or a whole number"
        )


def _pieces(
    ids: pa.Array, times: NDArray[np.float64], first_row: int
) -> Iterator[tuple[str, NDArray[np.float64]]]:
    if ids.null_count:
        row = first_row + int(np.flatnonzero(ids.is_null().to_numpy(zero_copy_only=False))[0])
        raise BadLog(
            None, ID_COLUMN, "nothing", f"every row names its pass (row {row + 1} of the log)"
        )
    coded = ids if pa.types.is_dictionary(ids.type) else ids.dictionary_encode()
    codes = coded.indices.to_numpy(zero_copy_only=False)
    names = coded.dictionary
    edges = [0, *(np.flatnonzero(codes[1:] != codes[:-1]) + 1).tolist(), len(codes)]
    for start, stop in itertools.pairwise(edges):
        if stop > start:
            yield str(names[int(codes[start])].as_py()), times[start:stop]
