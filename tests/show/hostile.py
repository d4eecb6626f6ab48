"""A small study whose names try to be markup, formulas, mathtext and reversed text."""

from pathlib import Path

import numpy as np

from perfkit.study import Study, load_study
from tests.value.market import write_csv

GAMES = ("=1+1", "Moor $x^2$ 100%", "אגם \u202etxt.exe", "Tarn </td><b>")
CARDS = {"<b>Alder</b>": (20, 150.0), "Birch\\u003c": (28, 220.0), "+Cedar": (40, 300.0)}
BUILDS = (
    "bare",
    "<script>window.hit=1</script>",
    "=HYPERLINK(1)",
    "نظام <img src=x onerror=hit=1>",
)
TITLE = "Bench <i>one</i> & $two$"
TOML = f"""title = "{TITLE}"
currency = "EUR"
price_date = 2026-11-01
targets_fps = [30, 60]
value_at = [1920, 1080]
disclosure = "Paid <b>by me</b>"
"""
LATER = "2026-12-01"
SLOWER = (1.0, 0.5, 2.0, 0.25)


def hostile_study(folder: Path) -> Study:
    """Write and read the study: one integrated and three discrete GPUs, three passes each."""
    folder.mkdir(parents=True, exist_ok=True)
    gpus = [{"gpu": "Ember", "kind": "integrated", "compute_units": 8}] + [
        {"gpu": gpu, "kind": "discrete", "compute_units": units}
        for gpu, (units, _) in CARDS.items()
    ]
    passes = [
        {
            "pass_id": f"{gpu['gpu']}/{game}/{turn}",
            "system": "bench",
            "gpu": gpu["gpu"],
            "workload": game,
            "width": 1920,
            "height": 1080,
            "date": "2026-10-01",
            "avg_fps": round(5 * gpu["compute_units"] * slower * np.exp(0.01 * (turn - 1)), 4),
            "void_reason": "@void" if (g, w, turn) == (0, 0, 2) else "",
        }
        for g, gpu in enumerate(gpus)
        for w, (game, slower) in enumerate(zip(GAMES, SLOWER, strict=True))
        for turn in range(3)
        if (g, w) != (1, 3)
    ]
    base = [("Plank", "board", 150.0), ("Spindle", "processor", 250.0)]
    builds = [
        {"build": build, "item": item, "role": role, "system": "bench", "gpu": gpu["gpu"]}
        for build, gpu in zip(BUILDS, gpus, strict=True)
        for item, role, _ in [*base, *([(gpu["gpu"], "card", 0)] if gpu["gpu"] in CARDS else [])]
    ]
    items = [(item, price) for item, _, price in base] + [(c, p) for c, (_, p) in CARDS.items()]
    prices = [
        {"item": item, "date": LATER if item == "+Cedar" else "2026-10-20", "price": price}
        for item, price in items
    ]
    tables = {
        "gpus": [
            {"lanes_per_unit": 64, "clock_mhz": 2000, "bandwidth_gb_s": 50, **g} for g in gpus
        ],
        "systems": [{"system": "bench", "cpu": "Spindle"}],
        "workloads": [{"workload": game, "weight": 1 + w} for w, game in enumerate(GAMES)],
        "passes": passes,
        "builds": builds,
        "prices": prices,
    }
    (folder / "study.toml").write_text(TOML, encoding="utf-8")
    for name, rows in tables.items():
        write_csv(folder / f"{name}.csv", rows)
    return load_study(folder)
