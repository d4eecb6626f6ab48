"""Strata, sides and predictions behind a sentence, on a market whose every ratio is known."""

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from perfkit.value.claim_evidence import Evidence, compare_sides, gather_evidence
from perfkit.value.claim_sides import Record, Side, record_of
from perfkit.value.contrast import Contrast
from tests.value.market import BASE, booked, build, market, predictions, priced, runs, summary

WEIGHTS = {"Fen": 1, "Moor": 3, "Tarn": 2, "Weir": 1, "Idle": 0}


def pair(fps: float, spread: float) -> list[float]:
    """Two passes around a geometric mean; the variance of their logs is twice the square."""
    return [fps * math.exp(-spread), fps * math.exp(spread)]


def passes() -> list[dict]:
    rows = [
        *runs("Ember", {"Fen": pair(20, 0.01), "Moor": pair(40, 0.02)}),
        *runs("Alder", {"Fen": pair(40, 0.01), "Moor": [*pair(60, 0.03), 60.0]}),
        *runs("Ember", {"Fen": pair(22, 0.01)}, system="den"),
        *runs("Alder", {"Fen": pair(55, 0.02)}, system="den"),
    ]
    return [row | {"low_1pct_fps": 0.9 * row["avg_fps"]} for row in rows]


FEN, MOOR, DEN = 20 * math.cosh(0.01), 40 * math.cosh(0.02), 22 * math.cosh(0.01)
"""Plain means of Ember's two passes, which is what its speed beside a prediction is."""


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Record:
    birch = predictions("Birch", {"Fen": 60.0, "Moor": 100.0, "Tarn": 300.0})
    birch.loc[1, "low_1pct_fps"] = 120.0  # never above the average
    cedar = predictions("Cedar", {"Fen": 66.0}, system="den")
    gpus = [
        {"gpu": name, "kind": kind, "compute_units": 8, "lanes_per_unit": 64, "clock_mhz": 2000}
        for name, kind in (("Ember", "integrated"), ("Alder", "discrete"), ("Birch", "discrete"),
                           ("Cedar", "discrete"), ("Drift", "discrete"))
    ]  # fmt: skip
    study = market(
        tmp_path_factory.mktemp("strata"),
        gpus=gpus,
        systems=[{"system": "bench", "cpu": "Spindle"}, {"system": "den", "cpu": "Bobbin"}],
        workloads=[{"workload": name, "weight": weight} for name, weight in WEIGHTS.items()],
        passes=passes(),
        prices=[
            *priced(*BASE, ("Alder", "", 150), ("Birch", "", 300)),
            *priced(("Later", "", 5), date="2026-12-01"),
        ],
        builds=build("bare", "Ember") + build("with Birch", "Birch")
        + build("nothing", "", [("Later", "other", 5)]),
    )  # fmt: skip
    return record_of(study, summary(study), booked(study, pd.concat([birch, cedar])))


def contrast_of(found: Evidence) -> Contrast:
    assert found.contrast is not None
    return found.contrast


def test_a_workload_run_in_two_systems_counts_once(record: Record) -> None:
    """Fen weighs 0.5 in each of two systems, Moor 3: together 4; two of four games are enough."""
    found = gather_evidence(record, "Alder", "Ember", "average")
    assert found.workloads == ("Fen", "Moor", "Fen")
    assert_allclose(found.weights, [0.5, 3, 0.5], rtol=1e-12)
    logs, shares = np.log([40 / 20, 60 / 40, 55 / 22]), np.array([0.125, 0.75, 0.125])
    contrast = contrast_of(found)
    assert_allclose(contrast.by_stratum, logs, rtol=1e-12)
    assert_allclose(contrast.log_ratio, shares @ logs, rtol=1e-12)
    left, right = np.array([1e-4, 3e-4, 4e-4]), np.array([1e-4, 4e-4, 1e-4])  # of the means
    terms = np.concatenate([shares**2 * left, shares**2 * right])
    assert_allclose(contrast.std_error**2, terms.sum(), rtol=1e-9)
    freedom = terms.sum() ** 2 / (terms**2 / [1, 2, 1, 1, 1, 1]).sum()
    assert_allclose(contrast.dof, freedom, rtol=1e-9)
    assert (found.passes, found.fewest, found.cells) == ((7, 6), 2.0, 6)
    assert (found.basis, found.reason, found.draws) == ("measured", "", None)
    assert math.isnan(found.price_left)
    low, high = found.ratio_range()
    half = stats.t.ppf(0.95, freedom) * math.sqrt(terms.sum())
    assert_allclose(np.log([low, high]), contrast.log_ratio + np.array([-half, half]), rtol=1e-9)


