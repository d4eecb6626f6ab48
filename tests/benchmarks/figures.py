"""How much faster figures are drawn than the plain way; run `python -m tests.benchmarks.figures`.

Ratios of one run on one machine, best of a few: stills in both sizes against laying out and saving
each size by itself, and clip frames against redrawing the whole figure.
"""

import json
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from perfkit.show.charts import CHARTS, averages, trace
from perfkit.show.motion_clips import build_up, run_trace
from perfkit.show.sidecar import sidecar, sidecar_text
from perfkit.show.stills import REPORT_SET, Job, draw_together
from perfkit.show.style import Page, house, pixels
from tests.show.chart_frames import FRAMES, named

PAGE = Page(
    price_date="2026-11-01",
    disclosure="All parts bought at retail.",
    currency="EUR",
    goals_fps=(30.0, 60.0, 120.0),
)
ROUNDS = 3


def best(work: Callable[[], object]) -> float:
    """Shortest of some runs, in seconds."""
    times = []
    for _ in range(ROUNDS):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


def stills() -> tuple[float, float]:
    """Seconds for every chart in both sizes: one after another, and as `write_figures` does it."""
    frames = {chart.NAME: FRAMES[chart.NAME](named("plain", 12)) for chart in CHARTS}
    with tempfile.TemporaryDirectory() as folder:

        def plainly() -> None:
            with house():
                for chart in CHARTS:
                    for look in REPORT_SET:
                        page = replace(PAGE, width=look.width, height=look.height)
                        figure = chart.draw(frames[chart.NAME], page)
                        figure.savefig(Path(folder, "plain.png"))

        def together() -> None:
            for chart in CHARTS:
                text = sidecar_text(sidecar(chart, frames[chart.NAME], PAGE, ()))
                Path(folder, f"{chart.NAME}.json").write_text(text, encoding="utf-8")
            jobs = [Job(chart.NAME, Path(folder), REPORT_SET) for chart in CHARTS]
            for _ in draw_together(jobs, 2):
                pass

        return best(plainly), best(together)


def clip_frames() -> dict[str, tuple[float, float]]:
    """Seconds a frame at 1080 x 1920: the whole figure again, and by compositing."""
    page = replace(PAGE, width=1080, height=1920, theme="dark", plate=0.92)
    found = {}
    with house():
        for chart, make in ((averages, build_up), (trace, run_trace)):
            data = FRAMES[chart.NAME](named("plain", 12))
            figure, clip = chart.draw(data, page), make(data, page)
            numbers = range(30, 60)
            cut = best(lambda clip=clip, numbers=numbers: [clip.frame(n) for n in numbers])
            again = best(lambda figure=figure: pixels(figure, page.width))
            found[chart.NAME] = (again, cut / len(numbers))
    return found


def main() -> None:
    """Print the ratios."""
    plain_s, together_s = stills()
    report = {"stills": {"plain_s": plain_s, "ours_s": together_s, "ratio": plain_s / together_s}}
    for name, (again, cut) in clip_frames().items():
        report[f"clip {name}"] = {"redraw_s": again, "ours_s": cut, "ratio": again / cut}
    print(json.dumps(report, indent=2))


if __name__ == "__main__":
    main()
