"""Ratios of uncertain quantities.

Sources: E. C. Fieller (1954), JRSS B 16:175-185, with the worked numbers of the documentation of
the repository DCPROGS/DCSTATS; A. C. Davison and D. V. Hinkley (1997), Bootstrap Methods and their
Application (ten cities of Cochran 1977; values by R's package boot); JCGM 100:2008 (GUM), annex
H.2 (printed results from memory, confirmed by recomputation).
"""

import numpy as np
import pytest

from perfkit.value.ratio import fieller, ratio_variance
from tests.reference import load_csv, load_json

RATIOS = load_json("ratio_uncertainty")
CITY = load_json("city_ratio_expected")


def city_moments() -> tuple[float, float, float, float, float]:
    """Means of x and u, their variances and covariance (of the means)."""
    table = load_csv("city")
    cov = np.cov(table["x"], table["u"]) / len(table)
    return table["x"].mean(), table["u"].mean(), cov[0, 0], cov[1, 1], cov[0, 1]


def test_worked_example_of_independent_quantities() -> None:
    e = RATIOS["teaching_example"]
    level = 1 - e["alpha_two_sided"]
    found = fieller(e["a"], e["b"], e["sd_a"] ** 2, e["sd_b"] ** 2, dof=e["df"], level=level)
    # Printed to six decimals; recomputed in closed form to 1e-10.
    printed, exact = e["printed"], e["recomputed"]
    assert [found.low, found.high] == pytest.approx([printed["lo"], printed["hi"]], abs=1e-6)
    assert [found.low, found.high] == pytest.approx(exact["ci"], rel=1e-10)
    assert found.g == pytest.approx(exact["g"], rel=1e-10)
    assert str(found.case) == "bounded"
    sd = float(ratio_variance(e["a"], e["b"], e["sd_a"] ** 2, e["sd_b"] ** 2)) ** 0.5
    assert sd == pytest.approx(printed["approx_sd"], abs=1e-6)


@pytest.mark.parametrize("case", RATIOS["unbounded_cases"], ids=lambda case: case["expect"])
def test_no_finite_range_where_the_divisor_is_not_clear_of_zero(case: dict[str, float]) -> None:
    found = fieller(case["a"], case["b"], case["va"], case["vb"], case["cab"], level=0.95)
    assert found.g == pytest.approx(case["g"], rel=1e-9)
    assert np.isnan(found.low)
    assert np.isnan(found.high)
    whole = case["expect"] == "whole real line"
    assert str(found.case) == ("whole line" if whole else "all but a range")


@pytest.mark.parametrize(("level", "name"), [(0.95, "fieller95_t"), (0.90, "fieller90_t")])
def test_ten_cities_with_their_covariance(level: float, name: str) -> None:
    x, u, var_x, var_u, cov = city_moments()
    found = fieller(x, u, var_x, var_u, cov, dof=CITY["n"] - 1, level=level)
    expected = CITY[name]
    # Closed forms on both sides: 1e-10.
    assert found.ratio == pytest.approx(CITY["ratio"], rel=1e-10)
    assert [found.low, found.high] == pytest.approx([expected["lo"], expected["hi"]], rel=1e-10)
    assert found.g == pytest.approx(expected["g"], rel=1e-10)


def test_ten_cities_taken_as_independent() -> None:
    x, u, var_x, var_u, _ = city_moments()
    found = fieller(x, u, var_x, var_u, dof=CITY["n"] - 1, level=0.95)
    expected = CITY["fieller95_independent"]
    assert [found.low, found.high] == pytest.approx([expected["lo"], expected["hi"]], rel=1e-10)


def test_first_order_error_of_ten_cities_and_what_other_methods_say() -> None:
    x, u, var_x, var_u, cov = city_moments()
    error = float(ratio_variance(x, u, var_x, var_u, cov)) ** 0.5
    assert error == pytest.approx(CITY["delta_se"], rel=1e-10)
    # The infinitesimal jackknife divides by n where the sample variance divides by n - 1
    # (v_L = 0.0325 in the book, from memory).
    n = CITY["n"]
    assert error**2 * (n - 1) / n == pytest.approx(CITY["infinitesimal_jackknife_vL"], rel=1e-10)
    assert error**2 * (n - 1) / n == pytest.approx(0.0325, abs=5e-5)
    # Jackknife and bootstrap (99,999 resamples in R) agree to what a second order leaves.
    assert error == pytest.approx(CITY["jackknife_se"], rel=0.05)
    assert error == pytest.approx(CITY["bootstrap"]["boot_se"], rel=0.20)
    # Fieller lies closer to the bootstrap's upper end than the symmetric range does.
    top = CITY["bootstrap"]["bca"][1]
    found = fieller(x, u, var_x, var_u, cov, dof=n - 1, level=0.90)
    assert float(found.high) == pytest.approx(top, abs=0.04)


def test_impedance_from_voltage_and_current() -> None:
    """GUM H.2: Z = V / I from five simultaneous, correlated readings."""
    h2 = RATIOS["gum_h2"]
    v, i = np.array(h2["V"]), np.array(h2["I_A"])
    cov = np.cov(v, i) / len(v)
    error = float(ratio_variance(v.mean(), i.mean(), cov[0, 0], cov[1, 1], cov[0, 1])) ** 0.5
    assert v.mean() / i.mean() == pytest.approx(h2["recomputed"]["Z"], rel=1e-12)
    assert error == pytest.approx(h2["recomputed"]["u_Z"], rel=1e-9)
    assert error == pytest.approx(h2["printed"]["u_Z"], abs=1e-3)  # printed to three decimals
