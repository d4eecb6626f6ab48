"""A workload run on one GPU only: samples that match it at home tell it elsewhere."""

import numpy as np
import pytest

from perfkit.models import fit
from perfkit.models.borrowing import SAMPLED, borrow, sampled
from tests.models.worlds import cells_of, world


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
