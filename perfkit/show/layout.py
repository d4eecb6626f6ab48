"""Where things stand on a page: header, footer, plotting areas, rows, and labels that keep apart.

Everything is arithmetic on design pixels with the origin at the top left; nothing has to be drawn
to know how large it is.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgba
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Polygon
from matplotlib.text import Text

from perfkit.errors import PerfkitError
from perfkit.show.layout_looks import blend, swatch
from perfkit.show.lettering import day, fitted, plain, text_width, wrapped
from perfkit.show.lettering import face as _face
from perfkit.show.style import SAFE, Page

LEADING = 1.27
"""Line height over type size."""


class NothingToShow(PerfkitError):
    """A chart has no data in this study; the message is the sentence that says why."""


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle in design pixels, y downwards."""

    left: float
    top: float
    right: float
    bottom: float

    @property
    def width(self) -> float:
        """Right less left."""
        return self.right - self.left

    @property
    def height(self) -> float:
        """Bottom less top."""
        return self.bottom - self.top

    def meets(self, other: "Box") -> bool:
        """Whether two boxes share any area."""
        return (
            self.left < other.right
            and other.left < self.right
            and self.top < other.bottom
            and other.top < self.bottom
        )


@dataclass(frozen=True, slots=True)
class Words:
    """What a figure says beside its marks.

    Attributes
    ----------
    title : str
        A question.
    answer : str
        One line that answers it from the plotted data.
    conditions : str
        Passes and conditions behind the data.
    keys : tuple of Key
        How to read the marks.
    """

    title: str
    answer: str
    conditions: str
    keys: tuple["Key", ...] = ()


@dataclass(frozen=True, slots=True)
class Key:
    """What one mark says. A wide page shows the mark, a tall one says its name in the footer.

    Attributes
    ----------
    look : str
        A bar's dress (solid, hatched, hollow), "taper", a line ("-", "|"), or a point's shape.
    name : str
        The look in a word.
    text : str
        What it says.
    tone : str
        A colour of the theme by its name there.
    open : bool
        A point that is drawn hollow.
    """

    look: str
    name: str
    text: str
    tone: str = "first"
    open: bool = False


