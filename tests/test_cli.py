"""The commands as a person types them, each in a process of its own."""

import shutil
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest

ROOT = Path(__file__).resolve().parents[1]
DEMO = ROOT / "data" / "demo"
PINNED = {
    "predictions": (
        "system gpu workload width height render_scale fps pred_low pred_high level low_1pct_fps "
        "inside_range left_range limited_by model reason"
    ),
    "value": (
        "build price currency price_date basis fps fps_low fps_high cost_per_frame cost_low "
        "cost_high on_frontier"
    ),
    "passes": (
        "pass_id system gpu workload width height frames seconds avg_fps low_1pct_fps "
        "low_01pct_fps slowest_1pct_mean_fps hitches_per_min pacing_ms flags"
    ),
    "upgrades": (
        "from_build to_build added_cost fps_from fps_to added_fps added_low added_high "
        "cost_per_added_frame cost_low cost_high break_even_price goes_together reason"
    ),
}


def perfkit(*words: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "perfkit", *map(str, words)],
        capture_output=True,
        text=True,
        cwd=ROOT,
    )


def contents(folder: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.fixture(scope="module")
def demo_report(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    out = tmp_path_factory.mktemp("report") / "out"
    done = perfkit("report", DEMO, "--out", out)
    assert done.returncode == 0, done.stderr
    return out, done.stdout


@pytest.mark.parametrize("name", PINNED)
def test_pinned_tables_have_rows_and_columns_in_order(
    name: str, demo_report: tuple[Path, str]
) -> None:
    out, _ = demo_report
    table = pd.read_csv(out / "tables" / f"{name}.csv")
    pinned = PINNED[name].split()
    assert list(table.columns[: len(pinned)]) == pinned
    assert len(table) > 0


def test_report_says_where_it_is_and_what_matters(demo_report: tuple[Path, str]) -> None:
    out, said = demo_report
    assert str(out / "report.html") in said
    assert "Lowest cost per frame" in said
    assert "nine in ten" in said


def test_same_study_same_bytes(demo_report: tuple[Path, str], tmp_path: Path) -> None:
    out, _ = demo_report
    again = tmp_path / "elsewhere" / "again"
    again.parent.mkdir()
    done = perfkit("report", DEMO, "--out", again)
    assert done.returncode == 0, done.stderr
    assert contents(again) == contents(out)


def test_predict_writes_one_row_for_each_target_in_order(tmp_path: Path) -> None:
    out = tmp_path / "predictions.csv"
    done = perfkit("predict", DEMO, "--targets", DEMO / "targets.csv", "--out", out)
    assert done.returncode == 0, done.stderr
    keys = ["system", "gpu", "workload", "width", "height"]
    asked = pd.read_csv(DEMO / "targets.csv", dtype=str, keep_default_na=False)[keys]
    got = pd.read_csv(out, dtype=str, keep_default_na=False)
    assert got[keys].equals(asked)
    assert list(got.columns[:16]) == PINNED["predictions"].split()
    assert (got["fps"] != "").any()
    assert ((got["fps"] != "") | (got["reason"] != "")).all()


def test_check_finds_nothing_wrong_with_the_demo() -> None:
    done = perfkit("check", DEMO)
    assert (done.returncode, "no problems" in done.stdout) == (0, True), done.stderr


def test_a_missing_folder_is_one_message(tmp_path: Path) -> None:
    done = perfkit("report", tmp_path / "nowhere", "--out", tmp_path / "out")
    assert done.returncode == 1
    assert "nowhere" in done.stderr
    assert "Traceback" not in done.stderr
    assert not (tmp_path / "out").exists()


def test_every_problem_is_named_and_nothing_written(tmp_path: Path) -> None:
    study = tmp_path / "study"
    shutil.copytree(DEMO, study)
    systems = study / "systems.csv"
    systems.write_text(systems.read_text().replace("\n", "\nloose,", 1), encoding="utf-8")
    gpus = pd.read_csv(study / "gpus.csv", dtype=str, keep_default_na=False)
    gpus.loc[0, "kind"] = "glued"
    gpus.to_csv(study / "gpus.csv", index=False)
    done = perfkit("report", study, "--out", tmp_path / "out")
    assert done.returncode == 1
    assert "gpus.csv, line 2, kind: found 'glued'" in done.stderr
    assert "systems.csv" in done.stderr
    assert "Traceback" not in done.stderr
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("command", ["report", "figures", "notebooks"])
def test_out_never_takes_the_study_or_another_folder(command: str, tmp_path: Path) -> None:
    study = tmp_path / "study"
    shutil.copytree(DEMO, study)
    before = contents(study)
    other = tmp_path / "holiday"
    other.mkdir()
    (other / "photo.txt").write_text("mine")
    for out in (study, study / "out", tmp_path, other):
        done = perfkit(command, study, "--out", out)
        assert done.returncode == 2, done.stderr
        assert "Traceback" not in done.stderr
        assert str(out) in done.stderr
    assert contents(study) == before
    assert contents(other) == {"photo.txt": b"mine"}


def test_wrong_words_exit_with_two() -> None:
    done = perfkit("reprot", DEMO)
    assert done.returncode == 2
    assert "invalid choice" in done.stderr


def test_a_closed_pipe_prints_no_traceback() -> None:
    command = f"{sys.executable} -m perfkit check {DEMO} | true"
    done = subprocess.run(["bash", "-c", command], capture_output=True, text=True, cwd=ROOT)
    assert "Traceback" not in done.stderr
