"""At which price each build would become the cheapest per frame."""

from typing import TYPE_CHECKING

import pandas as pd
from matplotlib.figure import Figure

from perfkit.show.charts._marks import dot, link
from perfkit.show.charts._pick import largest, rows, size_phrase, workloads_phrase, zero_scale
from perfkit.show.charts._rows import Numbers, lay_rows
from perfkit.show.layout import Canvas, Key, NothingToShow, Words
from perfkit.show.lettering import number, plain
from perfkit.show.style import Page

if TYPE_CHECKING:
    from perfkit.analysis import Analysis

NAME = "flip"
TITLE = "At which price does the answer flip?"


def data(analysis: "Analysis") -> pd.DataFrame:
    """One row per build: its price, and the price at which it has the lowest cost per frame.

    Parameters
    ----------
    analysis : Analysis

    Returns
    -------
    DataFrame
        build, price, flips_at, change_pct, leads (has the lowest cost per frame now), workloads,
        width, height; the smallest change first, the leader on top.

    Raises
    ------
    NothingToShow
        Fewer than two builds have a price and a speed.
    """
    value = analysis.value.dropna(subset=["price", "cost_per_frame", "overtakes_below"])
    if len(value) < 2:
        raise NothingToShow("fewer than two builds have both a price and a speed")
    width, height = analysis.study.settings.value_at
    table = pd.DataFrame(
        {
            "build": value["build"],
            "price": value["price"],
            "flips_at": value["overtakes_below"],
            "change_pct": 100 * (value["overtakes_below"] / value["price"] - 1),
            "leads": value["cost_per_frame"] == value["cost_per_frame"].min(),
            "workloads": value["workloads"],
        }
    ).assign(width=width, height=height)
    order = table.assign(size=table["change_pct"].abs(), second=~table["leads"])
    order = order.sort_values(["second", "size"], kind="stable", ignore_index=True)
    return order.drop(columns=["size", "second"])


def words(data: pd.DataFrame, page: Page) -> Words:
    """Title, answer and conditions of the drawn data."""
    leader, rivals = data[data["leads"]].iloc[0], data[~data["leads"]]
    near = rivals.iloc[0]
    first, second = plain(leader["build"], 40), plain(near["build"], 40)
    if leader["change_pct"] < 0:
        answer = f"{first} and {second} are level at these prices"
    else:
        answer = (
            f"{first} leads up to {leader['flips_at']:,.0f} {page.currency}; {second} takes over "
            f"at {near['flips_at']:,.0f}, {abs(near['change_pct']):.0f} % less than now"
        )
    keys = (
        Key("o", "Disc", "price now"),
        Key("<", "Triangle", "lowest cost per frame from here down", "second"),
    )
    return Words(TITLE, answer + ".", f"{workloads_phrase(data)}, {size_phrase(data)}.", keys)


def draw(data: pd.DataFrame, page: Page) -> Figure:
    """Draw the price now and the price at which the order flips, joined.

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
        Numbers("now", tuple(f"{price:,.0f}" for price in data["price"])),
        Numbers(f"flips at, {page.currency}", tuple(f"{price:,.0f}" for price in data["flips_at"])),
        Numbers("change", tuple(f"{number(pct, 2)} %" for pct in data["change_pct"]), True),
    ]
    scale = zero_scale(largest(data, "price", "flips_at"), "{:,.0f}".format)
    slots = lay_rows(canvas, list(data["build"]), numbers, scale)
    for slot, row in zip(slots, rows(data), strict=False):
        size = min(22, slot.room)
        link(slot.panel, (row.flips_at, row.price), (slot.y, slot.y), canvas.colour.soft)
        dot(slot.panel, row.flips_at, slot.y, canvas.colour.second, shape="<", pixels=size)
        dot(slot.panel, row.price, slot.y, canvas.colour.first, pixels=size)
    return canvas.figure