def test_fewer_than_half_of_the_games_are_filled_up_by_predictions(record: Record) -> None:
    """Of five games two were run; one game that is asked for is the whole of itself."""
    more = record.study.workloads.assign(weight=1.0)
    study = replace(record.study, workloads=more)
    whole = gather_evidence(replace(record, study=study), "Alder", "Ember", "average")
    assert whole.draws is not None
    one = gather_evidence(record, "Alder", "Ember", "average", "Fen")
    assert (one.draws, one.cells, one.workloads) == (None, 4, ("Fen", "Fen"))
    assert_allclose(contrast_of(one).log_ratio, np.log([2, 2.5]).mean(), rtol=1e-12)


def test_against_a_number_one_side_alone_is_counted(record: Record) -> None:
    found = gather_evidence(record, "Alder", "50", "average")
    assert (found.passes, found.cells, found.fewest) == ((7, 0), 3, 2.0)
    assert_allclose(contrast_of(found).by_stratum, np.log([40 / 50, 60 / 50, 55 / 50]), rtol=1e-12)
    assert (found.basis, found.reason) == ("measured", "")


def test_lows_and_costs_have_their_sign_and_price(record: Record) -> None:
    low = contrast_of(gather_evidence(record, "Alder", "Ember", "low_1pct", "Moor"))
    assert_allclose(low.log_ratio, math.log(1.5), rtol=1e-12)
    cost = gather_evidence(record, "bare", "9", "cost_per_frame", "Fen")
    assert_allclose(contrast_of(cost).log_ratio, math.log(350 / 20 / 9), rtol=1e-12)
    assert cost.price_left == 350.0


def test_predicted_sides_are_weighed_draw_by_draw(record: Record) -> None:
    """Birch was never run; Ember has no Tarn, so Fen and Moor count with 1 and 3."""
    found = gather_evidence(record, "Birch", "Ember", "average")
    machines = pd.DataFrame({"name": ["b", "e"], "system": "bench", "gpu": ["Birch", "Ember"]})
    drawn = record.book.speeds(machines).log_draws
    apart = (drawn[0] - drawn[1])[:2]
    assert_allclose(found.draws, (apart[0] + 3 * apart[1]) / 4, rtol=1e-9)
    contrast = contrast_of(found)
    assert_allclose(contrast.by_stratum, np.log([60 / FEN, 100 / MOOR]), rtol=1e-12)
    assert_allclose(contrast.log_ratio, np.log([60 / FEN, *3 * [100 / MOOR]]).mean(), rtol=1e-12)
    assert_allclose(contrast.std_error, np.std(found.draws), rtol=1e-12)
    assert (contrast.dof, math.isnan(contrast.spread)) == (math.inf, True)
    assert found.workloads == ("Fen", "Moor")
    assert found.weights.tolist() == [1.0, 3.0]
    assert (found.passes, found.cells, found.basis) == ((0, 4), 4, "predicted")
    assert found.reason == ""
    assert_allclose(np.log(found.ratio_range()), np.quantile(found.draws, [0.05, 0.95]), rtol=1e-9)


def test_a_predicted_side_against_a_number_or_in_one_game(record: Record) -> None:
    alone = gather_evidence(record, "Birch", "50", "average")
    expected = np.log([60 / 50, 100 / 50, 300 / 50])
    assert_allclose(contrast_of(alone).by_stratum, expected, rtol=1e-12)
    assert_allclose(contrast_of(alone).log_ratio, expected @ [1, 3, 2] / 6, rtol=1e-12)
    assert_allclose(np.median(alone.draws), expected @ [1, 3, 2] / 6, atol=0.02)
    assert (alone.passes, alone.cells) == ((0, 0), 3)
    one = gather_evidence(record, "Ember", "Birch", "average", "Moor")
    assert (one.workloads, one.cells, one.passes) == (("Moor",), 2, (2, 0))
    assert_allclose(contrast_of(one).log_ratio, math.log(MOOR / 100), rtol=1e-12)


