"""Simulated truth: ranges cover, shared terms matter, evidence narrows, copies do not."""

import numpy as np
import pandas as pd
import pytest

from perfkit.models import fit
from tests.models.simulated import ORDER, UNHELD, Outcome, outcome, quick_cells, table
from tests.models.worlds import cells_of, world

STUDIES = 200


@pytest.fixture(scope="module")
def outcomes() -> list[Outcome]:
    return [outcome(seed) for seed in range(STUDIES)]


@pytest.mark.slow
def test_ranges_cover_inside_and_outside_of_what_was_seen(outcomes):
    # 200 studies, the rows of one GPU move together: standard error near 1.5 points.
    assert sum(one.law in UNHELD for one in outcomes) >= STUDIES / 2
    assert set(UNHELD).isdisjoint({"sum", "limit", "power", "roofline"})
    rows = table(outcomes)
    inside = rows[rows["inside_range"]]["covered"].mean()
    beyond = rows[~rows["inside_range"]]["covered"].mean()
    assert 0.84 <= inside <= 0.96
    assert beyond >= 0.84


@pytest.mark.slow
def test_the_range_of_a_mean_over_twelve_games_covers_too(outcomes):
    shared = np.mean([one.mean_covered for one in outcomes])
    independent = np.mean([one.mean_covered_alone for one in outcomes])
    assert 0.82 <= shared <= 0.97
    assert independent < 0.75


@pytest.mark.slow
def test_no_law_is_left_far_out(outcomes):
    coverage = table(outcomes).groupby("law")["covered"].mean()
    assert set(coverage.index) == set(ORDER)
    assert coverage.min() > 0.75


def test_quick_cells_are_the_cells():
    w = world(3, gpus=4, workloads=3)
    quick, slow = quick_cells(w), cells_of(w)
    order = np.lexsort((slow.rows.drawn_mpx, slow.rows.gpu, slow.rows.workload))
    usual = np.lexsort((quick.rows.drawn_mpx, quick.rows.gpu, quick.rows.workload))
    for name in ("log_fps", "scatter", "passes"):
        expected = getattr(slow, name)[order]
        np.testing.assert_allclose(getattr(quick, name)[usual], expected, rtol=1e-9)
    assert quick.pass_sd == pytest.approx(slow.pass_sd)


def test_more_gpus_narrow_the_range():
    few = np.median([np.median(outcome(s, gpus=5, law="sum").width) for s in range(6)])
    many = np.median([np.median(outcome(s, gpus=16, law="sum").width) for s in range(6)])
    assert many < 0.8 * few


def test_a_copied_pass_does_not_narrow_the_range():
    w = world(2, gpus=6, workloads=3, sizes=((1920, 1080),))
    passes = w.without("G03")
    copies = passes.assign(pass_id="copy " + passes["pass_id"])
    twice = pd.concat([passes, copies], ignore_index=True)
    before = fit(w.study, passes).predict(w.targets("G03"))
    after = fit(w.study, twice).predict(w.targets("G03"))
    width = np.log(after["pred_high"] / after["pred_low"])
    assert (width >= np.log(before["pred_high"] / before["pred_low"]) * (1 - 1e-9)).all()
    np.testing.assert_allclose(after["fps"], before["fps"], rtol=1e-9)
