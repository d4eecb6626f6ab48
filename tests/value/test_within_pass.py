"""Ranges of what was run once: from its own frames alone, and saying so."""

from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from perfkit.frames.dependence import FEWEST_VALUES, halvings_for
from perfkit.study import Study, load_study
from perfkit.value.within_pass import BASIS, _ranges, block_frames, within_pass_table
from tests.value.market import TOML, market, summary, write_csv

LOGS = '[logs]\nframe_time_column = "t"\nframe_time_unit = "ms"'


def logged(folder: Path, frames: int, passes: dict[str, int]) -> tuple[Study, dict]:
    """Write a market whose passes on Ember are logs; the number of passes is given by game."""
    market(folder)
    (folder / "study.toml").write_text(TOML.format(currency="EUR", more=LOGS), "utf-8")
    rng, rows, traces = np.random.default_rng(5), [], {}
    for game, count in passes.items():
        for number in range(count):
            name = f"{game} {number}"
            traces[name] = rng.lognormal(3.0, 0.2, frames)
            write_csv(folder / f"{name}.csv", [{"t": repr(float(t))} for t in traces[name]])
            rows.append({"pass_id": name, "system": "bench", "gpu": "Ember", "workload": game,
                         "width": 1920, "height": 1080, "log": f"{name}.csv"})  # fmt: skip
    write_csv(folder / "passes.csv", rows)
    return load_study(folder), traces


def test_only_what_was_run_once_and_its_basis_says_so(tmp_path: Path) -> None:
    study, traces = logged(tmp_path, 1500, {"Fen": 1, "Moor": 2})
    found = within_pass_table(study, summary(study))
    assert found["workload"].tolist() == ["Fen"]
    row, times = found.iloc[0], traces["Fen 0"]
    assert row["basis"] == BASIS == "within one pass: spread between passes not included"
    assert row["avg_fps"] == pytest.approx(1000 * len(times) / times.sum(), rel=1e-9)
    assert row["low_1pct_fps"] == pytest.approx(1000 / np.quantile(times, 0.99), rel=1e-9)
    assert row["low_1pct_low"] < row["low_1pct_fps"] < row["low_1pct_high"]


def test_range_of_the_average_is_that_of_independent_frames(tmp_path: Path) -> None:
    """Frames without memory: half-width 1.645 SD / sqrt(n); 15 % for 1,000 resamples and blocks."""
    study, traces = logged(tmp_path, 2000, {"Fen": 1})
    row, times = within_pass_table(study, summary(study)).iloc[0], traces["Fen 0"]
    expected = 1.645 * times.std() / times.mean() / np.sqrt(len(times))
    half = np.log(row["avg_high"] / row["avg_low"]) / 2
    assert_allclose(half, expected, rtol=0.15)


def test_short_pass_has_no_low_and_says_why(tmp_path: Path) -> None:
    study, _ = logged(tmp_path, 400, {"Fen": 1})
    row = within_pass_table(study, summary(study)).iloc[0]
    assert np.isnan(row[["low_1pct_fps", "low_1pct_low", "low_1pct_high"]].astype(float)).all()
    assert row["reason"] == "400 frames: no 1 % low"


def test_without_frame_times_there_is_no_row(tmp_path: Path) -> None:
    study = market(tmp_path)
    assert within_pass_table(study, summary(study)).empty


def test_frames_that_follow_each_other_make_longer_blocks() -> None:
    noise = np.random.default_rng(2).normal(0, 1, 4000)
    slow = np.convolve(noise, np.ones(40) / 40, mode="valid")
    assert block_frames(20 + slow) > 3 * block_frames(20 + noise)
    assert block_frames(np.full(100, 10.0)) == 1


def test_a_pass_of_a_thousand_frames_has_a_low_and_one_frame_fewer_has_none() -> None:
    """Even frames of 10 ms are 100 FPS whatever is drawn; 11 of 1,000 at 40 ms are a low of 25."""
    frames, block, *numbers, basis, level, reason = _ranges(np.full(999, 10.0))
    assert (frames, block, basis, level) == (999, 1 << halvings_for(999), BASIS, 0.9)
    assert_allclose(numbers, [100.0] * 3 + [np.nan] * 3, rtol=1e-12)
    assert reason == "999 frames: no 1 % low"
    *rest, _, _, reason = _ranges(np.full(1000, 10.0))
    assert rest[:2] == [1000, 1 << halvings_for(1000)]
    assert_allclose(rest[2:], [100.0] * 6, rtol=1e-12)
    assert reason == ""
    times = np.where(np.arange(1000) < 11, 40.0, 10.0)
    found = _ranges(times)
    assert_allclose(found[2], 1000 / times.mean(), rtol=1e-12)
    assert_allclose(found[5], 25.0, rtol=1e-12)


def test_a_block_is_no_longer_than_the_pass() -> None:
    rising = np.linspace(10.0, 20.0, 40)
    assert block_frames(rising) <= 40
    noise = np.random.default_rng(4).normal(10, 1, 40)
    assert 1 <= block_frames(noise) < 40


def test_what_is_compared_comes_first_and_sixteen_frames_are_enough(tmp_path: Path) -> None:
    """Of three games run once, Fen at another size; Moor has 16 frames and Tarn 15."""
    study, traces = logged(tmp_path, 20, {"Fen": 1, "Moor": 1, "Tarn": 1})
    for name, frames in (("Moor 0", FEWEST_VALUES), ("Tarn 0", FEWEST_VALUES - 1)):
        rows = [{"t": repr(float(t))} for t in traces[name][:frames]]
        write_csv(tmp_path / f"{name}.csv", rows)
    passes = (tmp_path / "passes.csv").read_text().replace("Fen,1920,1080", "Fen,2560,1440")
    (tmp_path / "passes.csv").write_text(passes)
    study = load_study(tmp_path)
    found = within_pass_table(study, summary(study))
    assert found["workload"].tolist() == ["Moor", "Fen"]
    assert found["frames"].tolist() == [16, 20]
    assert found["reason"].tolist() == ["16 frames: no 1 % low", "20 frames: no 1 % low"]
