"""What slower memory costs the integrated GPU."""

from typing import TYPE_CHECKING

import pandas as pd
from matplotlib.figure import Figure

from perfkit.defaults import LEVEL
from perfkit.show.charts._marks import bar, spindle
from perfkit.show.charts._pick import largest, rows, zero_scale
from perfkit.show.charts._rows import Numbers, lay_rows
from perfkit.show.layout import Canvas, Key, NothingToShow, Words
from perfkit.show.lettering import fitted, plain
from perfkit.show.style import Page

if TYPE_CHECKING:
    from perfkit.analysis import Analysis

NAME = "memory"
TITLE = "What does slower memory cost?"


def data(analysis: "Analysis") -> pd.DataFrame:
    """One row per pair of systems that differ in their memory, under the same integrated GPU.

    Parameters
    ----------
    analysis : Analysis

    Returns
    -------
    DataFrame
        gpu, system, against, bandwidth_pct, kept_pct (FPS left of 100), kept_low, kept_high,
        workloads, basis, width, height; the largest loss first.

    Raises
    ------
    NothingToShow
        No such pair has a number.
    """
    table = analysis.tables.get("memory_cost")
    if table is None or table["fps_ratio"].notna().sum() == 0:
        raise NothingToShow("no integrated GPU has numbers at two memory bandwidths")
    known = table.dropna(subset=["fps_ratio"])
    width, height = analysis.study.settings.value_at
    made = pd.DataFrame(
        {
            "gpu": known["gpu"],
            "system": known["system"],
            "against": known["against"],
            "bandwidth_pct": 100 * known["bandwidth_ratio"],
            "kept_pct": 100 * known["fps_ratio"],
            "kept_low": 100 * known["fps_low"],
            "kept_high": 100 * known["fps_high"],
            "workloads": known["workloads"].astype(float),
            "basis": known["basis"],
        }
    )
    made = made.sort_values("kept_pct", kind="stable", ignore_index=True)
    return made.assign(width=width, height=height)


def words(data: pd.DataFrame, page: Page) -> Words:
    """Title, answer and conditions of the drawn data."""
    worst = data.iloc[0]
    answer = (
        f"{plain(worst['system'], 30)} keeps {worst['kept_pct']:.0f} % of the FPS of "
        f"{plain(worst['against'], 30)}, with {worst['bandwidth_pct']:.0f} % of its bandwidth."
    )
    size = f"{int(worst['width'])} × {int(worst['height'])}"
    gpus = ", ".join(plain(gpu, 30) for gpu in data["gpu"].drop_duplicates())
    conditions = f"Passes or predictions with the same GPU ({gpus}) and games at {size}."
    keys = (
        Key("solid", "Solid", "FPS kept, measured"),
        Key("hollow", "Hollow", "predicted"),
        Key("taper", "Taper", f"{100 * LEVEL:.0f} % range", "ink"),
    )
    return Words(TITLE, answer, conditions, keys)


def draw(data: pd.DataFrame, page: Page) -> Figure:
    """Draw what is left of the FPS, from zero, with its range.

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
    against = [fitted(plain(name), canvas.size["label"], 0.2 * page.w) for name in data["against"]]
    numbers = [
        *([] if page.tall else [Numbers("against", tuple(against))]),
        Numbers("bandwidth", tuple(f"{value:.0f} %" for value in data["bandwidth_pct"])),
        Numbers("FPS", tuple(f"{value:.0f} %" for value in data["kept_pct"]), True),
    ]
    scale = zero_scale(max(largest(data, "kept_pct", "kept_high"), 100.0), "{:.0f} %".format)
    under = [f"of {plain(name)}" for name in data["against"]]
    slots = lay_rows(canvas, list(data["system"]), numbers, scale, under=under)
    for slot, row in zip(slots, rows(data), strict=False):
        look = "solid" if row.basis == "measured" else "hollow"
        bar(slot.panel, 0, row.kept_pct, slot.y, slot.thick, canvas.colour.first, look)
        spindle(slot.panel, row.kept_low, row.kept_pct, row.kept_high, slot.y, pixels=18)
    return canvas.figure
