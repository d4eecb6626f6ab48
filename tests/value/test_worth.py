"""Cost per frame: hand-worked numbers, honest gaps, and what must not change."""

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from pandas.testing import assert_frame_equal
from scipy import stats

from perfkit.value.builds import machines, needed_targets
from perfkit.value.worth import _why_no_number, value_table
from tests.value.market import (
    BASE,
    CARDS,
    build,
    market,
    measured,
    no_predictions,
    predictions,
    priced,
    runs,
    speeds_of,
    summary,
)

PINNED = ["build", "price", "currency", "price_date", "basis", "fps", "fps_low", "fps_high"]
PINNED += ["cost_per_frame", "cost_low", "cost_high", "on_frontier", "share_30", "share_60"]
FPS_COLUMNS = ["fps", "fps_low", "fps_high", "share_30", "share_60"]
BIRCH = {"Fen": 60.0, "Moor": 120.0, "Tarn": 240.0}
TOMORROW = priced(("Alder", "", 150), date="2026-11-02")
WITH_BIRCH = build("with Birch", "Birch")


def worth(folder: Path, table: pd.DataFrame | None = None, **files: object) -> pd.DataFrame:
    study = market(folder, **files)
    return value_table(study, summary(study), no_predictions() if table is None else table)


def test_pinned_columns_come_first(tmp_path: Path) -> None:
    assert worth(tmp_path).columns[: len(PINNED)].tolist() == PINNED


def test_hand_worked_measured_builds(tmp_path: Path) -> None:
    """Means over passes 20, 40, 80 (x (1 + e^.01 + e^-.01)/3): geometric mean 40; price 350."""
    found = worth(tmp_path).set_index("build")
    mean = (1 + 2 * np.cosh(0.01)) / 3
    assert_allclose(found["fps"], [40 * mean, 80 * mean], rtol=1e-12)
    assert found["price"].tolist() == [350.0, 500.0]
    assert_allclose(found["cost_per_frame"], [350 / (40 * mean), 500 / (80 * mean)], rtol=1e-12)
    assert found["basis"].tolist() == ["measured", "measured"]
    assert_allclose(found["share_30"], [2 / 3, 1.0], rtol=1e-12)
    assert_allclose(found["share_60"], [1 / 3, 2 / 3], rtol=1e-12)
    assert found["on_frontier"].tolist() == [1.0, 1.0]
    assert found["best_value"].tolist() == [0.0, 1.0]
    assert found["card_price"].tolist()[1] == 150.0
    assert np.isnan(found["card_price"].iloc[0])
    assert_allclose(found["card_cost_per_frame"].iloc[1], 150 / (80 * mean), rtol=1e-12)


def test_a_card_without_a_price_costs_no_known_sum(tmp_path: Path) -> None:
    """Unknown is NaN, never nothing."""
    prices = priced(*BASE) + priced(("Alder", "", 90), condition="used")
    found = worth(tmp_path, prices=prices).set_index("build")
    assert found["card_price"].isna().tolist() == [True, True]
    assert np.isnan(found.loc["with Alder", "price"])


def test_measured_range_is_the_t_range_of_the_mean(tmp_path: Path) -> None:
    """Spread .01 a pass, 12 dof, 9 passes: closed form up to 4,000 draws (3 %)."""
    found = worth(tmp_path).iloc[0]
    half = stats.t.ppf(0.95, 12) * 0.01 / np.sqrt(9)
    assert_allclose(np.log(found["fps_high"] / found["fps"]), half, rtol=0.06)
    assert_allclose(np.log(found["fps"] / found["fps_low"]), half, rtol=0.06)
    assert_allclose(found["cost_low"], found["price"] / found["fps_high"], rtol=1e-12)
    assert_allclose(found["cost_high"], found["price"] / found["fps_low"], rtol=1e-12)


def test_predicted_range_shares_the_device_error(tmp_path: Path) -> None:
    """Scale of the mean: sqrt(.1^2 + .05^2 / 3), t with 9 dof; independent rows are far off."""
    rows = build("bare", "Ember") + WITH_BIRCH
    found = worth(tmp_path, predictions("Birch", BIRCH), builds=rows).set_index("build")
    birch = found.loc["with Birch"]
    assert birch["basis"] == "predicted"
    assert_allclose(birch["fps"], 120.0, rtol=1e-12)
    half = stats.t.ppf(0.95, 9) * np.sqrt(0.1**2 + 0.05**2 / 3)
    assert_allclose(np.log(birch["fps_high"] / birch["fps_low"]) / 2, half, rtol=0.05)


