"""Least squares: NIST's certified sets and Jain's disk example.

Sources: NIST Statistical Reference Datasets, Linear Least Squares Regression (certified values);
R. Jain (1991), The Art of Computer Systems Performance Analysis, Wiley, examples 14.1-14.5, 15.1.
"""

import warnings

import numpy as np
import pytest
import statsmodels.api as sm

from perfkit.models.power_law import PowerLaw
from tests.outside import as_cells
from tests.reference import load_csv, load_json

CERTIFIED = load_json("nist_lls_certified")
JAIN = load_json("jain_disk_cpu_expected")

# What double precision leaves of sets made to be hard, on columns scaled to at most 1: measured
# 13 digits for the easy ones, 10 for Wampler 1-3, 7 for Filip, 5 for Wampler 5.
TOLERANCE = {
    "Norris": 1e-11,
    "Pontius": 1e-11,
    "NoInt1": 1e-12,
    "NoInt2": 1e-12,
    "Filip": 1e-6,
    "Wampler1": 1e-8,
    "Wampler2": 1e-8,
    "Wampler3": 1e-8,
    "Wampler5": 1e-4,
}


def powers(name: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Response, powers of x scaled to at most 1, and the scales."""
    table, certified = load_csv(f"nist_{name.lower()}"), CERTIFIED[name]
    degrees = np.arange(0 if certified["intercept"] else 1, certified["polynomial_degree"] + 1)
    raw = table["x"].to_numpy(float)[:, None] ** degrees
    scales = np.abs(raw).max(axis=0)
    return table["y"].to_numpy(float), raw / scales, scales


@pytest.mark.parametrize("name", ["Norris", "Pontius"])
def test_power_law_finds_the_certified_coefficients(name: str) -> None:
    y, columns, scales = powers(name)
    fit = PowerLaw("power law").fit(as_cells(y, columns[:, 1:]))
    found = np.concatenate([fit.intercepts, fit.slopes[: columns.shape[1] - 1]]) / scales
    certified, rel = CERTIFIED[name], TOLERANCE[name]
    assert found == pytest.approx(list(certified["coef"].values()), rel=rel)
    # The same regression as the reader sees it: slopes first, then the workload's intercept.
    shown = fit.regression()
    assert np.roll(shown.params, 1) / scales == pytest.approx(found, rel=rel)
    classical = np.sqrt(shown.scale * np.diag(shown.normalized_cov_params))
    errors = list(certified["se"].values())
    assert np.roll(classical, 1) / scales == pytest.approx(errors, rel=rel)
    assert np.sqrt(shown.scale) == pytest.approx(certified["residual_sd"], rel=rel)
    assert shown.rsquared == pytest.approx(certified["r2"], rel=rel)


@pytest.mark.parametrize("name", TOLERANCE)
def test_the_library_call_behind_the_errors_meets_every_certified_value(name: str) -> None:
    """`PowerLawFit.regression` shows this library's results, so all the sets are put to it."""
    y, columns, scales = powers(name)
    certified, fitted = CERTIFIED[name], sm.OLS(y, columns).fit()
    rel = TOLERANCE[name]
    assert fitted.params / scales == pytest.approx(list(certified["coef"].values()), rel=rel)
    # Wampler 1 and 2 fit exactly: their certified errors are 0, and 1e-7 absolute is rounding.
    slack = 0.0 if certified["residual_sd"] else 1e-7
    errors = list(certified["se"].values())
    assert fitted.bse / scales == pytest.approx(errors, rel=rel, abs=slack)
    deviation = np.sqrt(fitted.ssr / fitted.df_resid)
    assert deviation == pytest.approx(certified["residual_sd"], rel=rel, abs=slack)


@pytest.mark.parametrize("degrees", [(1, 2, 3, 4), (7, 8, 9, 10)])
def test_four_powers_of_filip_are_solved_and_the_summary_warns(degrees: tuple[int, ...]) -> None:
    """The kernel's four columns, near to collinear: 1e-7 of what an orthogonal solution gives."""
    table = load_csv("nist_filip")
    y, raw = table["y"].to_numpy(float), table["x"].to_numpy(float)[:, None] ** np.array(degrees)
    columns = raw / np.abs(raw).max(axis=0)
    fit = PowerLaw("power law").fit(as_cells(y, columns))
    q, r = np.linalg.qr(np.column_stack([np.ones(len(y)), columns]))
    expected = np.linalg.solve(r, q.T @ y)
    assert [fit.intercepts[0], *fit.slopes] == pytest.approx(expected, rel=1e-7)
    shown = fit.regression()
    assert fit.clustered() == pytest.approx(shown.bse[:4].to_numpy(), rel=1e-5)
    assert "strong multicollinearity" in str(shown.summary())


def test_all_powers_of_filip_are_shown_with_a_warning() -> None:
    """Raw tenth powers are beyond a pseudo-inverse: the coefficients are off, and it says so."""
    table = load_csv("nist_filip")
    x = table["x"].to_numpy(float)[:, None] ** np.arange(11)
    with warnings.catch_warnings():
        # Newer versions warn when fitting as well; the summary speaks in all of them.
        warnings.simplefilter("ignore")
        fitted = sm.OLS(table["y"].to_numpy(float), x).fit()
    certified = list(CERTIFIED["Filip"]["coef"].values())
    assert fitted.params != pytest.approx(certified, rel=0.5)
    assert "strong multicollinearity" in str(fitted.summary())


def test_directions_that_the_data_leave_open_are_not_made_up() -> None:
    # Filip's raw tenth powers defeat a pseudo-inverse silently; two equal columns are the
    # smallest case of it. Only their sum is determined, so only the sum may follow the data.
    x = np.linspace(0, 1, 12)
    fit = PowerLaw("power law").fit(as_cells(0.3 + 2 * x, np.column_stack([x, x])))
    assert fit.slopes[0] + fit.slopes[1] == pytest.approx(2.0, rel=1e-12)
    assert np.isnan(fit.clustered()).all()


def test_jain_disk_example_through_the_power_law() -> None:
    """Coefficients printed to four digits; 1e-10 against their recomputation."""
    table = load_csv("jain_disk_cpu")
    fit = PowerLaw("power law").fit(as_cells(table["cpu_time"], table["disk_io"] / 10))
    found = [fit.intercepts[0], fit.slopes[0] / 10]
    assert found == pytest.approx(JAIN["simple"]["recomputed"]["coef"], rel=1e-10)
    # Printed in chapter 14 (from memory; the recomputation agrees in all digits).
    assert found == pytest.approx([-0.0083, 0.2438], abs=5e-5)


def test_jain_two_predictors_through_the_power_law() -> None:
    """Table 15.2: memory and disk vary together, and the coefficients are still determined."""
    table = load_csv("jain_disk_cpu")
    columns = np.column_stack([table["disk_io"] / 10, table["memory"] / 100])
    fit = PowerLaw("power law").fit(as_cells(table["cpu_time"], columns))
    found = [fit.intercepts[0], fit.slopes[0] / 10, fit.slopes[1] / 100]
    assert found == pytest.approx(JAIN["multiple"]["recomputed"]["coef"], rel=1e-9)
