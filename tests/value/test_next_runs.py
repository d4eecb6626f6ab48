"""Next runs and versions: the textbook update, and what bridges allow."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from perfkit.value.next_runs import Belief, narrowed, next_runs
from perfkit.value.versions import boundary_verdict, version_table
from perfkit.value.worth import build_speeds
from tests.value.market import build, market, measured, predictions, runs, summary

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
    found = next_runs(study, passes, table, speeds)
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
    assert len(next_runs(study, passes, table, build_speeds(study, passes, table))) == 0


@pytest.mark.parametrize(
    ("low", "high", "verdict"),
    [(-0.03, 0.03, "pooled"), (-0.031, 0.0, "shifted"), (0.01, 0.05, "shifted"),
     (np.nan, np.nan, "kept apart")],
)  # fmt: skip
def test_boundary_verdicts(low: float, high: float, verdict: str) -> None:
    assert boundary_verdict(low, high, 0.03) == verdict


def versions(folder: Path, *passes: dict) -> pd.DataFrame:
    study = market(folder, passes=list(passes), builds=[], prices=[])
    return version_table(summary(study), study.workloads)


def driven(factor: float, driver: str, date: str, games: tuple[str, ...] = ("Fen",)) -> list[dict]:
    noise = np.exp([-0.01, 0.0, 0.01])
    return runs("Ember", dict.fromkeys(games, 50 * factor * noise), driver=driver, date=date)


def test_bridge_gives_the_ratio_and_its_range(tmp_path: Path) -> None:
    """Three passes each side, spread .01 with 4 dof: half-width t(4) x .01 x sqrt(2/3)."""
    found = versions(
        tmp_path, *driven(1.0, "d1", "2026-01-01"), *driven(1.05, "d2", "2026-02-01")
    ).iloc[0]
    assert (found["kind"], found["old"], found["new"], found["bridges"]) == (
        "driver",
        "d1",
        "d2",
        1,
    )
    assert_allclose(found["log_ratio_pct"], 5.0, rtol=1e-9)
    half = stats.t.ppf(0.95, 4) * 0.01 * np.sqrt(2 / 3)
    assert_allclose(np.log1p(found["high_pct"] / 100) - np.log(1.05), half, rtol=1e-9)
    assert found["verdict"] == "shifted"


def test_equal_versions_are_pooled(tmp_path: Path) -> None:
    found = versions(tmp_path, *driven(1.0, "d1", "2026-01-01"), *driven(1.0, "d2", "2026-02-01"))
    assert found["verdict"].tolist() == ["pooled"]


def test_without_a_bridge_they_stay_apart(tmp_path: Path) -> None:
    found = versions(
        tmp_path, *driven(1.0, "d1", "2026-01-01"), *driven(1.0, "d2", "2026-02-01", ("Moor",))
    ).iloc[0]
    assert (found["verdict"], found["bridges"]) == ("kept apart", 0)
    assert found["reason"] == "no configuration was run under both: run one under both"


def test_one_version_has_no_boundary(tmp_path: Path) -> None:
    assert len(versions(tmp_path, *driven(1.0, "d1", "2026-01-01"))) == 0


def test_a_game_is_not_blamed_for_its_driver(tmp_path: Path) -> None:
    """Both changed at once: neither boundary has a bridge."""
    old = [row | {"game_version": "g1"} for row in driven(1.0, "d1", "2026-01-01")]
    new = [row | {"game_version": "g2"} for row in driven(1.2, "d2", "2026-02-01")]
    assert versions(tmp_path, *old, *new)["verdict"].tolist() == ["kept apart"] * 2


def test_measured_market_has_no_versions(tmp_path: Path) -> None:
    assert len(versions(tmp_path, *measured())) == 0
