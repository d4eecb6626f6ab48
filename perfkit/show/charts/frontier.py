"""What each build costs against how fast it is, and which builds no other beats."""

from typing import TYPE_CHECKING

import pandas as pd
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from perfkit.defaults import LEVEL
from perfkit.show.charts._marks import dot, spindle
from perfkit.show.charts._pick import (
    fps_scale,
    largest,
    nice_ticks,
    rows,
    size_phrase,
    workloads_phrase,
)
from perfkit.show.layout import Box, Canvas, Key, NothingToShow, Panel, Words
from perfkit.show.layout_labels import SIDES, Labels
from perfkit.show.lettering import fitted, fps, plain
from perfkit.show.style import Page

if TYPE_CHECKING:
    from perfkit.analysis import Analysis

NAME = "frontier"
TITLE = "Which builds are worth their price?"

_OUTWARD = sorted(SIDES, key=lambda side: side[0] + side[1])
"""Above and left of the frontier nothing else stands, and a tall page has its room there."""


def data(analysis: "Analysis") -> pd.DataFrame:
    """One row per build with a price and a speed, cheapest first.

    Parameters
    ----------
    analysis : Analysis

    Returns
    -------
    DataFrame
        build, price, fps, fps_low, fps_high, basis, on_frontier, unbeaten (no build is as cheap and
        as fast, by the middle values), workloads, width, height.

    Raises
    ------
    NothingToShow
        Fewer than two builds have both.
    """
    value = analysis.value.dropna(subset=["price", "fps"])
    if len(value) < 2:
        raise NothingToShow("fewer than two builds have both a price and a speed")
    kept = ["build", "price", "fps", "fps_low", "fps_high", "basis", "on_frontier", "workloads"]
    ranked = value.sort_values(["price", "fps"], ascending=[True, False], kind="stable")
    ranked = ranked.reindex(columns=kept).reset_index(drop=True)
    best = ranked["fps"].cummax()
    ranked["unbeaten"] = (ranked["fps"] == best) & (best > best.shift(fill_value=0.0))
    width, height = analysis.study.settings.value_at
    return ranked.assign(width=width, height=height)


def words(data: pd.DataFrame, page: Page) -> Words:
    """Title, answer and conditions of the drawn data."""
    beaten = data[~data["unbeaten"]]
    held = len(data) - len(beaten)
    answer = f"{held} of {len(data)} builds: no other is as cheap and as fast"
    if len(beaten):
        worst = beaten.sort_values("on_frontier", kind="stable").iloc[0]
        answer += f". {plain(worst['build'], 40)} is beaten, {_odds(1 - worst['on_frontier'])}"
    keys = (
        Key("D", "Filled", "no other as cheap and as fast"),
        Key("D", "Hollow", "beaten", "first", True),
        Key("taper", "Taper", f"{100 * LEVEL:.0f} % range", "ink"),
    )
    return Words(TITLE, answer + ".", f"{workloads_phrase(data)}, {size_phrase(data)}.", keys)


def _odds(chance: float) -> str:
    return "almost surely" if chance > 0.995 else f"{100 * chance:.0f} % sure"


def draw(data: pd.DataFrame, page: Page) -> Figure:
    """Draw builds over price, the steps of the frontier behind them.

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
    top = largest(data, "fps", "fps_high")
    scale = fps_scale(top, page)
    right = float(data["price"].max()) * 1.12
    small = canvas.size["small"]
    box = Box(
        canvas.box.left + 3.2 * small, canvas.box.top + small,
        canvas.box.right, canvas.box.bottom - 1.6 * small,
    )  # fmt: skip
    panel = canvas.panel(box, (0.0, right), (0.0, scale.high))
    panel.rule_y(scale.ticks, [label.removesuffix(" FPS") for label in scale.labels])
    canvas.text(canvas.box.left, box.top - 0.9 * small, "FPS", "small", tone="soft")
    ticks = [tick for tick in nice_ticks(right, 5 if page.tall else 7) if tick < right * 0.97]
    marks = [f"{tick:,.0f}" for tick in ticks]
    panel.rule_x(ticks, [*marks[:-1], f"{marks[-1]} {page.currency}"])
    taken = _steps(panel, data[data["unbeaten"]], right)
    labels = Labels(canvas, Box(box.left + 4, box.top - 4, box.right, box.bottom - 4), taken)
    for row in rows(data):
        spindle(panel, row.fps_low, row.fps, row.fps_high, row.price, upright=True)
        dot(panel, row.price, row.fps, canvas.colour.first, shape="D", hollow=not row.unbeaten)
        x, ends = panel.px(row.price), [row.fps_low, row.fps_high, row.fps]
        heights = [panel.py(end) for end in ends if end == end]
        labels.taken.append(Box(x - 6, min(heights), x + 6, max(heights)))
        labels.taken.append(Box(x - 14, heights[-1] - 14, x + 14, heights[-1] + 14))
    outward = _OUTWARD if page.tall else SIDES
    for row in rows(data.sort_values("unbeaten", ascending=False, kind="stable")):
        name = fitted(plain(row.build), small, (0.5 if page.tall else 0.38) * canvas.page.w)
        text = name if page.tall else f"{name}  {fps(row.fps)}"
        labels.put(
            panel.px(row.price),
            panel.py(row.fps),
            text,
            away=22,
            sides=outward if row.unbeaten else SIDES,
        )
    return canvas.figure


def _steps(panel: Panel, unbeaten: pd.DataFrame, right: float) -> list[Box]:
    prices = [*unbeaten["price"], right]
    speeds = [*unbeaten["fps"], unbeaten["fps"].iloc[-1]]
    panel.axes.add_line(
        Line2D(
            prices, speeds,
            drawstyle="steps-post",
            color=panel.canvas.colour.first,
            linewidth=panel.inch(3),
            linestyle=(0, (5, 2)),
            zorder=1.5,
            gid="frontier",
        )
    )  # fmt: skip
    x, y = [panel.px(price) for price in prices], [panel.py(speed) for speed in speeds]
    level = [Box(a, c - 3, b, c + 3) for a, b, c in zip(x[:-1], x[1:], y[:-1], strict=True)]
    upright = [Box(a - 3, d, a + 3, c) for a, c, d in zip(x[1:], y[:-1], y[1:], strict=True)]
    return level + upright
