"""Kept forecasts against later passes: what counts, and how it is scored."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from perfkit.value.scores import (
    _calibration,
    _cards,
    clopper_pearson,
    interval_score,
    score_forecasts,
)
from tests.value.market import market, measured, runs, summary

BIRCH = {"Fen": 60.0, "Moor": 120.0, "Tarn": 240.0}


def forecast(game: str, fps: float, made_on: str = "2026-10-01", **more: object) -> dict:
    row = {"made_on": made_on, "inputs_sha256": "0" * 64, "model": "time sum", "system": "bench"}
    row |= {"gpu": "Birch", "workload": game, "width": 1920, "height": 1080, "render_scale": 1}
    return row | {"fps": fps, "pred_low": 0.8 * fps, "pred_high": 1.25 * fps, "level": 0.9} | more


@pytest.mark.parametrize("successes", [0, 1, 5, 10])
def test_clopper_pearson_is_statsmodels(successes: int) -> None:
    expected = proportion_confint(successes, 10, alpha=0.1, method="beta")
    assert_allclose(clopper_pearson(successes, 10, 0.90), expected, rtol=1e-10)
    assert np.isnan(clopper_pearson(0, 0, 0.9)).all()


def test_interval_score_by_hand() -> None:
    """Width 1; 0.5 below costs 2 / 0.1 x 0.5 = 10 more (Gneiting and Raftery 2007)."""
    found = interval_score(np.array([1.5, 0.5, 2.25]), 1.0, 2.0, 0.9)
    assert_allclose(found, [1.0, 11.0, 6.0], rtol=1e-12)


def test_interval_score_prefers_the_true_quantiles() -> None:
    """A proper score: of many ranges the central one of the true law scores best."""
    draws = stats.norm.rvs(size=200_000, random_state=np.random.default_rng(3))
    widths = np.array([0.8, 1.2, 1.645, 2.1, 3.0])
    scores = [interval_score(draws, -w, w, 0.9).mean() for w in widths]
    assert int(np.argmin(scores)) == 2


def test_nothing_to_score_says_so(tmp_path: Path) -> None:
    study = market(tmp_path)
    found = score_forecasts(study, summary(study))
    assert str(found).startswith("nothing to score: forecasts.csv has no forecast")


def made(rows: list[dict], passes: list[dict], folder: Path) -> tuple[pd.DataFrame, object]:
    study = market(folder, passes=passes, forecasts=[])
    frame = pd.DataFrame(rows)
    frame["made_on"] = pd.to_datetime(frame["made_on"]).astype("datetime64[s]")
    import dataclasses

    study = dataclasses.replace(study, forecasts=frame)
    found = score_forecasts(study, summary(study))
    return found.rows, found


def test_scored_by_hand(tmp_path: Path) -> None:
    """Fen: measured 66 for 60, inside; Moor: 160 for 120, outside; Tarn: never run."""
    later = runs("Birch", {"Fen": [66.0], "Moor": [160.0]}, date="2026-10-05")
    rows, found = made(
        [forecast(game, fps) for game, fps in BIRCH.items()], measured() + later, tmp_path
    )
    assert rows["inside"].tolist() == ["yes", "no", ""]
    assert_allclose(rows["log_error"][:2], np.log([66 / 60, 160 / 120]), rtol=1e-12)
    width = np.log(1.25 / 0.8)
    beyond = np.log(160 / 150)
    assert_allclose(rows["interval_score"][:2], [width, width + 20 * beyond], rtol=1e-9)
    assert rows["reason"].tolist() == ["", "", "this configuration has not been run"]
    card = found.cards.iloc[0]
    assert (card["rows"], card["inside_share"]) == (2, 0.5)
    assert found.coverage == 0.5
    assert_allclose(
        [found.coverage_low, found.coverage_high], clopper_pearson(0.5, 1, 0.9), rtol=1e-12
    )
    assert "coverage over 1 cards: 50%" in str(found)


@pytest.mark.parametrize(
    ("made_on", "reason"),
    [
        ("2026-10-04", ""),
        ("2026-10-05", "made on the day of the card's first pass"),
        ("2026-10-06", "made after the card's first pass"),
    ],
)
def test_only_forecasts_from_before_count(tmp_path: Path, made_on: str, reason: str) -> None:
    later = runs("Birch", {"Fen": [66.0]}, date="2026-10-05")
    rows, _ = made([forecast("Fen", 60.0, made_on)], measured() + later, tmp_path)
    assert rows["reason"].tolist() == [reason]


def test_of_several_forecasts_the_earliest_counts(tmp_path: Path) -> None:
    later = runs("Birch", {"Fen": [66.0]}, date="2026-10-05")
    rows, found = made(
        [forecast("Fen", 50.0, "2026-09-02"), forecast("Fen", 60.0, "2026-09-01")],
        measured() + later,
        tmp_path,
    )
    assert rows["reason"].tolist() == ["an earlier forecast for this card counts", ""]
    assert str(found).endswith(", asked for 90%")
    assert len(found.cards) == 1


def test_card_that_has_not_come_waits(tmp_path: Path) -> None:
    rows, found = made([forecast("Fen", 60.0)], measured(), tmp_path)
    assert rows["reason"].tolist() == ["the card has not come yet"]
    assert np.isnan(found.coverage)
    assert "not scored, 1: the card has not come yet" in str(found)


def test_passes_without_a_date_prove_nothing(tmp_path: Path) -> None:
    rows, _ = made([forecast("Fen", 60.0)], measured() + runs("Birch", {"Fen": [66.0]}), tmp_path)
    assert rows["reason"].iloc[0].startswith("a pass of the card has no date")


def test_calibration_counts_each_card_once(tmp_path: Path) -> None:
    """A perfect and a hopeless card: half of the cards inside at every width."""
    gpus = [
        {
            "gpu": gpu,
            "kind": "discrete",
            "compute_units": 9,
            "lanes_per_unit": 64,
            "clock_mhz": 2000,
        }
        for gpu in ("Birch", "Alder")
    ]
    later = runs("Birch", BIRCH_RUNS, date="2026-10-05")
    later += runs("Alder", {"Fen": [999.0]}, date="2026-10-05")
    study = market(tmp_path, passes=later, gpus=gpus, builds=[], prices=[])
    import dataclasses

    lines = [forecast(game, fps) for game, fps in BIRCH.items()]
    frame = pd.DataFrame([*lines, forecast("Fen", 60.0, gpu="Alder")])
    frame["made_on"] = pd.to_datetime(frame["made_on"]).astype("datetime64[s]")
    found = score_forecasts(dataclasses.replace(study, forecasts=frame), summary(study))
    assert (found.calibration["cards"] == 2).all()
    assert found.coverage == 0.5
    assert_allclose([found.coverage_low, found.coverage_high], clopper_pearson(1, 2, 0.9))
    assert_allclose(found.calibration["observed"], 0.5)


BIRCH_RUNS = {game: [fps] for game, fps in BIRCH.items()}


def scored(*rows: tuple[str, float, str, float, float]) -> pd.DataFrame:
    columns = ["gpu", "log_error", "inside", "interval_score", "level"]
    frame = pd.DataFrame(rows, columns=columns).assign(made_on=pd.Timestamp("2026-10-01"))
    # a range of 10 to 40 FPS, so log 2 to either side of 20
    return frame.assign(pred_low=10.0, pred_high=40.0)


def test_a_card_by_hand() -> None:
    """Errors of +10, -20 and +50 %: half within exp(|log 0.8|) - 1 = 25 %, bias +10 %."""
    errors = [(np.log(1.1), "yes", 1.0), (np.log(0.8), "yes", 2.0), (np.log(1.5), "no", 6.0)]
    rows = scored(*(("B", *error, 0.9) for error in errors), ("A", 0.0, "yes", 4.0, 0.9))
    found = _cards(rows)
    assert found["gpu"].tolist() == ["B", "A"]
    assert found["rows"].tolist() == [3, 1]
    assert_allclose(found["inside_share"], [2 / 3, 1.0], rtol=1e-12)
    assert_allclose(found["median_abs_pct"], [25.0, 0.0], rtol=1e-12)
    assert_allclose(found["bias_pct"], [10.0, 0.0], rtol=1e-12)
    assert_allclose(found["interval_score"], [3.0, 4.0], rtol=1e-12)


def test_calibration_by_hand() -> None:
    """A range of log 2 at 50 % is 0.6745 sd: an error of log 3 lies 1.0690 sd away, inside 71.5 %.

    An error of log 2 at 90 % lies at its end, so between the ranges of 85 and 95 %.
    """
    found = _calibration(scored(("B", -np.log(3), "no", 0.0, 0.5), ("B", 0.0, "yes", 0.0, 0.5)))
    assert found["nominal"].tolist() == pytest.approx(np.arange(0.05, 1, 0.05).tolist())
    expected = np.where(found["nominal"] > 2 * stats.norm.cdf(1.0690) - 1, 1.0, 0.5)
    assert_allclose(found["observed"], expected, rtol=0)
    assert (found["cards"] == 1).all()
    at_end = _calibration(scored(("B", np.log(2), "yes", 0.0, 0.9)))["observed"]
    assert at_end[found["nominal"] < 0.87].tolist() == [0.0] * 17
    assert at_end[found["nominal"] > 0.93].tolist() == [1.0]
    nothing = _calibration(scored(("B", 0.0, "yes", 0.0, 0.5)).iloc[:0])
    assert np.isnan(nothing["observed"]).all()
    assert (nothing["cards"] == 0).all()


@pytest.mark.parametrize(
    ("fps", "inside"), [(40.0, "yes"), (39.9, "no"), (90.0, "yes"), (90.1, "no")]
)
def test_the_ends_of_a_range_lie_inside_it(tmp_path: Path, fps: float, inside: str) -> None:
    later = runs("Birch", {"Fen": [fps]}, date="2026-10-05")
    line = forecast("Fen", 60.0, pred_low=40.0, pred_high=90.0)
    rows, _ = made([line], measured() + later, tmp_path)
    assert rows["inside"].tolist() == [inside]


def test_what_is_said_at_the_end(tmp_path: Path) -> None:
    later = runs("Birch", {"Fen": [66.0], "Moor": [160.0]}, date="2026-10-05")
    lines = [forecast(game, fps) for game, fps in BIRCH.items()]
    _, found = made(
        [*lines, lines[0], forecast("Fen", 9.0, gpu="Alder")], measured() + later, tmp_path
    )
    low, high = clopper_pearson(0.5, 1, 0.9)
    assert str(found).splitlines() == [
        "2 of 5 kept forecasts scored",
        "not scored, 1: this configuration has not been run",
        "not scored, 1: the same forecast stands above",
        "not scored, 1: a pass of the card has no date: which came first cannot be told",
        "Birch, forecast of 2026-10-01: 2 configurations, 50% inside, half off by less than "
        f"{100 * np.expm1((np.log(1.1) + np.log(4 / 3)) / 2):.1f} %, bias +21.1 %",
        f"coverage over 1 cards: 50% ({low:.0%} to {high:.0%}), asked for 90%",
    ]


@pytest.mark.parametrize(
    ("successes", "low", "high"),
    [(0, 0.0, 1 - 0.05**0.25), (4, 0.05**0.25, 1.0), (0.5, None, None), (3.5, None, None)],
)
def test_ends_of_clopper_pearson(successes: float, low: float | None, high: float | None) -> None:
    """Without a success the upper end p has (1 - p)^n = 5 %; of shares the ends mirror."""
    found = clopper_pearson(successes, 4, 0.9)
    mirrored = clopper_pearson(4 - successes, 4, 0.9)
    assert_allclose(found, [1 - mirrored[1], 1 - mirrored[0]], rtol=1e-9, atol=1e-15)
    assert 0 <= found[0] < found[1] <= 1
    if low is not None:
        assert_allclose(found, [low, high], rtol=1e-9)
