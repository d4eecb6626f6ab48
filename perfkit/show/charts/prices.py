"""How the prices of the graphics cards have moved."""

import datetime
from typing import TYPE_CHECKING, Any

import pandas as pd
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from perfkit.show.charts._marks import dot
from perfkit.show.charts._pick import nice_ticks
from perfkit.show.layout import Box, Canvas, NothingToShow, Panel, Words
from perfkit.show.layout_labels import Labels
from perfkit.show.lettering import day, fitted, number, plain
from perfkit.show.style import Page

if TYPE_CHECKING:
    from perfkit.analysis import Analysis

NAME = "prices"
TITLE = "Where are card prices going?"
MOST = 6
DRESS: tuple[tuple[str, Any, str], ...] = (
    ("first", "-", "o"),
    ("second", (0, (6, 2)), "s"),
    ("third", (0, (2, 1.5)), "^"),
    ("fourth", (0, (8, 2, 2, 2)), "D"),
    ("ink", "-", "v"),
    ("soft", (0, (4, 4)), "P"),
)
"""Hue, dashes and shape of the lines, in order."""


def data(analysis: "Analysis") -> pd.DataFrame:
    """One row per price of a card, in the study's currency and on its tax basis.

    The cards are those of the builds first, then those with most prices; a card that was only sold
    used is followed by its used prices.

    Parameters
    ----------
    analysis : Analysis

    Returns
    -------
    DataFrame
        item, condition, date (ISO 8601), price; the dearest card first, then by date.

    Raises
    ------
    NothingToShow
        No card has prices on two days.
    """
    from perfkit.study.prices import counted_prices

    study = analysis.study
    cards = set(study.gpus.loc[study.gpus["kind"] == "discrete", "gpu"])
    prices = counted_prices(study) if len(study.prices) else study.prices
    prices = prices[prices["item"].isin(cards) & (prices["bundle"] == "") & (prices["price"] > 0)]
    prices = prices[prices["listing"] != "asked"]
    count = prices.groupby(["item", "condition"])["date"].nunique().rename("days").reset_index()
    count = count[count["days"] > 1].sort_values(["days", "item"], ascending=[False, True])
    held = set(study.builds["item"])
    count = count.assign(held=count["item"].isin(held)).drop_duplicates("item")
    count = count.sort_values("held", ascending=False, kind="stable").head(MOST)
    if count.empty:
        raise NothingToShow("no graphics card has prices on two days")
    kept = prices.merge(count[["item", "condition"]], on=["item", "condition"])
    daily = kept.groupby(["item", "condition", "date"])["price"].median().reset_index()
    final = daily.groupby("item")["price"].transform("last")
    kept = daily.assign(last=-final).sort_values(["last", "item", "date"], ignore_index=True)
    return kept.assign(date=kept["date"].dt.strftime("%Y-%m-%d")).drop(columns="last")


def words(data: pd.DataFrame, page: Page) -> Words:
    """Title, answer and conditions of the drawn data."""
    ends = data.groupby("item", sort=False)["price"].agg(["first", "last"])
    change = 100 * (ends["last"] / ends["first"] - 1)
    fall = change.index[int(change.to_numpy().argmin())]
    verb = "fell most" if change[fall] < 0 else "rose least"
    answer = (
        f"{plain(fall, 40)} {verb}: {abs(change[fall]):.0f} %, from {number(ends['first'][fall])} "
        f"to {number(ends['last'][fall])} {page.currency}."
    )
    conditions = (
        f"Shop and paid prices from {day(min(data['date']))} to {day(max(data['date']))}, "
        f"middle of a day, in {page.currency}; {data['item'].nunique()} cards."
    )
    return Words(TITLE, answer, conditions)


def _days(date: str) -> int:
    return datetime.date.fromisoformat(date).toordinal()


def draw(data: pd.DataFrame, page: Page) -> Figure:
    """Draw a line a card, its name at the right end.

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
    names = {item: fitted(_label(part), small, 0.36 * page.w) for item, part in _lines(data)}
    room = max(canvas.width(name, "small") for name in names.values()) + 30
    box = Box(
        canvas.box.left + 3.4 * small, canvas.box.top + 1.4 * small,
        canvas.box.right - room, canvas.box.bottom - 1.7 * small,
    )  # fmt: skip
    start, end = _days(min(data["date"])), _days(max(data["date"]))
    top = float(data["price"].max()) * 1.06
    panel = canvas.panel(box, (start, end + 1), (0, top))
    ticks = [tick for tick in nice_ticks(top, 5) if tick <= top]
    panel.rule_y(ticks, [f"{tick:,.0f}" for tick in ticks])
    canvas.text(canvas.box.left, box.top - small, page.currency, "small", tone="soft")
    _months(panel, start, end, page.tall)
    labels = Labels(canvas, Box(box.right, canvas.box.top, canvas.box.right, box.bottom + 40), [])
    for (item, part), (tone, dashes, shape) in zip(_lines(data), DRESS, strict=False):
        colour = getattr(canvas.colour, tone)
        days = [_days(date) for date in part["date"]]
        panel.axes.add_line(
            Line2D(
                days, list(part["price"]),
                color=colour, linewidth=panel.inch(4), linestyle=dashes, zorder=3, gid="price",
            )
        )  # fmt: skip
        final = part["price"].iloc[-1]
        dot(panel, days[-1], final, colour, shape=shape)
        labels.level(box.right + 14, panel.py(final), names[item])
    return canvas.figure


def _lines(data: pd.DataFrame) -> list[tuple[str, pd.DataFrame]]:
    return [(str(item), part) for item, part in data.groupby("item", sort=False)]


def _label(part: pd.DataFrame) -> str:
    used = ", used" if part["condition"].iloc[0] == "used" else ""
    return f"{plain(part['item'].iloc[0], 40)}{used} {part['price'].iloc[-1]:,.0f}"


def _months(panel: Panel, start: int, end: int, tall: bool) -> None:
    firsts = pd.date_range(
        datetime.date.fromordinal(start), datetime.date.fromordinal(end), freq="MS"
    )
    step = max(1, len(firsts) // (3 if tall else 6))
    shown = [date.date() for date in firsts[::step]]
    panel.rule_x([date.toordinal() for date in shown], [day(date)[2:] for date in shown])
