"""Ratios of uncertain quantities against published examples."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from perfkit.value.ratio import BOUNDED, EXCLUSIVE, WHOLE_LINE, fieller
from tests.reference import load_csv, load_json


def delta_error(a: float, b: float, *variances: float) -> float:
    """Give the standard error by first order: half of a narrow range over its t.

    At this level t is 1.25e-5, so that terms of second order are below 1e-10 (Fieller 1954).
    """
    found = fieller(a, b, *variances, level=1e-5)
    return float(found.high - found.low) / 2 / float(stats.norm.isf((1 - 1e-5) / 2))


def test_teaching_example_of_fiellers_theorem() -> None:
    """Fieller 1954; worked numbers of the documentation of DCPROGS/DCSTATS (1e-6)."""
    case = load_json("ratio_uncertainty.json")["teaching_example"]
    a, b, sd_a, sd_b = (case[name] for name in ("a", "b", "sd_a", "sd_b"))
    found = fieller(a, b, sd_a**2, sd_b**2, dof=case["df"], level=0.90)
    printed = case["printed"]
    assert_allclose([found.ratio, found.g], [printed["ratio"], printed["g"]], rtol=2e-6)
    assert_allclose([found.low, found.high], [printed["lo"], printed["hi"]], rtol=1e-6)
    assert_allclose([found.low, found.high], case["recomputed"]["ci"], rtol=1e-12)
    assert found.case == BOUNDED
    assert_allclose(delta_error(a, b, sd_a**2, sd_b**2), case["recomputed"]["delta_sd"], rtol=1e-9)


@pytest.mark.parametrize(("row", "case"), [(0, EXCLUSIVE), (1, WHOLE_LINE)])
def test_unbounded_cases_give_no_finite_range(row: int, case: str) -> None:
    """Fieller's three cases (von Luxburg and Franz 2009): exact behaviour."""
    given = load_json("ratio_uncertainty.json")["unbounded_cases"][row]
    numbers = [given[name] for name in ("a", "b", "va", "vb", "cab")]
    found = fieller(*numbers, level=0.95)
    assert_allclose(found.g, given["g"], rtol=1e-9)
    assert found.case == case
    assert np.isnan([found.low, found.high]).all()


@pytest.mark.parametrize("name", ["fieller95_t", "fieller90_t", "fieller95_independent"])
def test_city_ratio(name: str) -> None:
    """Davison and Hinkley 1997, first ten cities; expected values by R (1e-10)."""
    city, expected = load_csv("city.csv"), load_json("city_ratio_expected.json")
    n = len(city)
    cov = np.cov(city["x"], city["u"]) / n
    between = 0.0 if "independent" in name else cov[0, 1]
    level = 0.90 if "90" in name else 0.95
    found = fieller(
        city["x"].mean(), city["u"].mean(), cov[0, 0], cov[1, 1], between, dof=n - 1, level=level
    )
    wanted = expected[name]
    assert_allclose(found.ratio, expected["ratio"], rtol=1e-12)
    assert_allclose(
        [found.g, found.low, found.high], [wanted[k] for k in ("g", "lo", "hi")], rtol=1e-10
    )


def test_city_delta_method() -> None:
    """Standard error of the ratio by the delta method, R package boot's data (1e-9)."""
    city, expected = load_csv("city.csv"), load_json("city_ratio_expected.json")
    cov = np.cov(city["x"], city["u"]) / len(city)
    found = delta_error(city["x"].mean(), city["u"].mean(), cov[0, 0], cov[1, 1], cov[0, 1])
    assert_allclose(found, expected["delta_se"], rtol=1e-9)


def test_gum_impedance() -> None:
    """JCGM 100:2008, annex H.2: Z = V / I with correlated inputs; printed values from memory."""
    data = load_json("ratio_uncertainty.json")["gum_h2"]
    volts, amperes = np.array(data["V"]), np.array(data["I_A"])
    cov = np.cov(volts, amperes) / len(volts)
    v, i = volts.mean(), amperes.mean()
    spread = delta_error(v, i, cov[0, 0], cov[1, 1], cov[0, 1])
    assert_allclose(v / i, data["printed"]["Z"], atol=5e-4)
    assert_allclose(spread, data["printed"]["u_Z"], atol=1e-3)
    assert_allclose(spread, data["recomputed"]["u_Z"], rtol=1e-7)


def test_many_at_once_equal_one_by_one() -> None:
    rng = np.random.default_rng(6)
    a, b = rng.normal(5, 3, 200), rng.normal(2, 2, 200)
    va, vb = rng.uniform(0.1, 4, (2, 200))
    together = fieller(a, b, va, vb, 0.1, dof=7)
    assert set(together.case) == {BOUNDED, EXCLUSIVE, WHOLE_LINE}
    for each in range(0, 200, 17):
        alone = fieller(a[each], b[each], va[each], vb[each], 0.1, dof=7)
        assert alone.case == together.case[each]
        assert_allclose([alone.low, alone.high], [together.low[each], together.high[each]])


def test_every_end_solves_the_defining_equation() -> None:
    """(a - r b)^2 = t^2 (var_a - 2 r cov + r^2 var_b), by definition."""
    found = fieller(9.0, 4.0, 0.5, 0.2, 0.1, dof=5, level=0.8)
    t2 = stats.t.ppf(0.9, 5) ** 2
    for r in (float(found.low), float(found.high)):
        assert_allclose((9 - r * 4) ** 2, t2 * (0.5 - 0.2 * r + 0.2 * r * r), rtol=1e-10)


def test_unknown_stays_unknown() -> None:
    found = fieller([1.0, np.nan], [2.0, 2.0], [np.nan, 0.1], 0.1)
    assert np.isnan(found.low).all()
    assert found.case.tolist() == ["", ""]


def test_draws_agree_with_fieller_where_both_exist() -> None:
    """Quantiles of a drawn ratio against Fieller, normal case with g = 0.03: within 2 %.

    The two answer the same question only while the denominator stays clear of zero.
    """
    rng = np.random.default_rng(7)
    ratio = rng.normal(120, 6, 400_000) / rng.normal(20, 2.1, 400_000)
    found = fieller(120, 20, 36, 2.1**2, level=0.90)
    assert_allclose(np.quantile(ratio, [0.05, 0.95]), [found.low, found.high], rtol=0.02)


@pytest.mark.parametrize("unit", [1.0, 0.1, 1e-3, 1e3])
def test_a_range_does_not_hang_on_the_unit(unit):
    found = fieller(14 * unit, 7 * unit, 9 * unit**2, 4 * unit**2, dof=10)
    assert found.case == BOUNDED
    plain = fieller(14, 7, 9, 4, dof=10)
    assert float(found.low) == pytest.approx(float(plain.low), rel=1e-9)
    assert float(found.high) == pytest.approx(float(plain.high), rel=1e-9)


def test_what_is_known_exactly_has_no_width():
    found = fieller(2, 1, 0, 0, dof=10)
    assert (found.case, float(found.low), float(found.high)) == (BOUNDED, 2.0, 2.0)


def test_a_denominator_of_exactly_nothing_bounds_nothing():
    # (1 - 0 r)^2 = 1 is below t^2 = 3.3 whatever r is
    found = fieller(1, 0, 1, 0, dof=10)
    assert (found.case, np.isnan(found.low), np.isnan(found.high)) == (WHOLE_LINE, True, True)
