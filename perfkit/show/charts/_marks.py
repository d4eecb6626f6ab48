"""The marks of the house: bars from zero, tapered ranges, and shapes that need no colour.

Solid is measured, hollow is predicted; a square is an integrated GPU, a disc a discrete one.
"""

import numpy as np
from matplotlib.lines import Line2D
from matplotlib.patches import Polygon, Rectangle

from perfkit.show.layout import Panel
from perfkit.show.layout_looks import dress, point

SHAPES = {"integrated": "s", "discrete": "o"}


def bar(
    panel: Panel, start: float, end: float, y: float, thick: float, colour: str, look: str = "solid"
) -> Rectangle:
    """Lay a level bar in data units.

    Parameters
    ----------
    panel : Panel
    start, end : float
        Where it runs, in data units.
    y, thick : float
        Centre and thickness, in data units.
    colour : str
    look : {"solid", "hatched", "hollow"}
        What tells it apart without colour.

    Returns
    -------
    matplotlib.patches.Rectangle
    """
    look_of = dress(look, colour, panel.canvas.colour.ground)
    patch = Rectangle((start, y - thick / 2), end - start, thick, zorder=2, gid="bar", **look_of)
    panel.axes.add_patch(patch)
    return patch


def spindle(
    panel: Panel,
    low: float,
    middle: float,
    high: float,
    y: float,
    *,
    pixels: float = 13,
    colour: str = "",
    upright: bool = False,
) -> Polygon | None:
    """Draw a range that is thickest at its middle and runs out to nothing at its ends.

    Parameters
    ----------
    panel : Panel
    low, middle, high : float
        Along the value axis.
    y : float
        Place on the other axis.
    pixels : float
        Thickness at the middle, in design pixels.
    colour : str
        Ink unless given.
    upright : bool
        Values run upwards.

    Returns
    -------
    matplotlib.patches.Polygon or None
        None where the range is not known.
    """
    if not np.isfinite([low, middle, high]).all():
        return None
    place, turn = (panel.px(y), panel.py) if upright else (panel.py(y), panel.px)
    half = pixels / 2
    run = np.array([turn(low), turn(middle), turn(high), turn(middle)])
    across = np.array([place, place - half, place, place + half])
    pairs = zip(across, run, strict=True) if upright else zip(run, across, strict=True)
    canvas = panel.canvas
    patch = Polygon(
        [canvas.spot(float(a), float(b)) for a, b in pairs],
        facecolor=colour or canvas.colour.ink,
        edgecolor=canvas.colour.ground,
        linewidth=panel.inch(min(1.5, abs(run[2] - run[0]) / 8)),
        joinstyle="round",
        zorder=4,
        gid="range",
        transform=canvas.figure.transFigure,
    )
    panel.axes.add_patch(patch)
    return patch


def dot(
    panel: Panel,
    x: float,
    y: float,
    colour: str,
    *,
    shape: str = "o",
    pixels: float = 22,
    hollow: bool = False,
) -> Line2D:
    """Set one mark, with a halo of the ground so that marks that touch stay two."""
    look = point(panel.canvas, colour, shape, pixels, hollow)
    mark = Line2D([x], [y], **look, zorder=5, clip_on=False, gid="mark")
    panel.axes.add_line(mark)
    return mark


def link(panel: Panel, x: tuple[float, float], y: tuple[float, float], colour: str) -> Line2D:
    """Join two marks by a thin line."""
    line = Line2D(x, y, color=colour, linewidth=panel.inch(3), zorder=1.5, gid="link")
    panel.axes.add_line(line)
    return line


def upright(
    panel: Panel, x: float, y: float, thick: float, colour: str, *, pixels: float = 0.0
) -> None:
    """Mark a value on a level track: a short upright line, or a narrow diamond of some pixels."""
    if pixels:
        look = point(panel.canvas, colour, "d", pixels, False)
        line = Line2D([x], [y], **look, zorder=5, clip_on=False, gid="mark")
    else:
        ends = [y - thick / 2, y + thick / 2]
        line = Line2D([x, x], ends, color=colour, linewidth=panel.inch(3), zorder=4, gid="mark")
    panel.axes.add_line(line)
