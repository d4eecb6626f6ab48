"""What stands behind a sentence: lone passes, borrowed passes, and a side of one stratum."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from perfkit.value.claim_evidence import Evidence, gather_evidence
from perfkit.value.claim_sides import record_of
from tests.value.market import booked, market, predictions, runs, summary

NOISE = np.exp([-0.01, 0.0, 0.01])  # a spread of 0.01 with two degrees of freedom a cell


def compared(folder: Path, passes: list[dict], workload: str = "Moor") -> Evidence:
    study = market(folder, passes=passes)
    record = record_of(study, summary(study), booked(study))
    return gather_evidence(record, "Alder", "Ember", "average", workload)


def test_a_lone_pass_takes_the_spread_of_the_study_with_its_freedom(tmp_path: Path) -> None:
    slow = {"Fen": 20 * NOISE, "Moor": 40 * NOISE}
    fast = {"Fen": 40 * NOISE, "Moor": [80.0]}
    contrast = compared(tmp_path, runs("Ember", slow) + runs("Alder", fast)).contrast
    assert contrast is not None
    lone, three = 0.01**2, 0.01**2 / 3
    assert_allclose(contrast.log_ratio, np.log(2), rtol=1e-9)
    assert_allclose(contrast.std_error**2, lone + three, rtol=1e-9)
    pooled = 3 * 2  # three cells were run three times
    assert_allclose(
        contrast.dof, (lone + three) ** 2 / (lone**2 / pooled + three**2 / 2), rtol=1e-9
    )


def test_two_equal_passes_have_no_spread_of_their_own(tmp_path: Path) -> None:
    slow = {"Fen": 20 * NOISE, "Moor": [40.0, 40.0]}
    fast = {"Fen": 40 * NOISE, "Moor": 80 * NOISE}
    contrast = compared(tmp_path, runs("Ember", slow) + runs("Alder", fast)).contrast
    assert contrast is not None
    pooled = (3 * 2 * 0.01**2 + 0) / 7
    assert_allclose(contrast.std_error**2, pooled / 2 + 0.01**2 / 3, rtol=1e-9)


@pytest.mark.parametrize("lent", ["Ember", "Alder", ""])
def test_one_borrowed_side_makes_a_borrowed_comparison(tmp_path: Path, lent: str) -> None:
    passes = [
        row
        for gpu, fps in (("Ember", 40), ("Alder", 80))
        for row in runs(gpu, {"Moor": fps * NOISE}, source="borrowed" if gpu == lent else "own")
    ]
    assert compared(tmp_path, passes).basis == ("borrowed" if lent else "measured")


def test_no_version_shifted_no_error_of_a_shift(tmp_path: Path) -> None:
    passes = runs("Ember", {"Moor": 40 * NOISE}) + runs("Alder", {"Moor": 80 * NOISE})
    contrast = compared(tmp_path, passes).contrast
    assert contrast is not None
    assert_allclose(contrast.std_error, 0.01 * np.sqrt(2 / 3), rtol=1e-9)
    assert_allclose(contrast.dof, 4.0, rtol=1e-9)


def test_passes_that_differ_in_the_eighth_digit_have_a_spread_of_their_own(tmp_path: Path) -> None:
    slow = {"Fen": 20 * NOISE, "Moor": [40.0, 40.0 * (1 + 1e-8)]}
    fast = {"Fen": 40 * NOISE, "Moor": [80.0, 80.0 * (1 + 1e-8)]}
    contrast = compared(tmp_path, runs("Ember", slow) + runs("Alder", fast)).contrast
    assert contrast is not None
    assert_allclose(contrast.std_error, 0.5e-8 * np.sqrt(2), rtol=1e-4)
    assert_allclose(contrast.dof, 2.0, rtol=1e-4)


WEIGHTS = {"Fen": 1, "Moor": 0, "Tarn": 0}


def of_no_weight(folder: Path, workload: str, told: pd.DataFrame | None = None) -> Evidence:
    games = [{"workload": game, "weight": weight} for game, weight in WEIGHTS.items()]
    study = market(folder, workloads=games)
    record = record_of(study, summary(study), booked(study, told))
    left = "Alder" if told is None else "Birch"
    return gather_evidence(record, left, "Ember", "average", workload)


def test_a_sentence_about_a_game_of_no_weight_is_about_that_game(tmp_path: Path) -> None:
    run = of_no_weight(tmp_path / "run", "Moor")
    assert run.workloads == ("Moor",)
    assert run.contrast is not None
    assert_allclose(run.contrast.log_ratio, np.log(2), rtol=1e-9)
    said = predictions("Birch", {"Fen": 50.0, "Moor": 160.0})
    predicted = of_no_weight(tmp_path / "said", "Moor", said)
    assert predicted.contrast is None
    assert predicted.reason == "Moor has no weight, so only passes of both sides compare them there"


def test_games_of_no_weight_alone_say_nothing_of_all(tmp_path: Path) -> None:
    said = predictions("Birch", {"Moor": 160.0, "Tarn": 100.0})
    found = of_no_weight(tmp_path, "", said)
    assert found.contrast is None
    assert found.reason == "Birch was neither run nor predicted beside it"


@pytest.mark.parametrize("known", [True, False])
def test_a_low_without_a_range_is_no_evidence(tmp_path: Path, known: bool) -> None:
    more = {} if known else {"low_1pct_low": np.nan, "low_1pct_high": np.nan}
    study = market(tmp_path)
    told = predictions("Birch", {"Moor": 160.0}, **more)
    record = record_of(study, summary(study), booked(study, told))
    found = gather_evidence(record, "Birch", "30", "low_1pct", "Moor")
    assert (found.contrast is not None) == known
