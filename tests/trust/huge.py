"""Studies that try to use up time or memory.

``python -m tests.trust.huge`` checks every bad study of this folder and prints those that took
longest and most memory; ``check`` must end within 20 s and 1.5 GiB on each.
"""

import gzip
import io
import sys
import tempfile
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from perfkit.frames.sources import PARQUET_FRAMES
from perfkit.study.folder import LOG_BYTES, TABLE_BYTES, TABLE_CELLS
from perfkit.study.schema import TABLES
from tests.frames.make import parquet_log
from tests.study.make import FILES, LOGS, SETTINGS, write_study
from tests.trust.checking import MOST_MIB, MOST_SECONDS, Run, run_each
from tests.trust.defects import ALL

PASSES = FILES["passes.csv"].splitlines()
WIDE = ",".join(TABLES["passes"].names)


def bomb(start: bytes, again: bytes, size: int = LOG_BYTES) -> bytes:
    """Text that grows to `size` bytes when it is unpacked."""
    packer = zlib.compressobj(9, wbits=31)
    block = again * (1 << 20)
    parts = [packer.compress(start)]
    parts += [packer.compress(block) for _ in range(size // len(block) + 1)]
    return b"".join([*parts, packer.flush()])


def many_rows(count: int) -> bytes:
    """Make a Parquet file of one value that stands for `count` frames."""
    target = io.BytesIO()
    group = pa.table({"frame_ms": pa.array(np.full(1 << 22, 16.0))})
    with pq.ParquetWriter(target, group.schema, compression="zstd") as writer:
        for _ in range(count >> 22):
            writer.write_table(group)
    return target.getvalue()


def scattered(passes: int, rows: int) -> bytes:
    """Make a combined file in which every pass comes back all the time."""
    ids = np.arange(rows) % passes
    return parquet_log(
        {"pass_id": pa.array(ids).cast(pa.string()), "frame_ms": np.full(rows, 16.0)}
    )


def passes(count: int, row: str) -> dict[str, str]:
    """passes.csv with many rows."""
    return {"passes__csv": "\n".join([PASSES[0], *(row.format(n) for n in range(count))])}


def packed(content: bytes) -> dict[str, str | bytes]:
    """Give the first pass this log."""
    return {
        "passes__csv": FILES["passes.csv"].replace("logs/p1.csv", "b.csv.gz"),
        "b__csv__gz": content,
    }


def parquet(content: bytes) -> dict[str, str | bytes]:
    """Give the first pass this log."""
    return {
        "passes__csv": FILES["passes.csv"].replace("logs/p1.csv", "b.parquet"),
        "b__parquet": content,
    }


def combined(content: bytes, count: int) -> dict[str, str | bytes]:
    """Put all passes in one file."""
    toml = SETTINGS + LOGS + 'combined = "b.parquet"\n'
    return {
        "study__toml": toml,
        "b__parquet": content,
        **passes(count, "{},bench,Ember,Velm,1920,1080,,,"),
    }


GOOD = "p{},bench,Ember,Velm,1920,1080,ran,,60"
HUGE: dict[str, Callable[[], dict[str, str | bytes]]] = {
    "100,000 good passes": lambda: passes(100_000, GOOD),
    "100,000 passes of strangers": lambda: passes(100_000, "p{0},s{0},g{0},w{0},1,1,ran,,60"),
    "100,000 passes without a number": lambda: passes(100_000, "p{},bench,Ember,Velm,x,y,z,,"),
    "100,000 passes of one id": lambda: passes(100_000, "p,bench,Ember,Velm,1,1,ran,,60"),
    "100,000 logs that are not there": lambda: passes(
        100_000, "p{0},bench,Ember,Velm,1,1,ran,{0}.csv,"
    ),
    "100,000 rows of another width": lambda: passes(100_000, "p{},bench"),
    "100,000 look-alike names": lambda: {
        "gpus__csv": "\n".join(
            [
                FILES["gpus.csv"].strip(),
                *(f"{'-' * (n % 300)}{n},discrete,1,1,1" for n in range(100_000)),
            ]
        )
    },
    "a table of five million cells": lambda: {
        "passes__csv": f"{WIDE}\n" + "\n".join([("x," * 25)[:-1]] * (TABLE_CELLS // 25 + 9))
    },
    "a table of 64 MiB in one cell": lambda: {
        "gpus__csv": FILES["gpus.csv"] + '"' + "x" * TABLE_BYTES
    },
    "a table of 63 MiB of line ends": lambda: {"gpus__csv": FILES["gpus.csv"] + "\n" * 63 * 2**20},
    "a table of 63 MiB of quotes": lambda: {"gpus__csv": FILES["gpus.csv"] + '"' * 63 * 2**20},
    "a table of 63 MiB of commas": lambda: {"gpus__csv": FILES["gpus.csv"] + "," * 63 * 2**20},
    "a table of 63 MiB in Latin-1": lambda: {
        "gpus__csv": FILES["gpus.csv"].encode() + b"\xe9\n" * 31 * 2**20
    },
    "settings of many keys": lambda: {
        "study__toml": "".join(f"k{n}=1\n" for n in range(25_000)) + SETTINGS + LOGS
    },
    "settings of many sections": lambda: {
        "study__toml": SETTINGS + LOGS + "".join(f"[a{n}.b]\n" for n in range(22_000))
    },
    "a packed log of frames up to the limit": lambda: packed(
        bomb(b"frame_ms\n", b"16\n", LOG_BYTES - 4 * 2**20)
    ),
    "a packed log of frames beyond the limit": lambda: packed(bomb(b"frame_ms\n", b"16\n")),
    "a packed log of one endless line": lambda: packed(bomb(b"frame_ms\n", b"1")),
    "a packed log of line ends": lambda: packed(bomb(b"frame_ms\n", b"\n")),
    "a packed header": lambda: packed(bomb(b"frame_ms", b",")),
    "a million packed members": lambda: packed(
        gzip.compress(b"frame_ms\n") + gzip.compress(b"") * 1_000_000
    ),
    "a Parquet log up to the limit": lambda: parquet(many_rows(PARQUET_FRAMES)),
    "a Parquet log beyond the limit": lambda: parquet(many_rows(PARQUET_FRAMES + (1 << 23))),
    "a Parquet log of ten thousand columns": lambda: parquet(
        parquet_log({f"c{n}": [1.0] for n in range(10_000)})
    ),
    "a combined file, its passes scattered": lambda: combined(scattered(500, 2_000_000), 500),
    "a combined file of 100,000 passes": lambda: combined(scattered(100_000, 100_000), 100_000),
}


def small_and_huge(place: Path) -> list[tuple[str, Run]]:
    """Check every bad study there is."""
    names = [*(defect.name for defect in ALL), *HUGE]

    def commands() -> Iterator[list[str]]:
        for number, defect in enumerate(ALL):
            yield ["check", str(defect.write(place / f"small-{number}"))]
        for number, make in enumerate(HUGE.values()):
            yield ["check", str(write_study(place / f"huge-{number}", **make()))]

    return list(zip(names, run_each(commands(), place), strict=True))


def main() -> int:
    """Check all of them; 1 where one took too long or too much, or ended otherwise than refused."""
    with tempfile.TemporaryDirectory() as place:
        found = small_and_huge(Path(place))
    bad = 0
    for name, run in sorted(found, key=lambda pair: -pair[1].seconds):
        fine = run.status in (0, 1) and run.seconds <= MOST_SECONDS and run.mib <= MOST_MIB
        bad += not fine
        if not fine or name in HUGE:
            said = (run.listed or run.text.splitlines()[-1:] or [""])[0]
            print(
                f"{run.seconds:6.1f} s {run.mib:6.0f} MiB  exit {run.status}  {name}: {said[:150]}"
            )
    print(f"{len(found)} studies, {bad} too slow, too large or not refused in words")
    longest, largest = (max(getattr(run, what) for _, run in found) for what in ("seconds", "mib"))
    print(f"at most {longest:.1f} s and {largest:.0f} MiB")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
