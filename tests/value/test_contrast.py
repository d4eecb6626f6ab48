"""Comparisons against SciPy and statsmodels, and hand-worked turning points."""

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import stats
from statsmodels.stats.weightstats import ttost_ind

from perfkit.value.contrast import Contrast, Sample, bounds, relation_p, strata_to_turn, welch


def sample(*strata: np.ndarray) -> Sample:
    return Sample(
        np.array([values.mean() for values in strata]),
        np.array([values.var(ddof=1) for values in strata]),
        np.array([len(values) - 1.0 for values in strata]),
        np.array([float(len(values)) for values in strata]),
    )


RNG = np.random.default_rng(11)
LEFT, RIGHT = RNG.normal(4.1, 0.03, 5), RNG.normal(4.0, 0.06, 7)


def test_one_stratum_is_welchs_test() -> None:
    found = welch(sample(LEFT), sample(RIGHT), np.ones(1))
    other = stats.ttest_ind(LEFT, RIGHT, equal_var=False)
    assert_allclose(found.log_ratio / found.std_error, other.statistic, rtol=1e-12)
    assert_allclose(found.dof, other.df, rtol=1e-12)
    p_true, p_false = relation_p(found, *bounds("above", 0.0))
    greater = stats.ttest_ind(LEFT, RIGHT, equal_var=False, alternative="greater").pvalue
    assert_allclose([p_true, p_false], [greater, 1 - greater], rtol=1e-10)


def test_against_a_number_is_the_one_sample_test() -> None:
    found = welch(sample(LEFT), None, np.ones(1), offset=-4.05)
    other = stats.ttest_1samp(LEFT, 4.05)
    assert_allclose([found.std_error, found.dof], [stats.sem(LEFT), 4], rtol=1e-12)
    assert_allclose(found.log_ratio / found.std_error, other.statistic, rtol=1e-12)


def test_same_is_two_one_sided_tests() -> None:
    """Schuirmann 1987, as statsmodels computes it with unequal variances."""
    margin = 0.15
    found = welch(sample(LEFT), sample(RIGHT), np.ones(1))
    low, high = bounds("same", margin)
    expected, *_ = ttost_ind(LEFT, RIGHT, low, high, usevar="unequal")
    assert_allclose(relation_p(found, low, high)[0], expected, rtol=1e-10)


def test_strata_are_weighted_means_of_differences() -> None:
    """Weights 3 and 1: 0.75 d1 + 0.25 d2; variances with squared weights."""
    a, b, c, d = (RNG.normal(4, 0.05, n) for n in (3, 4, 5, 6))
    found = welch(sample(a, b), sample(c, d), np.array([3.0, 1.0]))
    assert_allclose(found.log_ratio, 0.75 * (a.mean() - c.mean()) + 0.25 * (b.mean() - d.mean()))
    squares = [stats.sem(x) ** 2 for x in (a, b, c, d)]
    assert_allclose(found.std_error**2, np.dot([9, 1, 9, 1], squares) / 16, rtol=1e-12)


def test_bounds() -> None:
    assert_allclose(bounds("above", 0.08), (np.log(1.08), np.inf))
    assert_allclose(bounds("below", 0.10), (-np.inf, np.log(0.9)))
    assert_allclose(bounds("same", 0.25), (np.log(0.8), np.log(1.25)))
    assert bounds("below", 1.0) == (-np.inf, -np.inf)
    with pytest.raises(ValueError, match="relation is 'near'; allowed: above, below, same"):
        bounds("near", 0.0)


@pytest.mark.parametrize(("ratio", "expected"), [(0.1, (0.0, 1.0)), (0.3, (1.0, 0.0))])
def test_without_chance_the_relation_holds_or_not(
    ratio: float, expected: tuple[float, float]
) -> None:
    assert relation_p(Contrast(ratio, 0.0, 1.0, 0.0, ()), -0.2, 0.2) == expected


def test_error_rate_is_held_when_the_claim_is_just_false() -> None:
    """4,000 comparisons of equals called faster at 5 %: within 3 binomial standard errors."""
    rng, calls = np.random.default_rng(12), 0
    for left, right in rng.normal(4, 0.05, (4000, 2, 3)):
        found = welch(sample(left), sample(right), np.ones(1))
        calls += relation_p(found, *bounds("above", 0.0))[0] < 0.05
    assert calls / 4000 < 0.05 + 3 * np.sqrt(0.05 * 0.95 / 4000)


@given(
    st.lists(st.tuples(st.integers(-9, 9), st.integers(1, 3)), min_size=1, max_size=7),
    st.integers(-2, 2),
)
def test_fewest_strata_by_trying_all(strata: list[tuple[int, int]], threshold: int) -> None:
    differences, weights = np.array(strata, dtype=float).T
    found = strata_to_turn(differences, weights, threshold)
    pull = weights * (differences - threshold)
    side = np.sign(pull.sum()) or 1.0
    turning = [
        len(drop)
        for size in range(1, len(pull))
        for drop in itertools.combinations(range(len(pull)), size)
        if side * np.delete(pull, drop).sum() < 0
    ]
    assert len(found) == min(turning, default=0)
    if found:
        assert side * np.delete(pull, found).sum() < 0
