"""Studies that use most of what perfkit can say, and passes of many shapes."""

import csv
import datetime
import itertools
import math
import shutil
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

import perfkit as pk
from perfkit.frames.flags import Circumstances, pass_flags
from perfkit.frames.statistics import frame_statistics
from perfkit.study.demo import find_demo
from perfkit.study.ledger import keep_forecasts
from tests.value.market import BASE, GAMES, GPUS, build, market, priced

WORKLOADS = ("Velm Circuit, low", "Umber Orchard, low", "Skein Tactics, high")


def cut_demo(folder: Path) -> pk.Study:
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
    return pk.load_study(folder)


def versions_market(folder: Path) -> pk.Study:
    """Write a market of three GPUs that ran under three drivers, and one game in two versions."""
    rng = np.random.default_rng(2)
    passes = []
    for g, w, driver, turn in itertools.product(range(3), range(3), range(3), range(3)):
        if (g, w, driver) in {(1, 2, 0), (2, 0, 1)} or turn >= 3 - w:
            continue
        fps = 20 * (g + 1) ** 1.2 * (w + 1) * (1.04 if driver == 2 else 1)
        fps *= np.exp(rng.normal(0, 0.01))
        run = {"system": "bench", "gpu": GPUS[g]["gpu"], "workload": GAMES[w]}
        run |= {"width": 1920, "height": 1080, "order": turn, "sitting": f"day {turn // 2}"}
        run |= {"pass_id": f"{g} {w} {driver} {turn}", "date": f"2026-0{driver + 3}-1{turn}"}
        run |= {"driver": f"r{driver}", "game_version": "2" if (w, driver) == (0, 2) else "1"}
        run |= {"avg_fps": fps, "low_1pct_fps": fps * rng.uniform(0.6, 0.8)}
        run |= {"power_w": 60 + 40 * g + rng.uniform(0, 9), "power_at": "wall" if w else "package"}
        passes.append(run)
    games = [
        {"workload": game, "game": game, "weight": w + 1, "goal_fps": 60, "floor_fps": 20}
        for w, game in enumerate(GAMES)
    ]
    builds = [row for gpu in GPUS for row in build(f"with {gpu['gpu']}", str(gpu["gpu"]))]
    lower = [
        {**row, "date": "2026-10-25"} for row in priced(("Alder", "", 135), ("Birch", "", 320))
    ]
    prices = [*priced(*BASE, ("Alder", "", 150), ("Birch", "", 300)), *lower]
    claims = [
        {"claim": "one", "left": "Birch", "relation": "above", "right": "Alder"},
        {"claim": "two", "left": "Alder", "relation": "same", "right": "Ember", "workload": "Moor"},
        {"claim": "three", "left": "Ember", "relation": "above", "right": 30},
        {"claim": "four", "left": "Birch", "relation": "below", "right": "Alder"},
        {"claim": "five", "left": "with Birch", "relation": "below", "right": "with Alder"},
    ]
    for row, measure in zip(
        claims, ("average", "average", "low_1pct", "low_1pct", "cost_per_frame"), strict=True
    ):
        row["measure"] = measure
    toml = "budget = 600\ntariff_per_kwh = 0.3\nhours_per_week = 10"
    files = {"passes": passes, "workloads": games, "builds": builds, "prices": prices}
    study = market(folder, toml=toml, claims=claims, **files)
    keys = study.passes[["system", "gpu", "workload", "width", "height", "render_scale"]]
    made = keys.drop_duplicates().assign(fps=70.0, pred_low=50.0, pred_high=90.0, level=0.9)
    keep_forecasts(study, made.assign(model="law"), datetime.date(2026, 3, 1))
    return pk.load_study(folder)


def made_passes() -> dict[str, pd.DataFrame]:
    """Measure passes of frame times that are held, stepped, drifting, split and rough."""
    rng = np.random.default_rng(3)
    even = 12 * np.exp(rng.normal(0, 0.08, 12_000))
    made = {
        "even": even,
        "short": even[:700],
        "held": np.maximum(even, 1000 / 90) + rng.normal(0, 0.02, len(even)),
        "stepped": np.ceil(even[:3000] * 60 / 1000) * 1000 / 60 + rng.normal(0, 0.05, 3000),
        "drifting": even * np.linspace(1, 1.15, len(even)),
        "split": even * np.where(np.arange(len(even)) // 50 % 3 == 0, 1.3, 1.0),
        "rough": np.where(rng.random(len(even)) < 0.004, 5 * even, even),
        "coarse": np.rint(even),
    }
    found = [frame_statistics(times, (30.0, 60.0, 85.0)) for times in made.values()]
    table = pd.json_normalize([asdict(each) for each in found]).drop(columns="over_share")
    flags = [[*pass_flags(each, given)] for given in told_of_passes() for each in found]
    return {
        "passes": table.assign(
            **{f"above_{n}": [f.over_share[n] for f in found] for n in range(3)}
        ),
        "flags": pd.DataFrame([asdict(flag) for of_pass in flags for flag in of_pass]),
        "counts": pd.DataFrame({"flags": [len(of_pass) for of_pass in flags]}),
    }


def told_of_passes() -> Iterator[Circumstances]:
    """Say of passes nothing, a cap and a display, other averages, another unit, slow memory."""
    nothing = Circumstances(*[math.nan] * 2, 0.0, "drawn", "ms", *[math.nan] * 4)
    yield nothing
    yield replace(nothing, cap_fps=90.0, refresh_hz=180.0)
    yield replace(nothing, refresh_hz=90.0, typed_fps=8.0)
    yield replace(nothing, typed_fps=300.0, unit="us", ram_mtps=4800.0, ram_rated_mtps=6400.0)
    yield replace(nothing, generated_per_drawn=1.0, counts="shown", cap_fps=60.0, avg_fps=60.0)
    yield replace(nothing, refresh_hz=60.0, avg_fps=60.0, ram_mtps=3000.0, ram_rated_mtps=6000.0)


@dataclass(frozen=True, slots=True)
class Law:
    """Stands for a fit: predictions by a formula, so that no decision hangs on a search."""

    gpus: tuple[str, ...]
    workloads: tuple[str, ...]

    def predict(self, asked: pd.DataFrame) -> pd.DataFrame:
        """Give what :meth:`perfkit.models.Fit.predict` gives."""
        gpu = asked["gpu"].map(self.gpus.index).to_numpy(float)
        workload = asked["workload"].map(self.workloads.index).to_numpy(float)
        pixels = (asked["width"] * asked["height"] * asked["render_scale"] ** 2).to_numpy(float)
        fps = 15 * (2 + gpu) ** 0.7 * (1 + workload) * (2e6 / pixels) ** 0.8
        lows = {"low_1pct_fps": 0.7, "low_1pct_low": 0.6, "low_1pct_high": 0.8}
        ranges = {"pred_low": 0.8, "pred_high": 1.25, "mean_low": 0.85, "mean_high": 1.2}
        return asked.assign(
            fps=fps,
            **{name: share * fps for name, share in {**lows, **ranges}.items()},
            level=0.9,
            inside_range=True,
            left_range="",
            limited_by=np.where(workload == 1, "memory", "arithmetic"),
            model="law",
            reason="",
            scale_device=0.08,
            scale_own=0.04 + 0.01 * workload,
            dof=9.0,
        )
