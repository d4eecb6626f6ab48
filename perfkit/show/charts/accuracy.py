"""Predictions for GPUs that the model had not seen, against what was then measured."""

from typing import TYPE_CHECKING

import pandas as pd
from matplotlib.figure import Figure

from perfkit.defaults import LEVEL
from perfkit.show.charts._marks import SHAPES, dot, spindle
from perfkit.show.charts._pick import decade_ticks, nice_ticks, rows
from perfkit.show.layout import Box, Canvas, Key, NothingToShow, Panel, Words
from perfkit.show.layout_labels import Labels
from perfkit.show.lettering import fitted, number, plain
from perfkit.show.style import Page

if TYPE_CHECKING:
    from perfkit.analysis import Analysis

NAME = "accuracy"
TITLE = "How far off are the predictions?"
TONES = {"integrated": "second", "discrete": "first"}


_SHOWN = 0.04
"""Share of the ranges that may reach beyond the picture, so that a few long ones do not flatten
the rest."""


def data(analysis: "Analysis") -> pd.DataFrame:
    """One row per configuration predicted while its GPU was left out of the fit.

    Parameters
    ----------
    analysis : Analysis

    Returns
    -------
    DataFrame
        gpu, kind, system, workload, width, height, fps, predicted, pred_low, pred_high, model.

    Raises
    ------
    NothingToShow
        No GPU could be left out.
    """
    errors = analysis.model.errors.dropna(subset=["fps", "predicted", "pred_low", "pred_high"])
    if errors.empty:
        raise NothingToShow("too few GPUs to leave one out and give its predictions a range")
    columns = ["gpu", "system", "workload", "width", "height", "fps"]
    kept = errors[[*columns, "predicted", "pred_low", "pred_high"]].reset_index(drop=True)
    kinds = analysis.study.gpus.set_index("gpu")["kind"]
    kept.insert(1, "kind", kept["gpu"].map(kinds))
    return kept.assign(model=analysis.model.family)


def words(data: pd.DataFrame, page: Page) -> Words:
    """Title, answer and conditions of the drawn data."""
    off = 100 * (data["predicted"] / data["fps"] - 1)
    inside = data["fps"].between(data["pred_low"], data["pred_high"]).mean()
    size = off.abs()
    answer = (
        f"For a GPU it had not seen, half are within {number(float(size.median()), 2)} %, "
        f"nine in ten within {number(float(size.quantile(0.9)), 2)} %."
    )
    kinds = [kind for kind in SHAPES if (data["kind"] == kind).any()]
    names = {"integrated": "Squares", "discrete": "Discs"}
    keys = [Key(SHAPES[kind], names[kind], kind, TONES[kind]) for kind in kinds]
    conditions = (
        f"{len(data)} configurations, {data['gpu'].nunique()} GPUs left out in turn. "
        f"{100 * inside:.0f} % lie in their {100 * LEVEL:.0f} % range; on the whole "
        f"{_lean(float(off.median()))}.{_cut(_off(data))}"
    )
    return Words(
        TITLE,
        answer,
        conditions,
        (*keys, Key("taper", "Taper", f"{100 * LEVEL:.0f} % range", "soft")),
    )


def _lean(off_pct: float) -> str:
    if abs(off_pct) < 0.05:
        return "neither too high nor too low"
    return f"{abs(off_pct):.1f} % too {'high' if off_pct > 0 else 'low'}"


def draw(data: pd.DataFrame, page: Page) -> Figure:
    """Draw how far each prediction was off over the measured FPS; at zero it was right.

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
    off = _off(data)
    down, up = _view(off)
    ends = off[["pred_low", "pred_high"]].clip(down, up)
    off = off.assign(**ends)
    reach = max(-down, up)
    low, high = float(data["fps"].min()) / 1.12, float(data["fps"].max()) * 1.12
    box = Box(
        canvas.box.left + 4.4 * small, canvas.box.top + 1.2 * small,
        canvas.box.right, canvas.box.bottom - 1.7 * small,
    )  # fmt: skip
    panel = canvas.panel(box, (low, high), (down - reach / 20, up + reach / 20), log="x")
    _rules(panel, (low, high), (down, up))
    canvas.text(
        canvas.box.left, box.top - 0.9 * small, "predicted against measured", "small", tone="soft"
    )
    for row, error in zip(rows(data), rows(off), strict=True):
        colour = getattr(canvas.colour, TONES[row.kind])
        spindle(
            panel, error.pred_low, error.predicted, error.pred_high, row.fps,
            pixels=7, colour=canvas.tint(TONES[row.kind], 0.55), upright=True,
        )  # fmt: skip
        dot(panel, row.fps, error.predicted, colour, shape=SHAPES[row.kind], pixels=17)
    _name_farthest(panel, data, off["predicted"])
    return canvas.figure


def _off(data: pd.DataFrame) -> pd.DataFrame:
    return data[["predicted", "pred_low", "pred_high"]].div(data["fps"], axis=0) * 100 - 100


def _view(off: pd.DataFrame) -> tuple[float, float]:
    """Per cent that the picture shows: every prediction, and all but the very longest ranges."""
    low, high = off["pred_low"].quantile(_SHOWN / 2), off["pred_high"].quantile(1.0 - _SHOWN / 2)
    return (
        float(min(low, off["predicted"].min(), 0.0)),
        float(max(high, off["predicted"].max(), 0.0)),
    )


def _cut(off: pd.DataFrame) -> str:
    down, up = _view(off)
    cut = int(((off["pred_low"] < down) | (off["pred_high"] > up)).sum())
    words = "ranges reach" if cut > 1 else "range reaches"
    return f" {cut} {words} beyond the picture." if cut else ""


def _rules(panel: Panel, x: tuple[float, float], y: tuple[float, float]) -> None:
    ticks = decade_ticks(*x)
    names = [f"{tick:g}" for tick in ticks]
    panel.rule_x(ticks, [*names[:-1], f"{names[-1]} FPS"])
    steps = nice_ticks(max(-y[0], y[1]), 4)
    levels = [step for step in [*(-step for step in steps[:0:-1]), *steps] if y[0] <= step <= y[1]]
    panel.rule_y(
        levels, [f"{level:+g} %".replace("-", "\u2212") if level else "0" for level in levels]
    )


def _name_farthest(panel: Panel, data: pd.DataFrame, off: pd.Series) -> None:
    canvas, room = panel.canvas, panel.box
    points = [(panel.px(x), panel.py(y)) for x, y in zip(data["fps"], off, strict=True)]
    taken = [Box(x - 9, y - 9, x + 9, y + 9) for x, y in points]
    labels = Labels(canvas, Box(room.left + 6, room.top, room.right, room.bottom - 6), taken)
    for place in off.abs().sort_values(ascending=False, kind="stable").index[:2]:
        row = data.loc[place]
        text = plain(row["gpu"], 30)
        text = text if canvas.page.tall else f"{text}, {plain(row['workload'], 40)}"
        text = fitted(text, canvas.size["small"], 0.4 * canvas.page.w)
        x, y = points[list(data.index).index(place)]
        labels.put(x, y, text)
