"""The mixed model of workload slopes: predictions against dense matrices, its terms by hand."""

from dataclasses import replace
from unittest import mock

import numpy as np
import pytest

from perfkit.models.workload_slopes import WorkloadSlopes, allowed_to_vary, mixed_slopes
from tests.outside import as_cells

FAMILY = WorkloadSlopes("slopes")


def made(seed=0, workloads=6, gpus=7, sizes=3, spread=1.0):
    """Cells whose GPUs and slopes deviate; some configurations are missing."""
    rng = np.random.default_rng(seed)
    w, g, k = (a.ravel() for a in np.indices((workloads, gpus, sizes)))
    x = np.column_stack([rng.normal(size=(gpus, 2))[g], k + 0.2 * w, np.zeros(len(w))]) * spread
    slopes = [0.5, 0.4, -0.7, 0.1] + 0.2 * rng.normal(size=(workloads, 4))
    y = 4.0 + 0.3 * w + (x * slopes[w]).sum(axis=1)
    y += 0.2 * rng.normal(size=gpus)[g] + 0.05 * rng.normal(size=len(w))
    some = np.setdiff1d(np.arange(len(w)), [0, 3, 17, 18, 19, 20, 40, 41, 77])
    return as_cells(y[some], x[some], g[some], w[some])


def dense(cells, ratio, asked, places):
    """Best linear unbiased predictions (Henderson 1975) from whole matrices; s^2; deviance."""
    r = cells.rows
    x = np.log(np.column_stack([r.arithmetic_tflops, r.bandwidth_gb_s, r.drawn_mpx]))
    w, g, y = r.workload, r.gpu, cells.log_fps
    cover = np.eye(len(x)) + ratio[4] * (g[:, None] == g)
    for j in range(3):
        cover += ratio[j] * np.outer(x[:, j], x[:, j]) * (w[:, None] == w)
    kinds = np.arange(w.max() + 1)
    design = np.column_stack([x, w[:, None] == kinds]).astype(float)
    inverse = np.linalg.inv(cover)
    matrix = design.T @ inverse @ design
    found = np.linalg.solve(matrix, design.T @ inverse @ y)
    rest = inverse @ (y - design @ found)
    spare = len(y) - design.shape[1]
    square = (y - design @ found) @ rest / spare
    own = ratio[:3] * np.array([(x * rest[:, None])[w == kind].sum(axis=0) for kind in kinds])
    said = found[3 + places] + (asked[:, :3] * (found[:3] + own[places])).sum(axis=1)
    log_det = np.linalg.slogdet(cover)[1] + np.linalg.slogdet(matrix)[1]
    return said, square, log_det + spare * (1 + np.log(2 * np.pi * square))


@pytest.mark.parametrize(("workloads", "gpus"), [(6, 7), (5, 3), (4, 7), (4, 3)])
def test_predictions_and_variances_are_those_of_the_dense_model(workloads, gpus):
    cells = made(workloads=6, gpus=7)
    cells = cells.take((cells.rows.workload < workloads) & (cells.rows.gpu < gpus))
    last = cells.rows.workload == workloads - 1  # keeps one cell
    cells = cells.take(~last | (np.cumsum(last) == 1))
    s = FAMILY.fit(cells).slopes
    # Below five workloads slopes stay equal, below four GPUs none deviates.
    assert (s.variance[0, :3] > 0).any() == (workloads >= 5)
    assert (s.device[0] > 0) == (gpus >= 4)
    rng = np.random.default_rng(1)
    asked, places = rng.normal(size=(8, 4)), np.arange(8) % workloads
    asked[:4, 3] = 0.0
    rows = replace(as_cells(np.zeros(8), asked).rows, workload=places)
    ratio = np.append(s.variance[0], s.device[0]) / s.residual[0]
    said, square, deviance = dense(cells, ratio, asked, places)
    # No processor varied: its usual slope of 0.1.
    np.testing.assert_allclose(FAMILY.fit(cells).log_fps(rows), said + 0.1 * asked[:, 3], rtol=1e-8)
    assert s.residual[0] == pytest.approx(square, rel=1e-8)
    assert s.deviance[0] == pytest.approx(deviance, rel=1e-8)


