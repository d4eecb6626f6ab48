"""Text on figures: what may be drawn of a stranger's, how wide it is, how numbers and days read."""

import datetime
import unicodedata
from functools import cache
from pathlib import Path

import matplotlib as mpl
from matplotlib.font_manager import FontProperties
from matplotlib.ft2font import FT2Font, LoadFlags

_FACES = {"text": "DejaVuSans", "strong": "DejaVuSans-Bold", "title": "DejaVuSerif-Bold"}
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


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
def _width_at_100(text: str, name: str) -> float:
    font = _metrics(name)
    font.set_text(text, flags=LoadFlags.NO_HINTING)
    return font.get_width_height()[0] / 64


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
    return _width_at_100(text, name) * size / 100


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
