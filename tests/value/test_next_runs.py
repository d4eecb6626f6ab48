"""Next runs: the textbook update."""

from pathlib import Path

import numpy as np
from numpy.testing import assert_allclose
from scipy import stats

from perfkit.value.next_runs import Belief, narrowed, next_runs
from perfkit.value.worth import build_speeds
from tests.value.market import booked, build, market, predictions, runs, summary

BIRCH = {"Fen": 60.0, "Moor": 120.0, "Tarn": 240.0}


def test_narrowing_is_the_update_of_a_normal_law() -> None:
    """Against the full posterior covariance, K - K r r' K / (K_rr + noise^2)."""
    rng = np.random.default_rng(4)
    belief = Belief(rng.uniform(0, 0.2, 5), rng.uniform(0, 0.1, 5), np.full(5, 0.2))
    covariance = np.outer(belief.shared, belief.shared) + np.diag(belief.own**2)
    now, after = narrowed(belief, 0.03)
    assert_allclose(now, np.sqrt(belief.weights @ covariance @ belief.weights), rtol=1e-12)
    for row in range(5):
        seen = covariance[row]
        left = covariance - np.outer(seen, seen) / (seen[row] + 0.03**2)
        assert_allclose(after[row], np.sqrt(belief.weights @ left @ belief.weights), rtol=1e-12)


def test_one_pass_more_of_a_measured_cell() -> None:
    """N passes become n + 1: the variance s^2 / n becomes s^2 / (n + 1)."""
    belief = Belief(np.zeros(1), np.array([0.03 / np.sqrt(3)]), np.ones(1))
    assert_allclose(narrowed(belief, 0.03)[1][0], 0.03 / 2, rtol=1e-12)


def test_runs_of_the_unmeasured_build_come_first_and_say_whether_at_hand(tmp_path: Path) -> None:
    rows = build("bare", "Ember") + build("with Birch", "Birch")
    study = market(tmp_path, builds=rows)
    passes, table = summary(study), predictions("Birch", BIRCH)
    speeds = build_speeds(study, passes, table)
    found = next_runs(study, passes, booked(study, table), speeds)
    assert found["at_hand"].tolist() == ["yes"] * 3 + ["no"] * 3
    birch = found[found["gpu"] == "Birch"].iloc[0]
    now = stats.norm.ppf(0.95) * np.sqrt(0.1**2 + 0.05**2 / 3)
    assert_allclose(birch["half_range_pct"], 100 * np.expm1(now), rtol=1e-9)
    assert birch["half_range_after_pct"] < birch["half_range_pct"] / 2
    assert (found["narrows_pct"] > 0).all()
    assert_allclose(found["narrows_pct_per_minute"], found["narrows_pct"] / found["minutes"])
    assert found["builds"].iloc[-1] == "with Birch"


def test_unknown_spread_ranks_nothing(tmp_path: Path) -> None:
    study = market(tmp_path, passes=runs("Ember", {"Fen": [20.0]}))
    passes, table = summary(study), predictions("Birch", BIRCH)
    assert (
        len(next_runs(study, passes, booked(study, table), build_speeds(study, passes, table))) == 0
    )
