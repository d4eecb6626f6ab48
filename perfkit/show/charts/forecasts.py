"""Forecasts that were kept, against what was measured when the card had come."""

from typing import TYPE_CHECKING

import pandas as pd
from matplotlib.figure import Figure

from perfkit.show.charts._marks import dot, spindle
from perfkit.show.charts._pick import fps_scale, largest, rows
from perfkit.show.charts._rows import Numbers, lay_rows
from perfkit.show.layout import Canvas, Key, NothingToShow, Words
from perfkit.show.lettering import day, fps, plain
from perfkit.show.style import Page

if TYPE_CHECKING:
    from perfkit.analysis import Analysis

NAME = "forecasts"
TITLE = "Did the forecast come true?"


def data(analysis: "Analysis") -> pd.DataFrame:
    """One row per scored forecast of the card that was forecast last.

    Parameters
    ----------
    analysis : Analysis

    Returns
    -------
    DataFrame
        gpu, system, workload, width, height, made_on (ISO 8601), fps (forecast), pred_low,
        pred_high, measured, inside, level; the fastest forecast first.

    Raises
    ------
    NothingToShow
        No kept forecast has been followed by a pass.
    """
    table = analysis.tables.get("forecast_scores")
    if table is None or not table["scored"].astype(bool).any():
        raise NothingToShow("no kept forecast has been followed by a pass")
    scored = table[table["scored"].astype(bool)]
    last = scored.sort_values("made_on", kind="stable").iloc[-1]
    mine = scored[(scored["gpu"] == last["gpu"]) & (scored["made_on"] == last["made_on"])]
    mine = mine.sort_values("fps", ascending=False, kind="stable", ignore_index=True)
    kept = ["gpu", "system", "workload", "width", "height", "fps", "pred_low", "pred_high"]
    made: pd.DataFrame = mine[[*kept, "level"]]
    return made.assign(
        measured=mine["measured_fps"],
        made_on=pd.to_datetime(mine["made_on"]).dt.strftime("%Y-%m-%d"),
        inside=mine["measured_fps"].between(mine["pred_low"], mine["pred_high"]),
    )


def words(data: pd.DataFrame, page: Page) -> Words:
    """Title, answer and conditions of the drawn data."""
    level = 100 * float(data["level"].iloc[0])
    answer = (
        f"{plain(data['gpu'].iloc[0], 40)}: {int(data['inside'].sum())} of {len(data)} games came "
        f"out inside their {level:.0f} % range."
    )
    conditions = (
        f"Forecast of {day(data['made_on'].iloc[0])}, before the card's first pass, for "
        f"{plain(data['system'].iloc[0], 40)}, {int(data['width'].iloc[0])} × "
        f"{int(data['height'].iloc[0])}."
    )
    keys = (
        Key("taper", "Taper", f"forecast, {level:.0f} % range"),
        Key("o", "Disc", "measured, inside", "ink"),
        Key("X", "Cross", "measured, outside", "second"),
    )
    return Words(TITLE, answer, conditions, keys)


def draw(data: pd.DataFrame, page: Page) -> Figure:
    """Draw each forecast as a range and what came as a mark on it.

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
        Numbers("forecast", tuple(fps(value) for value in data["fps"])),
        Numbers("measured", tuple(fps(value) for value in data["measured"]), True),
    ]
    scale = fps_scale(largest(data, "pred_high", "measured"), page)
    slots = lay_rows(canvas, list(data["workload"]), numbers, scale)
    for slot, row in zip(slots, rows(data), strict=False):
        ends = (row.pred_low, row.fps, row.pred_high)
        spindle(slot.panel, *ends, slot.y, pixels=min(26, slot.room), colour=canvas.colour.first)
        shape, hue = ("o", canvas.colour.ink) if row.inside else ("X", canvas.colour.second)
        dot(slot.panel, row.measured, slot.y, hue, shape=shape, pixels=min(22, slot.room))
    return canvas.figure
