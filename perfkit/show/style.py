"""The house style, in one place: hues, sizes, scale.

A figure is laid out in *design pixels*: 1920 x 1080 for a wide page, 1080 x 1920 for a tall one,
whatever size it is written at. One layout therefore serves every size of a shape, and a length
written here means the same on a phone and on a 4K timeline.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import matplotlib as mpl
import numpy as np
import numpy.typing as npt
from matplotlib.figure import Figure

SHORT_SIDE = 1080
SAFE = 0.05
"""Margin on each side: text stays in the middle 90 % (SMPTE ST 2046-1, title safe)."""
SMALLEST = 0.024
"""No text is smaller than this share of the page's height."""


@dataclass(frozen=True, slots=True)
class Theme:
    """Colours by what they say, never by who made the part.

    The hues are those of Okabe and Ito (2008), "Color Universal Design". Each ground takes those
    that reach 3:1 against it (their purple is darkened for the light one); text colours reach
    4.5:1 (WCAG 2.2, 1.4.3 and 1.4.11).

    Attributes
    ----------
    ground, ink, soft, line : str
        Page, main text, second text, grid.
    first, second, third, fourth : str
        Hues of marks; each also has its own shape or texture.
    """

    ground: str
    ink: str
    soft: str
    line: str
    first: str
    second: str
    third: str
    fourth: str


THEMES = {
    "light": Theme(
        ground="#fbf8f1",
        ink="#1b1a17",
        soft="#56524a",
        line="#d9d3c5",
        first="#0072b2",
        second="#d55e00",
        third="#009e73",
        fourth="#a8527f",
    ),
    "dark": Theme(
        ground="#14171a",
        ink="#f4f0e6",
        soft="#b9b4a8",
        line="#3a3f44",
        first="#56b4e9",
        second="#e69f00",
        third="#009e73",
        fourth="#cc79a7",
    ),
}


@dataclass(frozen=True, slots=True)
class Page:
    """Where a chart is drawn, and what every figure of a study states.

    Attributes
    ----------
    width, height : int
        Pixels.
    theme : {"light", "dark"}
    price_date : str
        Day of the prices, ISO 8601; empty when not known.
    disclosure : str
        The study's own sentence about who paid.
    currency : str
        ISO 4217 code.
    goals_fps : tuple of float
        The study's goals; FPS axes are ruled at them.
    plate : float
        Opacity of the ground; below 1 for clips that lie over a video.

    Examples
    --------
    >>> Page(3840, 2160).scale, Page(1080, 1920).tall
    (2.0, True)
    """

    width: int = 1920
    height: int = 1080
    theme: str = "light"
    price_date: str = ""
    disclosure: str = ""
    currency: str = ""
    goals_fps: tuple[float, ...] = ()
    plate: float = 1.0

    @property
    def tall(self) -> bool:
        """Whether the page is higher than wide."""
        return self.height > self.width

    @property
    def scale(self) -> float:
        """Pixels per design pixel."""
        return min(self.width, self.height) / SHORT_SIDE

    @property
    def w(self) -> float:
        """Width in design pixels."""
        return self.width / self.scale

    @property
    def h(self) -> float:
        """Height in design pixels."""
        return self.height / self.scale

    @property
    def colour(self) -> Theme:
        """The colours of this page's theme."""
        return THEMES[self.theme]

    @property
    def sizes(self) -> dict[str, float]:
        """Text size in design pixels by role."""
        shares = (
            {"title": 0.0330, "answer": 0.0260, "label": 0.0243, "small": 0.0241}
            if self.tall
            else {"title": 0.0540, "answer": 0.0330, "label": 0.0280, "small": 0.0250}
        )
        return {role: share * self.h for role, share in shares.items()}


@contextmanager
def house() -> Iterator[None]:
    """Draw with matplotlib's own defaults plus ours, whatever the machine's settings are.

    Examples
    --------
    >>> with house():
    ...     mpl.rcParams["text.usetex"]
    False
    """
    with mpl.rc_context():
        mpl.rcParams.update(
            {key: value for key, value in mpl.rcParamsDefault.items() if key != "backend"}
        )
        mpl.rcParams.update(
            {
                "text.hinting": "none",
                "svg.fonttype": "path",
                "svg.hashsalt": "perfkit",
                "path.simplify": False,
                "hatch.linewidth": 1.0,
            }
        )
        yield


def pixels(figure: Figure, width: int) -> npt.NDArray[np.uint8]:
    """Draw a figure `width` pixels wide, whatever size it was drawn at before.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        With an Agg canvas.
    width : int

    Returns
    -------
    ndarray of uint8, shape (height, width, 4)
        RGBA, straight alpha.
    """
    figure.set_dpi(width / figure.get_figwidth())
    canvas: Any = figure.canvas
    canvas.draw()
    return np.asarray(canvas.buffer_rgba())
