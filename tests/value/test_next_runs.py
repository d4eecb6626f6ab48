"""Next runs: the textbook update."""

from pathlib import Path

import numpy as np
import pandas as pd
from numpy.testing import assert_allclose
from scipy import stats

from perfkit.value.next_runs import Belief, _model_gain, _noise, narrowed, next_runs
from perfkit.value.worth import build_speeds
from tests.value.market import (
    booked,
    build,
    market,
    no_predictions,
    predictions,
    runs,
    summary,
)

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


def test_machines_that_know_as_much_keep_the_order_of_the_builds(tmp_path: Path) -> None:
    """Ember and Alder were run alike; Birch was not run, nor predicted, so it is not compared."""
    rows = build("bare", "Ember") + build("with Birch", "Birch") + build("with Alder", "Alder")
    study = market(tmp_path, builds=rows)
    passes, table = summary(study), no_predictions()
    speeds = build_speeds(study, passes, table)
    found = next_runs(study, passes, booked(study, table), speeds)
    assert found["gpu"].tolist() == ["Ember"] * 3 + ["Alder"] * 3
    assert found["order"].tolist() == [1, 2, 3, 4, 5, 6]
    assert found["workload"].tolist() == ["Fen", "Moor", "Tarn"] * 2
    # 1 % between passes, three of each: from 1 / sqrt(9) to sqrt(2 / 9 / 3 + 1 / 9 / 4) per cent.
    now, after = np.sqrt(1 / 9), np.sqrt(2 / 27 + 1 / 36)
    z = stats.norm.ppf(0.95) / 100
    assert_allclose(found["half_range_pct"], 100 * np.expm1(z * now), rtol=1e-9)
    assert_allclose(found["half_range_after_pct"], 100 * np.expm1(z * after), rtol=1e-9)
    narrows = 100 * (np.exp(z * now) - np.exp(z * after))
    assert_allclose(found["narrows_pct"], narrows, rtol=1e-7)
    # Nobody typed how long a pass is: a minute, and one beside it.
    assert (found["minutes"] == 2.0).all()
    assert found["model_gain"].isna().all()


def test_nothing_known_stays_so_and_needs_no_division() -> None:
    now, after = narrowed(Belief(np.zeros(2), np.zeros(2), np.array([0.5, 0.5])), 0.0)
    assert (now, after.tolist()) == (0.0, [0.0, 0.0])
    now, after = narrowed(Belief(np.zeros(2), np.array([0.1, 0.0]), np.array([0.5, 0.5])), 0.0)
    assert_allclose([now, *after], [0.05, 0.0, 0.05], rtol=1e-12)


def test_without_a_spread_or_a_common_workload_nothing_is_ranked(tmp_path: Path) -> None:
    def ranked(folder: Path, passes: list[dict]) -> pd.DataFrame:
        study = market(folder, passes=passes, builds=build("bare", "Ember"))
        found, table = summary(study), no_predictions()
        speeds = build_speeds(study, found, table)
        return next_runs(study, found, booked(study, table), speeds)

    once = runs("Ember", {game: [20.0] for game in BIRCH})
    twice = runs("Ember", {"Fen": [20.0, 21.0]})
    assert ranked(tmp_path / "a", once).empty
    assert ranked(tmp_path / "b", twice).empty
    assert len(ranked(tmp_path / "c", [*once, *runs("Ember", {"Fen": [21.0]}, order=2)])) == 3


def test_noise_is_the_spread_of_one_pass() -> None:
    def cells(*scales: float) -> pd.DataFrame:
        return pd.DataFrame({"own_log_scale": scales, "passes": [4] * len(scales)})

    assert _noise(cells(0.01)) == 0.02
    assert _noise(cells(np.nan, 0.01)) == 0.02
    assert np.isnan(_noise(cells(np.nan)))


def test_a_run_teaches_the_design_what_it_does_not_know(tmp_path: Path) -> None:
    """Four runs settle four terms, so a run made again has a leverage of 1.

    One of a new size is one run and another less a third, so its leverage is 3.
    """
    rates = {"Ember": (8, 50.0), "Birch": (8, 400.0), "Cedar": (16, 50.0), "Alder": (8, "")}
    gpus = [
        {"gpu": gpu, "kind": "discrete", "compute_units": units, "lanes_per_unit": 64,
         "clock_mhz": 2000, "bandwidth_gb_s": bandwidth}
        for gpu, (units, bandwidth) in rates.items()
    ]  # fmt: skip
    study = market(tmp_path, gpus=gpus)
    here = {"system": "bench", "workload": "Fen", "render_scale": 1.0, "height": 1000}

    def runs_of(*sizes: tuple[str, int]) -> pd.DataFrame:
        return pd.DataFrame([here | {"gpu": gpu, "width": width} for gpu, width in sizes])

    # Alder's bandwidth is not known: it neither was seen nor can be asked about.
    blind = _model_gain(study, runs_of(("Alder", 1000)), runs_of(("Birch", 1000)))
    assert np.isnan(blind).all()
    seen = runs_of(("Ember", 1000), ("Ember", 2000), ("Birch", 1000), ("Cedar", 1000), ("Alder", 9))
    assert np.isnan(_model_gain(study, seen, runs_of(("Alder", 1000)))).all()
    gain = _model_gain(study, seen, runs_of(("Birch", 1000), ("Alder", 1000), ("Birch", 2000)))
    assert_allclose(gain, [np.log(2), np.nan, np.log(4)], rtol=1e-9)
    # Where the seen runs do not settle a term, no number is given for one that would.
    few = runs_of(("Ember", 1000), ("Ember", 2000))
    assert np.isnan(_model_gain(study, few, runs_of(("Birch", 1000)))).all()
