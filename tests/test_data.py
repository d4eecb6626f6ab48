"""The two data folders: what they promise, and that nobody edited what a program wrote."""

import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import perfkit as pk
from perfkit.study import Study

DATA = Path(__file__).parents[1] / "data"
DEMO = DATA / "demo"
STUDIES = ["demo", "measured", "measured/long"]


@pytest.fixture(scope="module", params=STUDIES)
def study(request: pytest.FixtureRequest) -> Study:
    return pk.load_study(DATA / request.param)


@pytest.fixture(scope="module")
def demo() -> Study:
    return pk.load_study(DEMO)


@pytest.fixture(scope="module")
def passes(demo: Study) -> pd.DataFrame:
    return pk.summarize_passes(demo)


@pytest.fixture(scope="module")
def again(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Run the generator into an empty folder."""
    folder = tmp_path_factory.mktemp("demo")
    command = [sys.executable, str(DEMO / "make_demo.py"), "--into", str(folder)]
    subprocess.run(command, check=True, capture_output=True, timeout=300)
    return folder


def tables(folder: Path) -> list[Path]:
    return sorted([*folder.glob("*.csv"), folder / "study.toml"])


def test_the_generator_writes_the_same_texts_byte_by_byte(again: Path) -> None:
    assert [path.name for path in tables(again)] == [path.name for path in tables(DEMO)]
    for path in tables(again):
        assert path.read_bytes() == (DEMO / path.name).read_bytes(), path.name


def test_the_generator_writes_the_same_frame_times(again: Path) -> None:
    """Another NumPy or processor may round a last digit; a microsecond in 0.1 % is allowed."""
    new, kept = (pd.read_parquet(folder / "frames.parquet") for folder in (again, DEMO))
    assert new["pass_id"].tolist() == kept["pass_id"].tolist()
    off = (new["frame_us"] - kept["frame_us"]).abs()
    assert off.max() <= 1
    assert (off > 0).mean() < 1e-3
    logs = sorted(path.name for path in (again / "logs").iterdir())
    assert logs == sorted(path.name for path in (DEMO / "logs").iterdir())
    for name in logs:
        one, other = (pd.read_csv(folder / "logs" / name) for folder in (again, DEMO))
        assert one.columns.tolist() == other.columns.tolist() == ["frame_us"]
        assert (one["frame_us"] - other["frame_us"]).abs().max() <= 1


def test_every_column_is_in_the_glossary(study: Study) -> None:
    folder = study.path
    readme = folder / "README.md"
    text = (readme if readme.exists() else folder.parent / "README.md").read_text(encoding="utf-8")
    assert "no rights reserved" in text
    listed = set(re.findall(r"\w+", text))
    whole = set(re.findall(r"(\w+\.csv) \| all", text))
    for path in folder.glob("*.csv"):
        if path.name not in whole:
            header = path.read_text(encoding="utf-8").splitlines()[0].split(",")
            assert set(header) <= listed, path.name


def test_the_demo_says_that_it_is_invented_and_stays_small(demo: Study) -> None:
    assert "made up" in (DEMO / "README.md").read_text(encoding="utf-8")
    assert "nvented" in demo.settings.disclosure
    assert "Truth" in (DEMO / "make_demo.py").read_text(encoding="utf-8")
    assert sum(path.stat().st_size for path in DEMO.rglob("*")) <= 5_000_000


def test_the_demo_has_a_market_to_decide_in(demo: Study, passes: pd.DataFrame) -> None:
    ran = passes[passes["outcome"] == "ran"]
    assert ran["workload"].nunique() == 12
    assert ran["gpu"].nunique() == 10
    assert set(demo.gpus["gpu"]) - set(passes["gpu"]) == {"Tureen", "Drophammer"}
    assert ran["system"].nunique() >= 5
    assert set(demo.gpus["kind"]) == {"integrated", "discrete"}
    assert demo.builds["build"].nunique() >= 5
    span = demo.prices["date"].max() - demo.prices["date"].min()
    assert span >= pd.Timedelta(days=30 * 17)
    assert {"shop", "asked", "sold"} <= set(demo.prices["listing"])
    assert demo.prices["currency"].nunique() == 2
    assert len(demo.claims) >= 9
    native = ran[(ran["generated_per_drawn"] == 0) & (ran["source"] == "own")]
    keys = ["system", "gpu", "workload", "width", "height", "render_scale"]
    assert demo.targets.merge(native[keys], on=keys).empty


def test_the_demo_has_every_frame_of_three_passes_a_cell(passes: pd.DataFrame) -> None:
    own = passes[(passes["source"] == "own") & (passes["outcome"] == "ran")]
    assert own["frames"].min() >= 1500
    assert (own["frames"] > 10_000).sum() >= 3
    keys = ["system", "gpu", "workload", "width", "render_scale", "generated_per_drawn", "driver"]
    # The pass that crashed on Tealight was not repeated.
    assert own.groupby(keys).size().value_counts().to_dict().keys() <= {2, 3}
    assert (own.groupby(keys).size() == 2).sum() == 1


def test_the_demo_is_plausible(passes: pd.DataFrame) -> None:
    """Facts of the trade (common practice, no source; wide tolerances)."""
    main = passes[(passes["system"] == "workbench") & (passes["gpu"] == "Stovepipe")]
    full = main[(main["width"] == 1920) & (main["render_scale"] == 1)]
    fps = full.groupby("workload")["avg_fps"].median()
    # A small integrated GPU at 1080p: heavy games at tens of FPS, light ones well over a hundred.
    assert (
        fps[["Umber Orchard, low", "Undermoss, high", "Ostler's Reach, low"]].between(25, 45).all()
    )
    assert fps[["Quickmarl, competitive", "Tock and Tumble, medium"]].between(120, 250).all()
    # A linear scale of 0.6 gains far less than the pixel ratio of 2.8.
    scaled = main[main["render_scale"] == 0.6].groupby("workload")["avg_fps"].median()
    gain = scaled / fps[scaled.index]
    assert gain.between(1.3, 2.3).all()
    # One generated frame after each drawn one: shows twice what it draws, draws fewer than without.
    skillet = passes[(passes["gpu"] == "Skillet") & (passes["workload"] == "Murmur Relay, medium")]
    skillet = skillet[skillet["width"] == 1920]
    drawn = skillet.groupby("generated_per_drawn")["avg_fps"].median()
    assert drawn[1] < drawn[0]
    shown = skillet.loc[skillet["generated_per_drawn"] == 1]
    assert np.allclose(shown["shown_fps"], 2 * shown["avg_fps"], rtol=1e-9)
    # 1 % lows lie below the average by a quarter or so.
    low = (passes["low_1pct_fps"] / passes["avg_fps"])[passes["cap_fps"].isna()]
    assert low.median() == pytest.approx(0.8, abs=0.08)


def test_memory_configuration_is_told_apart(demo: Study, passes: pd.DataFrame) -> None:
    one = demo.systems.set_index("system")
    assert one.loc["workbench-default", "ram_mtps"] < one.loc["workbench-default", "ram_rated_mtps"]
    keys = ["Velm Circuit, low", "Ostler's Reach, low", "Gullwake, medium"]
    own = passes[(passes["gpu"] == "Stovepipe") & (passes["width"] == 1920)]
    own = own[(own["render_scale"] == 1) & own["workload"].isin(keys)]
    fps = own.pivot_table(index="workload", columns="system", values="avg_fps")
    assert (fps["workbench-default"] < 0.97 * fps["workbench"]).all()
    assert (fps["workbench-one-module"] < 0.85 * fps["workbench"]).all()


def test_the_measured_sets_hold_what_their_readme_counts() -> None:
    for name, count, frames in (("measured", 1008, 94_538), ("measured/long", 108, 123_760)):
        folder = DATA / name
        study = pk.load_study(folder)
        times = pd.read_parquet(folder / "frames.parquet")
        assert len(study.passes) == count
        assert len(times) == frames
        assert times["frame_ms"].dtype == np.float32
        assert times["pass_id"].drop_duplicates().tolist() == study.passes["pass_id"].tolist()


def test_the_converter_needs_matching_files(tmp_path: Path) -> None:
    (tmp_path / "passes.csv").write_text("pass_id,order\n", encoding="utf-8")
    command = [sys.executable, str(DATA / "measured" / "convert.py"), str(tmp_path)]
    done = subprocess.run(
        [*command, "--into", str(tmp_path / "out")], capture_output=True, timeout=120
    )
    assert done.returncode != 0
    assert not (tmp_path / "out" / "frames.parquet").exists()
