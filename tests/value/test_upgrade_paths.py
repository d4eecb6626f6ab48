"""Steps between machines: what is bought and what leaves, by hand; two steps against each other."""

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from perfkit.study.prices import ItemPrice
from perfkit.value import upgrade_rivals as module
from perfkit.value.parts import Line, Part, Shelf
from perfkit.value.upgrade_games import _rows as game_rows
from perfkit.value.upgrade_games import _weaker
from perfkit.value.upgrade_paths import Candidate, _Machine, _step, _unit_prices, _with_card
from perfkit.value.upgrade_rivals import (
    COLUMNS,
    _against,
    _Means,
    _rows,
    overtaking_spend,
    upgrade_rivals,
)
from perfkit.value.upgrades import _pair
from tests.value.market import speeds_of

PRICES = {
    ("Alder", "new"): 150.0, ("Alder", "used"): 90.0, ("Birch", "used"): 200.0,
    ("Plank", "new"): 80.0, ("Rail", "new"): 60.0, ("Rail", "used"): 25.0,
}  # fmt: skip


def prices(item: str, condition: str) -> ItemPrice:
    return ItemPrice(PRICES.get((item, condition), math.nan), None, "", (), "")


def line(item: str, role: str = "other", quantity: float = 1, **more: object) -> Line:
    price = more.pop("price", PRICES.get((item, "new"), math.nan))
    return Line(item, role, quantity, "", price=price, **more)


def built(name: str, *lines: Line, system: str = "s", price: float = 500.0) -> _Machine:
    return _Machine(name, system, "g", lines, price)


def test_what_is_bought_and_what_leaves() -> None:
    """From a board and two rails to a board, three rails of 60 and a card of 150, at 330."""
    start = built("old", line("Plank", "board"), line("Rail", quantity=2), line("Fan"), price=220.0)
    after = built("new", line("Plank", "board"), line("Rail", quantity=3), line("Alder", "card"))
    step = _step(start, after, prices)
    assert (step.bought, step.leaves, step.kind) == (("Rail", "Alder"), ("Fan",), "card")
    assert (step.spent, step.resale, step.added_cost, step.price_from) == (210.0, 0.0, 210.0, 220.0)
    assert step.reason == "no used price for Fan: no resale counted"
    back = _step(after, start, prices)
    assert (back.bought, back.leaves) == (("Fan",), ("Rail", "Alder"))
    assert math.isnan(back.spent)
    # A rail used is 25, Alder 90.
    assert (back.resale, back.reason) == (115.0, "no price for Fan")
    other = _step(start, built("far", line("Fan"), system="t"), prices)
    assert (other.kind, other.leaves, other.resale) == ("machine", ("Plank", "Rail"), 50.0)
    assert other.reason == "no used price for Plank: no resale counted"


def test_what_was_lent_is_not_sold() -> None:
    start = built("old", line("Alder", "card", obtained="lent"), line("Rail"))
    step = _step(start, built("new"), prices)
    assert (step.leaves, step.resale, step.reason) == (("Alder", "Rail"), 25.0, "")


def test_the_part_of_a_bundle_is_paid_only_where_all_of_it_is_bought() -> None:
    kit = [line("Plank", price=50.0, bundle="kit"), line("Rail", price=40.0, bundle="kit")]
    duo = line("Alder", price=100.0, bundle="duo")
    lines = (*kit, duo)
    bought = {"Plank": 1, "Rail": 1, "Alder": 1}
    assert _unit_prices(lines, bought, prices) == {"Plank": 50.0, "Rail": 40.0, "Alder": 100.0}
    assert _unit_prices(lines, {"Rail": 1, "Alder": 1}, prices) == {"Rail": 60.0, "Alder": 100.0}
    # Of one item in two lines the first counts.
    twice = (line("Rail", price=1.0), line("Rail", price=2.0))
    assert _unit_prices(twice, {"Rail": 2}, prices) == {"Rail": 1.0}


@pytest.mark.parametrize(
    ("card", "condition", "price"), [("Alder", "new", 150.0), ("Birch", "used", 200.0)]
)
def test_a_card_takes_the_place_of_cards_and_is_new_where_it_can_be(
    card: str, condition: str, price: float
) -> None:
    start = built("old", line("Plank", "board"), line("Ash", "card"), line("Elm", "other"))
    after = _with_card(start, card, frozenset({"Elm", "Alder"}), prices)
    assert (after.name, after.system, after.gpu) == (f"old + {card}", "s", card)
    assert math.isnan(after.price)
    assert [each.item for each in after.lines] == ["Plank", card]
    assert after.lines[-1] == Line(card, "card", 1.0, card, condition, "bought", price, "")


