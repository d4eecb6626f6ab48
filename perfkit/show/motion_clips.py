"""The clips of a study: bars that build up, a frame-time trace that runs, lower thirds."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd
from matplotlib.artist import Artist
from matplotlib.figure import Figure
from matplotlib.transforms import Bbox

from perfkit.progress import QUIET, Progress
from perfkit.show.charts import averages, cost, trace
from perfkit.show.layout import NothingToShow
from perfkit.show.motion import RATE, Clip, Reveal, film
from perfkit.show.motion_encode import find_encoder, write_mov, write_sequence
from perfkit.show.motion_thirds import Third, draw_third, third_lines
from perfkit.show.png import write_png
from perfkit.show.sidecar import sidecar, sidecar_text
from perfkit.show.stills import study_page
from perfkit.show.style import Page, house, pixels

if TYPE_CHECKING:
    from perfkit.analysis import Analysis

SECONDS = 10
THIRD_SECONDS = 3
ROW_FRAMES = 26
PLATE = 0.92
"""How much of the page's ground stands behind a clip; the rest is the video below."""

SHAPES = ((1920, 1080), (1080, 1920))


@dataclass(frozen=True, slots=True)
class Film:
    """A clip that was made, or not.

    Attributes
    ----------
    name : str
        File name without ending.
    files : tuple of str
        The clip, its last frame as a still, and the JSON.
    reason : str
        Why there is no clip; "" when made.
    """

    name: str
    files: tuple[str, ...]
    reason: str


def build_up(data: pd.DataFrame, page: Page) -> Clip:
    """Make the clip in which the bars of the averages grow one after another.

    Parameters
    ----------
    data : DataFrame
        As made by :func:`perfkit.show.charts.averages.data`.
    page : Page

    Returns
    -------
    Clip
        Names, axis and words stand from the first frame; a row's numbers follow its bar.
    """
    return _film(averages.draw(data, page), page)


def run_trace(data: pd.DataFrame, page: Page) -> Clip:
    """Make the clip in which a pass's frame times run from left to right.

    Parameters
    ----------
    data : DataFrame
        As made by :func:`perfkit.show.charts.trace.data`.
    page : Page

    Returns
    -------
    Clip
    """
    return _film(trace.draw(data, page), page)


def _film(figure: Figure, page: Page) -> Clip:
    pixels(figure, page.width)
    return film(figure, moving_parts(figure, page), SECONDS * RATE, page.width)


