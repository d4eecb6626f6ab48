"""Which goals are reached, on speeds made of a few numbers: each column at its edges."""

from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from perfkit.value.goals import all_reached, goal_games, goal_table, reach_probability
from tests.value.handmade import speeds

NAN = np.nan
TEN = np.arange(10)


def study_of(*limits: tuple[float, float], budget: float | None = None) -> Any:
    """Give what is asked of a study: goal and floor of games a, b, c ... and the budget."""
    rows = [
        {"workload": name, "goal_fps": goal, "floor_fps": floor}
        for name, (goal, floor) in zip("abcdefgh", limits, strict=False)
    ]
    return SimpleNamespace(workloads=pd.DataFrame(rows), settings=SimpleNamespace(budget=budget))


def test_a_goal_met_exactly_is_reached() -> None:
    draws = np.log([[[60.0], [59.999]], [[NAN], [61.0]], [[60.0], [61.0]]])
    goals = np.array([60.0, 60.0])
    assert_array_equal(reach_probability(draws, goals), [[1, 0], [NAN, 1], [1, 1]])
    assert all_reached(draws, goals).ravel().tolist() == [False, True, True]
    assert all_reached(draws, np.array([60.0, NAN])).ravel().tolist() == [True, True, True]
    assert_array_equal(reach_probability(draws, np.array([NAN, 60.0]))[:, 1], [0, 1, 1])


def test_nine_draws_of_ten_are_enough_and_the_cheapest_answers() -> None:
    """A reaches both goals in 8 draws of 10, B in 9 (misses in game b), C and D always.

    C is dearer than B, D cheaper than all and over nothing: but its game b is not known.
    """
    drawn = np.full((4, 2, 10), 70.0)
    drawn[0, 0] = np.where(TEN < 2, 50, 70)
    drawn[1, 1] = np.where(TEN < 1, 29, 30)
    drawn[3, 1] = NAN
    fps = [[70, 70], [70, 30], [70, 70], [70, NAN]]
    made = speeds(fps, drawn)
    price = np.array([100.0, 300.0, 400.0, 50.0])
    found = goal_table(study_of((60, NAN), (30, NAN)), made, price)
    assert_allclose(found["p_all"], [0.8, 0.9, 1.0, NAN], rtol=1e-12)
    assert_allclose(found["expected_share"], [0.9, 0.95, 1.0, NAN], rtol=1e-12)
    assert found["answer"].tolist() == ["", "cheapest that reaches all goals", "", ""]
    assert found["hardest"].tolist() == ["a", "b", "a", "a"]
    assert found["reason"].tolist() == ["", "", "", "no range of FPS for b"]
    assert found["games"].tolist() == [2] * 4
    assert found["within_budget"].tolist() == [""] * 4
    assert found["budget"].isna().all()
    assert set(found["not_counted"]) == {""}
    assert found["build"].tolist() == ["A", "B", "C", "D"]
    assert found["price"].tolist() == price.tolist()


@pytest.mark.parametrize(
    ("budget", "within", "answer"),
    [(300, ["yes", "yes", "no", ""], 1), (299, ["yes", "no", "no", ""], 0),
     (99, ["no", "no", "no", ""], None)],
)  # fmt: skip
def test_a_build_may_cost_just_the_budget(
    budget: int, within: list[str], answer: int | None
) -> None:
    """The cheaper build reaches the goal too from 299 down; the last has no price."""
    level = 50 if budget == 300 else 60
    price = np.array([100.0, 300.0, 400.0, NAN])
    made = speeds([[level], [60], [60], [60]])
    found = goal_table(study_of((60, NAN), budget=budget), made, price)
    assert found["within_budget"].tolist() == within
    assert (found["budget"] == budget).all()
    assert np.flatnonzero(found["answer"] != "").tolist() == ([] if answer is None else [answer])


def test_a_build_without_a_price_answers_nothing() -> None:
    found = goal_table(study_of((60, NAN)), speeds([[60], [50]]), np.array([NAN, 1.0]))
    assert found["answer"].tolist() == ["", ""]


def test_no_goal_no_answer() -> None:
    found = goal_table(study_of((NAN, NAN)), speeds([[60], [50]]), np.array([2.0, 1.0]))
    assert found[["p_all", "expected_share"]].isna().all(axis=None)
    assert found["games"].tolist() == [0, 0]
    assert set(found["answer"]) | set(found["hardest"]) | set(found["reason"]) == {""}


def test_a_game_nobody_has_a_range_for_is_named_and_not_counted() -> None:
    """Game b has a goal and no range, c neither; a alone decides."""
    drawn = [[[70.0], [NAN], [NAN], [NAN]], [[50.0], [NAN], [NAN], [NAN]]]
    made = speeds([[70, 80, NAN, NAN], [50, 80, NAN, NAN]], drawn)
    study = study_of((60, NAN), (60, NAN), (NAN, NAN), (30, NAN))
    found = goal_table(study, made, np.array([2.0, 1.0]))
    assert found["p_all"].tolist() == [1.0, 0.0]
    assert found["games"].tolist() == [1, 1]
    assert set(found["not_counted"]) == {"b; d"}
    assert found["reason"].tolist() == ["", ""]


def test_floors_count_where_the_low_is_known() -> None:
    """Draws 10 % above and below 70; A's 1 % low is 40 with no scale of its own, B's not known.

    A keeps a floor of 40 and misses one of 41; B's floor is passed over and said to be.
    """
    made = speeds([[70], [70]], [[[63, 77.0]], [[63, 77.0]]], low=[[40.0], [NAN]],
                  low_scale=[[0.0], [NAN]])  # fmt: skip
    price = np.array([1.0, 2.0])
    for floor, answer in ((39.999, "A"), (41, "B")):
        study = study_of((60, floor))
        found = goal_table(study, made, price)
        assert found.loc[found["answer"] != "", "build"].tolist() == [answer]
        assert found["reason"].tolist() == ["", "floor not counted, 1 % low not known: a"]
        assert found["p_all"].tolist() == [float(floor < 40), 1.0]
        games = goal_games(study, made)
        assert_array_equal(games["p_floor"], [float(floor < 40), NAN])
        assert_array_equal(games["low_1pct_fps"], [40.0, NAN])


def test_games_with_a_goal_or_a_floor_are_listed_build_by_build() -> None:
    made = speeds([[70, 80, 90], [20, NAN, 40]], low=[[35, 40, 45], [10, NAN, 20]],
                  low_scale=0.0)  # fmt: skip
    study = study_of((60, NAN), (NAN, 30), (NAN, NAN))
    found = goal_games(study, made)
    assert found[["build", "workload", "basis", "reason"]].to_numpy().tolist() == [
        ["A", "a", "measured", ""], ["A", "b", "measured", ""],
        ["B", "a", "measured", ""], ["B", "b", "", "never run and not predicted"],
    ]  # fmt: skip
    assert_array_equal(found["fps"], [70, 80, 20, NAN])
    assert_array_equal(found["goal_fps"], [60, NAN, 60, NAN])
    assert_array_equal(found["floor_fps"], [NAN, 30, NAN, 30])
    assert_array_equal(found["p_goal"], [1, NAN, 0, NAN])
    assert_array_equal(found["p_floor"], [NAN, 1, NAN, NAN])
    assert_array_equal(found.index, range(4))