def test_a_card_has_its_facts_from_gpus_where_parts_say_nothing() -> None:
    gpu = {"kind": "discrete", "length_mm": 200.0, "board_power_w": 120.0, "slot_generation": 4.0,
           "slot_lanes": 8.0}  # fmt: skip
    nan = math.nan
    row = {"role": "card", "length_mm": 210.0, "draw_w": nan, "slot_lanes": nan, "plugs_8pin": 1.0}
    known = Shelf({"Alder": row}, {"g": gpu, "Birch": gpu, "i": gpu | {"kind": "integrated"}},
                  {"s": 500.0, "t": nan})  # fmt: skip
    assert known.part("Alder", "", 2, "g") == Part(
        "Alder", "card", 2, length_mm=210.0, draw_w=120.0, slot_generation=4.0, slot_lanes=8.0,
        plugs_8pin=1.0,
    )  # fmt: skip
    assert known.part("Birch", "card", 1, "none").length_mm == 200.0
    assert math.isnan(known.part("Birch", "other", 1, "g").length_mm)
    assert math.isnan(known.part("Oak", "card", 1, "i").length_mm)
    assert known.part("Oak", "fan", 3, "") == Part("Oak", "fan", 3)

    def supplies(system: str, *lines: Line) -> list[Part]:
        return [part for part in known.build(lines, system) if part.role == "supply"]

    assert supplies("s", line("Oak")) == [Part("supply of s", "supply", supply_w=500.0)]
    assert supplies("t", line("Oak")) == []
    assert supplies("none") == []
    assert [part.item for part in supplies("s", line("Own", "supply"))] == ["Own"]


def step(name: str, spent: float, resale: float = 0.0) -> Candidate:
    return Candidate("a", name, "card", "s", "g", (), (), (), spent, resale, 300.0, "")


NARROW = np.linspace(-1e-4, 1e-4, 101)


def rival_row(fps: list[list[float]], one: Candidate, other: Candidate, **more: object) -> dict:
    speeds = speeds_of(fps, np.zeros(101), **more)
    speeds.log_draws[...] += NARROW[::-1] * np.arange(len(fps))[:, None, None]
    return dict(
        zip(COLUMNS, *_rows([_against(one, other, _Means(speeds), (0, 1), 2)]), strict=True)
    )


def test_one_step_overtakes_another() -> None:
    """From 10 FPS, b adds 20 and c adds 40 for 200 - 40: b may cost 20 / 40 x 160 + 15 = 95."""
    found = rival_row([[10], [30], [50]], step("b", 100.0, 15.0), step("c", 200.0, 40.0))
    assert overtaking_spend(20.0, 40.0, 160.0, 15.0) == 95.0
    assert (found["from_build"], found["to_build"], found["rival"]) == ("a", "b", "c")
    assert_allclose(found["overtakes_below"], 95.0, rtol=1e-12)
    assert_allclose(found["change_pct"], -5.0, rtol=1e-9)
    assert found["now"] == "dearer"
    # b draws 30 exp(d), c 50 exp(2 d): at d = 0.9e-4 the ends are those of the ratio of gains.
    d = np.array([0.9e-4, -0.9e-4])
    ends = 15 + 160 * (30 * np.exp(d) - 10) / (50 * np.exp(2 * d) - 10)
    assert_allclose([found["overtakes_low"], found["overtakes_high"]], np.sort(ends), rtol=1e-9)
    assert (found["workloads"], found["level"], found["reason"]) == (1, 0.9, "")
    cheap = rival_row([[10], [30], [50]], step("b", 94.0, 15.0), step("c", 200.0, 40.0))
    assert cheap["now"] == "cheaper"


def test_rivals_are_compared_on_what_all_three_have() -> None:
    """Weights 1 and 3: 16^(1/4) x 81^(3/4) = 54 and the like; half of the workloads is enough."""
    nan = math.nan
    fps = [[16, 81, 1, nan], [32, 162, nan, 1], [48, 243, 2, 2]]
    found = rival_row(fps, step("b", 1.0), step("c", 1.0), weights=[1, 3, 5, 5])
    assert (found["workloads"], found["reason"]) == (2, "")
    # b adds one start, c adds two.
    assert_allclose(found["overtakes_below"], 0.5, rtol=1e-12)
    few = rival_row([[1, 1, nan], [2, nan, nan], [3, 3, 3]], step("b", 1.0), step("c", 1.0))
    assert few["reason"] == "too few workloads have a number on all three"
    assert (few["workloads"], few["now"]) == (1, "")
    assert math.isnan(few["overtakes_below"])


@pytest.mark.parametrize(("after", "reason"), [(10.0, "b"), (9.0, "b"), (10.5, ""), (12.0, "")])
def test_a_gain_of_nothing_is_not_above_zero(after: float, reason: str) -> None:
    def told(rival: float) -> str:
        means = _Means(speeds_of([[10], [after], [rival]]))
        made = _rows([_against(step("b", 1.0), step("c", 1.0), means, (0, 1), 2)])
        return str(dict(zip(COLUMNS, *made, strict=True))["reason"])

    unclear = "the gain of {} is not clearly above zero"
    assert told(10.25) == (reason and unclear.format(reason))
    assert told(9.0) == unclear.format(reason or "c")


