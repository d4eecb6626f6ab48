"""The last part of the money and what to give up, worked by hand at the edges of each rule."""

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from perfkit.value.budget import give_up_first, last_money
from tests.value.handmade import speeds

NONE = pd.DataFrame({"build": [], "item": [], "role": [], "amount": []})
RISE = np.linspace(0.9, 1.1, 21)  # of 21 draws the second and the last but one end the 90 % range


def test_the_last_tenth_buys_what_lies_between_two_builds() -> None:
    """Under 100 the fastest is A (50 FPS), under 90 B (40): 50 / 40 - 1 is 25 %, draws 14 to 36 %.

    The two cost just what they may. C is too dear, D unknown, E without a price.
    """
    fps = [[50], [40], [60], [np.nan], [90]]
    drawn = [50 * RISE, 40 * RISE**0, 60 * RISE, np.nan * RISE, 90 * RISE]
    price = np.array([100.0, 90.0, 200.0, 50.0, np.nan])
    found = last_money(speeds(fps, np.array(drawn)[:, None]), price, 100.0)
    assert found[["build", "smaller_build"]].to_numpy().tolist() == [["A", "B"]]
    numbers = found.drop(columns=["build", "smaller_build"]).iloc[0].astype(float)
    low, high = (100 * (50 * RISE[at] / 40 - 1) for at in (1, -2))
    assert_allclose(numbers, [100, 100, 50, 90, 90, 40, 10, 25, low, high], rtol=1e-12)


@pytest.mark.parametrize(
    ("budget", "expected"),
    [(None, ["C", "A"]), (90.0, []), (100.0, ["A", "B"]), (99.0, []), (1000.0, ["C", "C"])],
)
def test_without_a_budget_the_dearest_build_is_one(
    budget: float | None, expected: list[str]
) -> None:
    """The dearest known build costs 200; nine tenths of 90 and of 99 buy nothing."""
    price = np.array([100.0, 90.0, 200.0, 950.0])
    found = last_money(speeds([[50], [40], [60], [np.nan]]), price, budget)
    assert found[["build", "smaller_build"]].to_numpy().ravel().tolist() == expected


@pytest.mark.parametrize("unit", [1.0, 1 / 64])
def test_a_way_saves_a_tenth_and_the_cheapest_frames_go_first(unit: float) -> None:
    """A costs 100, so a way must save 10: B saves just that, C too little, D and E lose alike.

    B loses 8 FPS for 10, D 6 for 30 and E 12 for 60; F, G and H are not known.
    """
    fps = [[50], [42], [49], [44], [38], [np.nan], [np.nan], [90]]
    price = unit * np.array([100.0, 90.0, 90.5, 70.0, 40.0, 10.0, 900.0, np.nan])
    drawn = np.array([np.full(21, row[0]) for row in fps]) * np.ones(21)
    drawn[0] *= RISE
    found = give_up_first(speeds(fps, drawn[:, None]), price, None, NONE)
    mine = found[found["build"] == "A"].drop(columns=["build", "way"]).astype(float)
    assert found["way"][found["build"] == "A"].tolist() == ["E", "D", "B"]
    low, high = 50 * RISE[1], 50 * RISE[-2]
    assert_allclose(mine.to_numpy(), [
        [100 * unit, 10 * unit, 60 * unit, 12, low - 38, high - 38, 20 / unit, 1],
        [100 * unit, 10 * unit, 30 * unit, 6, low - 44, high - 44, 20 / unit, 2],
        [100 * unit, 10 * unit, 10 * unit, 8, low - 42, high - 42, 80 / unit, 3],
    ], rtol=1e-12)  # fmt: skip
    assert not {"F", "G", "H"} & (set(found["build"]) | set(found["way"]))


@pytest.mark.parametrize(
    ("budget", "to_save", "ways"),
    [(None, 10, ["C", "B"]), (70.0, 30, ["C", "B"]), (69.0, 31, ["C"]), (150.0, 10, ["C", "B"])],
)
def test_a_budget_asks_for_what_is_over_it(
    budget: float | None, to_save: float, ways: list[str]
) -> None:
    price = np.array([100.0, 70.0, 60.0])
    found = give_up_first(speeds([[50], [44], [43]]), price, budget, NONE)
    mine = found[found["build"] == "A"]
    assert_allclose(mine["to_save"], to_save, rtol=1e-12)
    assert mine["way"].tolist() == ways


def test_what_no_frame_depends_on_goes_first() -> None:
    """Of A's extras one saves just a tenth, one too little, and one is the whole build."""
    told = [("A", "lamp", "other", 10.0), ("A", "foot", "other", 9.99), ("A", "all", "other", 100),
            ("A", "sign", "other", 20.0), ("A", "card", "card", 40.0), ("B", "fan", "other", 30.0),
            ("A", "gift", "other", 0.0)]  # fmt: skip
    lines = pd.DataFrame(told, columns=["build", "item", "role", "amount"])
    found = give_up_first(speeds([[50], [44]]), np.array([100.0, 0.0]), None, lines)
    assert found["way"].tolist() == ["leave out sign", "leave out lamp", "B"]
    assert_allclose(found[["fps_lost", "lost_low", "lost_high", "lost_per_100"]].iloc[:2], 0.0)


def test_a_build_that_cost_nothing_has_no_way_to_save() -> None:
    found = give_up_first(speeds([[50], [44]]), np.zeros(2), None, NONE)
    assert len(found) == 0
