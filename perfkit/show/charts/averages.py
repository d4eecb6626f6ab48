"""How fast and how even each game runs on the machine that was measured most."""

from typing import TYPE_CHECKING

import pandas as pd
from matplotlib.artist import Artist
from matplotlib.figure import Figure

from perfkit.show.charts._marks import bar, spindle
from perfkit.show.charts._pick import (
    busiest_machine,
    cells,
    comparable,
    fps_scale,
    passes_phrase,
    rows,
    size_phrase,
)
from perfkit.show.charts._rows import Numbers, lay_rows
from perfkit.show.layout import Canvas, Key, NothingToShow, Words
from perfkit.show.lettering import fps, plain
from perfkit.show.style import Page

if TYPE_CHECKING:
    from perfkit.analysis import Analysis

NAME = "averages"
TITLE = "How fast, and how even?"

KEYS = (
    Key("solid", "Solid", "up to the 1 % low"),
    Key("hatched", "Hatched", "on to the average"),
    Key("taper", "Taper", "slowest to fastest pass", "ink"),
)


def data(analysis: "Analysis") -> pd.DataFrame:
    """One row per workload of one machine: the average, its 1 % low and the range of the passes.

    The machine is the system and GPU with most workloads at the study's size; among equals one with
    an integrated GPU, then the first.

    Parameters
    ----------
    analysis : Analysis

    Returns
    -------
    DataFrame
        system, gpu, workload, fps, fps_least, fps_most, low_1pct_fps, passes, capped, width,
        height; fastest first.

    Raises
    ------
    NothingToShow
        No pass was run at that size, native, with nothing generated.
    """
    passes = comparable(analysis)
    width, height = analysis.study.settings.value_at
    if passes.empty:
        raise NothingToShow(f"no pass counts at {width} × {height}, native, nothing generated")
    system, gpu = busiest_machine(analysis, passes)
    chosen = cells(passes[(passes["system"] == system) & (passes["gpu"] == gpu)])
    chosen = chosen.sort_values("fps", ascending=False, kind="stable", ignore_index=True)
    return chosen.assign(width=width, height=height)


def words(data: pd.DataFrame, page: Page) -> Words:
    """Title, answer and conditions of the drawn data."""
    answer = f"{plain(data['gpu'].iloc[0], 40)}: "
    answer += f"{fps(data['fps'].min())} to {fps(data['fps'].max())} FPS"
    if page.goals_fps:
        goal = sorted(page.goals_fps)[len(page.goals_fps) // 2]
        reached = int((data["fps"] >= goal).sum())
        answer += f"; {reached} of {len(data)} games reach {goal:g}"
    conditions = (
        f"In {plain(data['system'].iloc[0], 40)}, {passes_phrase(data['passes'])}, "
        f"{size_phrase(data)}."
    )
    return Words(TITLE, answer + ".", conditions, _keys(data["low_1pct_fps"].notna()))


def _keys(known: "pd.Series[bool]") -> tuple[Key, ...]:
    solid, hatched, taper = KEYS
    hollow = Key("hollow", "Hollow", "average, 1 % low not known")
    bars = ([solid, hatched] if known.any() else []) + ([] if known.all() else [hollow])
    return (*bars, taper)


def draw(data: pd.DataFrame, page: Page) -> Figure:
    """Draw a bar from zero to the average, solid up to the 1 % low.

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
    least = ["≥ " if capped else "" for capped in data["capped"]]
    numbers = [
        Numbers("1 % low", tuple(fps(low) for low in data["low_1pct_fps"])),
        Numbers(
            "average", tuple(a + fps(b) for a, b in zip(least, data["fps"], strict=True)), True
        ),
    ]
    scale = fps_scale(float(data["fps_most"].max()), page)
    hue = canvas.colour.first
    slots = lay_rows(canvas, list(data["workload"]), numbers, scale)
    for slot, row in zip(slots, rows(data), strict=False):
        marks: list[Artist | None] = []
        if pd.isna(row.low_1pct_fps):
            marks += [bar(slot.panel, 0, row.fps, slot.y, slot.thick, hue, "hollow")]
        else:
            marks += [bar(slot.panel, 0, row.fps, slot.y, slot.thick, hue, "hatched")]
            marks += [bar(slot.panel, 0, row.low_1pct_fps, slot.y, slot.thick, hue)]
        ends = (row.fps_least, row.fps, row.fps_most)
        marks += [spindle(slot.panel, *ends, slot.y, pixels=min(18, slot.room))]
        for mark in filter(None, marks):
            mark.set_gid(f"{mark.get_gid()} {slot.row}")
    return canvas.figure
