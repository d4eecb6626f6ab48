"""What one frame per second costs in each build, cheapest first."""

from typing import TYPE_CHECKING

import pandas as pd
from matplotlib.figure import Figure

from perfkit.defaults import LEVEL
from perfkit.show.charts._marks import bar, spindle
from perfkit.show.charts._pick import largest, rows, size_phrase, workloads_phrase, zero_scale
from perfkit.show.charts._rows import Numbers, lay_rows
from perfkit.show.layout import Canvas, Key, NothingToShow, Words
from perfkit.show.lettering import fps, number, plain
from perfkit.show.style import Page

if TYPE_CHECKING:
    from perfkit.analysis import Analysis

NAME = "cost"
TITLE = "What does one frame per second cost?"

KEYS = {
    "measured": Key("solid", "Solid", "measured"),
    "borrowed": Key("hatched", "Hatched", "partly measured elsewhere"),
    "predicted": Key("hollow", "Hollow", "partly predicted"),
}


def data(analysis: "Analysis") -> pd.DataFrame:
    """One row per build with a cost per frame, cheapest first.

    Parameters
    ----------
    analysis : Analysis

    Returns
    -------
    DataFrame
        build, price, fps, cost_per_frame, cost_low, cost_high, basis, workloads, width, height.

    Raises
    ------
    NothingToShow
        No build has both a price and a speed.
    """
    value = analysis.value.dropna(subset=["cost_per_frame"])
    if value.empty:
        raise NothingToShow("no build has both a price and a speed")
    width, height = analysis.study.settings.value_at
    kept = [
        "build",
        "price",
        "fps",
        "cost_per_frame",
        "cost_low",
        "cost_high",
        "basis",
        "workloads",
    ]
    ranked = value.sort_values("cost_per_frame", kind="stable", ignore_index=True)
    return ranked.reindex(columns=kept).assign(width=width, height=height)


def words(data: pd.DataFrame, page: Page) -> Words:
    """Title, answer and conditions of the drawn data."""
    best = data.iloc[0]
    answer = (
        f"{plain(best['build'], 60)} is lowest: {number(best['cost_per_frame'])} {page.currency}"
    )
    rivals = data.iloc[1:]
    close = rivals[rivals["cost_low"] <= best["cost_high"]]
    if len(close):
        answer += f"; {plain(close['build'].iloc[0], 60)} is too close to call"
    elif len(rivals):
        gap = 100 * (rivals["cost_per_frame"].iloc[0] / best["cost_per_frame"] - 1)
        answer += f", {gap:.0f} % less than {plain(rivals['build'].iloc[0], 60)}"
    keys = tuple(key for basis, key in KEYS.items() if (data["basis"] == basis).any())
    conditions = f"{workloads_phrase(data)}, {size_phrase(data)}."
    return Words(
        TITLE,
        answer + ".",
        conditions,
        (*keys, Key("taper", "Taper", f"{100 * LEVEL:.0f} % range", "ink")),
    )


def draw(data: pd.DataFrame, page: Page) -> Figure:
    """Draw bars from zero with the range over their ends.

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
    numbers = [
        Numbers("price", tuple(f"{price:,.0f}" for price in data["price"])),
        Numbers("FPS", tuple(fps(value) for value in data["fps"])),
        Numbers(f"{page.currency} per FPS", tuple(map(number, data["cost_per_frame"])), True),
    ]
    scale = zero_scale(largest(data, "cost_per_frame", "cost_high"), "{:g}".format)
    slots = lay_rows(canvas, list(data["build"]), numbers, scale)
    for slot, row in zip(slots, rows(data), strict=False):
        look = KEYS[row.basis].look
        bar(slot.panel, 0, row.cost_per_frame, slot.y, slot.thick, canvas.colour.first, look)
        ends, thick = (row.cost_low, row.cost_per_frame, row.cost_high), min(18, slot.room)
        spindle(slot.panel, *ends, slot.y, pixels=thick)
    return canvas.figure
