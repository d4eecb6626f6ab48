"""Widths from left-out errors nearby, on numbers worked by hand."""

from dataclasses import replace
from unittest import mock

import numpy as np
import pytest

from perfkit.models.beyond import ends
from perfkit.models.intervals import device_share
from perfkit.models.local_width import (
    LEAST_VARIANCE,
    LocalSpread,
    LocalT,
    _means,
    _medians,
)
from tests.outside import as_cells

STEP = np.exp(-0.5)
"""Weight of a cell one `REACH` away."""


def spread_of(**changed):
    """Workload v with two cells a reach apart; w, whose GPUs none was left out of; one GPU each."""
    cells = as_cells(np.zeros(2), np.zeros((2, 4)), ["a", "b"], ["v", "w"])
    values = {
        "cells": cells,
        "laws": (),
        "factor": np.ones((2, 2)),
        "workload": np.array([0, 0]),
        "log_fps": np.array([4.0, 4.8]),
        "weight": np.array([1.0, 1.0]),
        "error": np.array([[4.0, 2.0, 1.0], [8.0, 4.0, 3.0]]),
        "mean": np.array([5.0, 7.0]),
        "gpus": np.array([2.0, 0.0]),
        "share": 0.25,
        "dof": 3.0,
    }
    return LocalSpread(**(values | changed))


def asked(*workloads):
    rows = as_cells(np.zeros(len(workloads)), np.zeros((len(workloads), 4))).rows
    return replace(rows, workload=np.array(workloads))


def test_squares_near_in_frame_time_count_most_and_the_workloads_mean_as_two_gpus():
    # The mean of 5 is split as the cells' squares are on average: 6 to 3 to 2.
    prior = 5.0 * np.array([1.0, 3.0 / 6.0, 2.0 / 6.0])
    one, other = np.array([4.0, 2.0, 1.0]), np.array([8.0, 4.0, 3.0])
    found = spread_of().near(asked(0, 1, 0), np.array([4.0, 9.0, 4.4]))
    at_one = (one + STEP * other + 2 * prior) / (1 + STEP + 2)
    half = np.exp(-0.125)
    between = (half * one + half * other + 2 * prior) / (2 * half + 2)
    np.testing.assert_allclose(found, [at_one, [7.0, 7.0, 0.0], between], rtol=1e-12)


def test_cells_of_one_gpu_count_together_as_one_and_less_where_they_are_trusted_less():
    prior = 5.0 * np.array([1.0, 2.5 / 5.0, 1.5 / 5.0])  # weights of 3 and 1
    one, other = np.array([4.0, 2.0, 1.0]), np.array([8.0, 4.0, 3.0])
    spread = spread_of(weight=np.array([0.9, 0.3]), gpus=np.array([1.0, 0.0]))
    found = spread.near(asked(0), np.array([4.0]))
    # Two cells of one GPU: each counts half.
    weights = 0.45, 0.15 * STEP
    expected = (weights[0] * one + weights[1] * other + 2 * prior) / (sum(weights) + 2)
    np.testing.assert_allclose(found, [expected], rtol=1e-12)


def test_a_mean_is_split_by_no_less_than_the_least_variance():
    error = 1e-8 * np.array([[4.0, 2.0, 1.0], [8.0, 4.0, 3.0]])
    spread = spread_of(error=error, weight=np.array([0.9, 0.3]), gpus=np.array([1.0, 0.0]))
    found = spread.near(asked(0), np.array([4.0]))
    prior = 5.0 * np.array([1.0, 2.5e-8 / LEAST_VARIANCE, 1.5e-8 / LEAST_VARIANCE])
    weights = 0.45, 0.15 * STEP
    expected = (weights[0] * error[0] + weights[1] * error[1] + 2 * prior) / (sum(weights) + 2)
    np.testing.assert_allclose(found, [expected], rtol=1e-12)


def test_medians_of_groups():
    rng = np.random.default_rng(4)
    group = np.array([3, 0, 3, 1, 3, 0, 1, 1, 1, 5])
    values = rng.normal(size=len(group))
    found = _medians(values, group, 7)
    expected = [np.median(values[group == k]) if (group == k).any() else np.nan for k in range(7)]
    np.testing.assert_allclose(found, expected, rtol=1e-12)


