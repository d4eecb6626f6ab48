"""The integrated GPU against a discrete card in the same machine, game by game."""

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from perfkit.defaults import LEVEL
from perfkit.show.charts._marks import SHAPES, dot, link, spindle
from perfkit.show.charts._pick import fps_scale, largest, passes_phrase, rows, size_phrase
from perfkit.show.charts._rows import Numbers, lay_rows
from perfkit.show.layout import Canvas, Key, NothingToShow, Words
from perfkit.show.lettering import number, plain
from perfkit.show.style import Page

if TYPE_CHECKING:
    from perfkit.analysis import Analysis

NAME = "cards"
TITLE = "Integrated or discrete?"
TONES = {"integrated": "second", "discrete": "first"}


def data(analysis: "Analysis") -> pd.DataFrame:
    """One row per workload and GPU: the integrated GPU and one card in the same system.

    The system is the one where most workloads are known on both sides, the card the one that
    most of them are known for; among equals a card that a build holds, then the first.

    Parameters
    ----------
    analysis : Analysis

    Returns
    -------
    DataFrame
        workload, system, gpu, kind, fps, fps_low, fps_high, basis, passes, limited_by, width,
        height; two rows a workload, the largest gain first.

    Raises
    ------
    NothingToShow
        No system has both an integrated GPU and a card with a number.
    """
    known = _known(analysis)
    pairs = known[known["kind"] == "integrated"].merge(
        known[known["kind"] == "discrete"], on=["system", "workload"], suffixes=("", "_card")
    )
    if pairs.empty:
        raise NothingToShow("no system has numbers for both its integrated GPU and a discrete card")
    keys = ["system", "gpu", "gpu_card"]
    held = analysis.study.builds[["system", "gpu"]].drop_duplicates().assign(held=True)
    counts = pairs.groupby(keys, sort=False).size().rename("count").reset_index()
    counts = counts.merge(
        held,
        left_on=["system", "gpu_card"],
        right_on=["system", "gpu"],
        how="left",
        suffixes=("", "_"),
    )
    best = counts.sort_values(["count", "held"], ascending=False, kind="stable").iloc[[0]][keys]
    chosen = pairs.merge(best, on=keys)
    gain = (chosen["fps_card"] / chosen["fps"]).set_axis(chosen["workload"])
    order = gain.sort_values(ascending=False, kind="stable").index
    both = known[
        (known["system"] == best["system"].iloc[0])
        & known["gpu"].isin([best["gpu"].iloc[0], best["gpu_card"].iloc[0]])
        & known["workload"].isin(order)
    ]
    rank = both["workload"].map({workload: place for place, workload in enumerate(order)})
    width, height = analysis.study.settings.value_at
    both = both.assign(width=width, height=height, rank=rank, side=both["kind"] == "discrete")
    ordered: pd.DataFrame = both.sort_values(["rank", "side"], ignore_index=True)
    return ordered.drop(columns=["rank", "side"])


def _known(analysis: "Analysis") -> pd.DataFrame:
    from scipy.special import stdtrit

    rows = analysis.speeds.rows.dropna(subset=["fps"])
    width, height = analysis.study.settings.value_at
    asked = rows[["system", "gpu", "workload"]].assign(width=width, height=height, render_scale=1.0)
    half = -stdtrit(rows["dof"], (1 - LEVEL) / 2) * rows["log_scale"]
    return pd.DataFrame(
        {
            "workload": rows["workload"],
            "system": rows["system"],
            "gpu": rows["gpu"],
            "kind": rows["gpu"].map(analysis.study.gpus.set_index("gpu")["kind"]),
            "fps": rows["fps"],
            "fps_low": rows["fps"] * np.exp(-half),
            "fps_high": rows["fps"] * np.exp(half),
            "basis": rows["basis"],
            "passes": rows["passes"],
            "limited_by": analysis.model.predict(asked)["limited_by"].to_numpy(),
        }
    ).reset_index(drop=True)


def words(data: pd.DataFrame, page: Page) -> Words:
    """Title, answer and conditions of the drawn data."""
    own, card = (data[data["kind"] == kind] for kind in ("integrated", "discrete"))
    ratio = card["fps"].to_numpy() / own["fps"].to_numpy()
    gain = float(np.exp(np.log(ratio).mean()))
    sides = [
        Key(
            SHAPES[kind],
            {"integrated": "Square", "discrete": "Disc"}[kind],
            f"{plain(side['gpu'].iloc[0], 30)}, {kind}, {'/'.join(sorted(set(side['basis'])))}",
            TONES[kind],
            bool((side["basis"] == "predicted").all()),
        )
        for kind, side in (("integrated", own), ("discrete", card))
    ]
    answer = (
        f"In {plain(data['system'].iloc[0], 40)}, {plain(card['gpu'].iloc[0], 30)} draws "
        f"{number(gain, 2)} times as fast; by game, {number(ratio.min(), 2)} to "
        f"{number(ratio.max(), 2)}."
    )
    run = data.loc[data["passes"] > 0, "passes"]
    behind = f"{passes_phrase(run)} where measured, " if len(run) else ""
    return Words(
        TITLE,
        answer,
        f"{behind}{size_phrase(data)}. {_limits(data, page)}.",
        (*sides, Key("taper", "Taper", f"{100 * LEVEL:.0f} % range", "soft")),
    )


def _limits(data: pd.DataFrame, page: Page) -> str:
    """Say where to read what limits the card; a tall page has no column for it."""
    if not page.tall:
        return "Right: what limits the card"
    limits = data.loc[data["kind"] == "discrete", "limited_by"].replace("", "not known")
    counts = limits.value_counts(sort=False)
    said = ", ".join(f"{plain(limit, 30)} in {count}" for limit, count in counts.items())
    return f"What limits the card: {said} of {len(limits)}"


def draw(data: pd.DataFrame, page: Page) -> Figure:
    """Draw two marks a row, joined, each with its range.

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
    own, card = (data[data["kind"] == kind] for kind in ("integrated", "discrete"))
    limits = tuple(limit or "not known" for limit in card["limited_by"])
    ratio = card["fps"].to_numpy() / own["fps"].to_numpy()
    numbers = [
        Numbers("limited by", limits),
        Numbers("times", tuple(number(value, 2) for value in ratio), True),
    ]
    top = largest(data, "fps", "fps_high")
    slots = lay_rows(canvas, list(own["workload"]), numbers, fps_scale(top, page))
    for slot, left, right in zip(slots, rows(own), rows(card), strict=False):
        link(slot.panel, (left.fps, right.fps), (slot.y, slot.y), canvas.colour.line)
        for side in (left, right):
            colour = getattr(canvas.colour, TONES[side.kind])
            spindle(slot.panel, side.fps_low, side.fps, side.fps_high, slot.y, colour=colour)
            dot(
                slot.panel, side.fps, slot.y, colour,
                shape=SHAPES[side.kind], pixels=min(22, slot.room),
                hollow=side.basis == "predicted",
            )  # fmt: skip
    return canvas.figure