def moving_parts(figure: Figure, page: Page) -> list[tuple[list[Artist], Reveal]]:
    """Tell what moves in a chart, and when: bars row by row, or a trace from left to right.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        The averages or the trace, drawn once at the page's size.
    page : Page

    Returns
    -------
    list of (list of Artist, Reveal)
    """
    bars = _by_row(figure, "bar")
    if not bars:
        return _running_parts(figure, page)
    after = _by_row(figure, "range", "number")
    step = max(1, min(14, (SECONDS - 4) * RATE // len(bars)))
    parts = []
    for place, row in enumerate(sorted(bars)):
        start = RATE // 2 + place * step
        parts.append((bars[row], _reveal(bars[row], page, start, start + ROW_FRAMES)))
        end = start + ROW_FRAMES + 1
        parts += [([mark], _reveal([mark], page, end - 1, end, 2)) for mark in after[row]]
    return parts


def _running_parts(figure: Figure, page: Page) -> list[tuple[list[Artist], Reveal]]:
    """Run the frames evenly; a mark or label comes in when the frames have passed it."""
    frames = _named(figure, "frames")
    run = replace(_reveal(frames, page, RATE // 2, (SECONDS - 2) * RATE), even=True)
    parts = [(frames, run)]
    for mark in [*_named(figure, "mark"), *_named(figure, "label")]:
        reveal = _reveal([mark], page, 0, 1, 2)
        passed = next((n for n in range(run.end) if run.edge(n) >= reveal.right), run.end)
        parts.append(([mark], replace(reveal, start=passed - 1, end=passed)))
    return parts


def lower_third(third: Third, page: Page) -> Clip:
    """Make a lower third that comes in from the left and stays.

    Parameters
    ----------
    third : Third
    page : Page

    Returns
    -------
    Clip
        Transparent outside its plate.
    """
    figure, plate = draw_third(third, page)
    left, top, right, bottom = (round(edge * page.scale) for edge in plate)
    reveal = Reveal(left - 2, top - 2, right + 2, bottom + 2, 0, RATE)
    return film(figure, [(figure.artists, reveal)], THIRD_SECONDS * RATE, page.width)


def _named(figure: Figure, name: str) -> list[Artist]:
    return figure.findobj(lambda artist: (artist.get_gid() or "").split(" ")[0] == name)


def _by_row(figure: Figure, *names: str) -> dict[int, list[Artist]]:
    rows: dict[int, list[Artist]] = {}
    for name in names:
        for artist in _named(figure, name):
            rows.setdefault(int((artist.get_gid() or "").split(" ")[1]), []).append(artist)
    return rows


def _reveal(artists: Sequence[Artist], page: Page, start: int, end: int, stage: int = 1) -> Reveal:
    box = Bbox.union([artist.get_window_extent() for artist in artists]).padded(3 * page.scale)
    left, right = math.floor(box.x0), math.ceil(box.x1)
    top, bottom = page.height - math.ceil(box.y1), page.height - math.floor(box.y0)
    return Reveal(max(left, 0), max(top, 0), right, bottom, start, end, stage)


def write_clips(
    analysis: "Analysis",
    folder: Path,
    progress: Progress = QUIET,
    *,
    shapes: Sequence[tuple[int, int]] = SHAPES,
    theme: str = "dark",
    sequence: bool = False,
) -> list[Film]:
    """Write every clip of a study: ProRes 4444 with alpha, a still of its end, and its JSON.

    Parameters
    ----------
    analysis : Analysis
    folder : Path
        Made if it is missing.
    progress : Progress, optional
    shapes : sequence of (int, int)
        Width and height in pixels.
    theme : {"dark", "light"}
    sequence : bool
        Write numbered PNG beside each clip too, for editors without ProRes.

    Returns
    -------
    list of Film
        In the order they were made.

    Raises
    ------
    MissingExtra
        There is no encoder.
    PerfkitError
        The encoder failed.
    """
    find_encoder()
    folder.mkdir(parents=True, exist_ok=True)
    films: list[Film] = []
    plans = _plans(analysis, shapes, theme, films)
    for name, make, record in progress.track(plans, len(plans), "clips"):
        with house():
            clip = make()
        height, width, _ = clip.done.shape
        write_mov(folder / f"{name}.mov", clip.runs(), width, height)
        write_png(folder / f"{name}.png", clip.done)
        files = [f"{name}.mov", f"{name}.png", f"{name}.json"]
        if sequence:
            write_sequence(folder / name, clip.runs())
            files.append(name)
        facts = {"rate": RATE, "frames": clip.frames, "width": width, "height": height}
        text = sidecar_text({**record, "files": files, "clip": facts})
        (folder / f"{name}.json").write_text(text, encoding="utf-8")
        films.append(Film(name, tuple(files), ""))
    return films


Plan = tuple[str, Callable[[], Clip], dict[str, Any]]


def _plans(
    analysis: "Analysis", shapes: Sequence[tuple[int, int]], theme: str, films: list[Film]
) -> list[Plan]:
    plain_page = replace(study_page(analysis.study), theme=theme, plate=PLATE)
    pages = [replace(plain_page, width=width, height=height) for width, height in shapes]
    plans: list[Plan] = []
    for chart, make in ((averages, build_up), (trace, run_trace)):
        try:
            data = chart.data(analysis)
        except NothingToShow as nothing:
            films.append(Film(f"{chart.NAME}-clip", (), str(nothing)))
            continue
        for page in pages:
            name = f"{chart.NAME}-clip-{page.width}x{page.height}"
            plans.append((name, partial(make, data, page), sidecar(chart, data, page, ())))
    try:
        data = cost.data(analysis)
    except NothingToShow as nothing:
        films.append(Film("lower-third", (), str(nothing)))
        return plans
    for place, third in enumerate(third_lines(data, pages[0])):
        record = sidecar(cost, data.iloc[[place]].reset_index(drop=True), pages[0], ())
        name = f"lower-third-{place + 1}-{pages[0].width}x{pages[0].height}"
        plans.append((name, partial(lower_third, third, pages[0]), record))
    return plans
