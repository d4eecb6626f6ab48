"""Which run to film next: what each would narrow, for its minutes."""

from typing import TYPE_CHECKING

import pandas as pd
from matplotlib.figure import Figure

from perfkit.show.charts._marks import bar
from perfkit.show.charts._pick import largest, rows, zero_scale
from perfkit.show.charts._rows import Numbers, lay_rows
from perfkit.show.layout import Canvas, Key, NothingToShow, Words
from perfkit.show.lettering import number, plain
from perfkit.show.style import Page

if TYPE_CHECKING:
    from perfkit.analysis import Analysis

NAME = "next"
TITLE = "What should be filmed next?"


def data(analysis: "Analysis") -> pd.DataFrame:
    """One row per run worth making, the one that narrows most a minute first.

    Parameters
    ----------
    analysis : Analysis

    Returns
    -------
    DataFrame
        workload, gpu, system, at_hand, narrows_pct, minutes, narrows_pct_per_minute, width, height.

    Raises
    ------
    NothingToShow
        No run would narrow an answer.
    """
    table = analysis.tables.get("next_runs")
    if table is None or table["narrows_pct_per_minute"].notna().sum() == 0:
        raise NothingToShow("no further run would narrow an answer")
    kept = ["workload", "gpu", "system", "at_hand", "narrows_pct", "minutes"]
    kept += ["narrows_pct_per_minute", "width", "height"]
    known = table.dropna(subset=["narrows_pct_per_minute"])
    return known[kept].head(12).reset_index(drop=True)


def words(data: pd.DataFrame, page: Page) -> Words:
    """Title, answer and conditions of the drawn data."""
    first = data.iloc[0]
    run = f"{plain(first['workload'], 40)} on {plain(first['gpu'], 30)}"
    answer = (
        f"{run}: {number(first['minutes'], 2)} minutes take "
        f"{number(first['narrows_pct'], 2)} points off each side of a build's range."
    )
    size = f"{int(first['width'])} × {int(first['height'])}"
    conditions = (
        f"One more pass each, {size}, native; what it takes off the range of cost per frame, in %."
    )
    keys = (
        Key("solid", "Solid", "card at hand"),
        Key("hollow", "Hollow", "card still to be had"),
    )
    return Words(TITLE, answer, conditions, keys)


def draw(data: pd.DataFrame, page: Page) -> Figure:
    """Draw what each run narrows per minute, from zero.

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
        Numbers("minutes", tuple(number(value, 2) for value in data["minutes"])),
        Numbers(
            "points a minute", tuple(number(v, 2) for v in data["narrows_pct_per_minute"]), True
        ),
    ]
    scale = zero_scale(largest(data, "narrows_pct_per_minute"), "{:g}".format)
    names = [f"{plain(row.gpu, 30)}: {plain(row.workload, 60)}" for row in rows(data)]
    slots = lay_rows(canvas, names, numbers, scale)
    for slot, row in zip(slots, rows(data), strict=False):
        look = "solid" if row.at_hand == "yes" else "hollow"
        width = row.narrows_pct_per_minute
        bar(slot.panel, 0, width, slot.y, slot.thick, canvas.colour.first, look)
    return canvas.figure