class Canvas:
    """One page with its header and footer drawn and the room between them free.

    Parameters
    ----------
    page : Page
    words : Words or None
        None leaves the page empty and its ground transparent.

    Attributes
    ----------
    figure : matplotlib.figure.Figure
        Sized so that ``figure.dpi = 100 * page.scale`` gives the page's pixels.
    box : Box
        Room left for the chart: title-safe, between header and footer.
    """

    def __init__(self, page: Page, words: Words | None) -> None:
        self.page = page
        self.colour = page.colour
        self.size = page.sizes
        self.figure = Figure(
            figsize=(page.w / 100, page.h / 100),
            dpi=100 * page.scale,
            facecolor=to_rgba(page.colour.ground, page.plate if words else 0.0),
        )
        FigureCanvasAgg(self.figure)
        self.box = Box(SAFE * page.w, SAFE * page.h, (1 - SAFE) * page.w, (1 - SAFE) * page.h)
        if words:
            left, right = self.box.left, self.box.right
            top = self._header(words, left, self.box.top, right)
            bottom = self._footer(words, left, self.box.bottom, right)
            self.box = Box(left, top, right, bottom)

    def _header(self, words: Words, left: float, top: float, right: float) -> float:
        title, answer = self.size["title"], self.size["answer"]
        for line in wrapped(words.title, title, right - left, "title", 2):
            self.text(left, top, line, "title", face="title", up="top")
            top += 1.2 * title
        top += 0.35 * answer
        for line in wrapped(words.answer, answer, right - left, lines=3 if self.page.tall else 2):
            self.text(left, top, line, "answer", tone="soft", up="top")
            top += LEADING * answer
        if words.keys and not self.page.tall:
            top = self._keys(words.keys, left, top + 0.45 * answer, right)
        return top + 0.6 * answer

    def _keys(self, keys: Sequence[Key], left: float, top: float, right: float) -> float:
        """Write the keys side by side, in as many lines as they need; return where they end."""
        small, x = self.size["small"], left
        for key in keys:
            text = fitted(key.text, small, right - left - 2.2 * small)
            if x > left and x + 2.2 * small + self.width(text, "small") > right:
                x, top = left, top + 1.3 * small
            x = swatch(self, x, top + 0.7 * small, key)
            self.text(x, top + 0.7 * small, text, "small")
            x += self.width(text, "small") + 1.4 * small
        return top + 1.3 * small

    def _footer(self, words: Words, left: float, bottom: float, right: float) -> float:
        size = self.size["small"]
        said = [words.conditions]
        if self.page.price_date:
            said.append(f"Prices of {day(self.page.price_date)}.")
        if self.page.tall:
            said.insert(1, " ".join(f"{key.name}: {key.text}." for key in words.keys))
        text = " ".join(filter(None, [*said, plain(self.page.disclosure, 400)]))
        lines = wrapped(text, size, right - left, lines=11 if self.page.tall else 5)
        step = (1.2 if self.page.tall else LEADING) * size
        for place, line in enumerate(lines, 1 - len(lines)):
            self.text(left, bottom + place * step, line, "small", tone="soft", up="bottom")
        edge = bottom - len(lines) * step - 0.25 * size
        self.add(self.taper(left, edge, right, edge, 2.2, self.colour.ink))
        return edge - 0.7 * size

    def add(self, artist: Artist) -> Artist:
        """Put an artist on the page, over all axes."""
        return self.figure.add_artist(artist)

    def spot(self, x: float, y: float) -> tuple[float, float]:
        """Turn design pixels into shares of the figure."""
        return x / self.page.w, 1 - y / self.page.h

    def text(
        self,
        x: float,
        y: float,
        text: str,
        size: str = "label",
        *,
        tone: str = "ink",
        face: str = "text",
        side: Literal["left", "center", "right"] = "left",
        up: str = "centre",
    ) -> Text:
        """Write one line of plain text.

        Parameters
        ----------
        x, y : float
            Design pixels.
        text : str
            Plain text; it is never read as markup.
        size : {"title", "answer", "label", "small"}
        tone : str
            A colour of the theme by its name there.
        face : {"text", "strong", "title"}
        side : {"left", "right", "center"}
            Which end of the text stands at `x`.
        up : {"top", "centre", "bottom"}
            Which part of the line stands at `y`. A line reaches from its face's ascent to its
            descent, so that lines of different letters stand level.

        Returns
        -------
        matplotlib.text.Text
        """
        points = self.size[size] * 0.72
        drop = {"top": 0.93, "centre": 0.36, "bottom": -0.24}[up] * self.size[size]
        artist = Text(
            *self.spot(x, y + drop),
            text,
            fontproperties=_face(face),
            fontsize=points,
            color=getattr(self.colour, tone),
            horizontalalignment=side,
            verticalalignment="baseline",
            parse_math=False,
            transform=self.figure.transFigure,
        )
        self.add(artist)
        return artist

    def tint(self, tone: str, share: float) -> str:
        """Mix a colour of the theme into the ground; `share` is what is left of it."""
        return blend(getattr(self.colour, tone), self.colour.ground, share)

    def width(self, text: str, size: str = "label", face: str = "text") -> float:
        """Measure a line of text in design pixels."""
        return text_width(text, self.size[size], face)

    def taper(
        self, x0: float, y0: float, x1: float, y1: float, thick: float, colour: str
    ) -> Polygon:
        """Make the house's rule: a line that starts thick and runs out to nothing."""
        half = thick / 2
        corners = [(x0, y0 - half), (x1, y1 - half / 4), (x1, y1 + half / 4), (x0, y0 + half)]
        return Polygon(
            [self.spot(*corner) for corner in corners],
            facecolor=colour,
            edgecolor="none",
            transform=self.figure.transFigure,
        )

    def panel(
        self, box: Box, x: tuple[float, float], y: tuple[float, float], *, log: str = ""
    ) -> "Panel":
        """Open a plotting area.

        Parameters
        ----------
        box : Box
        x, y : tuple of float
            What stands at the left and right edge, at the bottom and top edge.
        log : {"", "x", "y", "xy"}
            Axes on a log scale.

        Returns
        -------
        Panel
        """
        left, bottom = self.spot(box.left, box.bottom)
        right, top = self.spot(box.right, box.top)
        axes = self.figure.add_axes((left, bottom, right - left, top - bottom))
        axes.set_axis_off()
        axes.set_xscale("log" if "x" in log else "linear")
        axes.set_yscale("log" if "y" in log else "linear")
        axes.set_xlim(*x)
        axes.set_ylim(*y)
        return Panel(self, axes, box, x, y, log)


