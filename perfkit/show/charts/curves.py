"""What more compute units, more bandwidth and fewer pixels do, by the fitted model."""

import dataclasses
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Polygon

from perfkit.defaults import LEVEL
from perfkit.show.charts._marks import dot
from perfkit.show.charts._pick import comparable, largest, nice_ticks, rows
from perfkit.show.layout import Box, Canvas, Key, NothingToShow, Panel, Words
from perfkit.show.lettering import number, plain
from perfkit.show.style import Page

if TYPE_CHECKING:
    from perfkit.analysis import Analysis
    from perfkit.study import Study

NAME = "curves"
TITLE = "What does more of each part buy?"
FACTORS = np.geomspace(0.5, 2.0, 17)
PARTS = {
    "compute_units": "compute units",
    "bandwidth_gb_s": "memory, GB/s",
    "drawn_mpx": "megapixels drawn",
}


def data(analysis: "Analysis") -> pd.DataFrame:
    """One row per point of three curves through one GPU, and per measured point on them.

    The GPU is the discrete one with most workloads measured (an integrated one where there is no
    other), the workload the one measured on most GPUs. One thing changes along each curve, from
    half to twice what the GPU has; its own clock, memory and system stay.

    Parameters
    ----------
    analysis : Analysis

    Returns
    -------
    DataFrame
        part, value, fps, pred_low, pred_high, inside_range, measured (the row is a measurement),
        passes, gpu, system, workload, model, width, height.

    Raises
    ------
    NothingToShow
        No family was fitted, nothing was measured, or the model cannot tell.
    """
    passes = comparable(analysis)
    if not analysis.model.family or passes.empty:
        raise NothingToShow("no model could be fitted")
    system, gpu, workload = _reference(analysis, passes)
    swept = _sweeps(analysis, system, gpu, workload)
    swept = swept.dropna(subset=["value", "fps"])
    if swept.empty:
        raise NothingToShow(f"the model gives no number for {plain(gpu, 40)} in this workload")
    width, height = analysis.study.settings.value_at
    seen = _seen(analysis, system, gpu, workload, swept)
    facts = {"gpu": gpu, "system": system, "workload": workload, "model": analysis.model.family}
    return pd.concat([swept, seen], ignore_index=True).assign(**facts, width=width, height=height)


def _reference(analysis: "Analysis", passes: pd.DataFrame) -> tuple[str, str, str]:
    kinds = passes["gpu"].map(analysis.study.gpus.set_index("gpu")["kind"])
    pool = passes[kinds == "discrete"] if (kinds == "discrete").any() else passes
    machines = pool.groupby(["system", "gpu"], sort=False)["workload"].nunique().reset_index()
    best = machines.sort_values("workload", ascending=False, kind="stable").iloc[0]
    own = pool[(pool["system"] == best["system"]) & (pool["gpu"] == best["gpu"])]
    spread = passes[passes["workload"].isin(own["workload"])].groupby("workload", sort=False)
    counts = spread["gpu"].nunique().reset_index()
    workload = counts.sort_values("gpu", ascending=False, kind="stable")["workload"].iloc[0]
    return best["system"], best["gpu"], workload


def _sweeps(analysis: "Analysis", system: str, gpu: str, workload: str) -> pd.DataFrame:
    """Predict all three curves at once."""
    asked, made = zip(
        *(_sweep(analysis.study, part, system, gpu, workload) for part in PARTS), strict=True
    )
    rows = pd.concat(asked, ignore_index=True)
    study = dataclasses.replace(analysis.study, gpus=pd.concat([analysis.study.gpus, *made]))
    model = dataclasses.replace(analysis.model, study=study)
    table = model.predict(rows)[["fps", "pred_low", "pred_high", "inside_range"]]
    return table.assign(part=rows["part"], value=rows["value"], measured=False, passes=0)


