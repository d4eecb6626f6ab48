"""Frames for every chart, of any length and with any names, without a study behind them."""

from collections.abc import Callable

import numpy as np
import pandas as pd

SIZE = {"width": 1920, "height": 1080}
RNG_SEED = 7


def averages(names: list[str]) -> pd.DataFrame:
    rng = np.random.default_rng(RNG_SEED)
    fps = np.sort(rng.uniform(18, 190, len(names)))[::-1]
    low = fps * rng.uniform(0.5, 0.9, len(names))
    low[len(names) // 2] = np.nan
    return pd.DataFrame(
        {
            "system": names[0],
            "gpu": names[-1],
            "workload": names,
            "passes": 3,
            "fps": fps,
            "fps_least": fps * 0.97,
            "fps_most": fps * 1.03,
            "low_1pct_fps": low,
            "capped": np.arange(len(names)) == 1,
            **SIZE,
        }
    )


def trace(names: list[str]) -> pd.DataFrame:
    rng = np.random.default_rng(RNG_SEED)
    times = rng.gamma(60, 18 / 60, 1200)
    times[rng.integers(0, 1200, len(names))] *= 4
    return pd.DataFrame(
        {"at_s": (np.cumsum(times) - times) / 1000, "frame_ms": times, "hitch": times > 52}
    ).assign(
        pass_id="p1", system=names[0], gpu=names[-1], workload=names[0], **SIZE,
        avg_fps=55.0, low_1pct_fps=34.0,
    )  # fmt: skip


def spread(names: list[str]) -> pd.DataFrame:
    edges = np.linspace(0, 60, 41)
    parts = []
    for place, name in enumerate(names):
        centre = 12 + 30 * place / max(1, len(names))
        share = np.exp(-(((edges[:-1] - centre) / 4) ** 2))
        parts.append(
            pd.DataFrame(
                {
                    "system": names[0], "gpu": names[-1], "workload": name,
                    "from_ms": edges[:-1], "to_ms": edges[1:], "share": share / share.sum(),
                    "median_ms": centre, "p99_ms": centre * 1.4, "frames": 4000, "passes": 3,
                    **SIZE,
                }
            )
        )  # fmt: skip
    return pd.concat(parts, ignore_index=True)


def cards(names: list[str]) -> pd.DataFrame:
    rng = np.random.default_rng(RNG_SEED)
    own = rng.uniform(20, 150, len(names))
    rows = []
    for name, fps, gain in zip(names, own, np.linspace(2.6, 1.1, len(names)), strict=True):
        for kind, value, wide in (("integrated", fps, 1.02), ("discrete", fps * gain, 1.18)):
            rows.append(
                {
                    "workload": name, "system": names[0], "gpu": f"{names[-1]} {kind}",
                    "kind": kind, "fps": value, "fps_low": value / wide, "fps_high": value * wide,
                    "basis": "measured" if kind == "integrated" else "predicted",
                    "passes": 3.0 if kind == "integrated" else 0.0, "limited_by": "fixed cost",
                    **SIZE,
                }
            )  # fmt: skip
    return pd.DataFrame(rows)


def accuracy(names: list[str]) -> pd.DataFrame:
    rng = np.random.default_rng(RNG_SEED)
    count = 3 * len(names)
    fps = np.exp(rng.uniform(np.log(14), np.log(260), count))
    predicted = fps * np.exp(rng.normal(0.02, 0.08, count))
    return pd.DataFrame(
        {
            "gpu": np.resize(names, count),
            "kind": np.resize(["integrated", "discrete"], count),
            "system": names[0],
            "workload": np.resize(names[::-1], count),
            **SIZE,
            "fps": fps,
            "predicted": predicted,
            "pred_low": predicted * 0.84,
            "pred_high": predicted * 1.19,
            "model": names[0],
        }
    )


def curves(names: list[str]) -> pd.DataFrame:
    factor = np.geomspace(0.5, 2, 9)
    parts = []
    for part, base, power in (
        ("compute_units", 22, 0.6),
        ("bandwidth_gb_s", 256, 0.2),
        ("drawn_mpx", 2.07, -0.6),
    ):
        fps = 90 * factor**power
        parts.append(
            pd.DataFrame(
                {
                    "part": part, "value": base * factor, "fps": fps, "pred_low": fps * 0.85,
                    "pred_high": fps * 1.15, "inside_range": factor < 1.5, "measured": False,
                    "passes": 0,
                }
            )
        )  # fmt: skip
    table = pd.concat(parts, ignore_index=True)
    seen = table[table["value"].isin([22.0, 256.0, 2.07])].assign(
        measured=True, passes=3, pred_low=np.nan, pred_high=np.nan
    )
    return pd.concat([table, seen], ignore_index=True).assign(
        gpu=names[-1], system=names[0], workload=names[0], model="time sum", **SIZE
    )


def cost(names: list[str]) -> pd.DataFrame:
    rng = np.random.default_rng(RNG_SEED)
    price = rng.uniform(300, 1500, len(names))
    each = np.sort(rng.uniform(4, 11, len(names)))
    return pd.DataFrame(
        {
            "build": names,
            "price": price,
            "fps": price / each,
            "cost_per_frame": each,
            "cost_low": each * 0.93,
            "cost_high": each * 1.08,
            "basis": np.resize(["measured", "predicted", "borrowed"], len(names)),
            "workloads": 12,
            **SIZE,
        }
    )


def frontier(names: list[str]) -> pd.DataFrame:
    table = cost(names).sort_values("price", ignore_index=True)
    best = table["fps"].cummax()
    return table.assign(
        fps_low=table["fps"] * 0.93,
        fps_high=table["fps"] * 1.08,
        on_frontier=np.linspace(0.1, 1.0, len(names)),
        unbeaten=(table["fps"] == best) & (best > best.shift(fill_value=0.0)),
    )[["build", "price", "fps", "fps_low", "fps_high", "basis", "on_frontier", "workloads",
       "unbeaten", "width", "height"]]  # fmt: skip


def flip(names: list[str]) -> pd.DataFrame:
    table = cost([*names, "one more"])
    flips = table["price"] * np.linspace(1.05, 0.4, len(table))
    return pd.DataFrame(
        {
            "build": table["build"],
            "price": table["price"],
            "flips_at": flips,
            "change_pct": 100 * (flips / table["price"] - 1),
            "leads": np.arange(len(table)) == 0,
            "workloads": 12,
            **SIZE,
        }
    )


def prices(names: list[str]) -> pd.DataFrame:
    days = pd.date_range("2025-06-01", periods=12, freq="45D").strftime("%Y-%m-%d")
    parts = [
        pd.DataFrame(
            {
                "item": f"{name} {place}",
                "condition": "used" if place % 2 else "new",
                "date": days,
                "price": (420 - 3.0 * place) * np.linspace(1, 0.8, len(days)),
            }
        )
        for place, name in enumerate(names[:6])
    ]
    return pd.concat(parts, ignore_index=True)


def memory(names: list[str]) -> pd.DataFrame:
    kept = np.linspace(52, 97, len(names))
    return pd.DataFrame(
        {
            "gpu": names[-1],
            "system": names,
            "against": names[::-1],
            "bandwidth_pct": kept - 10,
            "kept_pct": kept,
            "kept_low": kept - 3,
            "kept_high": kept + 2,
            "workloads": 11.0,
            "basis": np.resize(["measured", "predicted"], len(names)),
            **SIZE,
        }
    )


def settings(names: list[str]) -> pd.DataFrame:
    scales = [1.0, 0.75, 0.5]
    count = len(names) * len(scales)
    chance = np.linspace(0, 1, count)
    return pd.DataFrame(
        {
            "build": names[0],
            "workload": np.repeat(names, len(scales)),
            "goal_fps": 60.0,
            "render_scale": np.tile(scales, len(names)),
            "fps": np.linspace(30, 150, count),
            "probability": chance,
            "basis": "measured",
            "enough": chance >= 0.9,
            **SIZE,
        }
    )


def forecasts(names: list[str]) -> pd.DataFrame:
    fps = np.linspace(160, 24, len(names))
    return pd.DataFrame(
        {
            "gpu": names[-1],
            "system": names[0],
            "workload": names,
            **SIZE,
            "fps": fps,
            "pred_low": fps * 0.85,
            "pred_high": fps * 1.18,
            "measured": fps * np.linspace(1.3, 0.9, len(names)),
            "level": 0.9,
            "made_on": "2026-09-03",
            "inside": np.arange(len(names)) > 0,
        }
    )


def next_runs(names: list[str]) -> pd.DataFrame:
    worth = np.linspace(9, 0.4, len(names))
    return pd.DataFrame(
        {
            "workload": names,
            "gpu": names[::-1],
            "system": names[0],
            "at_hand": np.resize(["yes", "no"], len(names)),
            "narrows_pct": worth * 2,
            "minutes": 2.0,
            "narrows_pct_per_minute": worth,
            **SIZE,
        }
    )


FRAMES: dict[str, Callable[[list[str]], pd.DataFrame]] = {
    "averages": averages,
    "trace": trace,
    "spread": spread,
    "memory": memory,
    "settings": settings,
    "cards": cards,
    "accuracy": accuracy,
    "curves": curves,
    "forecasts": forecasts,
    "cost": cost,
    "frontier": frontier,
    "flip": flip,
    "prices": prices,
    "next": next_runs,
}


def named(style: str, count: int) -> list[str]:
    """Make `count` different names of one style."""
    longest = "The Long Watch of the Salt Marsh Keepers, remembered edition, very high preset"
    styles = {
        "plain": "Brool {}, medium",
        "long": f"{{}} {longest}",
        "hebrew": "שלום עולם {} גבוה",
        "arabic": "مرحبا بالعالم {} عالي",
        "markup": "$\\frac{{1}}{{{}}}$ <b>&amp; \\LaTeX_{{}}^2 %",
        "control": "a\tb\n{}\u202ec\u0007 日本",
    }
    return [styles[style].format(place + 1) for place in range(count)]
