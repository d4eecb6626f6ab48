"""Turn the folder of the measuring run into the two studies kept beside this file.

    python convert.py SOURCE

SOURCE holds what the measuring program wrote: ``passes.csv`` and ``frames.parquet`` (the short
set) and the same two files in ``long/`` (the long set). Frame times are copied bit for bit
(float32 milliseconds), rows keep their order, and nothing is left out: the frame index is the
position within a pass, the repeat and the temperature stay as extra columns. The same source
gives the same CSV bytes and the same Parquet values.
"""

import argparse
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

HERE = Path(__file__).parent
DAY = "2026-11-25"
HOST = "bench-host"

SCENES = {
    "citadel": ("arithmetic only", "arithmetic"),
    "harbor": ("scattered memory reads", "memory access"),
    "steppe": ("vertices, then a frame buffer", "geometry and frame buffer"),
    "parade": ("many lights over a frame buffer, then streaming passes", "frame buffer"),
    "arena": ("many small draws, then arithmetic", "draws and arithmetic"),
    "convoy": ("hundreds of tiny draws, paced by the host that issues them", "draws"),
}

STUDY = """\
# Real frame times, converted by convert.py; README.md says what they can teach.
title = "{title}"
currency = "USD"            # nothing here has a price; the key is required
price_date = {day}
targets_fps = [30, 60, 120]
value_at = [1920, 1080]
disclosure = "Synthetic scenes on one accelerator with some of its units switched off. Not games."

[logs]
frame_time_column = "frame_ms"
frame_time_unit = "ms"
counts = "drawn"
combined = "frames.parquet"
"""


def gpu_table(source: pd.DataFrame) -> pd.DataFrame:
    """One row per device, fewest units first: the enabled part of the accelerator is a GPU."""
    devices = source.drop_duplicates("device").sort_values(["compute_units", "competing_units"])
    return pd.DataFrame(
        {
            "gpu": devices["device"],
            "kind": "discrete",
            "compute_units": devices["compute_units"],
            "lanes_per_unit": devices["lanes_per_unit"],
            "clock_mhz": devices["clock_mhz"],
            "family": devices["card"],
            "bandwidth_gb_s": devices["copy_bandwidth_gbps"],
            "memory_load_units": devices["competing_units"],
        }
    )


def workload_table(source: pd.DataFrame) -> pd.DataFrame:
    """One row per scene."""
    if unknown := set(source["scene"]) - set(SCENES):
        raise SystemExit(f"scenes without a description: {', '.join(sorted(unknown))}")
    return pd.DataFrame(
        [(name, name, "synthetic", genre, what) for name, (what, genre) in SCENES.items()],
        columns=["workload", "game", "preset", "genre", "description"],
    )


def pass_table(source: pd.DataFrame, sitting: str) -> pd.DataFrame:
    """One row per pass in the order of the source."""
    table = pd.DataFrame(
        {
            "pass_id": source["pass_id"],
            "system": HOST,
            "gpu": source["device"],
            "workload": source["scene"],
            "width": source["width"],
            "height": source["height"],
            "date": DAY,
            "sitting": sitting,
            "order": source["order"],
            "scene_kind": "built_in",
            "power_w": source["mean_power_w"],
            "repeat": source["repeat"],
            "mean_temperature_c": source["mean_temperature_c"],
        }
    )
    if "cap_fps" in source:
        table.insert(10, "cap_fps", source["cap_fps"].astype("Int64"))
    return table


def target_table(gpus: pd.DataFrame, sizes: list[tuple[int, int]]) -> pd.DataFrame:
    """Sizes nobody measured, on the smallest, two middle and the largest device."""
    names = gpus["gpu"].to_numpy()
    chosen = names[np.linspace(0, len(names) - 1, 4).round().astype(int)]
    rows = [
        (HOST, gpu, scene, width, height)
        for gpu in chosen
        for scene in SCENES
        for width, height in sizes
    ]
    return pd.DataFrame(rows, columns=["system", "gpu", "workload", "width", "height"])


def write_frames(source: Path, passes: pd.DataFrame, target: Path) -> None:
    """Copy the frame times of every pass, in the order of the pass table."""
    frames = pd.read_parquet(source)
    frames["pass_id"] = frames["pass_id"].astype(str)
    groups = dict(list(frames.groupby("pass_id", sort=False)))
    ids = passes["pass_id"].astype(str)
    if set(ids) != set(groups):
        raise SystemExit("passes.csv and frames.parquet do not name the same passes")
    ordered = []
    for pass_id, count in zip(ids, passes["frames"], strict=True):
        one = groups[pass_id].sort_values("frame", kind="stable")
        if not np.array_equal(one["frame"], np.arange(count)):
            raise SystemExit(f"pass {pass_id}: frames are not 0 .. {count - 1}")
        ordered.append(one)
    all_frames = pd.concat(ordered)
    columns = {
        "pass_id": pa.array(all_frames["pass_id"], pa.string()),
        "frame_ms": pa.array(all_frames["frame_ms"], pa.float32()),
    }
    pq.write_table(
        pa.table(columns),
        target,
        compression="zstd",
        compression_level=19,
        use_dictionary=["pass_id"],
        column_encoding={"frame_ms": "BYTE_STREAM_SPLIT"},
        store_schema=False,
    )


def convert(
    source: Path, target: Path, title: str, sitting: str, sizes: list[tuple[int, int]]
) -> None:
    """Write one study folder."""
    passes = pd.read_csv(source / "passes.csv")
    gpus = gpu_table(passes)
    tables = {
        "gpus": gpus,
        "systems": pd.DataFrame({"system": [HOST], "cpu_speed": [1]}),
        "workloads": workload_table(passes),
        "passes": pass_table(passes, sitting),
        "targets": target_table(gpus, sizes),
    }
    target.mkdir(parents=True, exist_ok=True)
    for name, table in tables.items():
        table.to_csv(target / f"{name}.csv", index=False, lineterminator="\n")
    (target / "study.toml").write_text(STUDY.format(title=title, day=DAY), encoding="utf-8")
    write_frames(source / "frames.parquet", passes, target / "frames.parquet")


def main() -> None:
    """Convert both sets."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("source", type=Path, help="folder of the measuring run")
    parser.add_argument("--into", type=Path, default=HERE, help="where to write the studies")
    args = parser.parse_args()
    short = "Six synthetic scenes on one accelerator, 4 to 132 units"
    long = "Six synthetic scenes on one accelerator, long and capped passes"
    convert(args.source, args.into, short, "short set", [(1600, 900), (3200, 1800)])
    convert(args.source / "long", args.into / "long", long, "long set", [(1600, 900)])


if __name__ == "__main__":
    main()
