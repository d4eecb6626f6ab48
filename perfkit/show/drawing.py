"""One chart in every size that shares its layout, drawn from the JSON that is published beside it.

A size that is half of another is averaged from it instead of being drawn again. The page's own
picture, in few colours, is made of the smallest while that is at hand.
"""

import io
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from PIL import Image

from perfkit.show.charts import CHARTS
from perfkit.show.png import png_bytes
from perfkit.show.sidecar import frame_and_page
from perfkit.show.style import house, pixels

Pixels = npt.NDArray[np.uint8]

PICTURE_COLOURS = 64
"""Colours of a figure inside the page: enough for its few hues and their smooth edges."""

FOR_PAGE = ""
"""Stands for the name of the picture that goes into the page; it is no file."""


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
    for_page : bool
        Whether the page's picture is made too.
    """

    name: str
    text: str
    looks: tuple[Look, ...]
    for_page: bool = False


def pictures(job: Job) -> Iterator[tuple[str, Pixels | bytes]]:
    """Lay a chart out once and draw it in every size that is asked for.

    Parameters
    ----------
    job : Job

    Yields
    ------
    file : str
        Its name, or `FOR_PAGE`.
    picture : ndarray of uint8, shape (height, width, 3), or bytes
        Pixels, or a whole file.
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
                drawn[look.width] = opaque(pixels(figure, look.width))
            else:
                drawn[look.width] = halved(double)
            yield look.file(chart.NAME), drawn[look.width]
    if job.for_page:
        yield FOR_PAGE, few_colours(Image.fromarray(drawn[min(drawn)]))


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
    picture : ndarray of uint8, shape (2 h, 2 w, 3)

    Returns
    -------
    ndarray of uint8, shape (h, w, 3)

    Examples
    --------
    >>> halved(np.array([[[0] * 3, [2] * 3], [[4] * 3, [7] * 3]], np.uint8)).tolist()
    [[[3, 3, 3]]]
    """
    return np.asarray(Image.fromarray(picture).reduce(2))


def opaque(picture: Pixels) -> Pixels:
    """Leave the opacity out; a channel at a time, which is quicker than three of four at once.

    Parameters
    ----------
    picture : ndarray of uint8, shape (height, width, 4)

    Returns
    -------
    ndarray of uint8, shape (height, width, 3)
    """
    result = np.empty((*picture.shape[:2], 3), np.uint8)
    for channel in range(3):
        result[..., channel] = picture[..., channel]
    return result


def few_colours(picture: Image.Image) -> bytes:
    """Write a picture as small as a page wants it, in as few colours as it needs.

    Parameters
    ----------
    picture : PIL.Image.Image
        RGB.

    Returns
    -------
    bytes
        PNG with a palette.
    """
    written = io.BytesIO()
    dither = Image.Dither.NONE
    small = picture.quantize(PICTURE_COLOURS, Image.Quantize.FASTOCTREE, dither=dither)
    small.save(written, "PNG")
    return written.getvalue()
