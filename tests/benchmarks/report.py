"""How much faster a whole report is than the plain way; run `python -m tests.benchmarks.report`.

Both start a fresh Python, read the demo study and analyse it. The plain way then writes the tables,
draws every figure in each size one after another with the drawing library's own file writer, and
writes the page. Ratios of one run on one machine, best of a few, the two in turn.
"""

import json
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

from perfkit.progress import QUIET
from perfkit.study.demo import find_demo

ROUNDS = 3


def plainly(study_path: Path, out: Path) -> None:
    """Make tables, figures and page of a study the plain way, and say what each stage took."""
    start = time.perf_counter()
    import perfkit as pk
    from perfkit.show.charts import CHARTS
    from perfkit.show.layout import NothingToShow
    from perfkit.show.report import write_report
    from perfkit.show.stills import REPORT_SET, Still, study_page
    from perfkit.show.style import house
    from perfkit.show.tables import write_tables

    analysis = pk.analyse(pk.load_study(study_path), progress=QUIET)
    analysed = time.perf_counter()
    write_tables(analysis, out / "tables")
    (out / "figures").mkdir()
    page, drawn = study_page(analysis.study), []
    for chart in CHARTS:
        files = [look.file(chart.NAME) for look in REPORT_SET]
        try:
            for look, file in zip(REPORT_SET, files, strict=True):
                data = chart.data(analysis)
                with house():
                    shaped = replace(page, width=look.width, height=look.height)
                    chart.draw(data, shaped).savefig(out / "figures" / file)
        except NothingToShow:
            continue
        answer = chart.words(data, page).answer
        drawn.append(Still(chart.NAME, chart.TITLE, answer, tuple(files), ""))
    write_report(analysis, drawn, out / "report.html")
    seconds = {"analysis_s": analysed - start, "all_s": time.perf_counter() - start}
    print(json.dumps(seconds))


def seconds_of(*command: str) -> float:
    """Wall seconds of one run of a fresh Python."""
    start = time.perf_counter()
    subprocess.run([sys.executable, *command], check=True, capture_output=True)
    return time.perf_counter() - start


def main() -> None:
    """Print the ratio."""
    study, plain, ours = str(find_demo()), [], []
    for _ in range(ROUNDS):
        with tempfile.TemporaryDirectory() as folder:
            out = str(Path(folder, "out"))
            ours.append(seconds_of("-m", "perfkit", "report", study, "--out", out))
        with tempfile.TemporaryDirectory() as folder:
            plain.append(seconds_of("-m", "tests.benchmarks.report", study, folder))
    best = {"plain_s": min(plain), "ours_s": min(ours)}
    print(json.dumps({**best, "ratio": best["plain_s"] / best["ours_s"]}, indent=2))


if __name__ == "__main__":
    if len(sys.argv) == 3:
        plainly(Path(sys.argv[1]), Path(sys.argv[2]))
    else:
        main()
