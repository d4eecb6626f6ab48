"""Small studies on disk and simulated passes."""

import csv
import io
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray
from scipy.signal import lfilter

import perfkit as pk

TOML = """
title = "Made for a test"
currency = "USD"
price_date = 2026-11-01
targets_fps = [30, 60]
[logs]
frame_time_column = "{column}"
frame_time_unit = "{unit}"
counts = "{counts}"
{more}
"""


def write_study(
    folder: Path,
    passes: Sequence[Mapping[str, Any]],
    logs: Mapping[str, bytes] | None = None,
    *,
    column: str = "frame_ms",
    unit: str = "ms",
    counts: str = "drawn",
    combined: str = "",
    system: Mapping[str, Any] | None = None,
) -> Path:
    """Write a study with one GPU, one system and one workload, and the given passes and logs."""
    folder.mkdir(parents=True, exist_ok=True)
    more = f'combined = "{combined}"' if combined else ""
    toml = TOML.format(column=column, unit=unit, counts=counts, more=more)
    (folder / "study.toml").write_text(toml)
    gpu = {"gpu": "g", "kind": "discrete", "compute_units": 8, "lanes_per_unit": 64}
    _table(folder / "gpus.csv", [gpu | {"clock_mhz": 1000}])
    _table(folder / "systems.csv", [{"system": "s"} | dict(system or {})])
    _table(folder / "workloads.csv", [{"workload": "w"}])
    base = {"system": "s", "gpu": "g", "workload": "w", "width": 1920, "height": 1080}
    rows = [base | dict(row) for row in passes]
    names = list(dict.fromkeys(name for row in rows for name in row))
    _table(folder / "passes.csv", [{name: row.get(name, "") for name in names} for row in rows])
    for name, content in (logs or {}).items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    return folder


def make_study(folder: Path, passes: Sequence[Mapping[str, Any]], *args: Any, **named: Any) -> Any:
    """Write a study and load it."""
    return pk.load_study(write_study(folder, passes, *args, **named))


def _table(path: Path, rows: Sequence[Mapping[str, Any]]) -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)


def csv_log(times: Sequence[float] | NDArray[np.float64], column: str = "frame_ms") -> bytes:
    """Write frame times as a CSV log with one more column."""
    lines = [f"frame,{column}", *(f"{i},{float(t)!r}" for i, t in enumerate(times))]
    return ("\n".join(lines) + "\n").encode()


def parquet_log(columns: Mapping[str, Any], row_group_size: int = 1 << 20) -> bytes:
    """Write columns as a Parquet file."""
    buffer = io.BytesIO()
    pq.write_table(pa.table(dict(columns)), buffer, row_group_size=row_group_size)
    return buffer.getvalue()


def clean_pass(
    rng: np.random.Generator,
    frames: int = 1500,
    fps: float = 60.0,
    spread: float = 0.05,
    swing: float = 0.05,
    memory: float = 0.9,
) -> NDArray[np.float64]:
    """Simulate a pass with nothing wrong.

    t = 1000/fps * exp(spread * (0.7 slow + 0.7 fast) + swing * sine) with `slow` an AR(1) series of
    parameter `memory`, `fast` independent, a sine of 6 to 24 periods, and 0.2 % of the frames 1.5
    to 4 times as long.
    """
    shocks = rng.standard_normal(frames + 500)
    slow = lfilter([np.sqrt(1 - memory**2)], [1, -memory], shocks)[500:]
    fast = rng.standard_normal(frames)
    phase = 2 * np.pi * (np.arange(frames) / frames * rng.uniform(6, 24) + rng.uniform())
    times = 1000 / fps * np.exp(spread * 0.7 * (slow + fast) + swing * np.sin(phase))
    long = rng.random(frames) < 0.002
    times[long] *= rng.uniform(1.5, 4, int(long.sum()))
    return times
