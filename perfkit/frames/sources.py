"""Opening the logs of a study and measuring what is in them; every function here runs anywhere."""

import io
import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import pyarrow.parquet as pq

from perfkit.frames import combined
from perfkit.frames.logs import BadLog, open_parquet, read_parquet_blocks
from perfkit.frames.order import Floats
from perfkit.frames.pages import check_pages
from perfkit.frames.pass_record import PassRecord
from perfkit.frames.statistics import FrameStatistics, finish
from perfkit.frames.stream import PassReader
from perfkit.frames.text import TEXT_FRAMES, read_text
from perfkit.study.folder import LOG_BYTES, Refused, open_inside, open_text

PARQUET_FRAMES = 100_000_000
"""Frames that one Parquet log may hold; a small file can claim far more."""

Recorded = tuple[str, PassRecord]


@dataclass(frozen=True, slots=True)
class LogRequest:
    """What is needed to read one log, on this machine or another.

    Attributes
    ----------
    root : Path
        The study folder.
    name : str
        Path of the log from there.
    column, unit : str
        Which column holds the frame times, and in which unit.
    targets_fps : tuple of float
        Rates for the time shares.
    """

    root: Path
    name: str
    column: str
    unit: str
    targets_fps: tuple[float, ...]


@contextmanager
def open_log(request: LogRequest) -> Iterator[tuple[Iterator[Floats], int]]:
    """Open one log.

    Parameters
    ----------
    request : LogRequest

    Yields
    ------
    blocks : iterator of ndarray
        Frame times in ms, in order; raises `BadLog` where one is none.
    most_frames : int
        How many there can be.

    Raises
    ------
    BadLog
        If the log cannot be used.
    """
    try:
        if request.name.endswith(".parquet"):
            with _open_rows(request, "") as file:
                blocks = read_parquet_blocks(file, request.column, request.unit)
                yield blocks, file.metadata.num_rows
        else:
            with _open_lines(request) as stream:
                yield read_text(stream, request.column, request.unit), TEXT_FRAMES
    except Refused as refused:
        raise BadLog(None, "", "", refused.allowed, refused.action) from None


def _open_lines(request: LogRequest) -> io.RawIOBase:
    if request.name.endswith(".gz"):
        return open_text(request.root, request.name)
    # Plain text cannot grow, so its size is checked once and nothing stands before the file.
    raw = open_inside(request.root, request.name).detach()
    if os.fstat(raw.fileno()).st_size > LOG_BYTES:
        raw.close()
        raise Refused(
            f"a log may grow to {LOG_BYTES:,} bytes of text",
            "keep only the frame times, or store them as Parquet",
        )
    return raw


@contextmanager
def _open_rows(request: LogRequest, dictionary: str) -> Iterator[pq.ParquetFile]:
    with open_inside(request.root, request.name) as stream:
        file = open_parquet(stream)
        if file.metadata.num_rows > PARQUET_FRAMES:
            raise BadLog(
                None,
                "",
                f"{file.metadata.num_rows:,} rows",
                f"a Parquet log may have {PARQUET_FRAMES:,} rows",
                "split it",
            )
        as_codes = check_pages(stream.fileno(), file, (request.column, dictionary))
        if as_codes and any(
            file.schema.column(i).path == dictionary for i in range(len(file.schema))
        ):
            file = open_parquet(stream, dictionary)
        yield file


def _read_again(request: LogRequest) -> Iterator[Floats]:
    with open_log(request) as (blocks, _):
        yield from blocks


def record_log(request: LogRequest) -> PassRecord | BadLog:
    """Take the record of one log, or say why it cannot be used.

    Parameters
    ----------
    request : LogRequest

    Returns
    -------
    PassRecord or BadLog
        The error is returned, not raised, so that all logs of a study are looked at.
    """
    try:
        with open_log(request) as (blocks, most_frames):
            reader = PassReader(request.targets_fps, most_frames)
            for block in blocks:
                reader.add(block)
            if reader.count:
                return reader.finish(partial(_read_again, request))
            return BadLog(None, request.column, "no frame", "a log has at least one frame")
    except BadLog as bad:
        return bad


def measure_log(request: LogRequest) -> FrameStatistics | BadLog:
    """Compute the statistics of one log, or say why it cannot be used.

    Parameters
    ----------
    request : LogRequest

    Returns
    -------
    FrameStatistics or BadLog
    """
    found = record_log(request)
    return found if isinstance(found, BadLog) else finish([found])[0]


@contextmanager
def open_combined(request: LogRequest) -> Iterator[pq.ParquetFile]:
    """Open a combined file and check its columns.

    Parameters
    ----------
    request : LogRequest

    Yields
    ------
    pyarrow.parquet.ParquetFile

    Raises
    ------
    BadLog
        If it cannot be used.
    """
    try:
        with _open_rows(request, combined.ID_COLUMN) as file:
            combined.check_columns(file, request.column)
            yield file
    except Refused as refused:
        raise BadLog(None, "", "", refused.allowed, refused.action) from None


def _pieces(request: LogRequest, file: pq.ParquetFile, groups: range) -> combined.Pieces:
    before = sum(file.metadata.row_group(group).num_rows for group in range(groups.start))
    return combined.read_pieces(file, request.column, request.unit, groups, before)


def _read_pass_again(request: LogRequest, pass_id: str) -> Iterator[Floats]:
    with open_combined(request) as file:
        for name, times in _pieces(request, file, range(file.num_row_groups)):
            if name == pass_id:
                yield times


def record_combined(request: LogRequest) -> Iterator[Recorded]:
    """Take the record of every pass in a combined file, in one reading if possible.

    Parameters
    ----------
    request : LogRequest
        Names the combined file.

    Yields
    ------
    pass_id : str
    record : PassRecord

    Raises
    ------
    BadLog
        If the file cannot be used.
    Scattered
        If the rows of a pass do not stand together.
    """
    with open_combined(request) as file:
        reader = partial(PassReader, request.targets_fps, file.metadata.num_rows)
        pieces = _pieces(request, file, range(file.num_row_groups))
        yield from combined.measure_together(pieces, reader, partial(_read_pass_again, request))


def record_some(
    request: LogRequest, wanted: frozenset[str], groups: range
) -> list[Recorded] | BadLog:
    """Take the records of some passes of a combined file.

    Parameters
    ----------
    request : LogRequest
        Names the combined file.
    wanted : frozenset of str
        The passes to measure.
    groups : range
        Row groups that hold all their rows.

    Returns
    -------
    list of (str, PassRecord), or BadLog
    """
    try:
        with open_combined(request) as file:
            reader = partial(PassReader, request.targets_fps, file.metadata.num_rows)
            again = partial(_read_pass_again, request)
            pieces = _pieces(request, file, groups)
            return list(combined.measure_scattered(pieces, wanted, reader, again))
    except BadLog as bad:
        return bad