def test_only_steps_that_cost_something_are_set_against_each_other(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Of a's steps b costs nothing, c 0.5 and d 2; e starts elsewhere, alone."""
    steps = [
        step("b", 1.0, 1.0),
        step("c", 0.5),
        step("d", 2.0),
        replace(step("e", 1.0), from_build="z"),
    ]
    speeds = speeds_of([[10], [20], [30], [40]])
    places = [(0, 1), (0, 2), (0, 3), (0, 1)]
    monkeypatch.setattr(module, "candidates", lambda study: steps)
    monkeypatch.setattr(module, "candidate_speeds", lambda study, book, steps: (speeds, places))
    found = upgrade_rivals(None, None).set_index(["to_build", "rival"])
    assert found.index.tolist() == [("c", "d"), ("d", "c")]
    # c adds 20 FPS, d 30: c may cost 2 x 20 / 30, d 0.5 x 30 / 20.
    assert_allclose(found["overtakes_below"], [4 / 3, 0.75], rtol=1e-12)
    assert found["now"].tolist() == ["cheaper", "dearer"]


@pytest.mark.parametrize(
    ("after", "rival", "slower"),
    [(10.0, 50.0, "b"), (30.0, 10.0, "c"), (10.0, 10.0, "b"), (9.0, 8.0, "b")],
)
def test_a_gain_that_is_not_clear_overtakes_nothing(
    after: float, rival: float, slower: str
) -> None:
    found = rival_row([[10], [after], [rival]], step("b", 100.0), step("c", 200.0))
    assert found["reason"] == f"the gain of {slower} is not clearly above zero"
    assert math.isnan(found["overtakes_low"])


def test_a_gain_over_half_of_the_workloads_is_told_and_over_fewer_it_is_not() -> None:
    nan = math.nan
    basis = [["measured", "borrowed", "", "measured"], ["measured", "measured", "predicted", ""]]
    speeds = speeds_of([[16, 81, nan, 1], [32, 162, 1, nan]], (-0.001, 0.001), basis=basis,
                       weights=[1, 3, 1, 1])  # fmt: skip
    found = _pair(speeds, 0, 1, step("b", 108.0))
    assert_allclose([found.fps_from, found.fps_to, found.added_fps], [54, 108, 54], rtol=1e-12)
    assert_allclose(found.cost_per_added_frame, 2.0, rtol=1e-12)
    assert (found.workloads, found.basis, found.reason) == (2, "borrowed", "")
    few = _pair(speeds_of([[16, nan, 1], [32, 1, nan]]), 0, 1, step("b", 108.0))
    assert few.reason == "1 of 3 workloads have a number on both"
    assert math.isnan(few.added_fps)
    assert (few.workloads, few.basis, few.case) == (1, "", "")


@pytest.mark.parametrize(
    ("before", "after", "weaker"),
    [("measured", "predicted", "predicted"), ("predicted", "borrowed", "predicted"),
     ("measured", "borrowed", "borrowed"), ("measured", "", ""), ("", "measured", ""),
     ("measured", "measured", "measured")],
)  # fmt: skip
def test_the_weaker_of_two_bases(before: str, after: str, weaker: str) -> None:
    assert _weaker(before, after) == weaker


def test_a_row_for_each_game() -> None:
    nan = math.nan
    speeds = speeds_of([[20, 40, 30], [30, 40, nan]], np.zeros(101),
                       reason=[["", "", ""], ["", "", "needs 9 GiB"]])  # fmt: skip
    speeds.log_draws[1] += np.log(np.linspace(0.9, 1.1, 101))
    limits = {("s", "g", "A"): "arithmetic", ("s", "g", "C"): "memory"}
    goals = np.array([30.0, nan, 30.0])
    rows = list(game_rows(step("b", 1.0), speeds, (0, 1), goals, limits, "slot link (25%)"))
    found = pd.DataFrame(rows).set_index(2)
    assert found[[0, 1]].to_numpy().tolist() == [["a", "b"]] * 3
    assert_allclose(found[5], [50, 0, nan], atol=1e-12)
    # Draws of 0.91 to 1.09 times the middle lie within 90 %.
    assert_allclose(found[6], [100 * (1.5 * 0.91 - 1), -9, nan], rtol=1e-9)
    assert_allclose(found[7], [100 * (1.5 * 1.09 - 1), 9, nan], rtol=1e-9)
    assert found[8].tolist() == ["measured", "measured", ""]
    assert found[10].tolist() == ["yes", "", ""]
    link = "slot link (25%)"
    assert found[11].tolist() == [f"arithmetic; {link}", link, f"memory capacity; {link}"]
    assert found[12].tolist() == ["", "", "needs 9 GiB"]
