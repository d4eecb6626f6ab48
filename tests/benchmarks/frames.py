"""Speed and memory of the frame time summary, as ratios: ``python -m tests.benchmarks.frames``.

Every way runs in a process of its own, the ways of a case in turn, several times; printed are the
least CPU seconds, their ratios and the peak memory above that after the imports. The other
libraries are used the way their documentation would have it: whole columns, grouped and vectorised,
no Python loop over frames. Decoding alone streams the same columns with the same reader settings
and throws them away; it keeps pass ids as codes, while `strings` makes a text of each, as Arrow
does unless told otherwise.

Full sizes on 2026-11-26, two cores, the least of two or three runs: calm (load 1), and in brackets
beside other work (load 8):

- combined: 4.2 x decode (4.5), 1.6 x with texts (2.1), 1/17 of pandas (1/11), 1/9.3 of polars
  (1/7.1), 47 MB;
- logs: 1.10 x Arrow's parse (1.1 to 1.4), 1/1.7 of pandas (1/1.6 to 1/1.8);
- long, load 2: 3.9 x decode (3.8), 1/7.0 of bottleneck, 79 to 88 MB;
- growth: exponent of the last step 1.00, of decoding 1.02.

Not reached: 1.5 x decode. Decoding takes 8 ns a frame. In the same runs decoding and one sum took
1.4 x decode (combined) and 1.1 x (long), decoding and one median 2.5 x and 2.9 x, decoding and one
sort 5.1 x and 8.3 x: NumPy has no room for the rest of the statistics within 1.5 x, although none
of them sorts or partitions a whole pass. On this processor NumPy's AVX-512 selection is the slow
one: without it the median takes 1.7 x, which is over 1.5 x still, and ours the same 4.2 x. A
compiled pass might; it would make a compiler, or numba, a need of every installation.

Not reached either: 1/3 of pandas for the logs. Arrow's own parse is 1/1.9 to 1/2.3 of pandas. Of
some 2.8 ms a log NumPy needs 1.6 to cut the numbers out (under 1.3 with the caches to itself, which
looking for 180,000 commas and line ends takes more than half of), reading the file takes 0.3,
finding and opening it 0.2, its statistics 0.5. Two threads were no faster by the clock (3.6 ms a
log with one, 3.7 and 7.2 with two, load 2) and took 1.4 and 2.5 times the CPU time: calls of NumPy
are short here, and each takes Python's lock again. Nor is 1/10 of polars, by 7 per cent of our
time: decoding takes a quarter of it, and no single call of the rest a tenth.
"""

import argparse
import itertools
import json
import math
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

TARGETS_FPS = (30.0, 60.0, 120.0)
PASS_FRAMES = 15_000


def simulate(rng: np.random.Generator, frames: int) -> np.ndarray:
    """Simulate frame times around 16 ms that swing, vary and hitch, as a logger rounds them."""
    swing = 0.1 * np.sin(np.arange(frames) / 300)
    times = 16 * np.exp(0.06 * rng.standard_normal(frames) + swing)
    times[rng.random(frames) < 0.002] *= 3
    return np.round(times, 4)


def make_combined(folder: Path, frames: int) -> Path:
    """Write one Parquet file of many passes."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    rng, path = np.random.default_rng(1), folder / f"combined{frames}.parquet"
    passes = max(1, frames // PASS_FRAMES)
    schema = pa.schema([("pass_id", pa.string()), ("frame_ms", pa.float64())])
    with pq.ParquetWriter(path, schema) as writer:
        for first in range(0, passes, 64):
            names = [f"P{i:05d}" for i in range(first, min(first + 64, passes))]
            ids = pa.DictionaryArray.from_arrays(
                np.repeat(np.arange(len(names), dtype=np.int32), PASS_FRAMES), names
            )
            times = np.concatenate([simulate(rng, PASS_FRAMES) for _ in names])
            writer.write_table(pa.table([ids.cast(pa.string()), times], schema=schema))
    return path


def make_long(folder: Path, frames: int) -> Path:
    """Write one Parquet log of one pass."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    rng, path = np.random.default_rng(2), folder / f"long{frames}.parquet"
    schema = pa.schema([("frame_ms", pa.float64())])
    with pq.ParquetWriter(path, schema) as writer:
        for first in range(0, frames, 1 << 20):
            times = simulate(rng, min(1 << 20, frames - first))
            writer.write_table(pa.table([times], schema=schema))
    return path


