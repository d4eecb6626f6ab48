"""Goals, money, settings, memory and energy on a small market, by hand."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from perfkit.study.prices import build_lines
from perfkit.value.budget import give_up_first, last_money
from perfkit.value.claim_sides import record_of
from perfkit.value.energy import MIXED, PACKAGE, energy_cost, energy_table, joules_per_frame
from perfkit.value.goals import all_reached, goal_games, goal_table, reach_probability
from perfkit.value.memory import memory_check, memory_cost
from perfkit.value.render_scales import scale_probabilities, setting_table
from perfkit.value.rivals import flip_table, rank_table
from perfkit.value.worth import build_speeds
from tests.reference import load_json
from tests.value.market import (
    BASE,
    booked,
    build,
    market,
    measured,
    no_predictions,
    predictions,
    priced,
    runs,
    summary,
)

GOALS = [
    {"workload": "Fen", "goal_fps": 30, "floor_fps": 10},
    {"workload": "Moor", "goal_fps": 60},
    {"workload": "Tarn"},
]
PRICE = np.array([350.0, 500.0])


def gathered(folder: Path, table: pd.DataFrame | None = None, **files: object) -> tuple:
    study = market(folder, **files)
    passes = summary(study)
    return study, passes, build_speeds(study, passes, no_predictions() if table is None else table)


def test_reach_and_all_reached_by_hand() -> None:
    draws = np.log([[[50.0, 70.0, 90.0], [40.0, 20.0, 40.0]]])
    goals = np.array([60.0, 30.0])
    assert_allclose(reach_probability(draws, goals), [[2 / 3, 2 / 3]])
    assert all_reached(draws, goals).tolist() == [[False, False, True]]
    assert np.isnan(reach_probability(draws, np.array([np.nan, 30.0]))[0, 0])


def test_cheapest_build_that_reaches_all_goals(tmp_path: Path) -> None:
    """Ember draws 20 and 40 (goals 30 and 60), Alder 40 and 80."""
    study, _, speeds = gathered(tmp_path, workloads=GOALS)
    found = goal_table(study, speeds, PRICE)
    assert found["p_all"].tolist() == [0.0, 1.0]
    assert found["answer"].tolist() == ["", "cheapest that reaches all goals"]
    assert found["games"].tolist() == [2, 2]
    assert found["reason"].iloc[1] == "floor not counted, 1 % low not known: Fen"
    games = goal_games(study, speeds)
    assert games[["build", "workload"]].to_numpy().tolist() == [
        ["bare", "Fen"], ["bare", "Moor"], ["with Alder", "Fen"], ["with Alder", "Moor"],
    ]  # fmt: skip


def test_budget_decides_what_may_answer(tmp_path: Path) -> None:
    study, _, speeds = gathered(tmp_path, workloads=GOALS, toml="budget = 400")
    found = goal_table(study, speeds, PRICE)
    assert found["within_budget"].tolist() == ["yes", "no"]
    assert found["answer"].tolist() == ["", ""]


def test_probability_of_a_predicted_goal_is_the_t_law(tmp_path: Path) -> None:
    """60 drawn, goal 55, scale sqrt(.1^2 + .05^2), 9 dof; 4,000 draws: 3 standard errors."""
    games = [{"workload": "Fen", "goal_fps": 55}]
    table = predictions("Birch", {"Fen": 60.0})
    rows = build("with Birch", "Birch")
    study, _, speeds = gathered(
        tmp_path, table, workloads=games, builds=rows, passes=measured()[:3]
    )
    expected = stats.t.cdf(np.log(60 / 55) / np.hypot(0.1, 0.05), 9)
    found = goal_table(study, speeds, np.array([650.0]))["p_all"].iloc[0]
    assert abs(found - expected) < 3 * np.sqrt(expected * (1 - expected) / 4000)


def test_low_draws_never_exceed_the_average(tmp_path: Path) -> None:
    table = predictions("Birch", {"Fen": 60.0}, low_1pct_low=30.0, low_1pct_high=58.8)
    _, _, speeds = gathered(tmp_path, table, builds=build("with Birch", "Birch"))
    lows = speeds.low_log_draws()[0, 0]
    assert (lows <= speeds.log_draws[0, 0]).all()
    assert_allclose(np.exp(np.median(lows)), 42.0, rtol=0.02)


def test_last_part_of_the_money(tmp_path: Path) -> None:
    """Budget 500 buys Alder (80 FPS), 450 the bare build (40)."""
    _, _, speeds = gathered(tmp_path)
    row = last_money(speeds, PRICE, 500.0).iloc[0]
    assert (row["build"], row["smaller_build"], row["extra_cost"]) == ("with Alder", "bare", 150.0)
    assert_allclose(row["gain_pct"], 100.0, rtol=1e-9)
    assert row["gain_low_pct"] < 100 < row["gain_high_pct"]
    assert len(last_money(speeds, PRICE, 100.0)) == 0
    assert len(last_money(speeds, np.array([np.nan, np.nan]), None)) == 0


def test_first_thing_to_give_up_loses_no_frames(tmp_path: Path) -> None:
    lamp = ("Lamp", "other", 70)
    rows = build("bare", "Ember") + build("with Alder", "Alder", [*BASE, lamp])
    prices = priced(*BASE, lamp, ("Alder", "", 150), ("Birch", "", 300))
    study, _, speeds = gathered(tmp_path, builds=rows, prices=prices)
    found = give_up_first(speeds, np.array([350.0, 570.0]), None, build_lines(study))
    assert found["way"].tolist() == ["leave out Lamp", "bare"]
    assert found["saves"].tolist() == [70.0, 220.0]
    assert_allclose(found["fps_lost"], [0, 40], rtol=1e-4)
    assert_allclose(found["lost_per_100"].iloc[1], 100 * found["fps_lost"].iloc[1] / 220)


def test_flip_price_makes_costs_equal(tmp_path: Path) -> None:
    _, _, speeds = gathered(tmp_path)
    found = flip_table(speeds, PRICE).set_index(["build", "rival"])
    assert_allclose(found.loc[("bare", "with Alder"), "flip_price"], 250.0, rtol=1e-9)
    assert_allclose(found.loc[("with Alder", "bare"), "change_pct"], 40.0, rtol=1e-9)
    assert found["now"].tolist() == ["dearer per frame", "cheaper per frame"]
    ranks = rank_table(speeds, PRICE)
    assert ranks[["build", "rank", "probability"]].to_numpy().tolist() == [
        ["bare", 2, 1.0], ["with Alder", 1, 1.0],
    ]  # fmt: skip


def predict_by_pixels(targets: pd.DataFrame) -> pd.DataFrame:
    rows = predictions("Ember", {"Fen": 20.0}).iloc[:1]
    made = pd.concat([rows] * len(targets), ignore_index=True)
    made[targets.columns] = targets.to_numpy()
    return made.assign(fps=20.0 / made["render_scale"].astype(float)).astype(
        {"render_scale": float}
    )


def test_largest_scale_that_reaches_the_goal(tmp_path: Path) -> None:
    """20 FPS native, 20 / scale below: the goal of 30 needs 0.5 (40 FPS), 0.6 (33.3) is unsure."""
    scaled = runs("Ember", {"Fen": [90.0]}, render_scale=0.6, generated_per_drawn=1)
    targets = [
        {"system": "bench", "gpu": "Ember", "workload": "Fen", "width": 1920, "height": 1080,
         "render_scale": scale} for scale in (0.5, 0.6)
    ]  # fmt: skip
    study, passes, _ = gathered(
        tmp_path, workloads=GOALS[:1], passes=measured()[:3] + scaled, targets=targets,
        builds=build("bare", "Ember"),
    )  # fmt: skip
    steps = scale_probabilities(study, passes, predict_by_pixels)
    assert steps["render_scale"].tolist() == [1.0, 0.6, 0.5]
    assert steps["basis"].tolist() == ["measured", "predicted", "predicted"]
    away = np.log([30 / (20 / 0.6), 30 / 40]) / np.hypot(0.1, 0.05)
    assert_allclose(steps["probability"][1:], stats.t.sf(away, 9), rtol=1e-9)
    found = setting_table(steps).iloc[0]
    assert (found["render_scale"], found["next_scale"]) == (0.5, 0.6)
    assert found["next_probability"] < 0.9 < found["probability"]


def test_goal_out_of_reach_says_so(tmp_path: Path) -> None:
    games = [{"workload": "Fen", "goal_fps": 300}]
    study, passes, _ = gathered(
        tmp_path, workloads=games, passes=measured()[:3], builds=build("bare", "Ember")
    )
    found = setting_table(scale_probabilities(study, passes, predict_by_pixels)).iloc[0]
    assert np.isnan(found["render_scale"])
    assert found["reason"] == "no scale in use reaches the goal"


SYSTEMS = [
    {"system": "bench", "cpu": "Spindle", "ram_mtps": 3000, "ram_rated_mtps": 6000,
     "ram_channels": 2},
    {"system": "fast", "cpu": "Spindle", "ram_mtps": 6000, "ram_rated_mtps": 6000,
     "ram_channels": 2},
    {"system": "slow", "cpu": "Spindle", "ram_mtps": 4800, "ram_rated_mtps": 6000,
     "ram_channels": 1},
    {"system": "other", "cpu": "Bobbin"},
]  # fmt: skip


def test_memory_rates_are_compared_and_half_is_asked_about(tmp_path: Path) -> None:
    found = memory_check(market(tmp_path, systems=SYSTEMS)).set_index("system")
    assert found["verdict"].tolist() == [
        "not checked",
        "at its rate",
        "below its rate",
        "not checked",
    ]
    assert found.loc["bench", "question"].startswith("is ram_mtps the clock?")
    assert_allclose(found.loc["fast", "bandwidth_gb_s"], 96.0, rtol=1e-12)
    assert_allclose(found.loc["slow", "rated_bandwidth_gb_s"], 48.0, rtol=1e-12)
    assert found.loc["slow", "question"].startswith("one channel")


def test_memory_profile_by_own_contrast(tmp_path: Path) -> None:
    """Ember draws 20, 40, 80 on the bench and a quarter more with fast memory."""
    faster = [
        row | {"system": "fast", "avg_fps": 1.25 * row["avg_fps"], "pass_id": row["pass_id"] + "f"}
        for row in measured()[:9]
    ]
    study = market(tmp_path, systems=SYSTEMS, passes=measured() + faster)
    found = memory_cost(record_of(study, summary(study), booked(study))).iloc[0]
    assert (found["system"], found["against"], found["basis"]) == ("bench", "fast", "measured")
    assert_allclose(found["fps_ratio"], 0.8, rtol=1e-9)
    assert found["fps_low"] < 0.8 < found["fps_high"]
    assert_allclose(found["bandwidth_ratio"], 0.5, rtol=1e-12)


def test_memory_without_a_contrast_is_bounded(tmp_path: Path) -> None:
    study = market(tmp_path, systems=[SYSTEMS[0]])
    found = memory_cost(record_of(study, summary(study), booked(study))).iloc[0]
    assert found["basis"] == "bound"
    assert (found["fps_low"], found["fps_high"]) == (0.5, 1.0)
    assert np.isnan(found["fps_ratio"])


def test_energy_arithmetic_is_the_si_brochures() -> None:
    """1 kWh = 3.6 MJ (1e-12)."""
    case = load_json("energy")
    for row in case["kwh"]:
        cost = energy_cost(row["watts"], row["hours"], row["price_per_kWh"])
        assert_allclose(cost, row["cost"], rtol=1e-12)
    for row in case["joules_per_frame"]:
        assert_allclose(joules_per_frame(row["watts"], row["fps"]), row["J"], rtol=1e-12)


def test_energy_of_a_build(tmp_path: Path) -> None:
    """100 W for 10 hours a week at 0.30: 0.03 an hour, 15.60 a year; 100 / 20 = 5 J a frame."""
    toml = "tariff_per_kwh = 0.3\nhours_per_week = 10"
    powered = [row | {"power_w": 100} for row in runs("Ember", {"Fen": [20.0, 20.0]})]
    study, passes, _ = gathered(tmp_path, toml=toml, passes=powered, builds=build("bare", "Ember"))
    found = energy_table(study, passes)
    assert found["workload"].tolist() == ["", "Fen"]
    assert_allclose(found["cost_per_hour"], 0.03, rtol=1e-12)
    assert_allclose(found["cost_per_year"], 15.6, rtol=1e-12)
    assert_allclose(found["joules_per_frame"], 5.0, rtol=1e-12)
    assert_allclose(found["kwh_per_1000_frames"], 5000 / 3.6e6, rtol=1e-12)
    assert set(found["measured_at"]) == {MIXED}


def test_wall_power_is_told_apart(tmp_path: Path) -> None:
    powered = [
        row | {"power_w": 100, "power_at": at}
        for row, at in zip(
            runs("Ember", {"Fen": [20.0], "Moor": [20.0], "Tarn": [20.0]}),
            ("wall", "", "package"),
            strict=True,
        )
    ]
    study, passes, _ = gathered(tmp_path, toml="tariff_per_kwh = 0.3", passes=powered)
    found = energy_table(study, passes).set_index("workload")
    assert found.loc["Fen", "measured_at"] == "wall"
    assert found.loc["Moor", "measured_at"] == MIXED
    assert found.loc["Tarn", "measured_at"] == PACKAGE == "package: at least"
    assert found.loc["", "measured_at"] == MIXED
    assert found["cost_per_year"].isna().all()


@pytest.mark.parametrize("power", [{}, {"power_w": 100}])
def test_energy_not_asked_is_not_shown(tmp_path: Path, power: dict) -> None:
    study, passes, _ = gathered(tmp_path, passes=[row | power for row in measured()])
    assert len(energy_table(study, passes)) == 0


def test_predicted_smaller_scale_is_no_slower_than_a_larger_one() -> None:
    from perfkit.value.render_scales import _at_least_as_fast, setting_table

    steps = pd.DataFrame(
        {
            "build": "bare",
            "workload": ["Fen"] * 3 + ["Moor"] * 2 + ["Tarn"] * 3,
            "goal_fps": 60.0,
            "render_scale": [1.0, 0.8, 0.6, 1.0, 0.8, 1.0, 0.8, 0.6],
            "fps": [64.0, 63.0, 90.0, 50.0, 55.0, 54.0, 70.0, 81.0],
            "probability": [0.95, 0.7, 0.99, 0.05, 0.02, 0.0, 0.99, 0.7],
            "basis": ["measured"] + ["predicted"] * 3 + ["measured"] * 2 + ["predicted"] * 2,
            "reason": "",
        }
    )
    found = _at_least_as_fast(steps)
    assert found["fps"].tolist() == [64, 64, 90, 50, 55, 54, 70, 81]
    assert found["probability"].tolist() == [0.95, 0.95, 0.99, 0.05, 0.02, 0.0, 0.99, 0.99]
    assert setting_table(found)["render_scale"].iloc[0] == 1.0
