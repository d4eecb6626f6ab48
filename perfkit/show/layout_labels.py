"""Labels that keep clear of each other, of what is drawn, and of the edge."""

from collections.abc import Sequence
from dataclasses import dataclass

from matplotlib.lines import Line2D

from perfkit.show.layout import Box, Canvas

SIDES = ((1, 0), (-1, 0), (0, -1), (0, 1), (1, -1), (1, 1), (-1, -1), (-1, 1))
"""Right, left, above, below, and between them."""


@dataclass(slots=True)
class Labels:
    """Puts labels beside points so that they keep clear of each other, of points and of the edge.

    Attributes
    ----------
    canvas : Canvas
    room : Box
        Labels stay inside.
    taken : list of Box
        What labels keep clear of; grows with each label.
    """

    canvas: Canvas
    room: Box
    taken: list[Box]

    def put(
        self,
        x: float,
        y: float,
        text: str,
        *,
        away: float = 18,
        face: str = "text",
        sides: Sequence[tuple[int, int]] = SIDES,
    ) -> bool:
        """Write `text` near a point at the first free place, near ones first.

        A label that had to go far gets a thin line back to its point.

        Parameters
        ----------
        x, y : float
            The point, in design pixels.
        text : str
        away : float
            Clear distance from the point.
        face : {"text", "strong", "title"}
        sides : sequence of (int, int)
            Where to look first, across and down, each -1, 0 or 1.

        Returns
        -------
        bool
            False when there was no free place, and nothing is written.
        """
        wide, high = self.canvas.width(text, "small", face), 1.08 * self.canvas.size["small"]
        for times in (1, 1.7, 2.6, 4, 6, 9):
            far = times * away
            for across, down in sides:
                left = x + across * far * (0.75 if down else 1) - wide * (1 - across) / 2
                middle = y + down * (far + high / 2)
                box = Box(left, middle - high / 2, left + wide, middle + high / 2)
                if self._free(box):
                    self.taken.append(box)
                    self.canvas.text(left, middle, text, "small", face=face).set_gid("label")
                    if far > 2.6 * away:
                        self._leader(x, y, box)
                    return True
        return False

    def _leader(self, x: float, y: float, box: Box) -> None:
        canvas = self.canvas
        nearest = (min(max(x, box.left), box.right), min(max(y, box.top), box.bottom))
        xs, ys = zip(canvas.spot(x, y), canvas.spot(*nearest), strict=True)
        line = Line2D(
            xs, ys, color=canvas.colour.soft, linewidth=0.72 * 1.5,
            transform=canvas.figure.transFigure, zorder=0,
        )  # fmt: skip
        canvas.add(line)

    def level(self, left: float, y: float, text: str) -> None:
        """Write `text` at `left`, as near to height `y` as what is already there allows."""
        high = 1.15 * self.canvas.size["small"]
        for step in range(60):
            middle = y + (1 if step % 2 else -1) * ((step + 1) // 2) * high / 4
            right = left + self.canvas.width(text, "small")
            box = Box(left, middle - high / 2, right, middle + high / 2)
            if self._free(box):
                self.taken.append(box)
                self.canvas.text(left, middle, text, "small")
                return

    def _free(self, box: Box) -> bool:
        inside = (
            box.left >= self.room.left
            and box.right <= self.room.right
            and box.top >= self.room.top
            and box.bottom <= self.room.bottom
        )
        return inside and not any(box.meets(other) for other in self.taken)
