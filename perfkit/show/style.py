"""The house style, in one place: type, hues, scale, and what may be drawn as text.

A figure is laid out in *design pixels*: 1920 x 1080 for a wide page, 1080 x 1920 for a tall one,
whatever size it is written at. One layout therefore serves every size of a shape, and a length
written here means the same on a phone and on a 4K timeline.
"""

import datetime
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
import numpy.typing as npt
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.ft2font import FT2Font, LoadFlags

SHORT_SIDE = 1080
SAFE = 0.05
"""Margin on each side: text stays in the middle 90 % (SMPTE ST 2046-1, title safe)."""
SMALLEST = 0.024
"""No text is smaller than this share of the page's height."""

_FACES = {"text": "DejaVuSans", "strong": "DejaVuSans-Bold", "title": "DejaVuSerif-Bold"}
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


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


@cache
def face(name: str) -> FontProperties:
    """Give one of the house's type faces, by the path of the file that matplotlib brings along.

    A system may know another file under the same name, with other bytes.

    Parameters
    ----------
    name : {"text", "strong", "title"}

    Returns
    -------
    matplotlib.font_manager.FontProperties

    Examples
    --------
    >>> Path(face("title").get_file()).name
    'DejaVuSerif-Bold.ttf'
    """
    return FontProperties(fname=str(Path(mpl.get_data_path(), "fonts/ttf", f"{_FACES[name]}.ttf")))


@cache
def _metrics(name: str) -> FT2Font:
    font = FT2Font(str(face(name).get_file()))
    font.set_size(100, 72)
    return font


@cache
def _known(name: str) -> frozenset[int]:
    return frozenset(_metrics(name).get_charmap())


@cache
def text_width(text: str, size: float, name: str = "text") -> float:
    """Measure a line of text without drawing it.

    Parameters
    ----------
    text : str
        One line, already plain (see :func:`plain`).
    size : float
        Type size, in any unit.
    name : {"text", "strong", "title"}
        Face.

    Returns
    -------
    float
        Width in the unit of `size`.

    Examples
    --------
    >>> text_width("60", 20) < text_width("120", 20)
    True
    """
    font = _metrics(name)
    font.set_text(text, flags=LoadFlags.NO_HINTING)
    return font.get_width_height()[0] / 64 * size / 100


def plain(text: object, limit: int = 240) -> str:
    r"""Turn a stranger's text into one line that can only be text.

    Control characters, line ends and direction overrides go, signs that the face cannot draw become
    a hollow box, and text that runs right to left is isolated so that it cannot move what stands
    beside it (Unicode Standard Annex 9).

    Parameters
    ----------
    text : object
        Anything with a ``str``.
    limit : int
        Most characters kept.

    Returns
    -------
    str

    Examples
    --------
    >>> plain("  a\tb\u202e ")
    'a b'
    """
    kept = []
    for sign in unicodedata.normalize("NFC", str(text)[: 4 * limit]):
        kind = unicodedata.category(sign)
        if kind in {"Cc", "Zs", "Zl", "Zp"}:
            kept.append(" ")
        elif kind not in {"Cf", "Cs"}:
            kept.append(sign if ord(sign) in _known("text") else "□")
    line = shorten(" ".join("".join(kept).split()), limit)
    if any(unicodedata.bidirectional(sign) in {"R", "AL"} for sign in line):
        return f"\u2068{line}\u2069"
    return line


def shorten(text: str, limit: int) -> str:
    """Cut a text to at most `limit` characters, the last one then an ellipsis.

    Parameters
    ----------
    text : str
    limit : int

    Returns
    -------
    str

    Examples
    --------
    >>> shorten("Harbour at night", 8)
    'Harbour…'
    """
    return text if len(text) <= limit else text[: limit - 1].rstrip() + "…"


@cache
def fitted(text: str, size: float, room: float, name: str = "text") -> str:
    """Shorten a text with an ellipsis until it is no wider than `room`.

    Parameters
    ----------
    text : str
    size, room : float
        In the same unit.
    name : {"text", "strong", "title"}
        Face.

    Returns
    -------
    str

    Examples
    --------
    >>> fitted("Harbour at night", 20, 100)
    'Harbou…'
    """
    isolated = text.startswith("\u2068")
    bare = text[1:-1] if isolated else text

    def dress(cut: str) -> str:
        return f"\u2068{cut}\u2069" if isolated else cut

    if text_width(dress(bare), size, name) <= room:
        return dress(bare)
    low, high = 0, len(bare)
    while low < high:
        middle = (low + high + 1) // 2
        fits = text_width(dress(bare[:middle].rstrip() + "…"), size, name) <= room
        low, high = (middle, high) if fits else (low, middle - 1)
    return dress(bare[:low].rstrip(" ,;:-") + "…")


def wrapped(text: str, size: float, room: float, name: str = "text", lines: int = 9) -> list[str]:
    """Break a text into lines no wider than `room`.

    Parameters
    ----------
    text : str
    size, room : float
        In the same unit.
    name : {"text", "strong", "title"}
        Face.
    lines : int
        Most lines; the last one is shortened when there would be more.

    Returns
    -------
    list of str

    Examples
    --------
    >>> wrapped("one two three", 20, 90)
    ['one two', 'three']
    """
    done: list[str] = []
    words = text.split(" ")
    for place, word in enumerate(words):
        if done and text_width(f"{done[-1]} {word}", size, name) <= room:
            done[-1] += f" {word}"
        elif len(done) < lines:
            done.append(word)
        else:
            done[-1] += " " + " ".join(words[place:])
            break
    return [fitted(line, size, room, name) for line in done]


def day(date: str | datetime.date) -> str:
    """Write a date the way a viewer reads it, without asking the machine's language.

    Parameters
    ----------
    date : str or datetime.date
        ISO 8601 when a str.

    Returns
    -------
    str

    Examples
    --------
    >>> day("2026-11-01")
    '1 Nov 2026'
    """
    when = datetime.date.fromisoformat(date[:10]) if isinstance(date, str) else date
    return f"{when.day} {_MONTHS[when.month - 1]} {when.year}"


def number(value: float, digits: int = 3) -> str:
    """Write a number for a viewer: few digits, thin thousands, a true minus.

    Parameters
    ----------
    value : float
    digits : int
        Significant digits; digits before the point are never dropped.

    Returns
    -------
    str
        An em dash when the number is not known.

    Examples
    --------
    >>> number(61.84, 2), number(1234.5), number(7.0), number(float("nan"))
    ('62', '1,234', '7.00', '—')
    """
    if value != value:
        return "—"
    if value == 0:
        return "0"
    exponent = int(f"{value:.{digits - 1}e}".split("e")[1])
    after = max(0, digits - 1 - exponent)
    return f"{value:,.{after}f}".replace("-", "\u2212")


def fps(value: float) -> str:
    """Write frames per second: whole, one decimal below ten.

    Parameters
    ----------
    value : float

    Returns
    -------
    str

    Examples
    --------
    >>> fps(143.6), fps(7.25)
    ('144', '7.2')
    """
    return number(value, 2) if value < 100 else number(value, 3)


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