def _sweep(
    study: "Study", part: str, system: str, gpu: str, workload: str
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Give the configurations of one curve, and the GPUs that it needs made up."""
    from perfkit.models.rates import attach_rates

    width, height = study.settings.value_at
    count = len(FACTORS)
    asked = pd.DataFrame({"system": [system] * count, "gpu": gpu, "workload": workload})
    asked = asked.assign(width=width, height=height, render_scale=1.0, part=part)
    rates = attach_rates(study, asked.iloc[[0]]).iloc[0]
    if part == "drawn_mpx":
        asked["width"] = np.round(width * np.sqrt(FACTORS)).astype(int)
        asked["height"] = np.round(height * np.sqrt(FACTORS)).astype(int)
        asked["value"] = asked["width"] * asked["height"] / 1e6
        return asked, study.gpus.head(0)
    base = study.gpus[study.gpus["gpu"] == gpu].iloc[[0]]
    base = base.assign(bandwidth_gb_s=rates["bandwidth_gb_s"], kind="discrete")
    asked["gpu"] = [f"{gpu} {part} {place}" for place in range(count)]
    asked["value"] = base[part].iloc[0] * FACTORS
    made = pd.concat([base] * count, ignore_index=True).assign(
        gpu=asked["gpu"], memory_gib=rates["memory_gib"]
    )
    made[part] = asked["value"]
    return asked, made


def _seen(
    analysis: "Analysis", system: str, gpu: str, workload: str, swept: pd.DataFrame
) -> pd.DataFrame:
    from perfkit.models.rates import attach_rates
    from perfkit.value.measured import measured_cells

    cells = measured_cells(analysis.passes)
    mine = (cells["system"] == system) & (cells["gpu"] == gpu) & (cells["workload"] == workload)
    cells = attach_rates(analysis.study, cells[mine])
    units = analysis.study.gpus.set_index("gpu")["compute_units"]
    cells = cells.assign(compute_units=cells["gpu"].map(units))
    width, height = analysis.study.settings.value_at
    here = (cells["width"] == width) & (cells["height"] == height) & (cells["render_scale"] == 1)
    found = []
    for part in PARTS:
        ends = swept.loc[swept["part"] == part, "value"]
        kept = cells if part == "drawn_mpx" else cells[here]
        kept = kept[kept[part].between(ends.min() * 0.999, ends.max() * 1.001)]
        found.append(kept[["fps", "passes"]].assign(part=part, value=kept[part], measured=True))
    made = pd.concat(found, ignore_index=True).assign(inside_range=True)
    return made.assign(pred_low=np.nan, pred_high=np.nan, passes=made["passes"].astype(int))


def words(data: pd.DataFrame, page: Page) -> Words:
    """Title, answer and conditions of the drawn data."""
    curve = data[~data["measured"]]
    told = []
    for part, name in PARTS.items():
        line = curve[curve["part"] == part].sort_values("value")
        if len(line) > 1:
            up = line["fps"].iloc[-1] / line["fps"].iloc[len(line) // 2]
            told.append(
                f"{name.split(',')[0].split()[0]} {100 * (up - 1):+.0f} %".replace("-", "\u2212")
            )
    answer = f"Doubled on {plain(data['gpu'].iloc[0], 30)}: {', '.join(told)} FPS."
    passes = data.loc[data["measured"], "passes"]
    behind = f"{int(passes.max())} passes a point, " if len(passes) else ""
    conditions = (
        f"{plain(data['workload'].iloc[0], 40)} in {plain(data['system'].iloc[0], 40)}, {behind}"
        f"{int(data['width'].iloc[0])} × {int(data['height'].iloc[0])} unless pixels change. "
        f"Model: {plain(data['model'].iloc[0], 60)}."
    )
    keys = (
        Key("o", "Disc", "measured"),
        Key("-", "Line", "predicted (dashed: outside what was seen)"),
        Key("hatched", "Band", f"{100 * LEVEL:.0f} % range"),
    )
    return Words(TITLE, answer, conditions, keys)


def draw(data: pd.DataFrame, page: Page) -> Figure:
    """Draw three curves over the same FPS axis, their ranges as bands.

    Parameters
    ----------
    data : DataFrame
        As made by :func:`data`.
    page : Page

    Returns
    -------
    matplotlib.figure.Figure
    """
    canvas = Canvas(page, words(data, page))
    top = largest(data, "fps", "pred_high") * 1.03
    base = 0.9 * float(np.nanmin(data[["fps", "pred_low"]])) if page.tall else 0.0
    parts = [part for part in PARTS if (data["part"] == part).any()]
    for place, part in enumerate(parts):
        panel = canvas.panel(
            _place(canvas, place, len(parts)), _ends(data, part), (base, top), log="x"
        )
        ticks = [tick for tick in nice_ticks(top, 5) if base <= tick <= top]
        first = place == 0 or page.tall
        panel.rule_y(ticks, [f"{tick:g}" if first else "" for tick in ticks])
        _axis(panel, f"{'FPS ' if first else ''}by {PARTS[part]}")
        _curve(panel, data[(data["part"] == part) & ~data["measured"]])
        for row in rows(data[(data["part"] == part) & data["measured"]]):
            dot(panel, row.value, row.fps, canvas.colour.first)
    return canvas.figure


def _ends(data: pd.DataFrame, part: str) -> tuple[float, float]:
    value = data.loc[(data["part"] == part) & ~data["measured"], "value"]
    return float(value.min()), float(value.max())


def _place(canvas: Canvas, place: int, count: int) -> Box:
    small, box = canvas.size["small"], canvas.box
    left, top = box.left + 2.6 * small, box.top + 1.5 * small
    if canvas.page.tall:
        each = (box.bottom - box.top) / count
        return Box(left, top + place * each, box.right, box.top + (place + 1) * each - 1.6 * small)
    gap = 2.2 * small
    wide = (box.right - left - (count - 1) * gap) / count
    start = left + place * (wide + gap)
    return Box(start, top, start + wide, box.bottom - 1.7 * small)


def _axis(panel: Panel, head: str) -> None:
    low, high = panel.x
    ticks = [low, np.sqrt(low * high), high]
    panel.rule_x(ticks, [number(tick, 2).removesuffix(".0") for tick in ticks], panel.box)
    canvas = panel.canvas
    left = panel.box.left if head.startswith("by") else canvas.box.left
    canvas.text(left, panel.box.top - 0.8 * canvas.size["small"], head, "small", tone="soft")


def _curve(panel: Panel, line: pd.DataFrame) -> None:
    line = line.sort_values("value")
    band = line.dropna(subset=["pred_low", "pred_high"])
    colour = panel.canvas.colour.first
    edge = [*zip(band["value"], band["pred_high"], strict=True)]
    edge += [*zip(band["value"], band["pred_low"], strict=True)][::-1]
    if edge:
        panel.axes.add_patch(
            Polygon(
                edge, facecolor=panel.canvas.tint("first", 0.22), edgecolor=colour, hatch="///",
                linewidth=0, zorder=1, gid="range",
            )
        )  # fmt: skip
    inside = line["inside_range"].to_numpy(bool)
    looks: list[tuple[Any, Any]] = [(inside, "-"), (~inside, (0, (3, 2)))]
    for shown, dashes in looks:
        near = shown | np.append(shown[1:], False) if dashes != "-" else shown
        panel.axes.add_line(
            Line2D(
                line["value"], line["fps"].where(near), color=colour,
                linewidth=panel.inch(5), linestyle=dashes, zorder=3, gid="curve",
            )
        )  # fmt: skip
