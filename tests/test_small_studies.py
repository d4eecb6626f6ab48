"""Studies that hold next to nothing go the whole road and say what is missing."""

import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest

TABLES = ("predictions", "value", "passes", "upgrades")
FILES = {
    "study.toml": 'currency = "USD"\nprice_date = 2026-11-01\ntargets_fps = [30, 60]\n'
    'title = "Five passes"\n',
    "gpus.csv": "gpu,kind,compute_units,lanes_per_unit,clock_mhz\nigp,integrated,8,64,2400\n"
    "NA,discrete,20,64,2400\n007,discrete,30,64,2400\n",
    "systems.csv": "system\n1.0\n",
    "workloads.csv": 'workload\n"=cmd()"\ninf\n',
}
PASSES = "pass_id,system,gpu,workload,width,height,avg_fps\n"
ONE_GPU = PASSES + "1,1.0,igp,inf,1920,1080,40\n"
TWO_GPUS = (
    PASSES + "1,1.0,igp,inf,1920,1080,40\n2,1.0,igp,=cmd(),1920,1080,60\n"
    "3,1.0,NA,inf,1920,1080,90\n4,1.0,NA,=cmd(),1920,1080,130\n5,1.0,igp,inf,1920,1080,41\n"
)


def report(study: Path, passes: str) -> Path:
    study.mkdir()
    for name, text in {**FILES, "passes.csv": passes}.items():
        (study / name).write_text(text, encoding="utf-8")
    out = study.parent / "out"
    done = subprocess.run(
        [sys.executable, "-m", "perfkit", "report", str(study), "--out", str(out)],
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr
    return out


@pytest.mark.parametrize("passes", [ONE_GPU, TWO_GPUS], ids=["one pass", "two GPUs"])
def test_every_pinned_table_and_the_page_are_written(passes: str, tmp_path: Path) -> None:
    out = report(tmp_path / "study", passes)
    for name in TABLES:
        assert (out / "tables" / f"{name}.csv").is_file()
    assert (out / "report.html").is_file()
    kept = pd.read_csv(out / "tables" / "passes.csv", dtype=str, keep_default_na=False)
    assert set(kept["system"]) == {"1.0"}
    assert len(kept) == passes.count("\n") - 1


LATER = """
import sys, time_machine
from perfkit.cli import main
with time_machine.travel("2028-11-27T10:00:00+00:00"):
    sys.exit(main(["report", sys.argv[1], "--out", sys.argv[2]]))
"""


def test_two_years_later_the_same_bytes_and_a_notice(tmp_path: Path) -> None:
    now, later = report(tmp_path / "study", TWO_GPUS), tmp_path / "later"
    done = subprocess.run(
        [sys.executable, "-c", LATER, str(tmp_path / "study"), str(later)],
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr
    assert "notice: price_date 2026-11-01 is 757 days ago" in done.stderr
    files = [path.relative_to(now) for path in sorted(now.rglob("*")) if path.is_file()]
    assert len(files) > 10
    assert [
        str(file) for file in files if (now / file).read_bytes() != (later / file).read_bytes()
    ] == []
