"""What can go wrong, in words a person can act on."""

from collections.abc import Iterable
from dataclasses import dataclass

_SHOWN = 80


def shown(value: str, width: int = _SHOWN) -> str:
    r"""Quote a stranger's text for a terminal: escaped, and cut to `width` characters.

    Parameters
    ----------
    value : str
        Any text, control and direction characters included.
    width : int
        Characters kept before the cut.

    Returns
    -------
    str
        The text in quotes, every character printable.

    Examples
    --------
    >>> shown("12,5")
    "'12,5'"
    >>> shown("a\nb")
    "'a\\nb'"
    """
    cut = value if len(value) <= width else value[:width] + "…"
    return repr(cut)


def printable(text: str) -> str:
    r"""Escape what a terminal would obey instead of showing.

    Parameters
    ----------
    text : str
        Any text that may hold a stranger's.

    Returns
    -------
    str
        Line ends are kept; other control, direction and unpaired characters are escaped.

    Examples
    --------
    >>> printable("a\x1b[2Jb")
    'a\\x1b[2Jb'
    """
    if text.isprintable():
        return text
    signs = (sign if sign.isprintable() or sign == "\n" else ascii(sign)[1:-1] for sign in text)
    return "".join(signs)


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong with a study, and what to do about it.

    Attributes
    ----------
    file : str
        File inside the study.
    line : int or None
        Line in that file, the header being line 1; None when the whole file is meant.
    column : str
        Column, or key in ``study.toml``; empty when none is meant.
    value : str
        What was found there; empty when nothing was.
    allowed : str
        What may stand there.
    action : str
        What to do next.
    """

    file: str
    line: int | None
    column: str
    value: str
    allowed: str
    action: str

    def __str__(self) -> str:
        """One line: place, value, what is allowed, what to do."""
        place = self.file if self.line is None else f"{self.file}, line {self.line}"
        if self.column:
            place += f", {self.column}"
        found = f"found {shown(self.value)}; " if self.value else ""
        line = f"{place}: {found}{self.allowed}; {self.action}"
        return printable(line.replace("\n", "\\n"))


class PerfkitError(Exception):
    """Base of every error that perfkit raises on purpose."""


class StudyError(PerfkitError):
    """A study was refused; all its problems are listed.

    Parameters
    ----------
    problems : iterable of Problem
        Every problem found, in the order of files and lines.

    Attributes
    ----------
    problems : tuple of Problem
    """

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        count = len(self.problems)
        head = f"{count} problem{'' if count == 1 else 's'} in this study"
        super().__init__("\n".join([head, *(f"  {problem}" for problem in self.problems)]))


class OutputError(PerfkitError):
    """The place asked for the output cannot be used."""


class MissingExtra(PerfkitError):
    """Something asked for needs an optional part of the installation."""
