"""Saying what is being done while it is done, on a terminal, in a notebook, or not at all."""

import sys
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Protocol, TextIO, TypeVar

from perfkit.errors import printable

T = TypeVar("T")


class Progress(Protocol):
    """Where long work reports to."""

    def say(self, text: str) -> None:
        """Announce one step."""

    def track(self, items: Iterable[T], total: int, label: str) -> Iterator[T]:
        """Pass `items` through while showing how many of `total` are done."""


@dataclass(frozen=True, slots=True)
class Quiet:
    """Progress that shows nothing."""

    def say(self, text: str) -> None:
        """Say nothing."""

    def track(self, items: Iterable[T], total: int, label: str) -> Iterator[T]:
        """Pass `items` through."""
        yield from items


@dataclass(frozen=True, slots=True)
class Shown:
    """Progress as lines and bars; bars only where a person watches.

    Attributes
    ----------
    stream : text stream
        Where lines and bars go.
    """

    stream: TextIO

    def say(self, text: str) -> None:
        """Write one line."""
        print(printable(text), file=self.stream, flush=True)

    def track(self, items: Iterable[T], total: int, label: str) -> Iterator[T]:
        """Pass `items` through under a bar that clears itself."""
        from tqdm.auto import tqdm

        yield from tqdm(
            items,
            total=total,
            desc=label,
            file=self.stream,
            leave=False,
            disable=None if self.stream is sys.stderr else not self.stream.isatty(),
        )


QUIET = Quiet()


def terminal_progress() -> Shown:
    """Progress on the terminal's error stream, so that results can be piped.

    Returns
    -------
    Shown

    Examples
    --------
    >>> terminal_progress().stream is sys.stderr
    True
    """
    return Shown(sys.stderr)
