"""How the frame times of one machine are spread, game by game."""

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from matplotlib.patches import StepPatch

from perfkit.frames.traces import read_traces
from perfkit.show.charts._marks import upright
from perfkit.show.charts._pick import busiest_machine, comparable, nice_ticks, rows, size_phrase
from perfkit.show.charts._rows import Numbers, Scale, lay_rows
from perfkit.show.layout import Canvas, Key, NothingToShow, Words
from perfkit.show.lettering import number, plain
from perfkit.show.style import Page

if TYPE_CHECKING:
    from perfkit.analysis import Analysis

NAME = "spread"
TITLE = "How are the frame times spread?"
BINS = 160


def data(analysis: "Analysis") -> pd.DataFrame:
    """One row per workload and bin of frame time, over all passes of one machine.

    The machine is chosen as for the averages. Frames beyond the last bin count in it.

    Parameters
    ----------
    analysis : Analysis

    Returns
    -------
    DataFrame
        system, gpu, workload, from_ms, to_ms, share (of frames), median_ms, p99_ms, frames, passes,
        width, height; the evenest workload first.

    Raises
    ------
    NothingToShow
        No pass that counts has its frame times.
    """
    passes = comparable(analysis)
    if passes.empty:
        raise NothingToShow("no pass that counts has its frame times")
    system, gpu = busiest_machine(analysis, passes)
    passes = passes[(passes["system"] == system) & (passes["gpu"] == gpu)]
    times = read_traces(analysis.study, list(passes["pass_id"]))
    passes = passes[passes["pass_id"].isin(list(times))]
    if passes.empty:
        raise NothingToShow("no pass that counts has its frame times")
    frames = {
        str(workload): np.concatenate([times[pass_id] for pass_id in group])
        for workload, group in passes.groupby("workload", sort=False)["pass_id"]
    }
    top = max(float(np.quantile(each, 0.99)) for each in frames.values()) * 1.25
    edges = np.linspace(0.0, top, BINS + 1)
    counts = passes.groupby("workload", sort=False).size()
    width, height = analysis.study.settings.value_at
    parts = [
        _bins(each, edges).assign(workload=workload, passes=int(counts[workload]))
        for workload, each in frames.items()
    ]
    table = pd.concat(parts, ignore_index=True).assign(system=system, gpu=gpu)
    order = (table["p99_ms"] / table["median_ms"]).round(9)
    table = table.assign(order=order, width=width, height=height)
    table = table.sort_values(["order", "workload", "from_ms"], ignore_index=True)
    front = ["system", "gpu", "workload"]
    return table[front + [name for name in table if name not in {*front, "order"}]]


def _bins(frames: np.ndarray, edges: np.ndarray) -> pd.DataFrame:
    counts, _ = np.histogram(np.minimum(frames, edges[-1]), edges)
    return pd.DataFrame(
        {
            "from_ms": edges[:-1],
            "to_ms": edges[1:],
            "share": counts / len(frames),
            "median_ms": np.quantile(frames, 0.5),
            "p99_ms": np.quantile(frames, 0.99),
            "frames": len(frames),
        }
    )


def words(data: pd.DataFrame, page: Page) -> Words:
    """Title, answer and conditions of the drawn data."""
    each = data.drop_duplicates("workload")
    ratio = each["p99_ms"] / each["median_ms"]
    worst = each.loc[ratio.index[int(ratio.to_numpy().argmax())]]
    answer = (
        f"Least even: {plain(worst['workload'], 40)}. One frame in 100 takes over "
        f"{number(worst['p99_ms'] / worst['median_ms'], 2)} times the middle one."
    )
    machine = f"{plain(each['gpu'].iloc[0], 40)} in {plain(each['system'].iloc[0], 40)}"
    conditions = f"{machine}, {int(each['passes'].max())} passes a game, {size_phrase(data)}."
    keys = (
        Key("solid", "Shape", "share of frames at each time"),
        Key("|", "Thin line", "the middle frame", "ink", True),
        Key("d", "Diamond", "1 frame in 100 is longer", "second"),
    )
    return Words(TITLE, answer, conditions, keys)


def draw(data: pd.DataFrame, page: Page) -> Figure:
    """Draw one silhouette a row, its middle and its slowest hundredth marked.

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
    each = data.drop_duplicates("workload")
    numbers = [
        Numbers("middle", tuple(number(ms, 2) for ms in each["median_ms"])),
        Numbers("1 in 100, ms", tuple(number(ms, 2) for ms in each["p99_ms"]), True),
    ]
    top = float(data["to_ms"].max())
    ticks = [tick for tick in nice_ticks(top) if tick <= top]
    labels = [*(f"{tick:g}" for tick in ticks[:-1]), f"{ticks[-1]:g} ms"]
    scale = Scale(0.0, top, tuple(ticks), tuple(labels))
    for slot, row in zip(
        lay_rows(canvas, list(each["workload"]), numbers, scale), rows(each), strict=False
    ):
        part = data[data["workload"] == row.workload]
        half = slot.thick / 2 * (part["share"] / part["share"].max()).to_numpy()
        slot.panel.axes.add_patch(
            StepPatch(
                slot.y - half, [*part["from_ms"], part["to_ms"].iloc[-1]], baseline=slot.y + half,
                fill=True, facecolor=canvas.colour.first, edgecolor="none", zorder=2, gid="shape",
            )
        )  # fmt: skip
        upright(slot.panel, row.median_ms, slot.y, slot.thick, canvas.colour.ink)
        upright(
            slot.panel,
            row.p99_ms,
            slot.y,
            slot.thick,
            canvas.colour.second,
            pixels=min(26, slot.room),
        )
    return canvas.figure
