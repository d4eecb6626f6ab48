"""Every number and text that one study gives, in few digits, to see that none moves unnoticed.

The study is the demo market cut down to three workloads. What is kept says of each column of each
table how many values are finite, their sum, their sum by place, and how large they are together; of
a text a checksum. ``python -m tests.trust.numbers`` writes it anew after a change that is meant to
move numbers; the difference in version control then shows which.
"""

import csv
import json
import shutil
import sys
import tempfile
import zlib
from collections.abc import Mapping
from pathlib import Path
from unittest import mock

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

import perfkit as pk
from perfkit.analysis import asked_configurations
from perfkit.frames import PassSummary, summarize
from perfkit.study.demo import find_demo

KEPT = Path(__file__).with_name("numbers.json")
WORKLOADS = ("Velm Circuit, low", "Umber Orchard, low", "Skein Tactics, high")
ROOMS = {"frames": 1e-9, "models": 1e-5, "value": 1e-5}
"""Relative tolerance by room: frames are arithmetic, fits end where a search settles."""

Column = list[float] | str
Seen = dict[str, dict[str, Column]]


def cut_demo(folder: Path) -> Path:
    """Write the demo market with three of its workloads."""
    demo, passes = find_demo(), list[str]()
    folder.mkdir(parents=True)
    shutil.copytree(demo / "logs", folder / "logs")
    shutil.copy(demo / "study.toml", folder)
    for path in demo.glob("*.csv"):
        with open(path, encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
        kept = [row for row in rows if row.get("workload") in (*WORKLOADS, "", None)]
        if path.name == "passes.csv":
            passes = [row["pass_id"] for row in kept]
        with open(folder / path.name, "w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, list(rows[0]))
            writer.writeheader()
            writer.writerows(kept)
    frames = pq.read_table(demo / "frames.parquet")
    pq.write_table(
        frames.filter(pc.is_in(frames["pass_id"], pa.array(passes))), folder / "frames.parquet"
    )
    return folder


def column(values: pd.Series) -> Column:
    """Say what a column holds."""
    if pd.api.types.is_numeric_dtype(values) and len(values):
        numbers = values.to_numpy(float, na_value=np.nan)
        finite = np.isfinite(numbers)
        placed = numbers[finite] * (1 + np.flatnonzero(finite)) / len(numbers)
        sums = numbers[finite].sum(), placed.sum(), np.abs(numbers[finite]).sum()
        return [float(finite.sum()), *(float(f"{each:.12g}") for each in sums)]
    return f"{zlib.crc32(chr(10).join(map(str, values)).encode()):08x}"


def seen(room: str, tables: Mapping[str, pd.DataFrame]) -> Seen:
    """Say what tables of a room hold, column by column."""
    return {
        f"{room}/{name}": {str(key): column(table[key]) for key in table.columns}
        for name, table in tables.items()
    }


def seen_of_frames(summary: PassSummary) -> Seen:
    """Say what was measured."""
    return seen("frames", {"passes": summary.passes, "flags": summary.flags})


def seen_of_models(study: pk.Study, passes: pd.DataFrame, model: pk.Fit) -> Seen:
    """Say what was fitted and predicted."""
    fitted = {"comparison": model.comparison, "errors": model.errors, "terms": model.terms}
    predicted = model.predict(asked_configurations(study, passes))
    return seen("models", {**fitted, "left_out": model.left_out, "predictions": predicted})


def seen_of_value(study: pk.Study, summary: PassSummary, model: pk.Fit) -> Seen:
    """Say what was decided."""
    with (
        mock.patch("perfkit.analysis.summarize", return_value=summary),
        mock.patch("perfkit.analysis.fit", return_value=model),
    ):
        analysis = pk.analyse(study)
    return seen(
        "value", {"value": analysis.value, "upgrades": analysis.upgrades, **analysis.tables}
    )


def moved(room: str, now: Seen, kept: Seen) -> list[str]:
    """Name the columns of a room that are not what they were."""
    of_room = {name for name in now.keys() | kept.keys() if name.startswith(f"{room}/")}
    found = []
    for name in sorted(of_room):
        one, other = now.get(name, {}), kept.get(name, {})
        for key in sorted(one.keys() | other.keys()):
            if not same(one.get(key, ""), other.get(key, ""), ROOMS[room]):
                found.append(f"{name} {key}: {other.get(key)} was, {one.get(key)} is")
    return found


def same(one: Column, other: Column, tolerance: float) -> bool:
    """Whether two columns say the same."""
    if isinstance(one, str) or isinstance(other, str):
        return one == other
    allowed = tolerance * other[3]
    return one[0] == other[0] and all(
        abs(a - b) <= allowed for a, b in zip(one[1:], other[1:], strict=True)
    )


def main() -> int:
    """Write what the study gives now."""
    with tempfile.TemporaryDirectory() as place:
        study = pk.load_study(cut_demo(Path(place) / "cut"))
        summary = summarize(study)
        model = pk.fit(study, summary.passes)
        now = seen_of_frames(summary) | seen_of_value(study, summary, model)
        now |= seen_of_models(study, summary.passes, model)
    kept = json.loads(KEPT.read_text()) if KEPT.exists() else {}
    for room in ROOMS:
        print(*moved(room, now, kept), sep="\n")
    KEPT.write_text(json.dumps(now, indent=1, sort_keys=True) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
