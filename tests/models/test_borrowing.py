"""A workload run on one GPU only: samples that match it at home tell it elsewhere."""

from dataclasses import replace
from types import SimpleNamespace
from unittest import mock

import numpy as np
import pytest

from perfkit.models import fit
from perfkit.models.borrowing import SAMPLED, borrow, sampled
from perfkit.models.laws import MOST_CONTENTION, MOST_SHARPNESS, form_of, take
from tests.models.worlds import cells_of, world
from tests.outside import as_cells


@pytest.fixture(scope="module")
def market():
    return world(6, law="sum", gpus=7, workloads=6, device_sd=0.01, own_sd=0.01)


@pytest.fixture(scope="module")
def passes(market):
    alone = market.passes["workload"].eq("W00") & market.passes["gpu"].ne("G01")
    return market.passes[~alone].reset_index(drop=True)


def test_samples_reproduce_home_and_a_pure_part_elsewhere(market, passes):
    cells = cells_of(market, passes)
    rows = cells.rows.take((cells.rows.workload == 0) & (cells.rows.gpu == 1))
    log_ms = np.log(8.0 * rows.drawn_mpx)
    law = SAMPLED.told_apart(cells.rows)
    said, scale = sampled(law, rows, log_ms, rows)
    np.testing.assert_allclose(said, log_ms, atol=0.03)
    assert (scale < 0.05).all()


def test_only_a_workload_of_one_gpu_borrows_and_only_away_from_home(market, passes):
    cells = cells_of(market, passes)
    borrowed = borrow(cells)
    assert borrowed.home.tolist() == [1, -1, -1, -1, -1, -1]
    assert borrowed.dof.tolist() == [4, 0, 0, 0, 0, 0]
    assert not borrowed.of(cells.rows).any()


def test_a_borrowed_range_covers_says_so_and_is_wider_than_one_that_was_measured(market, passes):
    asked = market.truth[market.truth["workload"].isin(["W00", "W01"])]
    asked = asked[asked["gpu"].ne("G01")]
    table = fit(market.study, passes).predict(asked.drop(columns=["fps", "mean_fps"]))
    alone = table["workload"].eq("W00")
    assert set(table.loc[alone, "basis"]) == {"predicted, slopes borrowed"}
    assert set(table.loc[~alone, "basis"]) == {"predicted"}
    inside = asked["fps"].reset_index(drop=True).between(table["pred_low"], table["pred_high"])
    assert inside[alone].mean() >= 0.8
    width = np.log(table["pred_high"] / table["pred_low"])
    assert width[alone].median() > width[~alone].median()


def test_too_few_others_give_no_number_but_a_reason(market, passes):
    few = passes[passes["workload"].isin(["W00", "W01"])].reset_index(drop=True)
    asked = market.truth[market.truth["workload"].eq("W00") & market.truth["gpu"].eq("G03")]
    table = fit(market.study, few).predict(asked.drop(columns=["fps", "mean_fps"]))
    assert table["fps"].isna().all()
    assert table["reason"].str.contains("run on one GPU only").all()


def fake_law(home, asked, size=1):
    """Patch a law so that its samples say given log frame times at home and elsewhere."""
    form = SimpleNamespace(
        mean=np.zeros(size + 2), sd=np.ones(size + 2), size=size, features=lambda rows: (rows, rows)
    )

    def said(form, theta, features, contention):
        told = np.array(home if features is HOME else asked)
        return SimpleNamespace(log_ms=told if len(theta) == len(home) else told[: len(theta)])

    return mock.patch.multiple(
        "perfkit.models.borrowing", SAMPLES=len(home), form_of=lambda *_: form, take=said
    )


HOME, ELSEWHERE = np.zeros((3, 1)), np.ones((2, 1))


def test_samples_weigh_by_how_they_match_at_home():
    # The first matches but for its level, the second misses one row of three by two scales: the
    # t of four degrees says (1 + 4/4)^(-5/2). The third, which misses by 8, is dropped.
    home = [[0.0, 1.0, 2.0], [-10.0, -9.0, -8.06], [0.0, 1.0, -6.0]]
    with fake_law(home, [[4.0, 6.0], [-5.0, -4.5], [99.0, -99.0]]):
        middle, scale = sampled(None, HOME, np.array([1.0, 2.0, 3.0]), ELSEWHERE)
    # Said with their levels 1 and 11: 5 and 6, then 7 and 6.5; weights 1 and b.
    b = 2.0**-2.5
    np.testing.assert_allclose(middle, [5 + b / (1 + b), 7 - 0.5 * b / (1 + b)], rtol=1e-9)
    np.testing.assert_allclose(scale, [1 / (2 * 1.645), 0.5 / (2 * 1.645)], rtol=1e-9)


def test_samples_that_all_miss_are_compared_with_the_best_of_them():
    with fake_law([[0.0, 0.0, 3.0]] * 2, [[4.0, 6.0], [5.0, 7.0]]):
        middle, _ = sampled(None, HOME, np.zeros(3), ELSEWHERE)
    np.testing.assert_allclose(middle, [4.5, 6.5], rtol=1e-9)


def test_equal_samples_give_their_median_and_outer_quantiles():
    order = np.random.default_rng(0).permutation(100)
    home = np.zeros((100, 3))
    with fake_law(home, np.column_stack([order, 7.0 - 2.0 * order])):
        middle, scale = sampled(None, HOME, np.array([0.5, 0.5, 0.5]), ELSEWHERE)
    # Of 0 to 99, each in the middle of its hundredth: 4.5, 49.5 and 94.5, level 0.5 added.
    np.testing.assert_allclose(middle, [50.0, 7.5 - 99.0], rtol=1e-9)
    np.testing.assert_allclose(scale, [90.0 / 3.29, 180.0 / 3.29], rtol=1e-9)


