"""Any bytes at all, handed to each reader of a stranger's file, and what must hold then."""

import gzip
import io
import math
from collections.abc import Callable, Iterator
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from perfkit.errors import Problem
from perfkit.frames.logs import BadLog
from perfkit.frames.measure import measure
from perfkit.frames.sources import LogRequest, measure_log
from perfkit.study import LogFormat
from perfkit.study.csvtext import parse_csv
from perfkit.study.schema import TABLES
from perfkit.study.settings import read_settings
from perfkit.study.tables import parse_table
from tests.study.make import FILES, LOGS, SETTINGS

COLUMN, TARGETS = "frame_ms", (30.0, 60.0)
PASSES = parse_table(
    b"pass_id,system,gpu,workload,width,height,avg_fps\na,s,g,w,1,1,60\nb,s,g,w,1,1,\n",
    TABLES["passes"],
).frame
ORDER = list(TABLES.values())


def _are_sayable(problems: list[Problem]) -> None:
    for problem in problems:
        assert problem.allowed, problem
        assert problem.action, problem
        line = str(problem)
        assert len(line.splitlines()) == 1, line
        assert line.isprintable(), line


def settings(data: bytes, room: Path) -> None:
    """Read study.toml: keys of the right kind, or problems."""
    (room / "study.toml").write_bytes(data)
    read = read_settings(room)
    _are_sayable(read.problems)
    assert read.problems or read.keys["currency"].isupper()


def text(data: bytes, room: Path) -> None:
    """Split a table into rows: all as wide as the header, each on a line of its own."""
    raw = parse_csv(data, "x.csv")
    _are_sayable(raw.problems)
    assert raw.problems or (raw.header and raw.whole)
    assert all(len(row) == len(raw.header) for row in raw.rows)
    assert raw.lines == sorted(set(raw.lines))
    assert len(raw.lines) == len(raw.rows)


def table(data: bytes, room: Path) -> None:
    """Read a table, chosen by the first byte: as many lines as rows, none of them twice."""
    read = parse_table(data[1:], ORDER[data[0] % len(ORDER)] if data else ORDER[0])
    _are_sayable(read.problems)
    assert read.frame.index.is_monotonic_increasing
    assert read.frame.index.is_unique
    for name in read.table.names:
        assert read.frame[name].dtype != object


def _is_measured_or_told(found: object, name: str) -> None:
    if isinstance(found, BadLog):
        _are_sayable([found.problem(name, "mend it")])
    else:
        assert found.frames > 0
        assert 0 < found.avg_fps < math.inf
        assert 0 < found.seconds < math.inf


def log(data: bytes, room: Path) -> None:
    """Read a log of text: as it is, packed as it is, or packed by us in two members."""
    kind, text = (data[0] % 3, data[1:]) if data else (0, b"")
    name = "x.csv.gz" if kind else "x.csv"
    if kind == 2:
        half = len(text) // 2
        text = gzip.compress(text[:half], 1) + gzip.compress(text[half:], 1)
    (room / name).write_bytes(text)
    _is_measured_or_told(measure_log(LogRequest(room, name, COLUMN, "ms", TARGETS)), name)


def parquet(data: bytes, room: Path) -> None:
    """Read the log of one pass, and the same bytes as one file for all passes."""
    (room / "x.parquet").write_bytes(data)
    _is_measured_or_told(measure_log(LogRequest(room, "x.parquet", COLUMN, "us", TARGETS)), "x")
    combined = LogFormat(COLUMN, "us", "drawn", "x.parquet")
    measured, problems = measure(room, combined, PASSES, TARGETS)
    _are_sayable(problems)
    assert problems or set(measured) <= {"a", "b"}


READERS: dict[str, Callable[[bytes, Path], None]] = {
    "settings": settings,
    "text": text,
    "table": table,
    "log": log,
    "parquet": parquet,
}


def _parquet_bytes(columns: dict[str, pa.Array], **options: object) -> bytes:
    target = io.BytesIO()
    pq.write_table(pa.table(columns), target, **options)
    return target.getvalue()


def first_seeds(reader: str) -> Iterator[bytes]:
    """Good files and near misses to start from."""
    if reader == "settings":
        yield SETTINGS.encode()
        yield (SETTINGS + LOGS + 'counts = "shown"\ncombined = "a.parquet"\n').encode()
        yield SETTINGS.encode() + b"a = [1, '\\u00e9', \"\\U0001F600\", 1_0.5e-3, 0b1, 07:32:00]\n"
        yield SETTINGS.encode() + b"targets_fps = [1e3, 2]\nvalue_at = [1, 2]"
        yield b'\xef\xbb\xbfbudget = 0x1F\n[a.\'b\'."c"]\nd = {e = """\n""", f = inf}\n'
    elif reader == "text":
        yield from (content.encode() for content in FILES.values())
        yield b'\xef\xbb\xbf"a ""b""",c\r\n"1\r\n2",\r\n\r\n,x\r'
    elif reader == "table":
        for place, rules in enumerate(ORDER):
            yield bytes([place]) + FILES.get(rules.file, ",".join(rules.names) + "\n").encode()
    elif reader == "log":
        for kind in b"\0\2":
            yield bytes([kind]) + b"frame_ms\n16.5\n17\n"
            yield bytes([kind]) + b'\xef\xbb\xbfn,"frame_ms"\r\n1,1e1\r\n2,"3"\r\n'
        yield b"\1" + gzip.compress(b"frame_ms\n16.5\n17\n")
    else:
        ids = pa.array(["a", "a", "b", "b"])
        times = pa.array([16500.0, 17000, 16000, 1e5])
        yield _parquet_bytes({"pass_id": ids, COLUMN: times})
        for codec in ("none", "gzip", "zstd", "lz4", "brotli"):
            yield _parquet_bytes({"pass_id": ids, COLUMN: times}, compression=codec)
        yield _parquet_bytes(
            {"pass_id": ids, COLUMN: times}, row_group_size=1, use_dictionary=False
        )
        yield _parquet_bytes({COLUMN: times}, data_page_version="2.0", compression="none")
        yield _parquet_bytes({COLUMN: pa.array([1, None, 3])}, compression="none")
        yield _parquet_bytes({COLUMN: pa.array([[1], [2, 3]])}, compression="none")
        yield _parquet_bytes({"pass_id": pa.array([1, 2]), COLUMN: pa.array([{"a": 1}, None])})
        yield _parquet_bytes(
            {COLUMN: pa.array([1, 2, 3], pa.uint16())},
            use_dictionary=False,
            column_encoding="DELTA_BINARY_PACKED",
            compression="none",
        )
        yield _parquet_bytes(
            {"pass_id": ids, COLUMN: times},
            use_dictionary=False,
            column_encoding={"pass_id": "DELTA_BYTE_ARRAY", COLUMN: "BYTE_STREAM_SPLIT"},
        )
        yield _parquet_bytes(
            {"pass_id": ids, COLUMN: times},
            use_dictionary=False,
            column_encoding={"pass_id": "DELTA_LENGTH_BYTE_ARRAY"},
        )
