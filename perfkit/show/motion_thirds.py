"""Lower thirds: a build's name, what it does and costs, and the facts behind the numbers."""

from dataclasses import dataclass

import pandas as pd
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from perfkit.show.charts._pick import size_phrase, workloads_phrase
from perfkit.show.layout import Canvas
from perfkit.show.lettering import day, fitted, fps, number, plain, wrapped
from perfkit.show.style import SAFE, Page


@dataclass(frozen=True, slots=True)
class Third:
    """What a lower third says, in falling size."""

    name: str
    numbers: str
    facts: str


def third_lines(data: pd.DataFrame, page: Page) -> list[Third]:
    """Say in three lines what each build does, costs, and where the numbers come from.

    Parameters
    ----------
    data : DataFrame
        As made by :func:`perfkit.show.charts.cost.data`.
    page : Page

    Returns
    -------
    list of Third
        One per build, in the order of `data`.
    """
    facts = f"{workloads_phrase(data)}, {size_phrase(data)}."
    priced = f"Prices of {day(page.price_date)}." if page.price_date else ""
    source = {"measured": "Measured", "borrowed": "Partly measured elsewhere"}
    return [
        Third(
            plain(build, 60),
            f"{fps(speed)} FPS for {price:,.0f} {page.currency}: {number(cost)} per FPS "
            f"({number(low)} to {number(high)})",
            " ".join(
                filter(
                    None,
                    [
                        f"{source.get(basis, 'Partly predicted')}.",
                        facts,
                        priced,
                        plain(page.disclosure, 400),
                    ],
                )
            ),
        )
        for build, speed, price, cost, low, high, basis in zip(
            data["build"],
            data["fps"],
            data["price"],
            data["cost_per_frame"],
            data["cost_low"],
            data["cost_high"],
            data["basis"],
            strict=True,
        )
    ]


def draw_third(third: Third, page: Page) -> tuple[Figure, tuple[float, float, float, float]]:
    """Draw a lower third on an otherwise empty page.

    Parameters
    ----------
    third : Third
    page : Page

    Returns
    -------
    figure : matplotlib.figure.Figure
        Transparent but for the plate.
    plate : tuple of float
        Left, top, right and bottom of the plate in design pixels.
    """
    canvas = Canvas(page, None)
    answer, small, title = (canvas.size[size] for size in ("answer", "small", "title"))
    left, right = SAFE * page.w, (1 - SAFE) * page.w
    pad = 0.8 * small
    room = (right - left if page.tall else 0.72 * (right - left)) - 2 * pad
    name = fitted(third.name, title, room, "strong")
    lines = wrapped(third.numbers, answer, room, lines=2)
    facts = wrapped(third.facts, small, room, lines=6)
    wide = max(
        canvas.width(name, "title", "strong"),
        *(canvas.width(line, "answer") for line in lines),
        *(canvas.width(line, "small") for line in facts),
    )
    high = 1.25 * title + 1.3 * answer * len(lines) + 0.5 * small + 1.22 * small * len(facts)
    bottom = (1 - SAFE) * page.h
    top = bottom - high - 2 * pad
    plate = (left, top, left + wide + 2 * pad, bottom)
    corner = canvas.spot(plate[0], plate[3])
    canvas.add(
        Rectangle(
            corner, (plate[2] - plate[0]) / page.w, (plate[3] - plate[1]) / page.h,
            facecolor=page.colour.ground, alpha=page.plate, linewidth=0, zorder=-1,
            transform=canvas.figure.transFigure,
        )
    )  # fmt: skip
    y = top + pad
    canvas.text(left + pad, y, name, "title", face="strong", up="top")
    y += 1.25 * title
    for line in lines:
        canvas.text(left + pad, y, line, "answer", up="top")
        y += 1.3 * answer
    rule = y + 0.1 * small
    canvas.add(canvas.taper(left + pad, rule, left + pad + wide, rule, 5, page.colour.first))
    y += 0.5 * small
    for line in facts:
        canvas.text(left + pad, y, line, "small", tone="soft", up="top")
        y += 1.22 * small
    return canvas.figure, plate