def test_samples_are_drawn_about_what_the_law_expects_and_within_its_bounds(market, passes):
    cells = cells_of(market, passes)
    rows = cells.rows.take((cells.rows.workload == 0) & (cells.rows.gpu == 1))
    law = SAMPLED.told_apart(cells.rows)
    log_ms = np.log(8.0 * rows.drawn_mpx)
    with mock.patch("perfkit.models.borrowing.take", wraps=take) as spy:
        sampled(law, rows, log_ms, rows)
    theta = spy.call_args_list[0].args[1]
    form = form_of(law, rows)
    shares = theta[:, : form.size] + form.features(rows)[0].mean(axis=0)
    assert len(theta) == 8192
    # Standard errors of mean and deviation of 8192 draws: 0.011 and 0.008 deviations.
    np.testing.assert_allclose(shares.mean(axis=0), form.mean[: form.size], atol=0.05 * 1.5)
    np.testing.assert_allclose(shares.std(axis=0), 1.5, rtol=0.04)
    assert np.median(theta[:, -2]) == pytest.approx(np.log(3.0), abs=0.05)
    assert (theta[:, -2].min(), theta[:, -2].max()) == (0.0, pytest.approx(3.6, abs=0.4))
    # Contention is half a normal of 0.25: median 0.674 of that.
    assert np.median(theta[:, -1]) == pytest.approx(0.6745 * 0.25, abs=0.01)
    assert theta[:, -1].min() > 0
    wild = replace(form, sd=100.0 * form.sd)
    with (
        mock.patch("perfkit.models.borrowing.form_of", return_value=wild),
        mock.patch("perfkit.models.borrowing.take", wraps=take) as spy,
    ):
        sampled(law, rows, log_ms, rows)
    theta = spy.call_args_list[0].args[1]
    assert (theta[:, -2].min(), theta[:, -2].max()) == (0.0, MOST_SHARPNESS)
    assert theta[:, -1].max() == MOST_CONTENTION


def by_size(law, home, log_ms, asked):
    """Say the mean at home, longer by the log of the size, 0.12 unsure."""
    return log_ms.mean() + np.log(asked.drawn_mpx), np.full(len(asked), 0.12)


def alone_and_others():
    """Workload v ran on A only; w and x on both; of z and t a cap held the passes on one."""
    table = [
        *[("v", "A", 0.0, 4.0), ("v", "A", 1.0, 5.0)],
        # Said 3.0 for w on B, 0.13 unsure: off by one and two of these, mean square 5/2.
        *[("w", "A", 0.0, 3.0), ("w", "B", 0.0, 3.13), ("w", "B", 0.0, 3.26)],
        # Said 2.0 - 1.0 for x on B: off by three, square 9.
        *[("x", "A", 0.0, 2.0), ("x", "B", 1.0, 1.0 - 0.39)],
        *[("z", "A", 0.0, 2.0), ("z", "B", 0.0, 9.0), ("t", "A", 0.0, 9.0), ("t", "B", 0.0, 2.0)],
    ]
    workload, gpu, size, y = zip(*table, strict=True)
    columns = np.zeros((len(y), 4))
    columns[:, 2] = size
    cells = as_cells(np.array(y), columns, gpu, workload)
    return replace(cells, at_least=np.array(y) == 9.0)


def test_other_workloads_kept_at_home_say_how_far_off_samples_are():
    cells = alone_and_others()
    names = cells.rows.names.workloads
    with mock.patch("perfkit.models.borrowing.sampled", by_size):
        found = borrow(cells)
        log_fps, scale = found.predict(cells.rows)
        moved = replace(cells.rows, gpu=1 - cells.rows.gpu)
        there = found.predict(moved)
    assert names == ("t", "v", "w", "x", "z")
    assert found.home.tolist() == [-1, 0, -1, -1, -1]
    # Squares 5/2 and 9, and 1 for the samples' own spread.
    factor = np.sqrt((2.5 + 9.0 + 1.0) / 3.0)
    np.testing.assert_allclose(found.factor, [np.nan, factor, np.nan, np.nan, np.nan], rtol=1e-9)
    assert found.dof.tolist() == [0.0, 1.0, 0.0, 0.0, 0.0]
    assert np.isnan([log_fps, scale]).all()
    # The mean at home is 4.5; a size e times larger takes 1 longer.
    np.testing.assert_allclose(there[0][:3], [4.5, 3.5, np.nan], rtol=1e-9)
    np.testing.assert_allclose(there[1][:3], [0.13 * factor, 0.13 * factor, np.nan], rtol=1e-9)
    assert np.isnan(there[0][2:]).all()
    one_at_home = replace(cells.rows, gpu=np.where(np.arange(len(cells)) == 1, 1, 0))
    with mock.patch("perfkit.models.borrowing.sampled", by_size):
        log_fps, _ = found.predict(one_at_home)
    assert np.flatnonzero(np.isfinite(log_fps)).tolist() == [1]


def test_one_other_workload_is_too_few_and_one_gpu_tells_nothing():
    cells = alone_and_others()
    of = cells.rows.workload
    with mock.patch("perfkit.models.borrowing.sampled", by_size):
        few = borrow(cells.take((of == 1) | (of == 3)))
        one = borrow(cells.take(cells.rows.gpu == 0))
    assert few.home.tolist() == [-1, 0, -1, -1, -1]
    assert np.isnan(few.factor).all()
    assert (few.dof == 0).all()
    assert (one.home == -1).all()
