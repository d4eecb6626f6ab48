"""Upgrades: what is bought, what it adds, and when its cost per frame cannot be told."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from pandas.testing import assert_frame_equal

from perfkit.value.ratio import fieller
from perfkit.value.upgrade_paths import Candidate
from perfkit.value.upgrade_rivals import upgrade_rivals
from perfkit.value.upgrades import (
    UPGRADE_COLUMNS,
    gain_case,
    gain_of_step,
    upgrade_table,
    upgrades_of,
)
from tests.value.market import (
    BASE,
    CARDS,
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

BIRCH = {"Fen": 60.0, "Moor": 120.0, "Tarn": 240.0}
BOTH = build("bare", "Ember") + build("with Alder", "Alder")


def upgrades(folder: Path, table: pd.DataFrame | None = None, **files: object) -> pd.DataFrame:
    study = market(folder, **files)
    table = no_predictions() if table is None else table
    found = upgrade_table(study, summary(study), table)
    return found.set_index(["from_build", "to_build"], drop=False)


def test_pinned_columns_come_first(tmp_path: Path) -> None:
    assert tuple(upgrades(tmp_path).columns[: len(UPGRADE_COLUMNS)]) == UPGRADE_COLUMNS


def test_hand_worked_card(tmp_path: Path) -> None:
    """Alder costs 150 and doubles 40 FPS: 3.75 a frame; it breaks even at 350 x (80/40 - 1)."""
    found = upgrades(tmp_path).loc[("bare", "with Alder")]
    assert found["added_cost"] == 150.0
    assert_allclose(found["added_fps"], 40, rtol=1e-4)
    assert_allclose(found["cost_per_added_frame"], 150 / found["added_fps"], rtol=1e-12)
    assert_allclose(found["cost_low"], 150 / found["added_high"], rtol=1e-12)
    assert_allclose(found["cost_high"], 150 / found["added_low"], rtol=1e-12)
    assert_allclose(found["break_even_price"], 350.0, rtol=1e-12)
    assert_allclose(found["added_pct"], 100.0, rtol=1e-12)
    assert (found["workloads"], found["level"]) == (3, 0.9)
    assert found["bought"] == "Alder"
    assert found["reason"] == ""
    assert found["case"] == "bounded"


def test_at_the_break_even_price_a_frame_costs_the_same(tmp_path: Path) -> None:
    found = upgrades(tmp_path, predictions("Birch", BIRCH)).loc[("bare", "bare + Birch")]
    before = 350 / found["fps_from"]
    after = (350 + found["break_even_price"]) / found["fps_to"]
    assert_allclose(after, before, rtol=1e-12)


def test_priced_card_without_a_build_is_offered(tmp_path: Path) -> None:
    found = upgrades(tmp_path, predictions("Birch", BIRCH))
    assert found.index.tolist() == [
        ("bare", "with Alder"),
        ("bare", "bare + Birch"),
        ("with Alder", "with Alder + Birch"),
    ]
    assert found["basis"].tolist() == ["measured", "predicted", "predicted"]


def test_resale_of_the_card_that_leaves(tmp_path: Path) -> None:
    """Alder fetches 90 used: Birch costs 300 - 90, and breaks even that much later."""
    used = priced(("Alder", "", 90), condition="used")
    prices = priced(*BASE, *((card, "", price) for card, price in CARDS.items())) + used
    table = predictions("Birch", BIRCH)
    found = upgrades(tmp_path / "a", table, prices=prices).loc[("with Alder", "with Alder + Birch")]
    assert (found["added_cost"], found["resale"], found["leaves"]) == (210.0, 90.0, "Alder")
    assert found["reason"] == ""
    without = upgrades(tmp_path / "b", table).loc[("with Alder", "with Alder + Birch")]
    assert without["added_cost"] == 300.0
    assert without["reason"] == "no used price for Alder: no resale counted"
    assert_allclose(found["break_even_price"], without["break_even_price"] + 90, rtol=1e-12)


def test_a_card_listed_as_something_else_leaves_with_the_step(tmp_path: Path) -> None:
    rows = [row | {"role": "other"} if row["role"] == "card" else row for row in BOTH]
    found = upgrades(tmp_path, predictions("Birch", BIRCH), builds=rows)
    assert found.loc[("with Alder", "with Alder + Birch"), "leaves"] == "Alder"


def test_lent_card_is_not_sold(tmp_path: Path) -> None:
    rows = [row | {"obtained": "lent"} if row["role"] == "card" else row for row in BOTH]
    used = priced(("Alder", "", 90), condition="used")
    prices = priced(*BASE, *((card, "", price) for card, price in CARDS.items())) + used
    found = upgrades(tmp_path, predictions("Birch", BIRCH), builds=rows, prices=prices)
    assert found.loc[("with Alder", "with Alder + Birch"), "resale"] == 0.0


def test_gain_around_zero_is_not_determinable(tmp_path: Path) -> None:
    table = predictions("Birch", {"Fen": 40.0, "Moor": 80.0, "Tarn": 160.0}, scale_device=0.3)
    found = upgrades(tmp_path, table).loc[("with Alder", "with Alder + Birch")]
    numbers = ["cost_per_added_frame", "cost_low", "cost_high", "break_even_price"]
    assert np.isnan(found[numbers].astype(float)).all()
    assert found["reason"].startswith("not determinable: the gain is not clearly above zero (")
    assert found["case"] == "all but a range"
    assert found["added_low"] < 0 < found["added_high"]


def test_slower_card_has_no_negative_cost(tmp_path: Path) -> None:
    table = predictions("Birch", {"Fen": 20.0, "Moor": 40.0, "Tarn": 80.0}, scale_device=0.01)
    found = upgrades(tmp_path, table).loc[("with Alder", "with Alder + Birch")]
    assert np.isnan(found["cost_per_added_frame"])
    assert found["added_fps"] < 0
    assert found["reason"].startswith("not determinable: it is slower, by ")


def test_resale_that_covers_the_cost(tmp_path: Path) -> None:
    used = priced(("Alder", "", 400), condition="used")
    prices = priced(*BASE, *((card, "", price) for card, price in CARDS.items())) + used
    found = upgrades(tmp_path, predictions("Birch", BIRCH), prices=prices)
    row = found.loc[("with Alder", "with Alder + Birch")]
    assert row["added_cost"] == -100.0
    assert np.isnan(row["cost_per_added_frame"])
    assert row["reason"] == "not determinable: resale covers the cost"


def test_unknown_spread_is_not_determinable(tmp_path: Path) -> None:
    passes = runs("Ember", {"Fen": [20.0]}) + runs("Alder", {"Fen": [40.0]})
    found = upgrades(tmp_path, passes=passes, workloads=[{"workload": "Fen"}])
    assert (
        found.loc[("bare", "with Alder"), "reason"]
        == "not determinable: the spread between passes is not known"
    )


def test_never_huge_never_negative(tmp_path: Path) -> None:
    """Whatever the gain, a printed cost per added frame lies inside its own finite range."""
    for seed in range(12):
        rng = np.random.default_rng(seed)
        fps = {game: float(each) for game, each in zip(BIRCH, rng.uniform(10, 300, 3), strict=True)}
        table = predictions("Birch", fps, scale_device=float(rng.uniform(0.01, 0.6)))
        found = upgrades(tmp_path / str(seed), table)
        told = found[found["cost_per_added_frame"].notna()]
        assert (told["cost_low"] > 0).all()
        assert (told["cost_low"] <= told["cost_per_added_frame"]).all()
        assert (told["cost_per_added_frame"] <= told["cost_high"]).all()
        assert np.isfinite(told["cost_high"]).all()
        assert (found["reason"] != "")[found["cost_per_added_frame"].isna()].all()


@pytest.mark.parametrize(
    ("low", "high", "cost", "case"),
    [
        (1.0, 3.0, 90.0, "bounded"),
        (-3.0, -1.0, 90.0, "bounded"),
        (-1.0, 3.0, 90.0, "all but a range"),
        (-1.0, 3.0, 0.0, "whole line"),
        (np.nan, 3.0, 90.0, ""),
        (1.0, np.inf, 90.0, ""),
        (1.0, 3.0, np.nan, ""),
    ],
)
def test_cases_are_fiellers(low: float, high: float, cost: float, case: str) -> None:
    """The same case as the closed form for a normal gain of that range (Fieller 1954)."""
    assert gain_case(low, high, cost) == case
    if np.isinf(high):
        return
    middle, t = (low + high) / 2, 1.6448536269514722
    closed = fieller(cost, middle, 0.0, ((high - low) / 2 / t) ** 2, level=0.90)
    assert closed.case == case
    if case == "bounded":
        ends = sorted([cost / low, cost / high])
        assert_allclose([closed.low, closed.high], ends, rtol=1e-9)


@pytest.mark.parametrize(
    ("added", "cost", "per_frame", "reason"),
    [
        ((0.5, 0.7), 60.0, 100.0, ""),
        ((-0.5, 0.7), 60.0, np.nan, "the gain is not clearly above zero (-0.5 to 0.7 FPS at 90%)"),
        ((0.0, 0.7), 60.0, np.nan, "the gain is not clearly above zero (0 to 0.7 FPS at 90%)"),
        ((-0.5, 0.0), 60.0, np.nan, "the gain is not clearly above zero (-0.5 to 0 FPS at 90%)"),
        ((-1.5, -0.3), 60.0, np.nan, "it is slower, by 0.3 to 1.5 FPS"),
        ((0.5, 0.7), 0.5, 0.5 / 0.6, ""),
        ((0.5, 0.7), 0.0, np.nan, "resale covers the cost"),
        ((0.5, 0.7), -1.0, np.nan, "resale covers the cost"),
    ],
)
def test_small_gains_and_small_costs_are_told_apart_at_zero(
    added: tuple[float, float], cost: float, per_frame: float, reason: str
) -> None:
    """Half of the draws at either end of the range: their central range is the range."""
    low, high = added
    step = Candidate("a", "b", "card", "s", "g", (), (), (), max(cost, 0), max(-cost, 0), 300.0, "")
    drawn = np.array([[40.0, 40.0], [40.0 + low, 40.0 + high]]).repeat(100, axis=1)
    found = gain_of_step(step, (40.0, 40.6), drawn, 3, "measured")
    assert_allclose([found.added_low, found.added_high], added, rtol=1e-9, atol=1e-12)
    told = [np.nan, np.nan] if np.isnan(per_frame) else [cost / high, cost / low]
    assert_allclose([found.cost_low, found.cost_high], told, rtol=1e-9)
    # 300 for 40 FPS: 0.6 more are worth 4.5, and what is sold comes back.
    even = 4.5 + max(-cost, 0) if low > 0 else np.nan
    assert_allclose(found.break_even_price, even, rtol=1e-9)
    assert_allclose(found.cost_per_added_frame, per_frame, rtol=1e-9)
    assert found.reason.removeprefix("not determinable: ") == reason


@pytest.mark.parametrize(
    ("low", "high", "cost", "case"),
    [(0.0, 3.0, 9.0, "all but a range"), (-3.0, 0.0, 9.0, "all but a range"),
     (0.0, 0.0, 0.0, "whole line"), (1e-9, 3.0, 0.0, "bounded"), (-3.0, -1e-9, 0.0, "bounded")],
)  # fmt: skip
def test_a_gain_that_may_be_nothing_bounds_no_cost(
    low: float, high: float, cost: float, case: str
) -> None:
    assert gain_case(low, high, cost) == case


def test_machine_of_another_system_counts_when_it_costs_more(tmp_path: Path) -> None:
    systems = [{"system": "bench"}, {"system": "tower"}]
    tower = [row | {"system": "tower"} for row in build("tower", "Birch")]
    rows = build("bare", "Ember") + tower
    passes = measured() + [
        row | {"system": "tower"}
        for row in runs("Birch", {g: [x, x * 1.01] for g, x in BIRCH.items()})
    ]
    found = upgrades(tmp_path, builds=rows, systems=systems, passes=passes)
    assert found.loc[("bare", "tower"), "kind"] == "machine"
    assert found.loc[("bare", "tower"), "added_cost"] == 300.0
    assert ("tower", "bare") not in found.index


@pytest.mark.parametrize(("price", "offered"), [(121, True), (120, False), (119, False)])
def test_a_machine_that_costs_no_more_is_no_upgrade(
    tmp_path: Path, price: float, offered: bool
) -> None:
    """The tower has another processor: 120 makes it cost what the bench does."""
    items = [("Bobbin", "processor", price) if role == "processor" else (name, role, cost)
             for name, role, cost in BASE]  # fmt: skip
    tower = [row | {"system": "tower"} for row in build("tower", "Ember", items)]
    found = upgrades(
        tmp_path,
        builds=build("bare", "Ember") + tower,
        systems=[{"system": "bench"}, {"system": "tower"}],
        prices=priced(*BASE, ("Bobbin", "", price)),
    )
    assert (("bare", "tower") in found.index) is offered


def test_bundle_price_counts_only_where_all_of_it_is_bought(tmp_path: Path) -> None:
    """Alder is cheaper in a bundle with the board; whoever has the board pays the card alone."""
    bundle = priced(("Alder", "", 100), ("Plank", "", 60), bundle="pair")
    prices = priced(*BASE, *((card, "", price) for card, price in CARDS.items())) + bundle
    found = upgrades(tmp_path, prices=prices)
    assert found.loc[("bare", "with Alder"), "added_cost"] == 150.0


def test_card_whose_price_lies_in_the_future(tmp_path: Path) -> None:
    tomorrow = priced(("Alder", "", 150), date="2026-11-02")
    found = upgrades(tmp_path, prices=priced(*BASE) + tomorrow).loc[("bare", "with Alder")]
    assert np.isnan(found["added_cost"])
    assert np.isnan(found["cost_per_added_frame"])
    assert found["added_fps"] > 0
    assert found["reason"] == "no price for Alder"


def test_irrelevant_build_and_row_order_leave_the_numbers(tmp_path: Path) -> None:
    table = predictions("Birch", BIRCH)
    expected = upgrades(tmp_path / "a", table)
    more = BOTH[::-1] + build("with Birch", "Birch")
    found = upgrades(tmp_path / "b", table.iloc[::-1], builds=more, passes=measured()[::-1])
    same = ("bare", "with Alder")
    assert_frame_equal(found.loc[[same]], expected.loc[[same]], rtol=1e-12)
    numbers = ["added_cost", "fps_to", "added_low", "added_high", "cost_high", "break_even_price"]
    assert_allclose(
        found.loc[("bare", "with Birch"), numbers].astype(float),
        expected.loc[("bare", "bare + Birch"), numbers].astype(float),
        rtol=1e-12,
    )


@pytest.mark.parametrize(("room", "verdict"), [(199, "no"), (200, "not checked")])
def test_a_card_is_held_against_the_case(tmp_path: Path, room: float, verdict: str) -> None:
    found = upgrades(tmp_path, parts=[{"item": "Chest", "room_mm": room}])
    assert found.loc[("bare", "with Alder"), "goes_together"] == verdict


def test_no_builds_gives_the_header_alone(tmp_path: Path) -> None:
    found = upgrades(tmp_path, builds=[], prices=[])
    assert len(found) == 0
    assert tuple(found.columns[: len(UPGRADE_COLUMNS)]) == UPGRADE_COLUMNS


def test_price_at_which_one_upgrade_overtakes_another(tmp_path: Path) -> None:
    """Alder adds 40 FPS for 150 (3.75 a frame), Birch 80 for 300: Birch must cost less than 300."""
    study = market(tmp_path, prices=priced(*BASE, ("Alder", "", 150), ("Birch", "", 330)))
    found = upgrade_rivals(study, booked(study, predictions("Birch", BIRCH)))
    rows = found.set_index(["from_build", "to_build", "rival"])
    birch = rows.loc[("bare", "bare + Birch", "with Alder")]
    alder = rows.loc[("bare", "with Alder", "bare + Birch")]
    assert birch["overtakes_below"] == pytest.approx(150 * 80 / 40, rel=1e-3)
    assert alder["overtakes_below"] == pytest.approx(330 * 40 / 80, rel=1e-3)
    assert (birch["now"], alder["now"]) == ("dearer", "cheaper")
    assert birch["overtakes_low"] < birch["overtakes_below"] < birch["overtakes_high"]


def test_at_the_overtaking_price_added_frames_cost_the_same(tmp_path: Path) -> None:
    def steps(folder: Path, price: float) -> tuple[pd.DataFrame, pd.DataFrame]:
        study = market(folder, prices=priced(*BASE, ("Alder", "", 150), ("Birch", "", price)))
        book = booked(study, predictions("Birch", BIRCH))
        return upgrades_of(study, book), upgrade_rivals(study, book)

    _, rivals = steps(tmp_path / "a", 330.0)
    key = ["from_build", "to_build", "rival"]
    flip = rivals.set_index(key).loc[("bare", "bare + Birch", "with Alder"), "overtakes_below"]
    upgrades, _ = steps(tmp_path / "b", float(flip))
    cost = upgrades[upgrades["from_build"] == "bare"].set_index("to_build")["cost_per_added_frame"]
    assert cost["bare + Birch"] == pytest.approx(cost["with Alder"], rel=1e-9)


def test_no_overtaking_price_where_a_gain_is_not_clear(tmp_path: Path) -> None:
    study = market(tmp_path, prices=priced(*BASE, ("Alder", "", 150), ("Birch", "", 330)))
    wide = predictions("Birch", BIRCH, scale_device=2.0)
    rows = upgrade_rivals(study, booked(study, wide)).set_index("to_build")
    assert rows["overtakes_below"].isna().all()
    assert rows.loc["with Alder", "reason"] == "the gain of bare + Birch is not clearly above zero"
