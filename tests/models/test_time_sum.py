"""Time sum: the truth is recovered, the optimality conditions hold, parts add up."""

import numpy as np
import pytest
from scipy.optimize import lsq_linear

from perfkit.models.family import PARTS
from perfkit.models.time_sum import TimeSum, columns
from tests.models.worlds import cells_of, rows_of, world


def test_coefficients_are_recovered():
    w = world(1, law="sum", gpus=30, workloads=6, device_sd=0.0, own_sd=0.0, pass_sd=0.001)
    fitted = TimeSum("time sum").fit(cells_of(w))
    k = w.parameters
    c, b, p = 11.0, 300.0, 1920 * 1080 / 1e6
    a = fitted.coefficients
    np.testing.assert_allclose(a[:, 2] * p / c, k["a"], atol=0.03 * k["T"].max())
    np.testing.assert_allclose(a[:, 3] * p / b, k["m"], atol=0.03 * k["T"].max())
    np.testing.assert_allclose(a[:, 0], k["f"] + k["kp"], atol=0.03 * k["T"].max())


def test_nothing_is_negative_and_parts_add_up():
    w = world(2, law="bent", systems=3)
    cells = cells_of(w)
    fitted = TimeSum("time sum").fit(cells)
    assert (fitted.coefficients >= 0).all()
    parts = fitted.parts(cells.rows)
    assert parts.shape == (len(cells), len(PARTS))
    np.testing.assert_allclose(parts.sum(axis=1), 1000 / np.exp(fitted.log_fps(cells.rows)))


def test_with_many_cells_it_is_plain_non_negative_least_squares():
    w = world(3, law="sum", gpus=25, workloads=2)
    cells = cells_of(w)
    fitted = TimeSum("time sum").fit(cells)
    keep = [0, 2, 3, 4, 5]
    for code in range(2):
        mine = cells.rows.workload == code
        design = (
            columns(cells.rows.take(mine))[:, keep] * np.exp(cells.log_fps[mine])[:, None] / 1e3
        )
        plain = lsq_linear(design, np.ones(mine.sum()), bounds=(0, np.inf)).x
        rows = cells.rows.take(mine)
        said = np.log(1000 / (columns(rows)[:, keep] @ plain))
        np.testing.assert_allclose(fitted.log_fps(rows), said, atol=0.02)


def test_a_workload_on_one_gpu_takes_the_shared_shape():
    w = world(4, law="sum", gpus=8, workloads=6, device_sd=0.0, own_sd=0.0)
    rare = w.passes["workload"].eq("W02") & w.passes["gpu"].ne("G00")
    fitted = TimeSum("time sum").fit(cells_of(w, w.passes[~rare]))
    targets = w.truth[w.truth["workload"].eq("W02")]
    error = np.abs(fitted.log_fps(rows_of(w, targets)) - np.log(targets["mean_fps"]))
    assert error[targets["gpu"].eq("G00")].max() < 0.1
    assert error.median() < 0.3


def test_processor_and_fixed_cost_need_two_speeds_to_be_told_apart():
    one = TimeSum("time sum").fit(cells_of(world(5, law="sum")))
    two = TimeSum("time sum").fit(cells_of(world(5, law="sum", systems=3)))
    assert (one.coefficients[:, 1] == 0).all()
    assert (two.coefficients[:, 1] > 0).any()


def test_units_do_not_matter():
    w = world(6)
    before = TimeSum("time sum").fit(cells_of(w)).log_fps(rows_of(w, w.truth))
    w.study.gpus["bandwidth_gb_s"] *= 1000.0
    w.study.gpus["clock_mhz"] /= 50.0
    after = TimeSum("time sum").fit(cells_of(w)).log_fps(rows_of(w, w.truth))
    np.testing.assert_allclose(before, after, rtol=1e-9)


@pytest.mark.parametrize("gpus", [1, 2])
def test_few_gpus_give_a_number(gpus):
    w = world(7, gpus=gpus, workloads=2, sizes=((1920, 1080),), passes=1)
    assert np.isfinite(TimeSum("time sum").fit(cells_of(w)).log_fps(rows_of(w, w.truth))).all()
