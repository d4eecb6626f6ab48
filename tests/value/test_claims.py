"""Sentences against the data: verdicts, multiplicity, and what would turn them."""

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from pandas.testing import assert_frame_equal
from scipy import stats
from statsmodels.stats.multitest import multipletests

from perfkit.value.claim_sides import record_of
from perfkit.value.claims import check_claims, holm
from tests.value.market import (
    BASE,
    CARDS,
    booked,
    build,
    market,
    measured,
    no_predictions,
    predictions,
    priced,
    runs,
    summary,
)

BIRCH = {"Fen": 60.0, "Moor": 120.0, "Tarn": 240.0}


def claim(
    left: str, relation: str, right: object, measure: str = "average", **more: object
) -> dict:
    row = {"left": left, "measure": measure, "relation": relation, "right": right, **more}
    return {"claim": f"{left} {measure} {relation} {right} {more}", **row}


def check(
    folder: Path, *claims: dict, table: pd.DataFrame | None = None, **files: object
) -> pd.DataFrame:
    study = market(folder, claims=list(claims), **files)
    table = no_predictions() if table is None else table
    return check_claims(record_of(study, summary(study), booked(study, table)))


def test_verdicts_on_twice_as_fast(tmp_path: Path) -> None:
    found = check(
        tmp_path,
        claim("Alder", "above", "Ember"),
        claim("Alder", "above", "Ember", margin_pct=90),
        claim("Alder", "above", "Ember", margin_pct=110),
        claim("Alder", "below", "Ember"),
        claim("Ember", "below", "Alder", margin_pct=40),
        claim("Alder", "same", "Ember", margin_pct=10),
        claim("with Alder", "above", "bare"),
        claim("Alder", "above", "Ember", margin_pct=100),
    )
    assert found["verdict"].tolist() == [
        "supported", "supported", "contradicted", "contradicted", "supported", "contradicted",
        "supported", "open",
    ]  # fmt: skip
    assert_allclose(found["estimate"].iloc[[0, 4]], [2.0, 0.5], rtol=1e-12)
    assert (found["passes_left"] == 9).all()
    assert (found["workloads"] == 3).all()
    assert set(found["basis"]) == {"measured"}


def test_one_workload_is_welchs_test(tmp_path: Path) -> None:
    a, b = [50.0, 51.0, 53.0], [48.0, 50.5, 49.0, 51.0]
    passes = runs("Ember", {"Fen": a}) + runs("Alder", {"Fen": b})
    found = check(tmp_path, claim("Ember", "above", "Alder", workload="Fen"), passes=passes).iloc[0]
    other = stats.ttest_ind(np.log(a), np.log(b), equal_var=False)
    assert_allclose(found["p_value"], other.pvalue, rtol=1e-10)
    low, high = np.exp(other.confidence_interval(0.90))
    assert_allclose([found["low"], found["high"]], [low, high], rtol=1e-10)
    assert found["verdict"] == "open"
    assert found["passes_needed"] >= 1


def test_against_a_number(tmp_path: Path) -> None:
    found = check(
        tmp_path,
        claim("Ember", "above", 30, workload="Moor"),
        claim("Ember", "above", 50, workload="Moor"),
        claim("Ember", "same", 40, workload="Moor", margin_pct=10),
    )
    assert found["verdict"].tolist() == ["supported", "contradicted", "supported"]
    assert_allclose(found["estimate"], [40 / 30, 40 / 50, 1.0], rtol=1e-9)
    assert (found["passes_right"] == 0).all()


def test_price_has_no_chance_in_it(tmp_path: Path) -> None:
    found = check(
        tmp_path,
        claim("bare", "below", 351, "price"),
        claim("bare", "above", "with Alder", "price"),
        claim("Plank", "same", 82, "price", margin_pct=5),
    )
    assert found["verdict"].tolist() == ["supported", "contradicted", "supported"]
    assert found["p_holm"].tolist() == [0.0, 0.0, 0.0]
    assert_allclose(found["flip_price"], [351, 500, 82 / 1.05], rtol=1e-12)


def test_cost_per_frame_and_its_flip_price(tmp_path: Path) -> None:
    """350 / 40 = 8.75 against 500 / 80 = 6.25: the card pays until the build costs 700."""
    found = check(tmp_path, claim("with Alder", "below", "bare", "cost_per_frame")).iloc[0]
    assert found["verdict"] == "supported"
    assert_allclose(found["estimate"], 6.25 / 8.75, rtol=1e-12)
    assert_allclose(found["flip_price"], 700.0, rtol=1e-12)


def test_lows_are_compared_on_lows(tmp_path: Path) -> None:
    lows = [
        row | {"low_1pct_fps": row["avg_fps"] * (0.5 if row["gpu"] == "Alder" else 0.9)}
        for row in measured()
    ]
    found = check(tmp_path, claim("Alder", "above", "Ember", "low_1pct"), passes=lows).iloc[0]
    assert_allclose(found["estimate"], 2 * 0.5 / 0.9, rtol=1e-12)


def test_few_games_turn_it(tmp_path: Path) -> None:
    """Logs of 3, 0.9 and 0.9 add up above zero; without Fen they do not."""
    noise = np.exp([-0.001, 0.001])
    passes = runs("Ember", dict.fromkeys(BIRCH, 50 * noise))
    passes += runs("Alder", {"Fen": 150 * noise, "Moor": 45 * noise, "Tarn": 45 * noise})
    found = check(tmp_path, claim("Alder", "above", "Ember"), passes=passes).iloc[0]
    assert found["verdict"] == "supported"
    assert (found["games_to_turn"], found["turned_by"]) == (1.0, "Fen")
    both = check(tmp_path / "b", claim("Alder", "above", "Ember", workload="Fen"), passes=passes)
    assert math.isnan(both["games_to_turn"].iloc[0])


