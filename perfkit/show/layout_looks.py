"""How bars, points and the marks of a key look: told apart in grey as well as in colour."""

from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.colors import to_hex, to_rgb
from matplotlib.lines import Line2D
from matplotlib.patches import Polygon, Rectangle

if TYPE_CHECKING:
    from perfkit.show.layout import Canvas, Key


def blend(colour: str, ground: str, share: float) -> str:
    """Mix a colour into the ground; `share` is what is left of it."""
    mixed = share * np.array(to_rgb(colour)) + (1 - share) * np.array(to_rgb(ground))
    return to_hex(tuple(mixed))


def dress(look: str, colour: str, ground: str) -> dict[str, Any]:
    """How a bar looks: three that differ in grey as well as in colour."""
    return {
        "solid": {"facecolor": colour, "edgecolor": colour, "linewidth": 0.0},
        "hatched": {
            "facecolor": blend(colour, ground, 0.22),
            "edgecolor": colour,
            "hatch": "///",
            "linewidth": 0.0,
        },
        "hollow": {"facecolor": ground, "edgecolor": colour, "linewidth": 2.2},
    }[look]


def swatch(canvas: "Canvas", left: float, y: float, key: "Key") -> float:
    """Draw the mark of a key and return where its text begins."""
    size = canvas.size["small"]
    colour = getattr(canvas.colour, key.tone)
    long, half = 1.7 * size, 0.36 * size
    through: dict[str, Any] = {"transform": canvas.figure.transFigure}
    if key.look in {"solid", "hatched", "hollow"}:
        x, low = canvas.spot(left, y + half)
        wide, high = long / canvas.page.w, 2 * half / canvas.page.h
        look = dress(key.look, colour, canvas.colour.ground)
        canvas.add(Rectangle((x, low), wide, high, **look, **through))
    elif key.look == "taper":
        half *= 0.75
        ends = [
            (left, y),
            (left + long / 2, y - half),
            (left + long, y),
            (left + long / 2, y + half),
        ]
        canvas.add(
            Polygon([canvas.spot(*end) for end in ends], color=colour, linewidth=0, **through)
        )
    elif key.look in {"-", "|"}:
        long = 1.5 * size if key.look == "-" else 0.4 * size
        ends = [(left, y), (left + long, y)]
        if key.look == "|":
            ends = [(left + long / 2, y - half), (left + long / 2, y + half)]
        along, down = zip(*(canvas.spot(*end) for end in ends), strict=True)
        canvas.add(Line2D(along, down, color=colour, linewidth=0.72 * 4, **through))
    else:
        long = 0.8 * size
        x, at = canvas.spot(left + long / 2, y)
        canvas.add(Line2D([x], [at], **point(canvas, colour, key.look, 22, key.open), **through))
    return left + long + 0.5 * size


def point(canvas: "Canvas", colour: str, shape: str, pixels: float, hollow: bool) -> dict[str, Any]:
    """How a point looks: with a halo of the ground, so that points that touch stay two."""
    ground = canvas.colour.ground
    return {
        "marker": shape,
        "markersize": pixels * 0.72,
        "markerfacecolor": ground if hollow else colour,
        "markeredgecolor": colour if hollow else ground,
        "markeredgewidth": (4 if hollow else 2) * 0.72,
        "linestyle": "none",
    }
