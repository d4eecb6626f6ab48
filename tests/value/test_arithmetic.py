"""Array maths of value against the plain way, hand-worked cases and published means."""

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import stats

from perfkit.value.arithmetic import (
    central_range,
    frontier_probability,
    mean_log_draws,
    overtaking_prices,
    rank_probability,
)
from tests.reference import load_json


def test_mean_is_scipys_weighted_geometric_mean() -> None:
    draws = np.random.default_rng(1).lognormal(4, 1, (3, 5, 7))
    weights = np.array([1.0, 2.0, 0.5, 0.0, 3.0])
    expected = stats.gmean(draws, axis=1, weights=np.broadcast_to(weights[:, None], draws.shape))
    assert_allclose(np.exp(mean_log_draws(np.log(draws), weights)), expected, rtol=1e-13)


def test_geometric_mean_of_published_benchmarks() -> None:
    """Times of Heath 1984 as reprinted in Stallings, problem 2.14 (Fleming and Wallace 1986)."""
    data = load_json("benchmark_means.json")
    times = {name: np.array(values, float) for name, values in data["times_textbook"].items()}
    for base, means in data["means_textbook"].items():
        reference = times[base.removeprefix("base_")]
        ratios = np.stack([np.log(times[name] / reference) for name in means])[:, :, None]
        found = np.exp(mean_log_draws(ratios, np.ones(5)))[:, 0]
        assert_allclose(found, [each["geo"] for each in means.values()], rtol=1e-12)


def test_ratio_of_geometric_means_does_not_depend_on_the_base() -> None:
    """The first check of the fixture; the arithmetic mean fails it."""
    times = load_json("benchmark_means.json")["times_textbook"]
    ratios = set()
    for base in times.values():
        logs = np.log([np.divide(times["M"], base), np.divide(times["R"], base)])[:, :, None]
        m, r = mean_log_draws(logs, np.ones(5))[:, 0]
        ratios.add(round(float(np.exp(m - r)), 10))
    assert len(ratios) == 1


@pytest.mark.parametrize("level", [0.5, 0.9, 0.99])
@pytest.mark.parametrize("count", [1, 2, 7, 100, 999, 1000, 1001, 4000])
def test_range_is_numpys_type_7(level: float, count: int) -> None:
    draws = np.random.default_rng(2).standard_t(4, (6, count))
    expected = np.quantile(draws, [(1 - level) / 2, (1 + level) / 2], axis=-1)
    assert_allclose(central_range(draws, level), expected, rtol=1e-12, atol=1e-13)


def test_range_of_unknown_draws_is_unknown() -> None:
    low, high = central_range(np.array([[1.0, 2.0, np.nan], [1.0, 2.0, 3.0]]), 0.9)
    assert np.isnan([low[0], high[0]]).all()
    assert low[1] < high[1]


@pytest.mark.parametrize("count", [999, 1000, 4001])
def test_range_of_awkward_draws_is_numpys(count: int) -> None:
    """Equal, nearly equal, few values, wide, and endless beyond the ranks that are asked for."""
    rng = np.random.default_rng(7)
    plain = rng.normal(size=count)
    endless = np.sort(plain)
    endless[-5:] = np.inf
    bottomless = np.sort(plain)
    bottomless[:5] = -np.inf
    rows = np.stack([
        np.full(count, 3.0), np.where(np.arange(count) < 9, 5e-324, 0.0), np.round(plain),
        1e150 * plain, np.where(np.arange(count) == 4, 1e6, plain), rng.permutation(endless),
        rng.permutation(bottomless), 7 + 1e-13 * plain,
    ])  # fmt: skip
    expected = np.quantile(rows, [0.05, 0.95], axis=-1)
    assert_allclose(central_range(rows, 0.9), expected, rtol=1e-12, atol=1e-13)
    for row, low, high in zip(rows, *expected, strict=True):  # alone, so that all may be finite
        assert_allclose(central_range(row, 0.9), (low, high), rtol=1e-12, atol=1e-13)


def test_ranges_keep_the_shape_of_what_is_drawn() -> None:
    draws = np.arange(3 * 17 * 21, dtype=float).reshape(3, 17, 21)
    low, high = central_range(draws, 0.9)
    assert_allclose(low, draws[..., 1], rtol=1e-12)
    assert_allclose(high, draws[..., -2], rtol=1e-12)
    assert central_range(np.empty((0, 5)), 0.9)[0].shape == (0,)


def dominated(prices: np.ndarray, speeds: np.ndarray) -> np.ndarray:
    """Definition of the frontier, pair by pair."""
    on = np.ones(speeds.shape, dtype=bool)
    for a, b in itertools.permutations(range(len(prices)), 2):
        as_good = (prices[b] <= prices[a]) & (speeds[b] >= speeds[a])
        better = (prices[b] < prices[a]) | (speeds[b] > speeds[a])
        on[a] &= ~(as_good & better)
    return on.mean(axis=1)