def test_one_pass_a_side_uses_the_spread_of_the_study(tmp_path: Path) -> None:
    """Spread .01 with 12 dof from Ember and Alder, one Birch pass: se = .01 sqrt(1 + 1/3)."""
    passes = measured() + runs("Birch", {"Fen": [20.5]})
    found = check(tmp_path, claim("Birch", "above", "Ember", workload="Fen"), passes=passes).iloc[0]
    half = np.log(found["high"] / found["low"]) / 2
    se2 = np.array([1e-4, 1e-4 / 3])
    dof = se2.sum() ** 2 / (se2**2 / [12, 2]).sum()
    assert_allclose(half, stats.t.ppf(0.95, dof) * np.sqrt(se2.sum()), rtol=1e-9)


def test_never_repeated_is_open(tmp_path: Path) -> None:
    passes = runs("Ember", {"Fen": [20.0]}) + runs("Alder", {"Fen": [40.0]})
    found = check(tmp_path, claim("Alder", "above", "Ember", workload="Fen"), passes=passes).iloc[0]
    assert found["verdict"] == "open"
    assert found["reason"] == "spread between passes not known: run each configuration twice"


def test_unmeasured_side_is_compared_by_draws(tmp_path: Path) -> None:
    found = check(
        tmp_path,
        claim("Birch", "above", "Ember"),
        claim("Birch", "above", 118),
        claim("Birch", "below", 60),
        table=predictions("Birch", BIRCH),
    )
    assert found["basis"].tolist() == ["predicted"] * 3
    assert found["verdict"].tolist() == ["supported", "open", "contradicted"]
    assert_allclose(found["estimate"], [3, 120 / 118, 2], rtol=1e-3)


@pytest.mark.parametrize(
    ("row", "reason"),
    [
        (claim("Birch", "above", "Ember"), "Birch was neither run nor predicted beside it"),
        (claim("bare", "above", ""), "the claim names nothing on the right"),
        (claim("Ember", "below", 9, "cost_per_frame"), "the price of Ember is not known"),
    ],
)
def test_nothing_to_compare_is_open_with_the_reason(tmp_path: Path, row: dict, reason: str) -> None:
    found = check(tmp_path, row).iloc[0]
    assert (found["verdict"], found["reason"]) == ("open", reason)
    assert math.isnan(found["estimate"])


def test_holm_counts_only_claims_with_chance() -> None:
    """Hand-worked: 0.01 x 3, max(0.03, 0.02 x 2), max(0.04, 0.04)."""
    assert holm([0.04, 0.01, math.nan, 0.02])[:2] == [0.04, 0.03]
    assert holm([math.nan])[0] != holm([math.nan])[0]
    assert holm([0.7, 0.6]) == [1.0, 1.0]


@pytest.mark.parametrize("count", [1, 2, 5, 40])
def test_holm_is_that_of_statsmodels(count: int, few_objects: None) -> None:
    for p in np.random.default_rng(count).beta(0.3, 3.0, (20, count)).round(3):
        assert holm([math.nan, *p])[1:] == multipletests(p, method="holm")[1].tolist()


def test_family_error_is_held() -> None:
    """Twenty true equalities claimed as faster: a wrong verdict in at most 10 % of studies.

    300 simulated studies; the bound allows three binomial standard errors.
    """
    rng, wrong = np.random.default_rng(13), 0
    for values in rng.normal(0, 0.02, (300, 20, 2, 3)):
        p = stats.ttest_ind(values[:, 0], values[:, 1], axis=1, equal_var=False).pvalue
        wrong += min(holm(p.tolist())) < 0.10
    assert wrong / 300 < 0.10 + 3 * math.sqrt(0.1 * 0.9 / 300)


def test_currency_scale_and_row_order_change_no_verdict(tmp_path: Path) -> None:
    rows = [
        claim("with Alder", "below", "bare", "cost_per_frame"),
        claim("Alder", "above", "Ember"),
    ]
    rates = [{"date": "2026-10-01", "from": "EUR", "to": "DKK", "rate": 4}]
    prices = priced(*BASE, *((c, "", p) for c, p in CARDS.items()), currency="EUR")
    euro = check(tmp_path / "a", *rows, prices=prices)
    crown = check(
        tmp_path / "b", *rows, prices=prices, rates=rates, currency="DKK", passes=measured()[::-1]
    )
    assert_frame_equal(euro.drop(columns="flip_price"), crown.drop(columns="flip_price"), rtol=1e-9)
    assert_allclose(4 * euro["flip_price"], crown["flip_price"], rtol=1e-12)


def test_irrelevant_build_leaves_the_findings(tmp_path: Path) -> None:
    row = claim("with Alder", "above", "bare")
    expected = check(tmp_path / "a", row)
    more = build("bare", "Ember") + build("with Alder", "Alder") + build("with Birch", "Birch")
    assert_frame_equal(check(tmp_path / "b", row, builds=more), expected)


def test_no_claims(tmp_path: Path) -> None:
    assert len(check(tmp_path)) == 0
