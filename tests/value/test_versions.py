"""Versions: what bridges allow, and what that does to cells, sentences and the model."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from perfkit.frames.versions import boundary_verdict, version_table
from perfkit.models.observations import gather
from perfkit.value.claim_evidence import gather_evidence
from perfkit.value.claim_sides import record_of
from perfkit.value.measured import measured_cells
from tests.value.market import booked, market, measured, runs, summary


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


def shifted(folder: Path, *more: dict) -> tuple:
    """Fen bridges d1 and d2 (5 % faster); Moor was run under d1 alone."""
    passes = [
        *driven(1.0, "d1", "2026-01-01", ("Fen", "Moor")),
        *driven(1.05, "d2", "2026-02-01"),
        *more,
    ]
    study = market(folder, passes=passes)
    return study, summary(study)


def test_older_passes_are_brought_to_the_newest_version(tmp_path: Path) -> None:
    """Fen: six passes at 52.5; Moor: 50 x 1.05, with the error of the shift, t(6) x .01 x ..."""
    _, passes = shifted(tmp_path)
    assert passes["version_use"].tolist() == ["shifted"] * 6 + [""] * 3
    assert passes["version_note"].iloc[0] == "driver d1 to d2"
    cells = measured_cells(passes).set_index("workload")
    assert_allclose(cells["fps"], 52.5, rtol=1e-4)
    error = 0.01 * np.sqrt(2 / 3)
    assert_allclose(cells.loc["Moor", "shift_log_scale"], error, rtol=1e-9)
    assert_allclose(cells.loc["Fen", "shift_log_scale"], error / 2, rtol=1e-9)
    assert_allclose(cells["log_scale"], np.hypot(cells["own_log_scale"], cells["shift_log_scale"]))
    # as measured in the table of passes, whatever was made of it
    assert_allclose(passes["avg_fps"].iloc[:3].mean(), 50, rtol=1e-4)


def test_table_counts_what_was_shifted(tmp_path: Path) -> None:
    study, passes = shifted(tmp_path)
    assert version_table(passes, study.workloads)["passes_shifted"].tolist() == [6]


def test_error_of_a_shift_is_shared_by_all_it_was_laid_on(tmp_path: Path) -> None:
    more = driven(1.0, "d1", "2026-01-01", ("Tarn",))
    study, passes = shifted(tmp_path, *more)
    machine = pd.DataFrame({"name": ["bare"], "system": ["bench"], "gpu": ["Ember"]})
    speeds = booked(study).speeds(machine)
    cells = measured_cells(passes).set_index("workload").loc[["Moor", "Tarn"]]
    moor, tarn = speeds.log_draws[0, 1], speeds.log_draws[0, 2]
    expected = cells["shift_log_scale"].prod() / cells["log_scale"].prod()
    assert expected > 0.5
    assert_allclose(np.corrcoef(moor, tarn)[0, 1], expected, atol=0.05)


def test_error_of_a_shift_widens_a_sentence(tmp_path: Path) -> None:
    study, passes = shifted(tmp_path, *runs("Alder", {"Moor": 80 * np.exp([-0.01, 0, 0.01])}))
    found = gather_evidence(
        record_of(study, passes, booked(study)), "Alder", "Ember", "average", "Moor"
    )
    assert found.contrast is not None
    assert_allclose(found.contrast.log_ratio, np.log(80 / 52.5), rtol=1e-6)
    own = 2 * 0.01**2 / 3
    assert_allclose(found.contrast.std_error, np.sqrt(own + 0.01**2 * 2 / 3), rtol=1e-6)
    assert_allclose(found.contrast.spread, 0.01 * np.sqrt(2), rtol=1e-6)


def test_model_learns_from_shifted_passes(tmp_path: Path) -> None:
    study, passes = shifted(tmp_path)
    table = gather(study, passes).table.set_index("workload")
    assert_allclose(np.exp(table["log_fps"]), 52.5, rtol=1e-4)


def test_passes_without_a_bridge_stay_out_of_newer_ones(tmp_path: Path) -> None:
    """Driver and game changed at once: the older passes of Fen stay out, with the reason."""
    old = [row | {"game_version": "g1"} for row in driven(1.0, "d1", "2026-01-01")]
    new = [row | {"game_version": "g2"} for row in driven(1.2, "d2", "2026-02-01")]
    study = market(tmp_path, passes=[*old, *new])
    passes = summary(study)
    assert passes["version_use"].tolist() == ["kept apart"] * 3 + [""] * 3
    reason = "run under driver d1; Fen g1: no bridge to the newer passes of this configuration"
    cells = measured_cells(passes)
    assert_allclose(cells["fps"], 60, rtol=1e-4)
    assert cells["passes"].tolist() == [3]
    left = gather(study, passes).left_out
    assert left["reason"].tolist() == [reason] * 3
    assert left["pass_id"].tolist() == passes["pass_id"].head(3).tolist()


def test_what_was_run_under_an_older_version_alone_stays(tmp_path: Path) -> None:
    passes = [*driven(1.0, "d1", "2026-01-01"), *driven(1.0, "d2", "2026-02-01", ("Moor",))]
    table = summary(market(tmp_path, passes=passes))
    assert table["version_use"].tolist() == [""] * 6
    assert_allclose(measured_cells(table)["fps"], 50, rtol=1e-4)


def test_steps_add_up(tmp_path: Path) -> None:
    """d1 to d2 adds 5 %, d2 to d3 another 4 %; Moor was run under d1 alone."""
    passes = [
        *driven(1.0, "d1", "2026-01-01", ("Fen", "Moor")),
        *driven(1.05, "d2", "2026-02-01"),
        *driven(1.05 * 1.04, "d3", "2026-03-01"),
    ]
    cells = measured_cells(summary(market(tmp_path, passes=passes))).set_index("workload")
    assert_allclose(cells.loc["Moor", "fps"], 50 * 1.05 * 1.04, rtol=1e-4)
    assert cells.loc["Moor", "shift_of"] == "driver d1 to d2; driver d2 to d3"
    assert_allclose(cells.loc["Moor", "shift_log_scale"], 0.01 * np.sqrt(4 / 3), rtol=1e-9)


def test_pooled_versions_keep_their_numbers(tmp_path: Path) -> None:
    passes = [*driven(1.0, "d1", "2026-01-01"), *driven(1.001, "d2", "2026-02-01")]
    table = summary(market(tmp_path, passes=passes))
    assert table["version_use"].tolist() == ["pooled"] * 3 + [""] * 3
    assert (table["log_version_shift"] == 0).all()
    assert measured_cells(table)["passes"].tolist() == [6]


def test_gap_without_a_bridge_hides_older_shifts(tmp_path: Path) -> None:
    """d1-d2 bridged by Fen, d2-d3 by nothing; Moor ran under all but unrelated game versions."""
    passes = [
        *driven(1.0, "d1", "2026-01-01"),
        *driven(1.05, "d2", "2026-02-01"),
        *driven(1.3, "d3", "2026-03-01", ("Moor",)),
    ]
    cells = measured_cells(summary(market(tmp_path, passes=passes))).set_index("workload")
    assert_allclose(cells["fps"], [52.5, 65], rtol=1e-4)
