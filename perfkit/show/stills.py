"""Every chart of a study as picture files, each with a JSON that it can be drawn again from.

A chart is drawn from its JSON, so that what is published beside a picture is what was drawn. A
size that is half of another is averaged from it instead of being drawn again, and pictures are
compressed in threads while the next chart is drawn: compression runs outside the interpreter's
lock.
"""

from collections import deque
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from perfkit.progress import QUIET, Progress
from perfkit.show.charts import CHARTS
from perfkit.show.layout import NothingToShow
from perfkit.show.png import write_png
from perfkit.show.sidecar import read_sidecar, sidecar, sidecar_text
from perfkit.show.style import Page, house, pixels

if TYPE_CHECKING:
    from perfkit.analysis import Analysis
    from perfkit.study.settings import Settings


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


REPORT_SET = (Look(1920, 1080), Look(3840, 2160))
"""What a report holds."""

VIDEO_SET = tuple(
    look
    for theme in ("light", "dark")
    for look in (
        Look(1920, 1080, theme),
        Look(3840, 2160, theme),
        Look(1080, 1920, theme),
        Look(1920, 1080, theme, "svg"),
        Look(1080, 1920, theme, "svg"),
    )
)
"""What an editor may want."""


@dataclass(frozen=True, slots=True)
class Still:
    """A chart that was drawn, or not.

    Attributes
    ----------
    name : str
        File name without size and ending.
    title : str
        The question.
    answer : str
        Its answer in a sentence; "" when not drawn.
    files : tuple of str
        Pictures in the folder, in the order of the looks asked for.
    reason : str
        Why there is no picture; "" when drawn.
    """

    name: str
    title: str
    answer: str
    files: tuple[str, ...]
    reason: str


def study_page(settings: "Settings") -> Page:
    """Give the page on which every figure of a study states its facts.

    Parameters
    ----------
    settings : Settings

    Returns
    -------
    Page
    """
    return Page(
        price_date=settings.price_date.isoformat(),
        disclosure=settings.disclosure,
        currency=settings.currency,
        goals_fps=tuple(settings.targets_fps),
    )


def write_figures(
    analysis: "Analysis",
    folder: Path,
    progress: Progress = QUIET,
    *,
    looks: Sequence[Look] = REPORT_SET,
    workers: int = 2,
) -> list[Still]:
    """Draw every chart that this study has data for.

    Parameters
    ----------
    analysis : Analysis
    folder : Path
        Made if it is missing.
    progress : Progress, optional
    looks : sequence of Look
        Sizes, themes and file kinds.
    workers : int
        Threads that compress.

    Returns
    -------
    list of Still
        One per chart, in the order of the charts.
    """
    folder.mkdir(parents=True, exist_ok=True)
    page = study_page(analysis.study.settings)
    stills = [_prepare(chart, analysis, page, folder, looks) for chart in CHARTS]
    jobs = [
        Job(still.name, folder, group)
        for still in stills
        if not still.reason
        for group in _same_layout(looks)
    ]
    done = draw_together(jobs, workers)
    for _ in progress.track(done, len(jobs), "figures"):
        pass
    return stills


def _prepare(
    chart: ModuleType, analysis: "Analysis", page: Page, folder: Path, looks: Sequence[Look]
) -> Still:
    try:
        data = chart.data(analysis)
    except NothingToShow as nothing:
        return Still(chart.NAME, chart.TITLE, "", (), str(nothing))
    files = tuple(look.file(chart.NAME) for look in looks)
    record = sidecar(chart, data, page, files)
    (folder / f"{chart.NAME}.json").write_text(sidecar_text(record), encoding="utf-8")
    return Still(chart.NAME, chart.TITLE, record["answer"], files, "")


def _same_layout(looks: Sequence[Look]) -> list[list[Look]]:
    groups: dict[tuple[bool, str], list[Look]] = {}
    for look in looks:
        groups.setdefault((look.height > look.width, look.theme), []).append(look)
    return list(groups.values())


@dataclass(frozen=True, slots=True)
class Job:
    """Looks of one chart that share a layout.

    Attributes
    ----------
    name : str
        Of the chart.
    folder : Path
        Where its JSON lies and its pictures go.
    looks : sequence of Look
        Of one shape and theme.
    """

    name: str
    folder: Path
    looks: Sequence[Look]


def draw_together(jobs: Sequence[Job], workers: int) -> Iterator[None]:
    """Draw jobs one after another and write their pictures beside that.

    Parameters
    ----------
    jobs : sequence of Job
    workers : int
        Threads that compress.

    Yields
    ------
    None
        Once for each job drawn.
    """
    waiting: deque[Future[None]] = deque()
    with ThreadPoolExecutor(workers) as pool:
        for job in jobs:
            for path, picture in draw_pictures(job):
                if len(waiting) > 2 * workers:
                    waiting.popleft().result()
                waiting.append(pool.submit(write_png, path, picture))
            yield
        for picture_written in waiting:
            picture_written.result()


def draw_pictures(job: Job) -> Iterator[tuple[Path, Pixels]]:
    """Lay a chart out once and draw it in every size that is asked for; SVG is written at once.

    Parameters
    ----------
    job : Job

    Yields
    ------
    path : Path
        Where the picture belongs.
    picture : ndarray of uint8, shape (height, width, 3)
    """
    chart = next(chart for chart in CHARTS if job.name == chart.NAME)
    data, page = read_sidecar(job.folder / f"{chart.NAME}.json")
    first = job.looks[0]
    drawn: dict[int, Pixels] = {}
    with house():
        shaped = replace(page, width=first.width, height=first.height, theme=first.theme)
        figure = chart.draw(data, shaped)
        for look in sorted(job.looks, key=lambda look: -look.width):
            path = job.folder / look.file(chart.NAME)
            if look.kind == "svg":
                figure.savefig(path, format="svg", metadata={"Date": None, "Creator": None})
                continue
            double = drawn.get(2 * look.width)
            if double is None:
                drawn[look.width] = pixels(figure, look.width)[..., :3].copy()
            else:
                drawn[look.width] = halved(double)
            yield path, drawn[look.width]


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
