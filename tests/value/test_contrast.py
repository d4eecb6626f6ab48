"""Comparisons against SciPy and statsmodels, and hand-worked turning points."""

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import stats
from statsmodels.stats.weightstats import ttost_ind

from perfkit.value.contrast import (
    Contrast,
    Sample,
    bounds,
    relation_p,
    strata_to_turn,
    welch,
    with_error,
)


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
    assert bounds("below", 1.0) == bounds("below", 1.5) == (-np.inf, -np.inf)
    with pytest.raises(ValueError, match="relation is 'near'; allowed: above, below, same"):
        bounds("near", 0.0)


@pytest.mark.parametrize(
    ("ratio", "expected"),
    [(0.1, (0.0, 1.0)), (0.3, (1.0, 0.0)), (-0.3, (1.0, 0.0)), (-0.2, (0.0, 1.0)),
     (0.2, (0.0, 1.0))],
)  # fmt: skip
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


def test_what_fails_on_both_sides_at_most_surely_fails() -> None:
    """Normal law: 0.5 and 1.5 errors inside the ends; then outside, where two ends count twice."""
    inside = Contrast(-0.5, 1.0, np.inf, 1.0, ())
    true, false = relation_p(inside, -1.0, 1.0)
    assert_allclose([true, false], [stats.norm.cdf(-0.5), 1.0], rtol=1e-12)
    outside = Contrast(3.0, 1.0, np.inf, 1.0, ())
    assert_allclose(relation_p(outside, -1.0, 1.0)[1], 2 * stats.norm.cdf(-2), rtol=1e-12)
    assert_allclose(relation_p(outside, -np.inf, 1.0)[1], stats.norm.cdf(-2), rtol=1e-12)


@pytest.mark.parametrize("error", [0.0, np.nan])
def test_no_further_error_leaves_all_as_it_was(error: float) -> None:
    found = Contrast(0.1, 0.03, 6.0, 0.06, (0.1,))
    assert with_error(found, error, np.nan) == found


def test_a_further_error_adds_in_squares_and_brings_its_freedom() -> None:
    """3-4-5; Satterthwaite: 25^2 / (9^2 / 6 + 16^2 / 2) = 625 / 141.5."""
    found = with_error(Contrast(0.1, 0.03, 6.0, 0.06, (0.1,)), 0.04, 2.0)
    assert_allclose([found.std_error, found.dof], [0.05, 625 / 141.5], rtol=1e-12)
    assert (found.log_ratio, found.spread, found.by_stratum) == (0.1, 0.06, (0.1,))


def test_spread_is_the_error_with_one_pass_in_every_cell() -> None:
    """Shares 0.75 and 0.25: 0.5625 (4 + 1) + 0.0625 (16 + 9); four passes a cell quarter it."""
    left = Sample(np.array([1.0, 2.0]), np.array([4.0, 16.0]), np.full(2, 3.0), np.full(2, 4.0))
    right = Sample(np.array([0.5, 3.0]), np.array([1.0, 9.0]), np.full(2, 3.0), np.full(2, 4.0))
    found = welch(left, right, np.array([3.0, 1.0]), offset=0.25)
    assert_allclose(found.spread**2, 0.5625 * 5 + 0.0625 * 25, rtol=1e-12)
    assert_allclose(found.std_error**2, found.spread**2 / 4, rtol=1e-12)
    assert_allclose(found.by_stratum, [0.75, -0.75], rtol=1e-12)
    assert_allclose(found.log_ratio, 0.75 * 0.75 - 0.25 * 0.75, rtol=1e-12)