def test_which_variances_the_data_can_speak_of():
    w, g, k = (a.ravel() for a in np.indices((6, 5, 2)))
    cells = as_cells(np.zeros(60), np.zeros((60, 4)), g, w)

    def allowed(chosen, kept):
        return allowed_to_vary(cells.take(chosen), np.array(kept, bool)).tolist()

    five, four = [1, 1, 1, 1, 1], [1, 1, 1, 1, 0]
    both, slopes, gpus, none = [True] * 5, [True] * 4 + [False], [False] * 4 + [True], [False] * 5
    assert allowed(k < 2, [five, four, [1, 0, 1, 0, 1]]) == [both, both, slopes]
    assert allowed(w < 5, [four, [0, 0, 1, 1, 1]]) == [both, slopes]
    assert allowed(w < 4, [five, [0, 0, 1, 1, 1]]) == [gpus, none]
    assert allowed((w < 4) | ((w == 4) & (g == 2) & (k == 0)), [five]) == [both]
    # One cell of each GPU says nothing of how GPUs deviate; one more of any does.
    once = (w == 0) & (k == 0)
    assert allowed(once, [five]) == [none]
    assert allowed(once | ((w == 1) & (k == 0) & (g == 2)), [five, four]) == [gpus, gpus]
    assert allowed(once | ((w == 1) & (k == 0) & (g == 4)), [four]) == [none]


@pytest.mark.parametrize("numbers", [1, 1 << 11, 1 << 21])
def test_fits_side_by_side_in_blocks_are_refits(numbers):
    cells = made()
    rows = cells.rows.take(np.array([5, 0, 90, 33]))
    without = [np.array([0]), np.array([1, 4]), np.array([5, 2]), np.array([6])]
    with mock.patch("perfkit.models.workload_slopes.BLOCK_NUMBERS", numbers):
        together = FAMILY.left_out_at(cells, without, rows)
    slow = [FAMILY.fit(cells.without(gone)).log_fps(rows) for gone in without]
    np.testing.assert_allclose(together, slow, atol=1e-7)


def test_a_workload_without_cells_has_no_number():
    cells = made()
    some = cells.take((cells.rows.workload != 2) | (cells.rows.gpu == 1))
    without = [np.array([1]), np.array([0])]
    (gone, left) = np.array(FAMILY.left_out_at(some, without, cells.rows))
    of_two = cells.rows.workload == 2
    assert np.isnan(gone[of_two]).all()
    assert np.isfinite(gone[~of_two]).all()
    assert np.isfinite(left).all()


def test_terms_tell_shared_slopes_and_each_workloads_own():
    cells = made(spread=0.3)
    cells = cells.take(cells.rows.workload != 3)
    fit = FAMILY.fit(cells)
    terms, s = fit.terms(), fit.slopes
    assert (np.ptp(np.log(cells.rows.bandwidth_gb_s)) < 1) & (s.variance[0, :3] > 0).all()
    names = ["arithmetic rate", "bandwidth", "pixels drawn"]
    assert terms["term"].tolist() == names * 6
    assert terms["workload"].tolist() == [g for g in ["", *"01245"] for _ in range(3)]
    np.testing.assert_array_equal(terms["estimate"][:3], s.shared[0, :3])
    np.testing.assert_array_equal(
        terms["estimate"][3:].to_numpy().reshape(5, 3), s.own[0, [0, 1, 2, 4, 5], :3]
    )
    # A shared slope is a mean over five workloads.
    np.testing.assert_allclose(terms["std_error"][:3], np.sqrt(s.variance[0, :3] / 5), rtol=1e-12)
    assert terms["std_error"][3:].isna().all()
    assert terms["sentence"][0].startswith("10 % higher arithmetic rate, ")
    assert terms["sentence"][4].startswith("0: 10 % more bandwidth, ")


@pytest.mark.parametrize(("gpus", "known"), [(4, True), (3, False)])
def test_how_far_a_new_gpu_may_lie_needs_four(gpus, known):
    cells = made()
    cells = cells.take(cells.rows.gpu < gpus)
    new = FAMILY.fit(cells).new_gpu(cells.rows)
    assert np.isfinite(new.device) == known
    assert np.isfinite(new.own)
    assert new.dof == gpus - 3.0
    slopes = mixed_slopes(
        cells, np.ones((1, gpus), bool), allowed_to_vary(cells, np.ones((1, gpus), bool))
    )
    assert new.own == pytest.approx(np.sqrt(slopes.residual[0]), rel=1e-12)