def make_logs(folder: Path, frames: int) -> Path:
    """Write CSV logs of 20,000 frames and nine columns."""
    import pandas as pd

    rng, path = np.random.default_rng(3), folder / f"logs{frames}"
    path.mkdir(exist_ok=True)
    for i in range(max(1, frames // 20_000)):
        table = {"frame": np.arange(20_000), "frame_ms": simulate(rng, 20_000)}
        table |= {f"other_{k}": np.round(rng.random(20_000) * 100, 3) for k in range(7)}
        pd.DataFrame(table).to_csv(path / f"{i}.csv", index=False)
    return path


def _request(path: Path) -> Any:
    from perfkit.frames.sources import LogRequest

    return LogRequest(path.parent, path.name, "frame_ms", "ms", TARGETS_FPS)


def combined_perfkit(path: Path) -> Callable[[], Any]:
    from perfkit.frames.sources import record_combined
    from perfkit.frames.statistics import finish_each

    request = _request(path)
    return lambda: {name: found.hitches for name, found in finish_each(record_combined(request))}


def combined_decode(path: Path) -> Callable[[], Any]:
    from perfkit.frames import combined
    from perfkit.frames.sources import open_combined

    def work() -> int:
        with open_combined(_request(path)) as file:
            columns, groups = ["pass_id", "frame_ms"], range(file.num_row_groups)
            return sum(map(len, combined.batches(file, columns, groups)))

    return work


def combined_strings(path: Path) -> Callable[[], Any]:
    import pyarrow.parquet as pq

    def work() -> int:
        file = pq.ParquetFile(path, memory_map=False, pre_buffer=False, buffer_size=1 << 20)
        return sum(map(len, file.iter_batches(1 << 15, use_threads=False)))

    return work


def _by_pass(path: Path, work: Callable[[np.ndarray], Any]) -> Callable[[], Any]:
    """Decode with the same settings, put each pass together and do one thing with it."""
    from perfkit.frames import combined
    from perfkit.frames.sources import open_combined

    def run() -> int:
        with open_combined(_request(path)) as file:
            groups = range(file.num_row_groups)
            pieces = combined.read_pieces(file, "frame_ms", "ms", groups, 0)
            passes = itertools.groupby(pieces, key=lambda piece: piece[0])
            for _, parts in passes:
                work(np.concatenate([times for _, times in parts]))
        return 0

    return run


def combined_sum(path: Path) -> Callable[[], Any]:
    return _by_pass(path, np.sum)


def combined_median(path: Path) -> Callable[[], Any]:
    return _by_pass(path, lambda times: times.partition(len(times) // 2))


def combined_sort(path: Path) -> Callable[[], Any]:
    return _by_pass(path, np.ndarray.sort)


def combined_pandas(path: Path) -> Callable[[], Any]:
    import pandas as pd

    def work() -> dict[str, int]:
        frame = pd.read_parquet(path)
        groups = frame.groupby("pass_id", sort=False)["frame_ms"]
        groups.agg(["size", "sum"])
        groups.quantile([0.5, 0.95, 0.99, 0.999])
        medians = groups.rolling(31, center=True, min_periods=1).median()
        long = frame["frame_ms"] > 2.5 * medians.to_numpy()
        return {str(k): int(v) for k, v in long.groupby(frame["pass_id"]).sum().items()}

    return work


def combined_polars(path: Path) -> Callable[[], Any]:
    import polars as pl

    def work() -> dict[str, int]:
        t = pl.col("frame_ms")
        shares = (0.5, 0.95, 0.99, 0.999)
        frame = pl.read_parquet(path)
        found = frame.group_by("pass_id", maintain_order=True).agg(
            pl.len(),
            t.sum().alias("total"),
            *(t.quantile(q, "linear").alias(f"q{q}") for q in shares),
            (t > 2.5 * t.rolling_median(31, center=True, min_samples=1)).sum().alias("hitches"),
        )
        return dict(zip(found["pass_id"].to_list(), found["hitches"].to_list(), strict=True))

    return work


def logs_perfkit(path: Path) -> Callable[[], Any]:
    from perfkit.frames.sources import LogRequest, record_log
    from perfkit.frames.statistics import finish_each

    requests = [
        LogRequest(path, log.name, "frame_ms", "ms", TARGETS_FPS) for log in sorted(path.iterdir())
    ]

    def work() -> list[int]:
        records = ((request.name, record_log(request)) for request in requests)
        return [found.frames for _, found in finish_each(records)]  # type: ignore[arg-type]

    return work


def logs_arrow(path: Path) -> Callable[[], Any]:
    import pyarrow as pa
    from pyarrow import csv

    options = csv.ConvertOptions(
        include_columns=["frame_ms"], column_types={"frame_ms": pa.float64()}
    )
    reading = csv.ReadOptions(use_threads=False)

    def work() -> list[int]:
        return [
            sum(len(batch) for batch in csv.open_csv(log, reading, convert_options=options))
            for log in sorted(path.iterdir())
        ]

    return work


def logs_pandas(path: Path) -> Callable[[], Any]:
    import pandas as pd

    return lambda: [
        len(pd.read_csv(log, usecols=["frame_ms"])["frame_ms"]) for log in sorted(path.iterdir())
    ]


def long_perfkit(path: Path) -> Callable[[], Any]:
    from perfkit.frames.sources import measure_log

    return lambda: measure_log(_request(path)).hitches  # type: ignore[union-attr]


def long_decode(path: Path) -> Callable[[], Any]:
    from perfkit.frames.sources import open_log

    def work() -> int:
        with open_log(_request(path)) as (blocks, _):
            return sum(map(len, blocks))

    return work


def _by_block(path: Path, work: Callable[[np.ndarray], Any]) -> Callable[[], Any]:
    """Decode with the same settings and do one thing with each block."""
    from perfkit.frames.sources import open_log

    def run() -> int:
        with open_log(_request(path)) as (blocks, _):
            for times in blocks:
                work(times)
        return 0

    return run


def long_sum(path: Path) -> Callable[[], Any]:
    return _by_block(path, np.sum)


def long_median(path: Path) -> Callable[[], Any]:
    return _by_block(path, lambda times: np.partition(times, len(times) // 2))


def long_sort(path: Path) -> Callable[[], Any]:
    return _by_block(path, np.sort)


def long_bottleneck(path: Path) -> Callable[[], Any]:
    import bottleneck
    import pyarrow.parquet as pq

    def work() -> int:
        times = pq.read_table(path)["frame_ms"].to_numpy()
        len(times), times.sum()
        np.quantile(times, [0.5, 0.95, 0.99, 0.999])
        padded = np.concatenate([times, np.full(15, np.nan)])
        medians = bottleneck.move_median(padded, 31, min_count=1)[15:]
        return int((times > 2.5 * medians).sum())

    return work


FLOORS = ("sum", "median", "sort")
"""Decoding and one thing with each pass or block: its sum, its median, putting it in order."""

CASES: dict[str, tuple[Callable[[Path, int], Path], int, tuple[str, ...]]] = {
    "combined": (
        make_combined,
        30_000_000,
        ("perfkit", "decode", "strings", *FLOORS, "pandas", "polars"),
    ),
    "logs": (make_logs, 20_000_000, ("perfkit", "arrow", "pandas")),
    "long": (make_long, 50_000_000, ("perfkit", "decode", *FLOORS, "bottleneck")),
}
"""Maker of the data, frames at scale 1, and ways, ours first."""

TARGETS = {
    "combined": "decode 1.5, pandas 1/12, polars 1/10, memory 60 MB",
    "logs": "arrow 1.2, pandas 1/3",
    "long": "decode 1.5, bottleneck 1/5, memory 90 MB",
}


def peak_mb() -> float:
    """Peak resident memory of this program alone; ru_maxrss would start at that of its parent."""
    lines = Path("/proc/self/status").read_text().splitlines()
    return float(next(line for line in lines if line.startswith("VmHWM")).split()[1]) / 1024


def run_way(case: str, way: str, path: Path) -> dict[str, Any]:
    """Run one way once, in this process."""
    work = globals()[f"{case}_{way}"](path)
    before = peak_mb()
    wall, cpu = time.perf_counter(), time.process_time()
    result = work()
    return {
        "cpu": time.process_time() - cpu,
        "wall": time.perf_counter() - wall,
        "memory": peak_mb() - before,
        "result": hash(json.dumps(result, sort_keys=True)) if case != "logs" else 0,
        "checked": result if isinstance(result, int | dict) else 0,
    }


def run_apart(case: str, way: str, path: Path) -> dict[str, Any]:
    """Run one way once, in a process of its own."""
    command = [sys.executable, "-m", "tests.benchmarks.frames", "--run", case, way, str(path)]
    found = subprocess.run(command, capture_output=True, text=True, check=True)
    return dict(json.loads(found.stdout))


def measure_case(case: str, folder: Path, scale: float, repeats: int, ways: list[str]) -> None:
    """Measure one case and print its table."""
    make, frames, known = CASES[case]
    path = make(folder, int(frames * scale))
    chosen = [way for way in known if not ways or way in ways or way == "perfkit"]
    found: dict[str, list[dict[str, Any]]] = {way: [] for way in chosen}
    for _ in range(repeats):
        for way in chosen:
            found[way].append(run_apart(case, way, path))
    load = os.getloadavg()[0]
    print(
        f"{case}: {int(frames * scale):,} frames (targets: {TARGETS[case]}); load {load:.1f}",
        flush=True,
    )
    for way, runs in found.items():
        cpu = min(run["cpu"] for run in runs)
        memory = max(run["memory"] for run in runs)
        ratios = [_ratio(found["perfkit"], runs, clock) for clock in ("cpu", "wall")]
        floor = ""
        if way in ("perfkit", "strings", *FLOORS) and "decode" in found:
            floor = f", {_ratio(runs, found['decode'], 'cpu'):.2f} x decode"
        print(
            f"  {way:11}{cpu:8.2f} s CPU  perfkit/{way} {_inverse(ratios[0])} by CPU, "
            f"{_inverse(ratios[1])} by clock, {memory:.0f} MB{floor}"
        )
    _compare_hitches(found)


def _ratio(some: list[dict[str, Any]], others: list[dict[str, Any]], clock: str) -> float:
    """Least time of one way over the least of another, which other work on the machine adds to."""
    return min(run[clock] for run in some) / min(run[clock] for run in others)


def _inverse(ratio: float) -> str:
    return f"{ratio:.2f}" if ratio >= 1 else f"1/{1 / ratio:.1f}"


def _compare_hitches(found: dict[str, list[dict[str, Any]]]) -> None:
    """Stop when another way that counts hitches counted others."""
    ours = found["perfkit"][0]["checked"]
    for way in set(found) & {"pandas", "polars", "bottleneck"}:
        theirs = found[way][0]["checked"]
        if theirs and ours != theirs:
            sys.exit(f"hitches differ from those of {way}: {ours} and {theirs}")


def measure_growth(folder: Path, scale: float, repeats: int) -> None:
    """Print how CPU time grows from 1x to 16x, ours and that of decoding."""
    print("growth (target: exponent of the last step at most 1.1, and not above that of decoding)")
    ways, best = ("perfkit", "decode"), []
    for factor in (1, 4, 16):
        path = make_combined(folder, int(1_875_000 * scale * factor))
        runs = [[run_apart("combined", way, path)["cpu"] for way in ways] for _ in range(repeats)]
        best.append([min(times) for times in zip(*runs, strict=True)])
        print(f"  {factor:3}x {best[-1][0]:6.2f} s CPU, {best[-1][0] / best[-1][1]:.2f} x decode")
    for name, step in (("first", best[:2]), ("last", best[1:])):
        ours, theirs = (math.log(step[1][way] / step[0][way]) / math.log(4) for way in (0, 1))
        print(f"  exponent of the {name} step {ours:.2f}, of decoding {theirs:.2f}", flush=True)


def main() -> None:
    """Read the command line and measure."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.frames", description=__doc__)
    parser.add_argument("--scale", type=float, default=1.0, help="share of the full sizes")
    parser.add_argument("--repeats", type=int, default=3, help="runs of each way")
    parser.add_argument("--cases", nargs="*", default=[*CASES, "growth"], help="what to measure")
    parser.add_argument("--ways", nargs="*", default=[], help="only perfkit and these ways")
    parser.add_argument("--data", type=Path, help="keep the data there; a temporary folder if not")
    parser.add_argument("--run", nargs=3, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.run:
        case, way, path = asked.run
        print(json.dumps(run_way(case, way, Path(path))))
        return
    with tempfile.TemporaryDirectory() as temporary:
        folder = asked.data or Path(temporary)
        for case in asked.cases:
            if case == "growth":
                measure_growth(folder, asked.scale, asked.repeats)
            else:
                measure_case(case, folder, asked.scale, asked.repeats, asked.ways)


if __name__ == "__main__":
    main()
