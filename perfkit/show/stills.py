"""Every chart of a study as picture files, each with a JSON that it can be drawn again from.

The data of all charts are taken here; the drawing is shared out to worker processes, which know
nothing but the JSON. What is published beside a picture is therefore what was drawn.
"""

import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from queue import SimpleQueue
from types import ModuleType
from typing import TYPE_CHECKING, Any

import perfkit
from perfkit.errors import PerfkitError
from perfkit.progress import QUIET, Progress
from perfkit.show.charts import CHARTS
from perfkit.show.layout import NothingToShow
from perfkit.show.sidecar import read_sidecar, sidecar, sidecar_text
from perfkit.show.style import Page

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from perfkit.analysis import Analysis
    from perfkit.study.settings import Settings


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
        Processes that draw.

    Returns
    -------
    list of Still
        One per chart, in the order of the charts.

    Raises
    ------
    PerfkitError
        A worker process failed.
    """
    folder.mkdir(parents=True, exist_ok=True)
    page = study_page(analysis.study.settings)
    stills = [_prepare(chart, analysis, page, folder, looks) for chart in CHARTS]
    drawn = [still.name for still in stills if not still.reason]
    jobs = [
        {"name": name, "folder": str(folder), "looks": [asdict(look) for look in group]}
        for name in drawn
        for group in _same_layout(looks)
    ]
    done = draw_together(jobs, min(workers, len(jobs)))
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


def draw_group(job: dict[str, Any]) -> None:
    """Lay a chart out once and write it in every size and kind that shares the layout.

    Parameters
    ----------
    job : dict
        name, folder, and looks of one shape and theme.
    """
    from perfkit.show.style import house

    folder, looks = Path(job["folder"]), [Look(**look) for look in job["looks"]]
    chart = next(chart for chart in CHARTS if job["name"] == chart.NAME)
    data, page = read_sidecar(folder / f"{chart.NAME}.json")
    first = looks[0]
    with house():
        figure = chart.draw(
            data, replace(page, width=first.width, height=first.height, theme=first.theme)
        )
        for look in looks:
            _write(figure, folder / look.file(chart.NAME), look)


def _write(figure: "Figure", path: Path, look: Look) -> None:
    from perfkit.show.png import write_png
    from perfkit.show.style import pixels

    if look.kind == "svg":
        figure.savefig(path, format="svg", metadata={"Date": None, "Creator": None})
    else:
        write_png(path, pixels(figure, look.width)[..., :3])


def draw_together(jobs: Sequence[dict[str, Any]], workers: int) -> Iterator[None]:
    """Share jobs out to worker processes.

    Parameters
    ----------
    jobs : sequence of dict
        As :func:`draw_group` takes them.
    workers : int
        Processes.

    Yields
    ------
    None
        Once for each job done.

    Raises
    ------
    PerfkitError
        A worker failed.
    """
    if not jobs:
        return
    idle: SimpleQueue[_Worker] = SimpleQueue()
    team = [_Worker() for _ in range(workers)]
    for worker in team:
        idle.put(worker)

    def one(job: dict[str, Any]) -> None:
        worker = idle.get()
        try:
            worker.draw(job)
        finally:
            idle.put(worker)

    try:
        with ThreadPoolExecutor(workers) as pool:
            yield from pool.map(one, jobs)
    finally:
        for worker in team:
            worker.stop()


class _Worker:
    """A process that draws one job at a time."""

    def __init__(self) -> None:
        paths = [str(Path(perfkit.__file__).parents[1]), os.environ.get("PYTHONPATH", "")]
        self.process = subprocess.Popen(  # a fresh interpreter: no fork of a threaded process
            [sys.executable, "-P", "-m", "perfkit.show.stills"],
            env={
                **os.environ,
                "PYTHONPATH": os.pathsep.join(filter(None, paths)),
                "OPENBLAS_NUM_THREADS": "1",
            },
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            encoding="utf-8",
        )

    def draw(self, job: dict[str, Any]) -> None:
        assert self.process.stdin
        assert self.process.stdout
        try:
            self.process.stdin.write(json.dumps(job) + "\n")
            self.process.stdin.flush()
        except BrokenPipeError:
            pass
        if self.process.stdout.readline() != "done\n":
            raise PerfkitError(f"drawing {job['name']} failed; the error stands above")

    def stop(self) -> None:
        self.process.kill()
        self.process.communicate()


def _work() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent ends its workers itself
    for line in sys.stdin:
        draw_group(json.loads(line))
        print("done", flush=True)


if __name__ == "__main__":
    _work()
