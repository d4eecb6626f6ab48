"""From evidence to a verdict: each rule at its edges, on comparisons that are given."""

import math
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats
from statsmodels.stats.power import TTestPower

from perfkit.defaults import LEVEL
from perfkit.value.claim_evidence import Evidence
from perfkit.value.claims import (
    CONTRADICTED,
    OPEN,
    SUPPORTED,
    _finding,
    _games_to_turn,
    _nearest,
    _still_needed,
    _two_sided,
    _verdict,
)
from perfkit.value.contrast import Contrast

INF = math.inf


def contrast(log_ratio: float = 0.0, *strata: float, **more: float) -> Contrast:
    told = {"std_error": 0.01, "dof": INF, "spread": 0.02} | more
    return Contrast(log_ratio, by_stratum=strata, **told)


@pytest.mark.parametrize(
    ("low", "high", "expected"),
    [(2.0, INF, 0.6), (2.0, 4.0, 0.8), (2.1, 3.9, 0.4), (-INF, 6.0, 0.6), (4.0, INF, 1.0),
     (-1.0, 9.0, 0.2)],
)  # fmt: skip
def test_draws_on_the_rarer_side_are_counted_twice(
    low: float, high: float, expected: float
) -> None:
    """Of the draws 0 to 8, n on the rarer side: 2 (n + 1) / (9 + 1), at most 1; ends hold."""
    found = _two_sided(Evidence(contrast(), draws=np.arange(9.0)), low, high)
    assert_allclose(found, expected, rtol=1e-12)


def test_how_sure_a_comparison_is() -> None:
    assert math.isnan(_two_sided(Evidence(None), 0.0, INF))
    assert _two_sided(Evidence(contrast(), chance=False), 0.0, INF) == 0.0
    assert math.isnan(_two_sided(Evidence(contrast(std_error=INF)), 0.0, INF))
    assert math.isnan(_two_sided(Evidence(contrast(std_error=math.nan)), 0.0, INF))
    for away in (0.02, -0.02):  # two standard errors to either side of the bound
        found = _two_sided(Evidence(contrast(away)), 0.0, INF)
        assert_allclose(found, 2 * stats.norm.cdf(-2), rtol=1e-12)
    assert _two_sided(Evidence(contrast()), 0.0, INF) == 1.0
    just_outside = Evidence(contrast(0.011, std_error=1.0))  # each side is rather likely
    assert _two_sided(just_outside, -0.01, 0.01) == 1.0
    halves = Evidence(contrast(), draws=np.arange(8.0))  # 2 (4 + 1) / (8 + 1) is above 1
    assert _two_sided(halves, 3.5, INF) == 1.0


@pytest.mark.parametrize(
    ("log_ratio", "p", "verdict"),
    [(0.5, 0.0999, SUPPORTED), (0.5, 1 - LEVEL, OPEN), (0.5, math.nan, OPEN),
     (0.0, 0.01, SUPPORTED), (1.0, 0.01, SUPPORTED), (-1e-9, 0.01, CONTRADICTED),
     (1 + 1e-9, 0.01, CONTRADICTED), (-1.0, 0.2, OPEN)],
)  # fmt: skip
def test_a_verdict_needs_its_level_and_its_side(log_ratio: float, p: float, verdict: str) -> None:
    assert _verdict(Evidence(contrast(log_ratio)), (0.0, 1.0), p) == verdict


def test_without_chance_no_level_is_asked() -> None:
    price = Evidence(contrast(0.5), chance=False)
    assert _verdict(price, (0.0, 1.0), math.nan) == SUPPORTED
    assert _verdict(price, (0.6, 1.0), math.nan) == CONTRADICTED
    assert _verdict(Evidence(None, chance=False), (0.0, 1.0), 0.0) == OPEN


@pytest.mark.parametrize(
    ("log_ratio", "low", "high", "expected"),
    [(5.0, -INF, 1.0, 1.0), (5.0, 2.0, INF, 2.0), (-0.4, -1.0, 1.0, -1.0), (0.4, -1.0, 1.0, 1.0),
     (0.0, -1.0, 1.0, 1.0), (-3.0, -1.0, 1.0, -1.0), (3.0, -1.0, 1.0, 1.0),
     (0.6, -1.0, 3.0, -1.0)],
)  # fmt: skip
def test_the_end_that_would_be_crossed(
    log_ratio: float, low: float, high: float, expected: float
) -> None:
    assert _nearest(log_ratio, low, high) == expected


