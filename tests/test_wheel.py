"""A plain install of the core alone does the main job, outside the tree."""

import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
EXTRAS = ("jupyterlab", "anywidget", "ipywidgets", "nbclient", "nbformat", "distributed", "dask")


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with the unpacked wheel and nothing of the extras importable."""
    place = tmp_path_factory.mktemp("wheel")
    build = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(place)]
    done = subprocess.run(build, cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    (wheel,) = place.glob("*.whl")
    site = place / "site"
    with zipfile.ZipFile(wheel) as packed:
        packed.extractall(site)
    blocked = "\n".join(f"sys.modules[{name!r}] = None" for name in EXTRAS)
    (site / "sitecustomize.py").write_text(f"import sys\n{blocked}\n", encoding="utf-8")
    return site


def run(site: Path, folder: Path, *words: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "perfkit", *map(str, words)],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(site)},
        capture_output=True,
        text=True,
    )


def test_the_wheel_is_the_package_that_runs(installed: Path, tmp_path: Path) -> None:
    code = "import perfkit; print(perfkit.__file__)"
    done = subprocess.run(
        [sys.executable, "-c", code],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(installed)},
        capture_output=True,
        text=True,
    )
    assert Path(done.stdout.strip()).is_relative_to(installed), done.stderr


def test_notebooks_and_demo_travel(installed: Path) -> None:
    mine = {path.name for path in (ROOT / "notebooks").glob("*.ipynb")}
    assert mine
    assert {path.name for path in (installed / "perfkit" / "notebooks").glob("*.ipynb")} == mine
    assert (installed / "perfkit" / "demo" / "study.toml").is_file()


def test_the_core_reports_predicts_scores_and_compares(installed: Path, tmp_path: Path) -> None:
    demo = installed / "perfkit" / "demo"
    for words in (
        ("report", demo, "--out", "out"),
        ("predict", demo, "--targets", demo / "targets.csv", "--out", "asked.csv"),
        ("score", demo),
        ("changes", "out", "out"),
    ):
        done = run(installed, tmp_path, *words)
        assert done.returncode == 0, done.stderr
        assert done.stdout
    assert (tmp_path / "out" / "report.html").stat().st_size > 10_000


def test_notebooks_without_their_extra_name_it(installed: Path, tmp_path: Path) -> None:
    demo = installed / "perfkit" / "demo"
    done = run(installed, tmp_path, "notebooks", demo, "--out", "books")
    assert done.returncode == 2
    assert "lab" in done.stderr
    assert "Traceback" not in done.stderr
    assert not (tmp_path / "books").exists()


def test_a_cluster_without_its_extra_names_it(installed: Path, tmp_path: Path) -> None:
    demo = installed / "perfkit" / "demo"
    done = run(
        installed, tmp_path, "report", demo, "--out", "out", "--scheduler", "tcp://localhost:1"
    )
    assert done.returncode == 2
    assert "cluster" in done.stderr
