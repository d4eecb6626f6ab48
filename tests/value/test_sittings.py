"""Spread within and between sittings against published components and R."""

import math

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from perfkit.value.sittings import best_passes, sitting_spread, sitting_table
from tests.reference import load_json


def table(logs: np.ndarray, sittings: np.ndarray, cells: np.ndarray) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "system": "s", "gpu": "g", "workload": [f"w{cell}" for cell in cells], "width": 1,
            "height": 1, "render_scale": 1.0, "avg_fps": np.exp(logs), "seconds": 60.0,
            "frames": np.nan, "low_1pct_fps": np.nan, "outcome": "ran", "void_reason": "",
            "generated_per_drawn": 0.0, "cap_fps": np.nan, "flags": "", "source": "own",
            "state": "", "sitting": [f"day {sitting}" for sitting in sittings],
        }
    )  # fmt: skip


def balanced(outer: float, inner: float, cells: int, per_cell: int, each: int) -> pd.DataFrame:
    """Make passes of the given mean squares between and within sittings, with equal numbers."""
    sitting = np.repeat(np.arange(cells * per_cell), each)
    place, turn = sitting % per_cell, np.tile(np.arange(each), cells * per_cell)
    logs = place * np.sqrt(outer / each) / np.arange(per_cell).std(ddof=1)
    logs = logs + (turn - (each - 1) / 2) * np.sqrt(inner) / np.arange(each).std(ddof=1)
    return table(logs, sitting, sitting // per_cell)


def test_published_nested_components() -> None:
    """Glass furnace, 16 operators x 4 shifts x 3 batches, the two inner levels (5e-4 absolute)."""
    case = load_json("nested_variance_components")
    found = sitting_spread(balanced(case["MS"][2], case["MS"][3], 16, 4, 3))
    components = [found.between, found.within]
    assert_allclose(components, case["printed_var_comp"][2:], atol=5e-4)
    assert_allclose(components, case["recomputed"][2:], rtol=1e-9)
    assert_allclose(np.sqrt(components), case["printed_sd"][2:], atol=5e-4)
    assert (found.passes, found.sittings, found.configurations) == (192, 64, 16)


def test_negative_components_are_zero() -> None:
    found = sitting_spread(balanced(1.0, 4.0, 5, 3, 2))
    assert found.between == 0.0
    assert_allclose(found.within, 4.0, rtol=1e-12)


def test_unequal_numbers_recover_the_truth() -> None:
    """Simulated: 3 % within, 2 % between, 1 to 6 passes a sitting, mean of 40 studies.

    Three standard errors of that mean are 3 % within and 16 % between.
    """
    rng, found = np.random.default_rng(2), []
    for _ in range(40):
        counts = rng.integers(1, 7, 60)
        sitting = np.repeat(np.arange(60), counts)
        logs = 4 + rng.normal(0, 0.02, 60)[sitting] + rng.normal(0, 0.03, len(sitting))
        spread = sitting_spread(table(logs, sitting, sitting // 6))
        found.append((spread.within, spread.between))
    within, between = np.mean(found, axis=0)
    assert_allclose(within, 0.03**2, rtol=0.03)
    assert_allclose(between, 0.02**2, rtol=0.16)


@pytest.mark.parametrize(
    ("within", "between", "best"), [(4.0, 1.0, 6.0), (0.01, 9.0, 1.0), (1.0, 0.0, math.inf)]
)
def test_best_passes(within: float, between: float, best: float) -> None:
    assert best_passes(within, between, 1.0, 9.0) == best


def test_best_passes_is_the_minimum_of_variance_times_cost() -> None:
    within, between, each, setup = 3.0, 0.4, 1.5, 12.0
    passes = np.linspace(1, 40, 40_000)
    burden = (between + within / passes) * (setup + each * passes)
    assert_allclose(best_passes(within, between, each, setup), passes[burden.argmin()], rtol=1e-3)


def test_table_says_what_is_missing() -> None:
    one = sitting_table(table(np.array([4.0, 4.1]), np.array([0, 0]), np.array([0, 0]))).iloc[0]
    assert one["reason"] == "no configuration was run in two sittings: their spread is not known"
    lone = sitting_table(table(np.array([4.0]), np.array([0]), np.array([0]))).iloc[0]
    assert lone["reason"] == "no configuration was run twice in a sitting"
    assert math.isnan(lone["passes_per_sitting"])


def test_table_by_hand() -> None:
    """Two sittings of two passes, 2 % apart within them and 10 % between them.

    Variance within: 0.02^2 / 2 = 0.0002. Mean square between: 4 x 0.05^2 = 0.01; less 0.0002, over
    2 passes: 0.0049, so 7 %. Setting up is worth few passes: sqrt(10 / 3 x 2 / 49) < 1.
    """
    logs = 4 + np.array([-0.01, 0.01, 0.09, 0.11])
    seconds = pd.Series([60.0, 120.0, 120.0, 180.0])
    made = table(logs, np.array([0, 0, 1, 1]), np.zeros(4, int)).assign(seconds=seconds)
    found = sitting_table(made).iloc[0]
    assert_allclose([found["within_pct"], found["between_pct"]], [2**0.5, 7.0], rtol=1e-9)
    assert found[["passes", "sittings", "configurations"]].tolist() == [4, 2, 1]
    assert found[["pass_minutes", "setup_minutes", "passes_per_sitting"]].tolist() == [3.0, 10.0, 1]
    assert found["reason"] == ""
    # 8 % apart within: 0.0032; between (0.01 - 0.0032) / 2 = 0.0034.
    wide = table(4 + np.array([-0.04, 0.04, 0.06, 0.14]), np.array([0, 0, 1, 1]), np.zeros(4, int))
    found = sitting_table(wide.assign(seconds=np.nan)).iloc[0]
    assert_allclose(found["between_pct"], 100 * math.sqrt((0.01 - 0.0032) / 2), rtol=1e-9)
    assert found["pass_minutes"] == 1.0
    assert found["passes_per_sitting"] == round(math.sqrt(10 * 0.0032 / 0.0034))


def test_passes_without_a_sitting_count_for_none_and_equal_sittings_say_so() -> None:
    logs = 4 + np.array([-0.01, 0.01, -0.01, 0.01, 0.5])
    made = table(logs, np.array([0, 0, 1, 1, 2]), np.zeros(5, int))
    made.loc[4, "sitting"] = ""
    found = sitting_table(made).iloc[0]
    assert found[["passes", "sittings", "between_pct"]].tolist() == [4, 2, 0.0]
    assert found["reason"] == "sittings do not differ: run all passes in one"
    assert math.isnan(found["passes_per_sitting"])
