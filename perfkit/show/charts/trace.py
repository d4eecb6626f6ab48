"""The frame times of one pass, frame by frame, its hitches marked."""

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import StepPatch

from perfkit.defaults import HITCH_FACTOR
from perfkit.frames.hitches import running_median
from perfkit.frames.traces import read_traces
from perfkit.show.charts._marks import dot
from perfkit.show.charts._pick import nice_ticks, rows
from perfkit.show.layout import Box, Canvas, Key, NothingToShow, Panel, Words
from perfkit.show.layout_labels import Labels
from perfkit.show.lettering import fps, number, plain
from perfkit.show.style import Page

if TYPE_CHECKING:
    from perfkit.analysis import Analysis

NAME = "trace"
TITLE = "Where does this run hitch?"


def data(analysis: "Analysis") -> pd.DataFrame:
    """One row per frame of the pass with most hitches a minute; among equals the first.

    Parameters
    ----------
    analysis : Analysis

    Returns
    -------
    DataFrame
        at_s (when the frame began), frame_ms, hitch, and on every row pass_id, system, gpu,
        workload, width, height, avg_fps, low_1pct_fps.

    Raises
    ------
    NothingToShow
        No pass has frame times.
    """
    passes = analysis.passes
    logged = passes[passes["hitches_per_min"].notna() & (passes["void_reason"] == "")]
    if logged.empty:
        raise NothingToShow("no pass has its frame times")
    chosen = logged.sort_values("hitches_per_min", ascending=False, kind="stable").iloc[0]
    times = read_traces(analysis.study, [chosen["pass_id"]]).get(chosen["pass_id"])
    if times is None:
        raise NothingToShow("no pass has its frame times")
    kept = ["pass_id", "system", "gpu", "workload", "width", "height", "avg_fps", "low_1pct_fps"]
    return pd.DataFrame(
        {
            "at_s": (np.cumsum(times) - times) / 1000,
            "frame_ms": times,
            "hitch": times > HITCH_FACTOR * running_median(times),
        }
    ).assign(**{column: chosen[column] for column in kept})


def words(data: pd.DataFrame, page: Page) -> Words:
    """Title, answer and conditions of the drawn data."""
    row = data.iloc[0]
    hitches = int(data["hitch"].sum())
    answer = f"{plain(row['workload'], 50)} on {plain(row['gpu'], 30)}: "
    if hitches:
        lost = data.loc[data["hitch"], "frame_ms"]
        answer += (
            f"{hitches} hitch{'es' if hitches > 1 else ''}, the longest {number(lost.max(), 2)} ms."
        )
    else:
        answer += "no hitch."
    seconds = data["frame_ms"].sum() / 1000
    low = row["low_1pct_fps"]
    known = f"1 % low {fps(low)}" if low == low else "1 % low not known"
    conditions = (
        f"One pass of {len(data):,} frames in {number(seconds, 2)} s "
        f"on {plain(row['system'], 40)}, "
        f"{int(row['width'])} × {int(row['height'])}. "
        f"Average {fps(row['avg_fps'])} FPS, {known}."
    )
    keys = (Key("v", "Triangle", f"hitch: over {HITCH_FACTOR:g} times its neighbours", "second"),)
    return Words(TITLE, answer, conditions, keys)


def draw(data: pd.DataFrame, page: Page) -> Figure:
    """Draw every frame from zero to its time, hitches marked.

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
    small = canvas.size["small"]
    box = Box(
        canvas.box.left + 3.2 * small, canvas.box.top + 1.4 * small,
        canvas.box.right - canvas.width("120 FPS", "small") - 14, canvas.box.bottom - 1.7 * small,
    )  # fmt: skip
    seconds = float(data["frame_ms"].sum() / 1000)
    top = float(data["frame_ms"].max()) * 1.1
    panel = canvas.panel(box, (0, seconds), (0, top))
    _rules(canvas, panel, page, seconds, top)
    strokes(panel, data)
    lines = [panel.py(1000 / goal) for goal in page.goals_fps]
    taken = [Box(box.left, y - 2, box.right, y + 2) for y in lines]
    labels = Labels(canvas, Box(box.left, box.top - small, box.right, box.bottom), taken)
    worst = data[data["hitch"]].nlargest(12 if page.tall else 24, "frame_ms")
    for row in rows(worst):
        x, y = panel.px(row.at_s), panel.py(row.frame_ms) - 16
        dot(panel, row.at_s, row.frame_ms + 16 * top / box.height, canvas.colour.second, shape="v")
        labels.taken.append(Box(x - 11, y - 11, x + 11, y + 11))
        labels.taken.append(Box(x - 4, y, x + 4, box.bottom))
    for row in rows(worst.head(3)):
        text = f"{number(row.frame_ms, 2)} ms"
        labels.put(panel.px(row.at_s), panel.py(row.frame_ms) - 16, text, face="strong")
    return canvas.figure


def strokes(panel: Panel, data: pd.DataFrame) -> None:
    """Draw each frame as a block as wide as it was long; hitches once more in their own hue."""
    edges = np.append(data["at_s"], data["at_s"].iloc[-1] + data["frame_ms"].iloc[-1] / 1000)
    heights = data["frame_ms"].to_numpy()
    for tone, shown in (("first", np.full(len(data), True)), ("second", data["hitch"].to_numpy())):
        blocks = StepPatch(
            np.where(shown, heights, 0.0), edges, fill=True, baseline=0.0,
            facecolor=getattr(panel.canvas.colour, tone), edgecolor="none", zorder=2, gid="frames",
        )  # fmt: skip
        panel.axes.add_patch(blocks)


def _rules(canvas: Canvas, panel: Panel, page: Page, seconds: float, top: float) -> None:
    ticks = [tick for tick in nice_ticks(top, 5) if tick <= top]
    panel.rule_y(ticks, [f"{tick:g}" for tick in ticks])
    canvas.text(canvas.box.left, panel.box.top - canvas.size["small"], "ms", "small", tone="soft")
    times = [tick for tick in nice_ticks(seconds, 7) if tick <= seconds]
    panel.rule_x(times, [*(f"{tick:g}" for tick in times[:-1]), f"{times[-1]:g} s"])
    last = panel.box.bottom
    for goal in sorted(page.goals_fps, reverse=True):
        y = panel.py(1000 / goal)
        if 1000 / goal < top and last - y > 1.1 * canvas.size["small"]:
            panel.axes.add_line(
                Line2D(
                    panel.x, (1000 / goal, 1000 / goal),
                    color=canvas.colour.ink, linewidth=panel.inch(2),
                    linestyle=(0, (2, 2)), zorder=3,
                )
            )  # fmt: skip
            canvas.text(panel.box.right + 10, y, f"{goal:g} FPS", "small")
            last = y
