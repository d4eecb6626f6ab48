"""One chart in every size that shares its layout, drawn from the JSON that is published beside it.

A size that is half of another is averaged from it instead of being drawn again.
"""

import io
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from perfkit.show.charts import CHARTS
from perfkit.show.png import png_bytes
from perfkit.show.sidecar import frame_and_page
from perfkit.show.style import house, pixels

Pixels = npt.NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Look:
    """One way to write a chart.

    Attributes
    ----------
    width, height : int
        Pixels; of an SVG only their ratio matters.
    theme : {"light", "dark"}
    kind : {"png", "svg"}
    """

    width: int
    height: int
    theme: str = "light"
    kind: str = "png"

    def file(self, name: str) -> str:
        """File name of a chart in this look."""
        shape = "tall" if self.height > self.width else "wide"
        size = f"{self.width}x{self.height}" if self.kind == "png" else shape
        return f"{name}-{size}{'' if self.theme == 'light' else '-' + self.theme}.{self.kind}"


@dataclass(frozen=True, slots=True)
class Job:
    """Looks of one chart that share a layout.

    Attributes
    ----------
    name : str
        Of the chart.
    text : str
        Its JSON.
    looks : tuple of Look
        Of one shape and theme.
    """

    name: str
    text: str
    looks: tuple[Look, ...]


def pictures(job: Job) -> Iterator[tuple[str, Pixels | bytes]]:
    """Lay a chart out once and draw it in every size that is asked for.

    Parameters
    ----------
    job : Job

    Yields
    ------
    file : str
        Its name.
    picture : ndarray of uint8, shape (height, width, 3), or bytes
        Pixels, or a whole SVG file.
    """
    chart = next(chart for chart in CHARTS if job.name == chart.NAME)
    data, page = frame_and_page(job.text)
    first = job.looks[0]
    drawn: dict[int, Pixels] = {}
    with house():
        shaped = replace(page, width=first.width, height=first.height, theme=first.theme)
        figure = chart.draw(data, shaped)
        for look in sorted(job.looks, key=lambda look: -look.width):
            if look.kind == "svg":
                written = io.BytesIO()
                figure.savefig(written, format="svg", metadata={"Date": None, "Creator": None})
                yield look.file(chart.NAME), written.getvalue()
                continue
            double = drawn.get(2 * look.width)
            if double is None:
                drawn[look.width] = pixels(figure, look.width)[..., :3].copy()
            else:
                drawn[look.width] = halved(double)
            yield look.file(chart.NAME), drawn[look.width]


def file_bytes(picture: Pixels | bytes) -> bytes:
    """Give what a picture's file holds.

    Parameters
    ----------
    picture : ndarray of uint8, or bytes
        As yielded by :func:`pictures`.

    Returns
    -------
    bytes
    """
    return picture if isinstance(picture, bytes) else png_bytes(picture)


def halved(picture: Pixels) -> Pixels:
    """Average a picture over blocks of two by two pixels, halves rounded up.

    Parameters
    ----------
    picture : ndarray of uint8, shape (2 h, 2 w, channels)

    Returns
    -------
    ndarray of uint8, shape (h, w, channels)

    Examples
    --------
    >>> halved(np.array([[[0], [2]], [[4], [7]]], np.uint8)).tolist()
    [[[3]]]
    """
    rows = picture[0::2].astype(np.uint16) + picture[1::2]
    return ((rows[:, 0::2] + rows[:, 1::2] + 2) >> 2).astype(np.uint8)
