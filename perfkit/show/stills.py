"""Every chart of a study as picture files, each with a JSON that it can be drawn again from.

A chart is drawn from its JSON, so that what is published beside a picture is what was drawn.
Pictures are compressed in threads while the next chart is drawn, because compression runs outside
the interpreter's lock; a second process may draw beside this one.
"""

import contextlib
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path
from queue import Empty, SimpleQueue
from types import ModuleType
from typing import TYPE_CHECKING

from perfkit.progress import QUIET, Progress
from perfkit.show.charts import CHARTS, OF_PASSES, OF_TABLES
from perfkit.show.drawing import FOR_PAGE, Job, Look, Pixels, file_bytes, pictures
from perfkit.show.earlier import KEPT_PICTURE
from perfkit.show.layout import NothingToShow
from perfkit.show.sidecar import sidecar, sidecar_text
from perfkit.show.style import Page

if TYPE_CHECKING:
    from perfkit.analysis import Analysis
    from perfkit.show.earlier import Earlier
    from perfkit.show.second_process import Second
    from perfkit.study import Study


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
    small : bytes
        The picture for the page; empty where it was not made with the others.
    """

    name: str
    title: str
    answer: str
    files: tuple[str, ...]
    reason: str
    small: bytes = field(default=b"", repr=False)


def study_page(study: "Study") -> Page:
    """Give the page on which every figure of a study states its facts.

    Parameters
    ----------
    study : Study

    Returns
    -------
    Page
        Without a price date where the study has no prices.
    """
    settings = study.settings
    return Page(
        price_date=settings.price_date.isoformat() if len(study.prices) else "",
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
    second: "Second | None" = None,
    earlier: "Earlier | None" = None,
    meanwhile: Callable[[], object] = lambda: None,
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
    second : Second, optional
        A process that draws beside this one; see :func:`perfkit.show.second_process.second_drawer`.
    earlier : Earlier, optional
        A report by the same code: pictures of charts whose JSON is the same are taken from it.
    meanwhile : callable, optional
        Other work of this process, done once the second one has all that is to be drawn.

    Returns
    -------
    list of Still
        One per chart, in the order of the charts.
    """
    folder.mkdir(parents=True, exist_ok=True)
    page = study_page(analysis.study)
    stills: dict[str, Still] = {}
    with Easel(folder, workers, second) as easel:
        for chart in sorted(CHARTS, key=_when_known):
            stills[chart.NAME] = _prepare(chart, analysis, page, easel, looks, earlier)
        meanwhile()
        for _ in progress.track(easel.draw(), easel.jobs, "figures"):
            pass
    drawn = [stills[chart.NAME] for chart in CHARTS]
    return [replace(still, small=easel.small.get(still.name, still.small)) for still in drawn]


def _when_known(chart: ModuleType) -> int:
    return 0 if chart.NAME in OF_PASSES else 2 if chart.NAME in OF_TABLES else 1


def _prepare(
    chart: ModuleType,
    analysis: "Analysis",
    page: Page,
    easel: "Easel",
    looks: Sequence[Look],
    earlier: "Earlier | None",
) -> Still:
    try:
        data = chart.data(analysis)
    except NothingToShow as nothing:
        return Still(chart.NAME, chart.TITLE, "", (), str(nothing))
    files = tuple(look.file(chart.NAME) for look in looks)
    record = sidecar(chart, data, page, files)
    text = sidecar_text(record)
    (easel.folder / f"{chart.NAME}.json").write_text(text, encoding="utf-8")
    small = b""
    if earlier is not None and _taken(earlier, chart.NAME, text, files, easel.folder):
        small = earlier.content(KEPT_PICTURE.format(chart.NAME)) or b""
    else:
        for group in _same_layout(looks):
            easel.add(Job(chart.NAME, text, group, for_page=looks is REPORT_SET))
    return Still(chart.NAME, chart.TITLE, record["answer"], files, "", small)