@pytest.mark.parametrize(
    ("squares", "share", "device", "own", "own_mean"),
    [
        ([4.0, 2.0, 1.0], 0.5, 1.0, 3.0, 2.0),
        ([4.0, 8.0, 1.0], 0.5, 2.0, 2.0, 1.0),  # a cell errs no more than a pass
        ([4.0, 4.0, 0.0], 1.0, 4.0, 0.2, 0.2),  # at least 5 % is a row's own
        ([4.0, 2.0, 4.0], 0.0, 0.0, 4.0, 0.2),
    ],
)
def test_squares_are_split_into_shared_and_own(squares, share, device, own, own_mean):
    # Both cells alike and the prior too: everywhere the same squares.
    spread = spread_of(error=np.array([squares] * 2), mean=np.full(2, squares[0]), share=share)
    found = spread.scales(asked(0, 0), np.array([4.0, 9.0]))
    np.testing.assert_allclose(found.device**2, device, rtol=1e-12)
    np.testing.assert_allclose(found.own**2, own, rtol=1e-12)
    np.testing.assert_allclose(found.own_mean**2, own_mean, rtol=1e-12)
    np.testing.assert_array_equal(found.dof, 3.0)


def test_outside_of_what_was_seen_the_shared_part_grows_by_the_trusted_doubt():
    spread = spread_of(factor=np.array([[3.0, 1.0], [5.0, 1.0]]))
    rows = asked(0, 0, 0)
    twice = np.array([1.0, 2.0, 0.5])
    rows = replace(rows, arithmetic_tflops=twice, integrated=np.array([False, False, True]))
    at = np.full(3, 4.0)
    found = spread.scales(rows, at).device ** 2
    plain = spread.scales(asked(0), at[:1]).device ** 2
    doubt = (0.03 * np.log(2.0)) ** 2
    np.testing.assert_allclose(found - plain, [0.0, 5 * doubt, 3 * doubt + 0.1**2], rtol=1e-9)


@pytest.mark.parametrize(("dof", "known"), [(0.0, False), (1.0, True)])
def test_one_gpu_has_no_width_and_two_have(dof, known):
    found = spread_of(dof=dof).scales(asked(0), np.array([4.0]))
    assert np.isfinite([found.device, found.own, found.own_mean]).all() == known
    assert found.dof.tolist() == [dof]


def learnt(cells, error):
    predicted = cells.log_fps + np.array(error)
    return LocalT(()).learn(cells, predicted), predicted


def test_what_is_learnt_where_each_gpu_has_its_like():
    # Two GPUs of each speed: none lies outside of the others.
    cells = as_cells(
        np.array([4.0, 4.1, 4.2, 4.3, 3.0, 3.1, 3.2, 9.9]),
        np.log([1.0, 1.0, 2.0, 2.0, 1.0, 1.0, 2.0, 2.0]),
        list("abcdabcd"),
        list("vvvvwwww"),
    )
    cells = replace(
        cells,
        scatter=np.array([0.0, 0.0, 0.02, 0.03, 0.0, 0.0, 0.0, 0.0]),
        passes=np.array([1.0, 1.0, 2.0, 3.0, 1.0, 1.0, 1.0, 1.0]),
        at_least=np.arange(8) == 7,
    )
    error = np.array([0.1, -0.3, 0.2, 0.4, 0.5, 0.5, 0.5, 9.0])
    spread, predicted = learnt(cells, error)
    square = np.array([0.01, 0.09, 0.04, 0.16, 0.25, 0.25, 0.25])
    total = square + np.array([0.0, 0.0, 0.02, 0.03, 0.0, 0.0, 0.0])
    about = [0.0, 0.0, 0.02 * 2 / 1, 0.03 * 3 / 2, 0.0, 0.0, 0.0]
    np.testing.assert_allclose(spread.error, np.column_stack([total, square, about]), rtol=1e-12)
    np.testing.assert_array_equal(spread.weight, 1.0)
    np.testing.assert_array_equal(spread.log_fps, predicted[:7])
    assert spread.workload.tolist() == [0, 0, 0, 0, 1, 1, 1]
    # Means 0.0875 on four GPUs and 0.25 on three, drawn to their median as if by one GPU more.
    middle = (0.0875 + 0.25) / 2
    expected = [(4 * 0.0875 + middle) / 5, (3 * 0.25 + middle) / 4]
    np.testing.assert_allclose(spread.mean, expected, rtol=1e-12)
    assert spread.gpus.tolist() == [4.0, 3.0]
    error[7] = np.nan
    assert spread.share == pytest.approx(device_share(error, cells), rel=1e-12)
    assert spread.dof == 3.0