@dataclass(frozen=True, slots=True)
class Panel:
    """A plotting area that knows where its data stand on the page.

    Attributes
    ----------
    canvas : Canvas
    axes : matplotlib.axes.Axes
        In data units, with nothing of matplotlib's own drawn.
    box : Box
    x, y : tuple of float
        Limits.
    log : str
        Axes on a log scale.
    """

    canvas: Canvas
    axes: Axes
    box: Box
    x: tuple[float, float]
    y: tuple[float, float]
    log: str

    def px(self, value: float) -> float:
        """Where an x value stands, in design pixels."""
        return self.box.left + self._share(value, self.x, "x" in self.log) * self.box.width

    def py(self, value: float) -> float:
        """Where a y value stands, in design pixels."""
        return self.box.bottom - self._share(value, self.y, "y" in self.log) * self.box.height

    @staticmethod
    def _share(value: float, limits: tuple[float, float], log: bool) -> float:
        low, high = np.log(limits) if log else limits
        at = np.log(value) if log else value
        return float((at - low) / (high - low))

    def inch(self, pixels: float) -> float:
        """Line width in points for a thickness in design pixels."""
        return pixels * 0.72

    def rule_x(
        self, values: Sequence[float], labels: Sequence[str], within: Box | None = None
    ) -> None:
        """Draw upright grid lines and write their values under them; see :meth:`write_x`."""
        for value in values:
            self.grid([value, value], list(self.y), value == 0)
        self.write_x(values, labels, within)

    def write_x(
        self, values: Sequence[float], labels: Sequence[str], within: Box | None = None
    ) -> None:
        """Write values under the panel: the ends first, then what fits between."""
        canvas, gap = self.canvas, 0.5 * self.canvas.size["small"]
        left = within.left if within else SAFE * canvas.page.w
        right = within.right if within else (1 - SAFE) * canvas.page.w
        taken: list[tuple[float, float]] = []
        order = sorted(range(len(values)), key=lambda i: 0 < i < len(values) - 1)
        for place in order:
            half = canvas.width(labels[place], "small") / 2
            middle = min(max(self.px(values[place]), left + half), right - half)
            if all(middle + half + gap < low or middle - half - gap > high for low, high in taken):
                taken.append((middle - half, middle + half))
                canvas.text(
                    middle, self.box.bottom + 10, labels[place], "small",
                    tone="soft", side="center", up="top",
                )  # fmt: skip

    def rule_y(self, values: Sequence[float], labels: Sequence[str]) -> None:
        """Draw level grid lines and write their values left of them, where there is room."""
        last = float("inf")
        for value, label in zip(values, labels, strict=True):
            self.grid(list(self.x), [value, value], value == 0)
            y = self.py(value)
            if last - y > 1.1 * self.canvas.size["small"]:
                self.canvas.text(self.box.left - 14, y, label, "small", tone="soft", side="right")
                last = y

    def grid(self, x: list[float], y: list[float], base: bool) -> None:
        """Draw one grid line; the line at zero is darker."""
        self.axes.add_line(
            Line2D(
                x, y,
                color=self.canvas.colour.soft if base else self.canvas.colour.line,
                linewidth=1.5 if base else 1.1,
                zorder=0.5,
                clip_on=False,
                gid="grid",
            )
        )  # fmt: skip