def test_measured_goes_before_predicted(tmp_path: Path) -> None:
    table = predictions("Ember", {"Fen": 999.0, "Moor": 999.0, "Tarn": 999.0})
    assert_frame_equal(worth(tmp_path / "a", table), worth(tmp_path / "b"))


def test_weakest_basis_is_named(tmp_path: Path) -> None:
    borrowed = runs("Birch", {"Fen": [60.0, 61.0]}, source="borrowed")
    table = predictions("Birch", {"Moor": 120.0, "Tarn": 240.0})
    rows = build("bare", "Ember") + WITH_BIRCH
    files = {"passes": measured() + borrowed, "builds": rows}
    assert worth(tmp_path / "a", table, **files)["basis"].tolist() == ["measured", "predicted"]
    two_games = [{"workload": "Fen"}, *({"workload": g, "weight": 0} for g in ("Moor", "Tarn"))]
    found = worth(tmp_path / "b", table, workloads=two_games, **files)
    assert found["basis"].tolist() == ["measured", "borrowed"]


def test_own_passes_go_before_borrowed_ones(tmp_path: Path) -> None:
    lent = runs("Ember", {"Fen": [500.0]}, source="borrowed")
    found = worth(tmp_path / "a", passes=measured() + lent)
    assert_frame_equal(found, worth(tmp_path / "b"))


@pytest.mark.parametrize(
    "spoiled",
    [
        {"void_reason": "wrong preset"},
        {"outcome": "crashed"},
        {"generated_per_drawn": 1},
        {"cap_fps": 500},
        {"state": "cold"},
        {"width": 2560, "height": 1440},
        {"render_scale": 0.5},
    ],
)
def test_passes_that_do_not_count_change_nothing(tmp_path: Path, spoiled: dict) -> None:
    more = runs("Ember", {"Fen": [500.0]}, **spoiled)
    found = worth(tmp_path / "a", passes=measured() + more)
    assert_frame_equal(found, worth(tmp_path / "b"))


def test_workload_without_a_number_is_named_and_left_out_for_all(tmp_path: Path) -> None:
    """Birch lacks Tarn: all builds are compared on Fen and Moor, sqrt(20 x 40) = 28.28."""
    table = predictions("Birch", {"Fen": 60.0, "Moor": 120.0})
    rows = build("bare", "Ember") + WITH_BIRCH
    found = worth(tmp_path, table, builds=rows)
    assert found["missing"].tolist() == ["", "Tarn"]
    assert found["workloads"].tolist() == [2, 2]
    assert_allclose(found["fps"], [np.sqrt(800), np.sqrt(7200)], rtol=1e-4)


def test_build_with_too_few_workloads_does_not_take_them_from_the_others(tmp_path: Path) -> None:
    rows = build("bare", "Ember") + WITH_BIRCH
    found = worth(tmp_path / "a", predictions("Birch", {"Fen": 60.0}), builds=rows)
    alone = worth(tmp_path / "b", builds=build("bare", "Ember"))
    numbers = [*FPS_COLUMNS, "cost_per_frame", "workloads"]
    assert_frame_equal(found.loc[[0], numbers], alone[numbers])
    assert np.isnan(found["fps"].iloc[1])
    assert found["reason"].iloc[1].startswith("1 of 3 workloads have a number here")
    assert found["missing"].iloc[1] == "Moor; Tarn"


def test_reason_of_a_refused_prediction_is_passed_on(tmp_path: Path) -> None:
    nothing = dict.fromkeys(BIRCH, np.nan)
    table = predictions("Birch", nothing, reason="the card has 4 GiB, it was seen to use 6 GiB")
    found = worth(tmp_path, table, builds=WITH_BIRCH)
    assert "0 of 3 workloads have a number here (the card has 4 GiB" in found["reason"].iloc[0]


def test_spread_never_measured_gives_no_range(tmp_path: Path) -> None:
    once = runs("Ember", {"Fen": [20.0], "Moor": [40.0], "Tarn": [80.0]})
    found = worth(tmp_path, passes=once, builds=build("bare", "Ember")).iloc[0]
    assert_allclose(found["fps"], 40.0, rtol=1e-12)
    assert np.isnan(
        found[["fps_low", "fps_high", "cost_low", "cost_high", "on_frontier"]].astype(float)
    ).all()
    assert found["reason"] == "range not known: no configuration was run twice"