@pytest.mark.parametrize(
    ("threshold", "turned"), [(0.0, ["Fen"]), (0.05, ["Moor"]), (-0.2, []), (INF, [])]
)
def test_a_game_run_in_two_systems_turns_as_one(threshold: float, turned: list[str]) -> None:
    """Fen: (1 x 0.4 + 3 x 0) / 4 = 0.1, weight 4; Moor: -0.1, weight 2.

    Away from 0 they pull 0.4 and -0.2, from 0.05 they pull 0.2 and -0.3, from -0.2 both upwards.
    """
    found = Evidence(None, workloads=("Fen", "Fen", "Moor"), weights=np.array([1.0, 3.0, 2.0]))
    told = contrast(0.0, 0.4, 0.0, -0.1)
    assert _games_to_turn(found, told, threshold) == turned
    assert _games_to_turn(Evidence(None), contrast(), threshold) == []


def test_games_that_pull_alike_are_named_in_their_order() -> None:
    found = Evidence(None, workloads=("Tarn", "Fen", "Moor"), weights=np.ones(3))
    assert _games_to_turn(found, contrast(0.1, 0.3, 0.3, -0.2), 0.0) == ["Tarn", "Fen"]


@pytest.mark.parametrize("claims", [1, 4])
@pytest.mark.parametrize("shift", [0.02, -0.02])
def test_passes_still_needed_are_those_of_the_t_test(claims: int, shift: float) -> None:
    """One cell, one side, 80 %, the error shared by the claims: by statsmodels."""
    found = Evidence(contrast(), cells=1, fewest=3.0)
    power = TTestPower().solve_power(
        0.02 / 0.03, alpha=0.1 / 2 / claims, power=0.8, alternative="larger"
    )
    told = _still_needed(found, contrast(0.1 + shift, spread=0.03), 0.1, claims)
    assert told == (math.ceil(power) - 3, "")


def test_passes_that_cannot_be_told() -> None:
    known = Evidence(contrast(), cells=2, fewest=500.0)
    assert _still_needed(known, contrast(0.1), 0.0, 1) == (1.0, "")
    for fewest in (1.5, 0.5):  # two passes are the fewest that tell a spread
        few = Evidence(contrast(), cells=2, fewest=fewest)
        assert _still_needed(few, contrast(10.0), 0.0, 1) == (max(1.0, 2 - fewest), "")
    value, why = _still_needed(known, contrast(0.1, spread=math.nan), 0.0, 1)
    assert (math.isnan(value), why[:34]) == (True, "spread between passes not known: r")
    value, why = _still_needed(known, contrast(1e-9), 0.0, 1)
    assert math.isnan(value)
    assert why == "too close to call: more than 1000 passes would be needed"


def finding(evidence: Evidence, p_holm: float = 0.3, limit: tuple = (0.0, INF)) -> Any:
    return _finding(evidence, limit, 0.2, p_holm, 1)


def test_all_of_a_finding() -> None:
    """Log ratio 0.05 against 0: the price may rise by exp(-0.05); one of three games turns it."""
    told = contrast(0.05, 0.4, -0.1, -0.15)
    found = finding(
        Evidence(told, workloads=("a", "b", "c"), weights=np.ones(3), passes=(5, 7), fewest=2.0,
                 cells=6, basis="measured", price_left=200.0, reason="why")
    )  # fmt: skip
    assert (found.verdict, found.p_value, found.p_holm) == (OPEN, 0.2, 0.3)
    half = stats.norm.ppf(0.95) * 0.01
    expected = np.exp([0.05, 0.05 - half, 0.05 + half])
    assert_allclose([found.estimate, found.low, found.high], expected, rtol=1e-12)
    assert (found.passes_left, found.passes_right, found.workloads) == (5, 7, 3)
    assert (found.basis, found.reason) == ("measured", "why")
    assert_allclose(found.flip_price, 200 * math.exp(-0.05), rtol=1e-12)
    assert (found.games_to_turn, found.turned_by) == (1.0, "a")
    assert found.passes_needed >= 1


def test_what_is_not_said_of_a_finding() -> None:
    settled = finding(Evidence(contrast(0.05), cells=2, fewest=2.0), p_holm=0.01)
    assert (settled.verdict, settled.workloads, settled.turned_by) == (SUPPORTED, 0, "")
    assert math.isnan(settled.passes_needed)
    assert math.isnan(settled.games_to_turn)
    assert math.isnan(settled.flip_price)
    drawn = finding(Evidence(contrast(0.05), draws=np.arange(9.0), cells=2, fewest=2.0))
    assert (drawn.verdict, drawn.reason) == (OPEN, "")
    assert math.isnan(drawn.passes_needed)
    price = finding(Evidence(contrast(0.05, std_error=0.0), chance=False), p_holm=math.nan)
    assert (price.verdict, price.p_holm) == (SUPPORTED, 0.2)
    assert math.isnan(price.low)
    nothing = finding(Evidence(None, reason="nothing to compare"), p_holm=math.nan)
    assert (nothing.verdict, nothing.reason) == (OPEN, "nothing to compare")
    assert math.isnan(nothing.estimate)