def test_errors_from_outside_of_the_others_count_less():
    # GPU c is integrated and has twice the rate of the others: without it, ln 2 outside, where the
    # laws' doubt counts five times.
    cells = as_cells(np.zeros(6), np.log([1.0, 1.0, 2.0] * 2), list("abcabc"), list("vvvwww"))
    cells = replace(cells, rows=replace(cells.rows, integrated=cells.rows.gpu == 2))
    factor = np.array([[3.0, 3.0], [5.0, 5.0]])
    error = np.array([0.1, 0.2, 0.3, 0.1, -0.2, 0.5])
    with mock.patch("perfkit.models.local_width.trust_in_laws", return_value=factor) as told:
        spread, _ = learnt(cells, error)
    usual = 0.04 / 0.455 + 1e-6  # median square over the median of chi-squared
    np.testing.assert_allclose(told.call_args.args[2], usual, rtol=1e-12)
    owed = 5 * (0.03 * np.log(2.0)) ** 2 + 0.1**2
    trust = np.sqrt(usual / (usual + owed))
    weight = np.array([1.0, 1.0, trust] * 2)
    np.testing.assert_allclose(spread.weight, weight, rtol=1e-12)
    squares = error**2 * weight
    np.testing.assert_allclose(spread.error[:, :2], np.column_stack([squares] * 2), rtol=1e-12)
    mean = (squares * weight).reshape(2, 3).sum(axis=1) / (2 + trust)
    np.testing.assert_allclose(spread.mean, (3 * mean + mean.mean()) / 4, rtol=1e-12)
    assert spread.share == pytest.approx(device_share(error * np.sqrt(weight), cells), rel=1e-12)
    assert spread.factor is factor


def test_few_gpus_draw_a_workloads_mean_to_the_others():
    cells = as_cells(np.zeros(5), np.zeros(5), list("abaab"), list("vvvwx"))
    known = cells.rows.take(np.array([0, 1, 2, 3]))
    square, weight = np.array([1.0, 4.0, 3.0, 7.0]), np.array([1.0, 0.5, 0.5, 0.25])
    with mock.patch("perfkit.models.local_width.PRIOR_GPUS", 4.0):
        mean, gpus = _means(known, square, weight)
    assert gpus.tolist() == [2.0, 1.0, 0.0]
    # (1 + 2 + 1.5)/2 = 2.25 of two GPUs, 7 of one, their median 4.625 as if of two more.
    middle = 4.625
    np.testing.assert_allclose(mean, [(2 * 2.25 + 2 * middle) / 4, (7 + 2 * middle) / 3, middle])


def test_without_any_error_nothing_is_learnt():
    cells = as_cells(np.zeros(2), np.zeros(2), list("ab"))
    spread, _ = learnt(cells, [np.nan, np.nan])
    assert np.isnan([spread.share, *spread.mean]).all()
    assert spread.dof == -1.0


def test_widths_need_fits_without_the_ends_of_two_gpus_and_more():
    cells = as_cells(np.zeros(2), np.log([1.0, 2.0]), list("ab"))
    assert [gone.tolist() for gone in LocalT(()).leaves_out(cells)] == [[0], [1]]
    assert ends(cells)
    assert LocalT(()).leaves_out(cells.take(cells.rows.gpu == 1)) == []
