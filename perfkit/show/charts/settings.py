"""The largest render scale at which a build reaches each game's goal."""

from typing import TYPE_CHECKING

import pandas as pd
from matplotlib.figure import Figure

from perfkit.defaults import LEVEL
from perfkit.show.charts._marks import dot
from perfkit.show.charts._pick import rows
from perfkit.show.charts._rows import Numbers, Scale, lay_rows
from perfkit.show.layout import Canvas, Key, NothingToShow, Words
from perfkit.show.lettering import plain
from perfkit.show.style import Page

if TYPE_CHECKING:
    from perfkit.analysis import Analysis

NAME = "settings"
TITLE = "Which render scale reaches the goal?"


def data(analysis: "Analysis") -> pd.DataFrame:
    """One row per game and render scale of one build: the chance to reach the game's goal.

    The build is the first one that misses some goal at native scale; else the first.

    Parameters
    ----------
    analysis : Analysis

    Returns
    -------
    DataFrame
        build, workload, goal_fps, render_scale, fps, probability, basis, enough (probability at
        least 90 %), width, height; in the order of the games.

    Raises
    ------
    NothingToShow
        No game has a goal, or only one scale is in use.
    """
    steps = analysis.tables.get("setting_steps")
    steps = steps.dropna(subset=["probability"]) if steps is not None else pd.DataFrame()
    if steps.empty or steps["render_scale"].nunique() < 2:
        raise NothingToShow("no game has a goal and numbers at more than one render scale")
    native = steps[steps["render_scale"] == steps["render_scale"].max()]
    short = native[native["probability"] < LEVEL]
    build = (short if len(short) else native)["build"].iloc[0]
    width, height = analysis.study.settings.value_at
    mine = steps[steps["build"] == build].reset_index(drop=True)
    kept = ["build", "workload", "goal_fps", "render_scale", "fps", "probability", "basis"]
    made: pd.DataFrame = mine[kept]
    return made.assign(enough=mine["probability"] >= LEVEL, width=width, height=height)


def words(data: pd.DataFrame, page: Page) -> Words:
    """Title, answer and conditions of the drawn data."""
    games = data.groupby("workload", sort=False)["enough"].any()
    sure = f"{100 * LEVEL:.0f} %"
    answer = (
        f"{plain(data['build'].iloc[0], 40)}: {int(games.sum())} of {len(games)} games reach their "
        f"goal at some scale with {sure} certainty."
    )
    size = f"{int(data['width'].iloc[0])} × {int(data['height'].iloc[0])}"
    conditions = (
        f"{size}, nothing generated; the scale is that of each side. Chance of the next pass, from "
        "measured passes or the model."
    )
    keys = (
        Key("o", "Filled", f"reaches the goal, {sure} sure"),
        Key("o", "Hollow", "less sure than that", "second", True),
    )
    return Words(TITLE, answer, conditions, keys)


def draw(data: pd.DataFrame, page: Page) -> Figure:
    """Draw a mark for each scale, filled where it reaches the goal.

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
    games = data.drop_duplicates("workload")
    best = data[data["enough"]].groupby("workload")["render_scale"].max()
    chosen = [best.get(workload) for workload in games["workload"]]
    numbers = [
        Numbers("goal", tuple(f"{goal:g}" for goal in games["goal_fps"])),
        Numbers("scale", tuple("none" if at is None else f"{at:g}" for at in chosen), True),
    ]
    ticks = sorted(set(data["render_scale"]))
    edge = 0.12 * (ticks[-1] - ticks[0])
    labels = tuple(f"{tick:g}" for tick in ticks)
    scale = Scale(ticks[0] - edge, ticks[-1] + edge, tuple(ticks), labels)
    slots = lay_rows(canvas, list(games["workload"]), numbers, scale)
    for slot, workload in zip(slots, games["workload"], strict=False):
        for row in rows(data[data["workload"] == workload]):
            hue = canvas.colour.first if row.enough else canvas.colour.second
            dot(
                slot.panel,
                row.render_scale,
                slot.y,
                hue,
                pixels=min(22, slot.room),
                hollow=not row.enough,
            )
    return canvas.figure
