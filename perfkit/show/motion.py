"""Clip frames by compositing: a chart is drawn in a few stages, every frame is cut from them.

The first stage lacks all that moves, the last is the finished chart. A frame is the first with
some rectangles of later ones. What comes in gradually is made of upright edges alone (bars, frames
of a trace), and its rectangle ends at a whole pixel, where Agg clips exactly; everything else comes
in at once. So a frame equals, to the bit, a full redraw with each moving artist clipped to its
rectangle: no order of drawing is changed and no edge is blended twice.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from perfkit.show.style import pixels

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.figure import Figure

RATE = 30
"""Frames per second of every clip."""

Pixels = npt.NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Reveal:
    """A rectangle of a stage that comes in from its left edge.

    Attributes
    ----------
    left, top, right, bottom : int
        Pixels, from the top left; `right` and `bottom` are the first ones outside.
    start, end : int
        Last frame without anything of it, first frame with all of it.
    stage : int
        Which stage it is cut from, from 1.
    even : bool
        Move evenly; otherwise the movement starts fast and settles.
    """

    left: int
    top: int
    right: int
    bottom: int
    start: int
    end: int
    stage: int = 1
    even: bool = False

    def edge(self, frame: int) -> int:
        """First column that is still hidden in a frame.

        Parameters
        ----------
        frame : int

        Returns
        -------
        int

        Examples
        --------
        >>> [Reveal(0, 0, 100, 10, 0, 4).edge(frame) for frame in range(5)]
        [0, 58, 88, 98, 100]
        """
        share = min(max((frame - self.start) / (self.end - self.start), 0.0), 1.0)
        eased = share if self.even else 1 - (1 - share) ** 3
        return self.left + round(eased * (self.right - self.left))


@dataclass(frozen=True, slots=True, eq=False)
class Clip:
    """Everything a clip's frames are made from.

    Attributes
    ----------
    stages : tuple of ndarray of uint8, shape (height, width, 4)
        From the picture without what moves to the finished one.
    reveals : tuple of Reveal
    frames : int
        How many frames the clip has.
    """

    stages: tuple[Pixels, ...]
    reveals: tuple[Reveal, ...]
    frames: int

    @property
    def done(self) -> Pixels:
        """The finished picture."""
        return self.stages[-1]

    def frame(self, number: int) -> Pixels:
        """Make one frame.

        Parameters
        ----------
        number : int
            From 0.

        Returns
        -------
        ndarray of uint8, shape (height, width, 4)
        """
        made = self.stages[0].copy()
        for reveal in self.reveals:
            rows = slice(reveal.top, reveal.bottom)
            columns = slice(reveal.left, reveal.edge(number))
            made[rows, columns] = self.stages[reveal.stage][rows, columns]
        return made

    def runs(self) -> Iterator[tuple[Pixels, int]]:
        """Give the frames in order, one that does not change only once with how often it is shown.

        Yields
        ------
        pixels : ndarray of uint8, shape (height, width, 4)
        times : int
        """
        first = 0
        edges = self._edges(0)
        for number in range(1, self.frames + 1):
            now = self._edges(number) if number < self.frames else None
            if now != edges:
                yield self.frame(first), number - first
                first, edges = number, now or edges

    def _edges(self, number: int) -> tuple[int, ...]:
        return tuple(reveal.edge(number) for reveal in self.reveals)


def film(
    figure: "Figure",
    parts: Sequence[tuple[Sequence["Artist"], Reveal]],
    frames: int,
    width: int,
) -> Clip:
    """Draw the stages of a clip.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
    parts : sequence of (sequence of Artist, Reveal)
        What moves, and how.
    frames : int
    width : int
        Pixels.

    Returns
    -------
    Clip
    """
    stages = []
    for stage in range(max(reveal.stage for _, reveal in parts) + 1):
        for artists, reveal in parts:
            for artist in artists:
                artist.set_visible(reveal.stage <= stage)
        stages.append(pixels(figure, width).copy())
    return Clip(tuple(stages), tuple(reveal for _, reveal in parts), frames)
