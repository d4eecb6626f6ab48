"""How much faster figures are drawn than the plain way; run `python -m tests.benchmarks.figures`.

Ratios of one run on one machine, best of a few: stills in both sizes against laying out and saving
each size by itself, and clip frames against redrawing the whole figure.
"""

import json
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path

from perfkit.show.charts import CHARTS, averages, cost, trace
from perfkit.show.drawing import Job
from perfkit.show.motion import Clip
from perfkit.show.motion_clips import build_up, run_trace
from perfkit.show.motion_encode import write_mov
from perfkit.show.png import write_png
from perfkit.show.second_process import Second, second_drawer
from perfkit.show.sidecar import sidecar, sidecar_text
from perfkit.show.stills import REPORT_SET, Easel
from perfkit.show.style import Page, house, pixels
from tests.show.chart_frames import FRAMES, named

PAGE = Page(
    price_date="2026-11-01",
    disclosure="All parts bought at retail.",
    currency="EUR",
    goals_fps=(30.0, 60.0, 120.0),
)
ROUNDS = 3


def in_turn(**works: Callable[[], object]) -> dict[str, float]:
    """Shortest of some runs of each, in seconds, the runs taking turns."""
    times: dict[str, list[float]] = {name: [] for name in works}
    for _ in range(ROUNDS):
        for name, work in works.items():
            start = time.perf_counter()
            work()
            times[name].append(time.perf_counter() - start)
    return {name: min(took) for name, took in times.items()}


def stills() -> dict[str, float]:
    """Seconds for every chart in both sizes: one after another, and as a report draws them."""
    frames = {chart.NAME: FRAMES[chart.NAME](named("plain", 12)) for chart in CHARTS}
    with tempfile.TemporaryDirectory() as folder, second_drawer() as second:
        assert second is not None
        first = Job("cost", sidecar_text(sidecar(cost, frames["cost"], PAGE, ())), REPORT_SET)
        assert second.draw(first), "the second process does not draw"

        def plainly() -> None:
            with house():
                for chart in CHARTS:
                    for look in REPORT_SET:
                        page = replace(PAGE, width=look.width, height=look.height)
                        figure = chart.draw(frames[chart.NAME], page)
                        figure.savefig(Path(folder, "plain.png"))

        def together(second: Second | None) -> None:
            with Easel(Path(folder), 2, second) as easel:
                for chart in CHARTS:
                    text = sidecar_text(sidecar(chart, frames[chart.NAME], PAGE, ()))
                    Path(folder, f"{chart.NAME}.json").write_text(text, encoding="utf-8")
                    easel.add(Job(chart.NAME, text, REPORT_SET))
                for _ in easel.draw():
                    pass

        return in_turn(
            plain_s=plainly,
            one_process_s=partial(together, None),
            two_processes_s=partial(together, second),
        )


def clip_frames() -> dict[str, tuple[float, float]]:
    """Seconds a frame at 1080 x 1920: the whole figure again, and by compositing."""
    page = replace(PAGE, width=1080, height=1920, theme="dark", plate=0.92)
    found = {}
    with house():
        for chart, make in ((averages, build_up), (trace, run_trace)):
            data = FRAMES[chart.NAME](named("plain", 12))
            figure, clip = chart.draw(data, page), make(data, page)
            numbers = range(30, 60)
            took = in_turn(
                again=partial(pixels, figure, page.width), cut=partial(_cut, clip, numbers)
            )
            found[chart.NAME] = (took["again"], took["cut"] / len(numbers))
    return found


def vertical_clips() -> dict[str, float]:
    """Seconds for a clip of ten seconds at 1080 x 1920: drawn, encoded with alpha, a still."""
    page = replace(PAGE, width=1080, height=1920, theme="dark", plate=0.92)
    found = {}
    with tempfile.TemporaryDirectory() as folder:
        for chart, make in ((averages, build_up), (trace, run_trace)):
            start = time.perf_counter()
            with house():
                clip = make(FRAMES[chart.NAME](named("plain", 12)), page)
            write_mov(Path(folder, "clip.mov"), clip.runs(), page.width, page.height)
            write_png(Path(folder, "clip.png"), clip.done)
            found[f"whole clip {chart.NAME}, s"] = time.perf_counter() - start
    return found


def _cut(clip: Clip, numbers: range) -> None:
    for number in numbers:
        clip.frame(number)


def main() -> None:
    """Print the ratios."""
    drawn = stills()
    ratio = drawn["plain_s"] / drawn["two_processes_s"]
    report = {"stills": {**drawn, "ratio": ratio}}
    for name, (again, cut) in clip_frames().items():
        report[f"clip {name}"] = {"redraw_s": again, "ours_s": cut, "ratio": again / cut}
    print(json.dumps({**report, **vertical_clips()}, indent=2))


if __name__ == "__main__":
    main()
