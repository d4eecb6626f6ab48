"""How much faster a whole report is than the plain way; run `python -m tests.benchmarks.report`.

Both start a fresh Python, read the demo study and analyse it. The plain way then writes the tables,
draws every figure in each size one after another with the drawing library's own file writer, and
writes the page. Ratios of one run on one machine, best of a few, the two in turn: of wall time, and
of processor time along the longer of our two processes, which other work on the machine does not
stretch. `models` is what both spend alike on measuring, fitting, leaving out and deciding.

Asked is 2.5; a calm machine (load 1; 2026-11-26) gave 4.6 s of processor time along the longer
process against 12.0, a ratio of 2.60; of wall time, in which each of ours also loads its libraries
beside the other, 5.1 s against 11.9, a ratio of 2.35. The processor's ratio was 2.25 before
pictures were compressed by zlib-ng (a quarter of the time), Python looked for unused objects more
seldom, scipy.optimize was not loaded, text of small frames was Python's own, and the decisions
worked on rows. Our second process never waits once it has loaded, so that what is left to win is
work. The stages before the figures, `models`, are 24 % of the plain way (a quarter is asked).

`price_edit_share` is the processor time, children counted, of a report over the one before it once
a price has moved, over that of a report from nothing: 0.29 (a third is asked).
"""

import json
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

ROUNDS = 3


def plainly(study_path: str, folder: str) -> None:
    """Make tables, figures and page of a study the plain way, and say what each stage took."""
    import pandas as pd

    import perfkit as pk
    from perfkit.progress import QUIET
    from perfkit.show.charts import CHARTS
    from perfkit.show.layout import NothingToShow
    from perfkit.show.report import write_report
    from perfkit.show.stills import REPORT_SET, Still, study_page
    from perfkit.show.style import house
    from perfkit.show.tables import all_tables, write_tables

    pd.set_option("mode.string_storage", "python")  # as the command does
    out = Path(folder)
    loaded = time.process_time()
    analysis = pk.analyse(pk.load_study(study_path), progress=QUIET)
    all_tables(analysis), analysis.model.errors
    analysed = time.process_time()
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
    print(json.dumps({"cpu": time.process_time(), "models": analysed - loaded}))


def ours(study: str, out: str) -> None:
    """Write the report as the command does, and say what its two processes spent each."""
    from perfkit.cli import main as command

    code = command(["report", study, "--out", out])
    spent = resource.getrusage(resource.RUSAGE_CHILDREN)
    beside = spent.ru_utime + spent.ru_stime
    longer = max(time.process_time(), beside)
    print(json.dumps({"cpu": longer, "beside": beside, "status": code}))


def seconds_of(which: str, study: str) -> dict[str, float]:
    """Wall and processor seconds of one run of a fresh Python."""
    with tempfile.TemporaryDirectory() as folder:
        out = folder if which == "plain" else str(Path(folder, "out"))
        start = time.perf_counter()
        words = [sys.executable, "-m", "tests.benchmarks.report", which, study, out]
        done = subprocess.run(words, check=True, capture_output=True, text=True)
        took = time.perf_counter() - start
    return {"wall": took, **json.loads(done.stdout.splitlines()[-1])}


def spent_on(words: list[str]) -> float:
    """Processor seconds of a command and of the processes that it starts."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run([sys.executable, "-m", "perfkit", *words], check=True, capture_output=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def price_edit_share() -> float:
    """Processor time of a report after a price edit over that of the whole report."""
    import pandas as pd

    from perfkit.study.demo import find_demo

    with tempfile.TemporaryDirectory() as folder:
        study, out = Path(folder, "study"), Path(folder, "out")
        shutil.copytree(find_demo(), study)
        words = ["report", str(study), "--out", str(out)]
        whole = spent_on(words)
        builds = pd.read_csv(study / "builds.csv", dtype=str)
        prices = pd.read_csv(study / "prices.csv", dtype=str, keep_default_na=False)
        bought = prices.index[prices["item"].isin(builds["item"])]
        prices["price"] = prices["price"].where(
            prices.index != bought[-1], (prices["price"].astype(float) + 1).round(2).astype(str)
        )
        prices.to_csv(study / "prices.csv", index=False)
        return spent_on(words) / whole


def main() -> None:
    """Print the ratios."""
    from perfkit.study.demo import find_demo

    study, runs = str(find_demo()), []
    for _ in range(ROUNDS):
        runs += [{"which": which, **seconds_of(which, study)} for which in ("ours", "plain")]
    best = {
        f"{which}_{what}_s": min(run[what] for run in runs if run["which"] == which)
        for which in ("plain", "ours")
        for what in ("wall", "cpu")
    }
    models = min(run["models"] for run in runs if run["which"] == "plain")
    ratios = {
        f"{what}_ratio": best[f"plain_{what}_s"] / best[f"ours_{what}_s"]
        for what in ("wall", "cpu")
    }
    edit = {"price_edit_share": min(price_edit_share() for _ in range(ROUNDS))}
    print(json.dumps({**best, "models_cpu_s": models, **ratios, **edit}, indent=2))


if __name__ == "__main__":
    if len(sys.argv) == 4:
        {"plain": plainly, "ours": ours}[sys.argv[1]](sys.argv[2], sys.argv[3])
    else:
        main()
