"""Energy of builds whose passes differ in power, speed, place of measuring and size, by hand."""

from pathlib import Path

import numpy as np
from numpy.testing import assert_allclose

from perfkit.study import Study
from perfkit.value.energy import MIXED, PACKAGE, WALL, energy_table
from tests.value.market import build, market, runs, summary

TOML = "tariff_per_kwh = 0.36\nhours_per_week = 5"


def powered(gpu: str, game: str, *cells: tuple[float, float], **more: object) -> list[dict]:
    return [
        row | {"power_w": watts} for watts, fps in cells for row in runs(gpu, {game: [fps]}, **more)
    ]


def study_of(folder: Path, passes: list[dict], toml: str = TOML) -> Study:
    builds = build("first", "Birch") + build("second", "Ember") + build("third", "Alder")
    told = [row | {"pass_id": f"p{turn}"} for turn, row in enumerate(passes)]
    return market(folder, toml=toml, passes=told, builds=builds)


def test_energy_by_game_and_in_equal_hours_of_each(tmp_path: Path) -> None:
    """Fen: 90 and 110 W are 100 W, 20 and 30 FPS are 25; Tarn: 200 W at 50; together 150 W at 37.5.

    1 kWh is 3.6 MJ: at 0.36 a kWh 1000 frames of 4 J cost 0.0004. A year has 52 weeks.
    Passes of another size, scale, or without power say nothing; any power counts.
    """
    passes = [
        *powered("Ember", "Tarn", (200, 50)),
        *powered("Ember", "Fen", (90, 20), (110, 30)),
        *powered("Ember", "Fen", (900, 60), width=1280),
        *powered("Ember", "Fen", (900, 60), height=720),
        *powered("Ember", "Fen", (900, 60), render_scale=0.5),
        *powered("Ember", "Fen", (0, 60)),
        *runs("Ember", {"Moor": [60.0]}),
        *powered("Alder", "Fen", (0.72, 0.18)),
        *powered("Birch", "Moor", (360, 90)),
    ]
    study = study_of(tmp_path, passes)
    found = energy_table(study, summary(study))
    assert found[["build", "workload"]].to_numpy().tolist() == [
        ["first", ""], ["first", "Moor"], ["second", ""], ["second", "Tarn"],
        ["second", "Fen"], ["third", ""], ["third", "Fen"],
    ]  # fmt: skip
    watts, fps = (
        np.array([360, 360, 150, 200, 100, 0.72, 0.72]),
        np.array([90, 90, 37.5, 50, 25, 0.18, 0.18]),
    )
    assert_allclose(found["power_w"], watts, rtol=1e-12)
    assert_allclose(found["fps"], fps, rtol=1e-12)
    assert found["passes"].tolist() == [1, 1, 3, 1, 2, 1, 1]
    assert_allclose(found["joules_per_frame"], 4.0, rtol=1e-12)
    assert_allclose(found["kwh_per_1000_frames"], 1 / 900, rtol=1e-12)
    assert_allclose(found["cost_per_1000_frames"], 0.0004, rtol=1e-12)
    assert_allclose(found["cost_per_hour"], 0.36 * watts / 1000, rtol=1e-12)
    assert_allclose(found["cost_per_year"], 5 * 52 * 0.36 * watts / 1000, rtol=1e-12)
    assert found.index.tolist() == list(range(7))
    assert found.columns[[0, 1, 2, -1]].tolist() == ["build", "workload", "power_w", "passes"]


def test_where_power_was_measured(tmp_path: Path) -> None:
    """One pass that is not at the wall, or nobody knows where, makes a lower bound of the whole."""
    places = {
        "Birch": (("wall", "wall"), ("wall",)),
        "Ember": (("package", "package"), ("package",)),
        "Alder": (("wall", "package"), ("",)),
    }
    passes = [
        row
        for gpu, games in places.items()
        for game, told in zip(("Fen", "Moor"), games, strict=True)
        for place in told
        for row in powered(gpu, game, (90, 20), power_at=place)
    ]
    study = study_of(tmp_path, passes, "tariff_per_kwh = 0.36")
    found = energy_table(study, summary(study))
    assert found["measured_at"].tolist() == [WALL] * 3 + [PACKAGE] * 3 + [MIXED] * 3
    assert found["cost_per_year"].isna().all()
    assert_allclose(found["cost_per_hour"], 0.36 * 0.09, rtol=1e-12)
    mixed = [row | {"power_at": "wall" if row["workload"] == "Fen" else ""} for row in passes]
    study = study_of(tmp_path / "b", mixed[:3], TOML)
    assert energy_table(study, summary(study))["measured_at"].tolist() == [MIXED, WALL, MIXED]


def test_a_build_without_a_gpu_has_no_energy(tmp_path: Path) -> None:
    builds = [row | {"gpu": "", "system": ""} for row in build("bare", "Ember")]
    passes = powered("Ember", "Fen", (90, 20))
    study = market(tmp_path, toml=TOML, passes=passes, builds=builds)
    assert len(energy_table(study, summary(study))) == 0