@given(
    st.lists(st.integers(1, 4), min_size=1, max_size=7).flatmap(
        lambda prices: st.tuples(
            st.just(prices),
            st.lists(
                st.lists(st.integers(1, 4), min_size=3, max_size=3),
                min_size=len(prices),
                max_size=len(prices),
            ),
        )
    )
)
def test_frontier_is_its_definition_ties_included(case: tuple[list[int], list[list[int]]]) -> None:
    prices, speeds = (np.array(part, float) for part in case)
    assert_allclose(frontier_probability(prices, speeds), dominated(prices, speeds), atol=0)


def test_unknown_builds_beat_nobody() -> None:
    prices = np.array([np.nan, 500.0, 400.0])
    speeds = np.array([[90.0, 90.0], [50.0, 50.0], [np.nan, 60.0]])
    found = frontier_probability(prices, speeds)
    assert np.isnan(found[[0, 2]]).all()
    assert found[1] == 1.0
    assert np.isnan(frontier_probability(prices[:1], speeds[:1])).all()


def test_irrelevant_build_leaves_the_others() -> None:
    """Dearer and slower than all: nobody's place changes."""
    rng = np.random.default_rng(3)
    prices, speeds = rng.uniform(300, 900, 6), rng.lognormal(4, 0.2, (6, 500))
    more = np.append(prices, 2000.0), np.vstack([speeds, np.full(500, 1e-3)])
    assert_allclose(frontier_probability(*more)[:6], frontier_probability(prices, speeds), atol=0)


def test_ranks_add_up_and_follow_the_definition() -> None:
    costs = np.random.default_rng(4).lognormal(2, 0.3, (5, 400))
    found = rank_probability(costs)
    assert_allclose(found.sum(axis=0), 1, rtol=1e-12)
    assert_allclose(found.sum(axis=1), 1, rtol=1e-12)
    ranks = stats.rankdata(costs, axis=0)
    assert_allclose(found[:, 1], (ranks == 2).mean(axis=1), atol=0)


def test_unknown_costs_are_not_ranked() -> None:
    found = rank_probability(np.array([[1.0, 1.0], [np.nan, 0.5], [2.0, 0.9]]))
    assert np.isnan(found[1]).all()
    assert found[0].tolist() == [0.5, 0.5, 0.0]


def test_overtaking_price_makes_cost_equal_to_the_best_rival() -> None:
    rng = np.random.default_rng(5)
    prices, speeds = rng.uniform(300, 900, 4), rng.lognormal(4, 0.2, (4, 50))
    found = overtaking_prices(prices, speeds)
    costs = prices[:, None] / speeds
    for build in range(4):
        best_rival = np.delete(costs, build, axis=0).min(axis=0)
        assert_allclose(found[build] / speeds[build], best_rival, rtol=1e-12)


def test_no_rival_no_overtaking_price() -> None:
    assert np.isnan(overtaking_prices(np.array([500.0]), np.ones((1, 3)))).all()
    unknown = overtaking_prices(np.array([500.0, np.nan]), np.full((2, 1), 50.0))
    assert np.isnan(unknown[0]).all()
    assert unknown[1] == 500.0


@pytest.mark.parametrize("seed", range(4))
def test_overtaking_prices_among_many_with_gaps(seed: int) -> None:
    """Against every rival in turn; ties, and draws that are not known, among them whole builds."""
    rng = np.random.default_rng(seed)
    prices = rng.integers(3, 6, 14) * 100.0
    speeds = rng.integers(2, 9, (14, 9)) * 10.0
    speeds[rng.random(speeds.shape) < 0.15] = np.nan
    speeds[5], prices[6], speeds[7:9] = np.nan, np.nan, speeds[[9]]
    costs = np.where(np.isnan(speeds), np.inf, prices[:, None] / speeds)
    costs[6] = np.inf
    found = overtaking_prices(prices, speeds)
    for build in range(14):
        expected = np.delete(costs, build, axis=0).min(axis=0) * speeds[build]
        assert_allclose(found[build], expected, rtol=1e-12)


def test_a_build_known_in_part_counts_however_dear_others_are() -> None:
    """D is not known in the first draw and the cheapest in the second: 100 / 60 a frame."""
    speeds = np.array([[50.0, 50.0], [49.0, 49.0], [10.0, 10.0], [np.nan, 60.0]])
    found = overtaking_prices(np.full(4, 100.0), speeds)
    assert_allclose(found[1], [98.0, 49 * 100 / 60], rtol=1e-12)
    assert_allclose(found[3], [np.nan, 120.0], rtol=1e-12)


def test_of_equal_costs_the_earlier_row_ranks_first() -> None:
    costs = np.array([[2.0, 2.0, 1.0, 3.0], [2.0, 1.0, 1.0, 3.0], [2.0, 3.0, 1.0, 1.0]])
    expected = [[0.5, 0.5, 0.0], [0.25, 0.5, 0.25], [0.25, 0.0, 0.75]]
    assert_allclose(rank_probability(costs), expected, rtol=1e-12)