def _taken(earlier: "Earlier", name: str, text: str, files: Sequence[str], folder: Path) -> bool:
    """Take over the pictures of a chart that would be drawn from the same JSON."""
    if earlier.content(f"figures/{name}.json") != text.encode():
        return False
    contents = [earlier.content(f"figures/{file}") for file in files]
    for file, content in zip(files, contents, strict=True):
        if content is None:
            return False
        (folder / file).write_bytes(content)
    return True


def _same_layout(looks: Sequence[Look]) -> list[tuple[Look, ...]]:
    groups: dict[tuple[bool, str], list[Look]] = {}
    for look in looks:
        groups.setdefault((look.height > look.width, look.theme), []).append(look)
    return [tuple(group) for group in groups.values()]


class Easel:
    """Jobs waiting to be drawn; a second process takes the first while more are still added.

    Parameters
    ----------
    folder : Path
        Where the pictures go.
    workers : int
        Threads that compress.
    second : Second or None

    Attributes
    ----------
    small : dict of str to bytes
        Pictures for the page by the name of their chart.
    """

    def __init__(self, folder: Path, workers: int, second: "Second | None") -> None:
        self.folder = folder
        self.small: dict[str, bytes] = {}
        self._waiting: SimpleQueue[Job | None] = SimpleQueue()
        self.jobs = 0
        self._most = 2 * workers
        self._pool = ThreadPoolExecutor(workers + 1)
        self._second = second
        self._helped = self._pool.submit(self._hand_over, second) if second else None

    def __enter__(self) -> "Easel":
        """Take jobs."""
        return self

    def __exit__(self, error: type[BaseException] | None, *more: object) -> None:
        """End the threads, and after an error what they are waiting for."""
        if error and self._second:
            self._second.stop()
        self._waiting.put(None)
        self._pool.shutdown(cancel_futures=error is not None)

    def add(self, job: Job) -> None:
        """Put a job behind the others."""
        self.jobs += 1
        self._waiting.put(job)

    def draw(self) -> Iterator[None]:
        """Draw until nothing waits; no job may be added after this.

        Yields
        ------
        None
            Once for each job, not at once when the second process draws it.
        """
        writing: deque[Future[None]] = deque()
        self._most_data_first()
        for _ in ("here", "beside"):
            self._waiting.put(None)
        yield from self._draw_here(iter(self._waiting.get, None), writing)
        if self._helped:
            done, failed = self._helped.result()
            yield from [None] * done
            yield from self._draw_here(iter(failed), writing)
        for written in writing:
            written.result()

    def _most_data_first(self) -> None:
        """Put what waits in order, so that here and beside end at about the same time."""
        left = []
        with contextlib.suppress(Empty):
            while True:
                left.append(self._waiting.get_nowait())
        for job in sorted(filter(None, left), key=lambda job: -len(job.text)):
            self._waiting.put(job)

    def _draw_here(self, jobs: Iterator[Job], writing: deque[Future[None]]) -> Iterator[None]:
        for job in jobs:
            for file, picture in pictures(job):
                if len(writing) > self._most:
                    writing.popleft().result()
                writing.append(self._pool.submit(self._write, job, file, picture))
            yield

    def _hand_over(self, second: "Second") -> tuple[int, list[Job]]:
        done, failed = 0, []
        for job in iter(self._waiting.get, None):
            files = second.draw(job)
            if files is None:
                failed.append(job)
                break
            for name, content in files:
                self._write(job, name, content)
            done += 1
        return done, failed

    def _write(self, job: Job, file: str, picture: Pixels | bytes) -> None:
        if file == FOR_PAGE:
            self.small[job.name] = file_bytes(picture)
        else:
            write_picture(self.folder / file, picture)


def write_picture(path: Path, picture: Pixels | bytes) -> None:
    """Write a picture to its file.

    Parameters
    ----------
    path : Path
    picture : ndarray of uint8, or bytes
        As yielded by :func:`perfkit.show.drawing.pictures`.
    """
    path.write_bytes(file_bytes(picture))
