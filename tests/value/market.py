"""A small market to test decisions on: written as a study folder and read back like any other."""

import csv
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from perfkit.frames import summarize_passes
from perfkit.study import Study, load_study
from perfkit.value.speeds import HALF, BuildSpeeds, SpeedBook, speed_book

GAMES = ("Fen", "Moor", "Tarn")
PREDICTED = [
    "system",
    "gpu",
    "workload",
    "width",
    "height",
    "render_scale",
    "fps",
    "scale_device",
    "scale_own",
    "dof",
    "low_1pct_fps",
    "low_1pct_low",
    "low_1pct_high",
    "level",
    "limited_by",
    "reason",
]

TOML = """title = "A small market"
currency = "{currency}"
price_date = 2026-11-01
targets_fps = [30, 60]
value_at = [1920, 1080]
{more}
"""

GPUS = [
    {"gpu": "Ember", "kind": "integrated", "compute_units": 8},
    {"gpu": "Alder", "kind": "discrete", "compute_units": 20, "length_mm": 200},
    {"gpu": "Birch", "kind": "discrete", "compute_units": 40, "length_mm": 300},
]
BASE = [
    ("Plank", "board", 80),
    ("Spindle", "processor", 120),
    ("Loom", "memory", 60),
    ("Bellow", "supply", 50),
    ("Chest", "case", 40),
]
CARDS = {"Alder": 150, "Birch": 300}


def write_csv(path: Path, rows: Iterable[Mapping[str, object]]) -> None:
    rows = list(rows)
    names = list(dict.fromkeys(name for row in rows for name in row))
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, names)
        writer.writeheader()
        writer.writerows(rows)


def build(name: str, gpu: str, items: Sequence[tuple[str, str, float]] = BASE) -> list[dict]:
    rows = [
        {"build": name, "item": item, "role": role, "system": "bench", "gpu": gpu}
        for item, role, _ in items
    ]
    if gpu in CARDS:
        rows.append({**rows[0], "item": gpu, "role": "card"})
    return rows


def priced(*items: tuple[str, str, float], **more: object) -> list[dict]:
    return [
        {"item": item, "date": "2026-10-20", "price": price, "listing": "shop", **more}
        for item, _, price in items
    ]


def runs(gpu: str, fps: Mapping[str, Sequence[float]], **more: object) -> list[dict]:
    return [
        {
            "pass_id": f"{gpu} {game} {number} {len(more)}{list(more.values())}",
            "system": "bench",
            "gpu": gpu,
            "workload": game,
            "width": 1920,
            "height": 1080,
            "avg_fps": each,
            **more,
        }
        for game, values in fps.items()
        for number, each in enumerate(values)
    ]


def market(folder: Path, *, toml: str = "", currency: str = "EUR", **files: list[dict]) -> Study:
    """Write a study in which Ember and Alder are measured and built, and read it."""
    folder.mkdir(parents=True, exist_ok=True)
    tables = {
        "gpus": [{"lanes_per_unit": 64, "clock_mhz": 2000, **gpu} for gpu in GPUS],
        "systems": [{"system": "bench", "cpu": "Spindle"}],
        "workloads": [{"workload": game} for game in GAMES],
        "passes": measured(),
        "builds": build("bare", "Ember") + build("with Alder", "Alder"),
        "prices": priced(*BASE, *((card, "", price) for card, price in CARDS.items())),
    } | files
    (folder / "study.toml").write_text(TOML.format(currency=currency, more=toml), encoding="utf-8")
    for name, rows in tables.items():
        if rows:
            write_csv(folder / f"{name}.csv", rows)
    return load_study(folder)


def measured() -> list[dict]:
    """Three passes a cell; geometric means 40 (Ember) and 80 (Alder) up to the spread."""
    noise = np.exp([-0.01, 0.0, 0.01])
    slow = {"Fen": 20 * noise, "Moor": 40 * noise, "Tarn": 80 * noise}
    fast = {game: 2 * values for game, values in slow.items()}
    return runs("Ember", slow) + runs("Alder", fast)


def summary(study: Study) -> pd.DataFrame:
    return summarize_passes(study)


def booked(study: Study, table: pd.DataFrame | None = None) -> SpeedBook:
    return speed_book(study, summary(study), no_predictions() if table is None else table)


def no_predictions() -> pd.DataFrame:
    text = ["system", "gpu", "workload", "limited_by", "reason"]
    return pd.DataFrame(columns=PREDICTED, dtype=float).astype(dict.fromkeys(text, "str"))


def predictions(gpu: str, fps: Mapping[str, float], **more: object) -> pd.DataFrame:
    """Rows as a model gives them: 10 % shared and 5 % own scale unless told otherwise."""
    rows = [
        {
            "system": "bench",
            "gpu": gpu,
            "workload": game,
            "width": 1920,
            "height": 1080,
            "render_scale": 1.0,
            "fps": each,
            "scale_device": 0.10,
            "scale_own": 0.05,
            "dof": 9.0,
            "low_1pct_fps": 0.7 * each,
            "low_1pct_low": 0.6 * each,
            "low_1pct_high": 0.8 * each,
            "level": 0.90,
            "limited_by": "arithmetic",
            "reason": "",
            **more,
        }
        for game, each in fps.items()
    ]
    return pd.DataFrame(rows, columns=PREDICTED)


def speeds_of(
    fps: Sequence[Sequence[float]],
    spread: Sequence[float] = (0.0, 0.0),
    *,
    basis: Sequence[Sequence[str]] | None = None,
    reason: Sequence[Sequence[str]] | None = None,
    weights: Sequence[float] | None = None,
) -> BuildSpeeds:
    """Speeds of machines a, b, ... on workloads A, B, ...; draws lie `spread` from log `fps`."""
    values = np.array(fps, dtype=float)
    machines, workloads = values.shape
    known = np.isfinite(values)
    compared = known.mean(axis=1) >= HALF
    nothing = np.full(values.shape, np.nan)
    return BuildSpeeds(
        names=tuple("abcdef"[:machines]),
        workloads=tuple("ABCDEF"[:workloads]),
        weights=np.ones(workloads) if weights is None else np.array(weights, dtype=float),
        fps=values,
        log_draws=np.log(values)[..., None] + np.array(spread),
        basis=np.where(known, "measured", "") if basis is None else np.array(basis),
        reason=np.full(values.shape, "") if reason is None else np.array(reason),
        passes=known.astype(float),
        log_scale=nothing,
        low_fps=nothing,
        low_log_scale=nothing,
        compared=compared,
        common=known[compared].all(axis=0) & compared.any(),
    )