def test_repeats_equal_to_the_last_digit_give_no_zero_width_range(tmp_path: Path) -> None:
    same = runs("Ember", {game: [40.0, 40.0] for game in BIRCH})
    found = worth(tmp_path, passes=same, builds=build("bare", "Ember")).iloc[0]
    assert np.isnan(found["fps_low"])


def test_one_unpriced_item_leaves_cost_unknown_and_fps_known(tmp_path: Path) -> None:
    found = worth(tmp_path, prices=priced(*BASE) + TOMORROW).set_index("build")
    assert found.loc["bare", "cost_per_frame"] > 0
    assert np.isnan(found.loc["with Alder", "cost_per_frame"])
    assert found.loc["with Alder", "fps"] > 0
    assert "Alder: its first new price is of 2026-11-02" in found.loc["with Alder", "reason"]


def test_build_without_a_gpu_says_so(tmp_path: Path) -> None:
    rows = build("bare", "Ember") + build("shell", "")
    found = worth(tmp_path, builds=rows).set_index("build")
    assert found.loc["shell", "reason"] == "builds.csv names no GPU for this build"
    assert np.isnan(found.loc["shell", "fps"])
    assert found.loc["bare", "workloads"] == 3


def test_no_builds_gives_the_header_alone(tmp_path: Path) -> None:
    found = worth(tmp_path, builds=[], prices=[])
    assert len(found) == 0
    assert found.columns[: len(PINNED)].tolist() == PINNED


def test_builds_without_any_speed(tmp_path: Path) -> None:
    found = worth(tmp_path, builds=WITH_BIRCH)
    assert np.isnan(found["fps"]).all()
    assert np.isnan(found["share_30"]).all()


def test_price_edit_leaves_fps_columns_as_they_were(tmp_path: Path) -> None:
    table = predictions("Birch", BIRCH)
    rows = build("bare", "Ember") + build("with Alder", "Alder") + WITH_BIRCH
    before = worth(tmp_path / "a", table, builds=rows)
    dearer = priced(*BASE, *((card, "", 2 * price) for card, price in CARDS.items()))
    after = worth(tmp_path / "b", table, builds=rows, prices=dearer)
    assert_frame_equal(before[FPS_COLUMNS], after[FPS_COLUMNS], check_exact=True)
    assert (before["price"] != after["price"]).tolist() == [False, True, True]


def test_currency_scales_costs_and_nothing_else(tmp_path: Path) -> None:
    """1 EUR = 4 DKK, a power of two: exact."""
    table = predictions("Birch", BIRCH)
    rows = build("bare", "Ember") + WITH_BIRCH
    rates = [{"date": "2026-10-01", "from": "EUR", "to": "DKK", "rate": 4}]
    in_euro = priced(*BASE, ("Birch", "", 300), currency="EUR")
    euro = worth(tmp_path / "a", table, builds=rows, prices=in_euro)
    crown = worth(tmp_path / "b", table, builds=rows, prices=in_euro, rates=rates, currency="DKK")
    money = ["price", "cost_per_frame", "cost_low", "cost_high", "overtakes_below", "card_price"]
    assert_frame_equal(4 * euro[money], crown[money], rtol=1e-15)
    kept = [*FPS_COLUMNS, "basis", "on_frontier", "best_value"]
    assert_frame_equal(euro[kept], crown[kept], check_exact=True)


def test_row_order_changes_nothing(tmp_path: Path) -> None:
    table = predictions("Birch", BIRCH)
    rows = build("bare", "Ember") + build("with Alder", "Alder") + WITH_BIRCH
    shuffled = np.random.default_rng(8).permutation
    passes = measured()
    found = worth(
        tmp_path / "b",
        table.iloc[::-1],
        builds=rows[::-1],
        passes=[passes[i] for i in shuffled(len(passes))],
        workloads=[{"workload": game} for game in ("Tarn", "Fen", "Moor")],
    )
    expected = worth(tmp_path / "a", table, builds=rows)
    assert_frame_equal(
        found.sort_values("build", ignore_index=True),
        expected.sort_values("build", ignore_index=True),
        rtol=1e-12,
    )


