"""Statistics of one series: quantiles, mean, spread, likeness of neighbours.

Sources: R. J. Hyndman and Y. Fan (1996), Sample quantiles in statistical packages, American
Statistician 50:361-365 (values by R's quantile, types 1 to 9); NIST Statistical Reference
Datasets, Univariate Summary Statistics (certified).
"""

import math

import numpy as np
import pytest

from perfkit.frames.dependence import block_standard_errors
from perfkit.frames.statistics import frame_statistics
from tests.reference import load_csv, load_json

QUANTILES = load_json("quantile_types")
UNIVARIATE = load_json("nist_univariate_certified")


def test_frame_time_quantiles_are_type_7_and_no_other() -> None:
    x = np.array(QUANTILES["x"])
    found = frame_statistics(x)
    at = {p: k for k, p in enumerate(QUANTILES["probs"])}
    expected = QUANTILES["type"]["type7"]
    assert found.median_ms == pytest.approx(expected[at[0.5]], rel=1e-12)
    assert found.p95_ms == pytest.approx(expected[at[0.95]], rel=1e-12)
    others = {n: v[at[0.95]] for n, v in QUANTILES["type"].items() if n != "type7"}
    assert all(abs(found.p95_ms - value) > 1e-3 for value in others.values())


def test_low_is_the_type_7_quantile_of_a_pass_long_enough() -> None:
    # 1,001 points at 1, 2, ... put the 99 % point of type 7 on the 991st exactly; type 6 would
    # give 991.98 and type 5 991.49 (formulas of Hyndman and Fan).
    times = np.random.default_rng(1).permutation(np.arange(1.0, 1002.0))
    assert frame_statistics(times).low_1pct_fps == pytest.approx(1000 / 991, rel=1e-14)


@pytest.mark.parametrize("name", UNIVARIATE)
def test_mean_spread_and_neighbours_of_certified_series(name: str) -> None:
    y = load_csv(f"nist_{name.lower()}")["y"].to_numpy(float)
    certified, n = UNIVARIATE[name], len(y)
    lift = 0.0 if y.min() > 0 else 1000.0  # frame times are positive
    mean = 1000 / frame_statistics(y + lift).avg_fps - lift
    assert mean == pytest.approx(certified["mean"], rel=1e-12)
    # Blocks of one: se^2 n is the variance with divisor n. NumAcc3 keeps 9 digits of its spread,
    # which is the seventh digit of its values.
    counts, lengths = np.full((2, 1), n), np.array([[1], [2]])
    ones, twos = block_standard_errors(np.tile(y - y.mean(), (2, 1)), counts, lengths) ** 2 * n
    tolerance = 1e-8 if name == "NumAcc3" else 1e-12
    found = math.sqrt(ones * n / (n - 1))
    assert found == pytest.approx(certified["sd"], rel=tolerance)
    # Blocks of two on a circle: se^2 n = variance + autocovariance + (last x first) / n.
    ends = (y[0] - y.mean()) * (y[-1] - y.mean()) / n
    lag_one = twos - ones - ends
    assert lag_one / ones == pytest.approx(certified["lag1_autocorrelation"], abs=1e-8)