def test_predicted_lows_and_costs(record: Record) -> None:
    """Birch's 1 % low in Moor is said to be 120 and cannot be above its average of 100."""
    low = gather_evidence(record, "Birch", "Ember", "low_1pct")
    assert_allclose(contrast_of(low).by_stratum, np.log([42 / 18, 100 / 36]), rtol=1e-12)
    cost = gather_evidence(record, "with Birch", "bare", "cost_per_frame", "Fen")
    assert_allclose(contrast_of(cost).log_ratio, math.log(650 / 350 * FEN / 60), rtol=1e-12)
    assert_allclose(np.median(cost.draws), math.log(650 / 350 * FEN / 60), atol=0.02)
    assert cost.price_left == 650.0


def test_sides_that_share_no_system_say_so(record: Record) -> None:
    found = gather_evidence(record, "Cedar", "bare", "average")
    assert found.reason == "the two sides are on different systems"
    assert_allclose(contrast_of(found).log_ratio, math.log(66 / FEN), rtol=1e-12)
    same = gather_evidence(record, "Cedar", "Ember", "average")
    assert same.reason == ""
    assert_allclose(contrast_of(same).log_ratio, math.log(66 / DEN), rtol=1e-12)


@pytest.mark.parametrize(
    ("left", "right", "measure", "reason"),
    [
        ("bare", "", "average", "the claim names nothing on the right"),
        ("nobody", "bare", "average", "nobody is no build, GPU or priced item of this study"),
        ("bare", "nobody", "price", "nobody is no build, GPU or priced item of this study"),
        ("Later", "bare", "price", "the price of Later is not known"),
        ("nothing", "bare", "price", "the price of nothing is not known"),
        ("bare", "nothing", "cost_per_frame", "the price of nothing is not known"),
        ("Drift", "bare", "average", "Drift was neither run nor predicted beside it"),
        ("Drift", "7", "average", "Drift was neither run nor predicted beside it"),
    ],
)
def test_why_nothing_is_compared(
    record: Record, left: str, right: str, measure: str, reason: str
) -> None:
    found = gather_evidence(record, left, right, measure)
    assert (found.contrast, found.reason) == (None, reason)
    assert np.isnan(found.ratio_range()).all()
    assert (found.passes, found.cells, found.fewest) == ((0, 0), 0, 0.0)


def test_what_costs_nothing_has_no_ratio(record: Record) -> None:
    free, dear = Side("free", price=0.0), Side("dear", price=5.0)
    for left, right in ((free, dear), (dear, free), (dear, Side("0", number=0.0))):
        for measure in ("price", "cost_per_frame"):
            found = compare_sides(record, left, right, measure)
            name = right.name if left is dear else "free"
            assert (found.contrast, found.reason) == (None, f"the price of {name} is not known")
    for measure in ("price", "cost_per_frame"):
        cheap = compare_sides(record, Side("cheap", price=0.5), Side("0.25", number=0.25), measure)
        assert "the price of" not in cheap.reason
    found = compare_sides(record, dear, Side("4", number=4.0), "price")
    told = contrast_of(found)
    assert_allclose(told.log_ratio, math.log(5 / 4), rtol=1e-12)
    assert (told.std_error, told.spread, found.chance, found.basis) == (0.0, 0.0, False, "price")
    assert found.price_left == 5.0


def test_errors_of_versions_and_borrowed_passes_are_taken_over(record: Record) -> None:
    """Errors of 0.03 and 0.04 that all passes of a side share add 0.05 squared; alone 0.03."""
    cells = record.cells["avg_fps"]
    gpu = cells.index.get_level_values("gpu")
    moved = cells.assign(shift=np.where(gpu == "Alder", 0.03, 0.04))
    shifted = replace(record, cells={"avg_fps": moved})
    for right, error in (("Ember", 0.05), ("50", 0.03)):
        plain, more = (
            contrast_of(gather_evidence(each, "Alder", right, "average")).std_error
            for each in (record, shifted)
        )
        assert_allclose(more**2 - plain**2, error**2, rtol=1e-9)
    lent = replace(record, cells={"avg_fps": cells.assign(
        basis=np.where(gpu == "Ember", "borrowed", "measured"))})  # fmt: skip
    assert gather_evidence(lent, "Alder", "Ember", "average").basis == "borrowed"
    assert gather_evidence(lent, "Ember", "Alder", "average").basis == "borrowed"
    assert gather_evidence(lent, "Alder", "50", "average").basis == "measured"


def test_games_without_weight_settle_nothing_by_passes(record: Record) -> None:
    study = replace(record.study, workloads=record.study.workloads.assign(weight=0.0))
    found = gather_evidence(replace(record, study=study), "Alder", "Ember", "average")
    assert found.draws is not None