def test_irrelevant_build_leaves_the_others_numbers(tmp_path: Path) -> None:
    rows = build("bare", "Ember") + build("with Alder", "Alder")
    table = predictions("Birch", dict.fromkeys(BIRCH, 1.0))
    expected = worth(tmp_path / "a", table, builds=rows)
    dear = priced(*BASE, ("Alder", "", 150), ("Birch", "", 9000))
    found = worth(tmp_path / "b", table, builds=rows + WITH_BIRCH, prices=dear)
    assert_frame_equal(found.iloc[:2], expected, check_exact=True)


def test_same_machine_twice_is_as_fast(tmp_path: Path) -> None:
    """Two builds of one machine at one price: both on the frontier, neither beats the other."""
    rows = build("one", "Birch") + build("two", "Birch")
    found = worth(tmp_path, predictions("Birch", BIRCH), builds=rows)
    assert found["on_frontier"].tolist() == [1.0, 1.0]
    assert found["fps_low"].iloc[0] == found["fps_low"].iloc[1]


def test_weights_of_workloads(tmp_path: Path) -> None:
    """Weights 2, 1, 1: exp((2 ln 20 + ln 40 + ln 80) / 4) = 33.636."""
    weighted = [{"workload": "Fen", "weight": 2}, {"workload": "Moor"}, {"workload": "Tarn"}]
    found = worth(tmp_path, workloads=weighted).iloc[0]
    assert_allclose(found["fps"], (20 * 20 * 40 * 80) ** 0.25, rtol=1e-4)
    assert_allclose(found["share_30"], 0.5, rtol=1e-12)


def test_needed_targets_are_what_nobody_measured(tmp_path: Path) -> None:
    study = market(tmp_path, builds=build("bare", "Ember") + WITH_BIRCH)
    needed = needed_targets(study, summary(study))
    assert needed.columns.tolist() == [
        "system", "gpu", "workload", "width", "height", "render_scale",
    ]  # fmt: skip
    assert set(needed["gpu"]) == {"Birch"}
    assert needed["workload"].tolist() == ["Fen", "Moor", "Tarn"]
    assert (needed[["width", "height", "render_scale"]] == [1920, 1080, 1]).all(axis=None)


def test_needed_targets_without_builds(tmp_path: Path) -> None:
    study = market(tmp_path, builds=[], prices=[])
    assert len(needed_targets(study, summary(study))) == 0


def test_why_a_build_has_no_number() -> None:
    nan = np.nan
    builds = pd.DataFrame({"build": list("abcd"), "system": "s", "gpu": ["g", "", "h", "i"]})
    names = machines(SimpleNamespace(builds=builds))["reason"].tolist()
    why = [["", "", ""], ["", "", ""], ["", "too far", "never run"], ["", "", ""]]
    speeds = speeds_of([[1, 2, 3], [nan] * 3, [1, nan, nan], [1, 2, nan]], reason=why)
    assert [_why_no_number(names[at], speeds, at) for at in range(4)] == [
        [],
        ["builds.csv names no GPU for this build"],
        ["1 of 3 workloads have a number here (too far)"],
        [],
    ]
    speeds.log_draws[0, 1, 0] = nan
    speeds.log_draws[3, 2] = nan
    unknown = ["range not known: no configuration was run twice"]
    assert [_why_no_number(names[at], speeds, at) for at in (0, 3)] == [unknown, []]
    apart = speeds_of([[1, nan], [nan, 2]])
    assert _why_no_number("", apart, 0) == ["no workload has a number on every compared build"]


def test_passes_and_workloads_behind_a_number(tmp_path: Path) -> None:
    """Birch is predicted on two of three games, so they are the common ones: 2 x 3 passes."""
    rows = build("bare", "Ember") + WITH_BIRCH + build("with Alder", "Alder")
    passes = [row for row in measured() if row["gpu"] == "Ember"]
    found = worth(
        tmp_path, predictions("Birch", {"Fen": 60.0, "Moor": 120.0}), builds=rows, passes=passes
    )
    assert found["passes"].tolist() == [6, 0, 0]
    assert found["workloads"].tolist() == [2, 2, 0]
    assert found["basis"].tolist() == ["measured", "predicted", ""]
    assert (found["level"] == 0.9).all()
    # 650 for 85 FPS against 350 for 28: it would have to cost less than 28 x 650 / 85.
    flip = found["fps"][0] * 650 / found["fps"][1]
    assert_allclose(found["overtakes_below"][0], flip, rtol=0.02)
