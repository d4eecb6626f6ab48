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


def convert(source: Path, into: Path) -> subprocess.CompletedProcess[bytes]:
    command = [sys.executable, str(DATA / "measured" / "convert.py"), str(source)]
    return subprocess.run([*command, "--into", str(into)], capture_output=True, timeout=120)


def write_source(folder: Path, *, cap_fps: bool, lost_frame: bool = False) -> np.ndarray:
    """Write what the measuring program would write for two passes on two devices."""
    folder.mkdir()
    passes = pd.DataFrame(
        {
            "pass_id": [2, 1],
            "order": [0, 1],
            "card": "card-a",
            "device": ["card-a-032u", "card-a-016u"],
            "compute_units": [32, 16],
            "competing_units": 0,
            "lanes_per_unit": 128,
            "clock_mhz": 1980,
            "copy_bandwidth_gbps": [1640.4, 966.7],
            "scene": ["harbor", "arena"],
            "width": 1280,
            "height": 720,
            "repeat": 1,
            "frames": [3, 2],
            "mean_power_w": [200.5, 150.0],
            "mean_temperature_c": 40.0,
        }
    )
    if cap_fps:
        passes["cap_fps"] = [np.nan, 60.0]
    passes.to_csv(folder / "passes.csv", index=False)
    times = np.array([1.5, 0.1, 2.25, 7.3, 7.1], dtype=np.float32)
    frames = pd.DataFrame({"pass_id": [1, 1, 2, 2, 2], "frame": [0, 1, 0, 1, 2], "frame_ms": times})
    frames.iloc[: len(frames) - lost_frame].to_parquet(folder / "frames.parquet")
    return times


def test_the_converter_keeps_every_bit_and_the_order_of_the_passes(tmp_path: Path) -> None:
    source, into = tmp_path / "source", tmp_path / "out"
    times = write_source(source, cap_fps=False)
    write_source(source / "long", cap_fps=True)
    done = convert(source, into)
    assert done.returncode == 0, done.stderr
    study, long = pk.load_study(into), pk.load_study(into / "long")
    assert study.passes["pass_id"].tolist() == ["2", "1"]
    assert study.gpus["gpu"].tolist() == ["card-a-016u", "card-a-032u"]
    assert study.gpus["bandwidth_gb_s"].tolist() == [966.7, 1640.4]
    frames = pd.read_parquet(into / "frames.parquet")
    assert frames["pass_id"].tolist() == ["2", "2", "2", "1", "1"]
    assert frames["frame_ms"].to_numpy().tobytes() == times[[2, 3, 4, 0, 1]].tobytes()
    found = pk.summarize_passes(study)["avg_fps"].to_numpy()
    assert found == pytest.approx([3000 / (2.25 + 7.3 + 7.1), 2000 / 1.6], rel=1e-6)
    assert long.passes["cap_fps"].tolist() == pytest.approx([np.nan, 60.0], nan_ok=True)


def test_the_converter_refuses_a_pass_with_a_lost_frame(tmp_path: Path) -> None:
    source = tmp_path / "source"
    write_source(source, cap_fps=False, lost_frame=True)
    done = convert(source, tmp_path / "out")
    assert done.returncode != 0
    assert b"pass 2: frames are not 0 .. 2" in done.stderr
    assert not (tmp_path / "out" / "frames.parquet").exists()
