"""Numbers of passes against published sample sizes and statsmodels."""

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats
from statsmodels.stats.power import TTestPower

from perfkit.value.pass_counts import passes_needed, t_power
from tests.reference import load_json

CASES = load_json("sample_size")
KNOWN = 10**9
"""Degrees of freedom of a spread that is as good as known."""


def test_handbook_precision_of_a_mean() -> None:
    """NIST/SEMATECH e-Handbook 7.2.2.2 (N exact)."""
    # A mean whose range has the half-width delta shows a shift of delta every second time; a spread
    # estimated from very many cells is a known one, as the handbook's.
    for case in CASES["mean_precision"]["cases"]:
        alpha = (1 - case["conf"]) / 2
        found = passes_needed(case["delta"], case["sigma"], alpha, 0.5, cells=KNOWN)
        assert found == case["N"]
        power = t_power(case["delta"], case["sigma"], case["N_real"], KNOWN, alpha)
        # the handbook's own z is rounded to 1.96
        assert_allclose(power, 0.5, rtol=1e-7 if "z" not in case else 1e-4)


@pytest.mark.parametrize(
    ("name", "sides"), [("two_sided_published", 2), ("one_sided_published", 1)]
)
def test_published_shifts(name: str, sides: int) -> None:
    """Two tutorial examples: 20.0933 -> 21 and 618.2557 -> 619."""
    case = CASES[name]
    shift = case.get("delta", case.get("mu1", 0) - case.get("mu0", 0))
    alpha = case["alpha"] / sides
    found = passes_needed(shift, case["sigma"], alpha, case["power"], cells=KNOWN)
    assert found == case["printed_N"]
    power = t_power(shift, case["sigma"], case["recomputed"], KNOWN, alpha)
    assert_allclose(power, case["power"], rtol=1e-7)


def test_one_sided_z_then_t() -> None:
    """Handbook example: 8.56 by z, 10.08 -> 11 by the noncentral t (R power.t.test)."""
    case = CASES["one_sided_test"]
    power = 1 - case["beta"]
    shift, alpha, real = case["delta_over_sigma"], case["alpha"], case["z_formula_N_real"]
    assert_allclose(t_power(shift, 1.0, real, KNOWN, alpha), power, rtol=1e-7)
    assert passes_needed(shift, 1.0, alpha, power, cells=KNOWN) == case["z_formula_N"]
    exact = case["noncentral_t_exact_N_real"]
    assert passes_needed(1.0, 1.0, case["alpha"], power) == math.ceil(exact)
    assert_allclose(t_power(1.0, 1.0, exact, exact - 1, case["alpha"]), power, rtol=1e-6)


@pytest.mark.parametrize("row", [0, 1])
def test_published_t_power(row: int) -> None:
    """Vendor documentation: 83.25 % and 71.1 %; the far tail of the two-sided test is left out."""
    case = CASES["t_one_sample_published"][row]
    found = t_power(case["delta"], case["sd"], case["n"], case["n"] - 1, case["alpha"] / 2)
    assert_allclose(100 * found, case["recomputed"], atol=1e-4)


@pytest.mark.parametrize("alpha", [0.05, 0.004])
@pytest.mark.parametrize("dof", [1, 3, 11, 999])
def test_power_far_from_zero(dof: int, alpha: float) -> None:
    """SciPy's own noncentral t, which does not underflow; away from there, the same to a bit."""
    for shift in [0.0, *np.linspace(0.5, 60.0, 240), 1e3, 1e6]:
        expected = stats.nct.sf(stats.t.isf(alpha, dof), dof, shift)
        assert_allclose(t_power(shift, 1.0, 1.0, dof, alpha), expected, rtol=0, atol=1e-12)
    assert math.isnan(t_power(math.nan, 1.0, 1.0, dof, alpha))


@pytest.mark.parametrize("shift", [0.3, 0.7, 2.0])
def test_needed_is_the_smallest_by_statsmodels(shift: float) -> None:
    found = passes_needed(shift, 1.0, 0.05, 0.8)
    power = TTestPower().power
    assert power(shift, found, 0.05, alternative="larger") >= 0.8
    assert power(shift, found - 1, 0.05, alternative="larger") < 0.8


def test_no_shift_needs_infinitely_many_and_unknown_stays_unknown() -> None:
    assert passes_needed(0.0, 1.0, 0.05, 0.8) == math.inf
    assert passes_needed(1e-6, 1.0, 0.05, 0.8) == math.inf
    assert math.isnan(passes_needed(1.0, np.nan, 0.05, 0.8))
    assert math.isnan(passes_needed(1.0, 0.0, 0.05, 0.8))
    assert math.isnan(passes_needed(np.nan, 1.0, 0.05, 0.8))


@pytest.mark.parametrize(("shift", "passes"), [(100.0, 2), (6.0, 3)])
def test_two_passes_are_the_fewest(shift: float, passes: float) -> None:
    assert passes_needed(shift, 1.0, 0.05, 0.9) == passes


@pytest.mark.parametrize(("most", "passes"), [(11, 11.0), (10, math.inf)])
def test_more_than_anybody_films_is_never(most: int, passes: float) -> None:
    """The handbook's example needs 11 passes."""
    assert passes_needed(1.0, 1.0, 0.05, 0.9, most=most) == passes


def test_more_cells_estimate_the_spread_better() -> None:
    assert passes_needed(2.5, 1.0, 0.01, 0.9, cells=12) < passes_needed(2.5, 1.0, 0.01, 0.9)
