"""1 % lows, on ratios worked by hand."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np

from perfkit.models.direct_lows import DirectLows, fit_lows, with_lows
from perfkit.models.lows import LowRatio, fit_ratio, left_out_ratio
from tests.outside import as_cells

NAN = np.nan


def cells(ratios, gpus="aabbc", workloads="vwvww"):
    made = as_cells(np.full(len(ratios), 4.0), np.zeros(len(ratios)), list(gpus), list(workloads))
    return replace(made, log_low_ratio=np.array(ratios))


def test_a_ratio_is_drawn_to_the_studys_as_if_by_one_cell():
    found = fit_ratio(cells([-0.2, -0.4, -0.3, NAN, -0.7]))
    # Mean of all -0.4: (-0.5 - 0.4)/3 and (-1.1 - 0.4)/3.
    np.testing.assert_allclose(found.intercepts, [-0.3, -0.5])
    one = fit_ratio(cells([-0.2, NAN, -0.4, NAN, NAN]))
    np.testing.assert_allclose(one.intercepts, [(-0.6 - 0.3) / 3, NAN])
    assert np.isnan(fit_ratio(cells([NAN] * 5)).intercepts).all()
    rows = cells([0.0] * 5).rows
    above = LowRatio(np.array([-0.3, 0.2])).log_ratio(rows)
    np.testing.assert_allclose(above, [-0.3, 0.0, -0.3, 0.0, 0.0])


def test_left_out_ratios_never_saw_the_gpu():
    found = left_out_ratio(cells([-0.2, -0.4, -0.3, NAN, -0.7]))
    # Without a: -0.3 of v and -0.7 of w, mean -0.5; without b: -0.2; -0.4, -0.7; without c: v -0.5
    # in two, w -0.4, mean -0.3.
    mean = -1.3 / 3
    expected = [-0.4, -0.6, (-0.2 + mean) / 2, (-1.1 + mean) / 3, (-0.4 - 0.3) / 2]
    np.testing.assert_allclose(found, expected)


class Written:
    """Says the mean of what it saw; without a GPU, that and a tenth of the GPU's code."""

    def fit(self, cells):
        level = cells.log_fps.mean()
        return SimpleNamespace(log_fps=lambda rows: np.where(rows.workload == 0, level, np.nan))

    def left_out(self, cells, without):
        level = cells.log_fps.mean()
        return [level * (1 + 0.1 * gone[0]) + 0 * cells.log_fps for gone in without]


def test_lows_are_fitted_beside_averages_of_the_same_cells():
    some = cells([-0.2, -0.4, -0.3, NAN, -0.7])
    some = replace(some, log_fps=np.array([4.0, 4.2, 4.4, 9.0, 5.0]))
    lows, averages = with_lows(some)
    np.testing.assert_allclose(lows.log_fps, [3.8, 3.8, 4.1, 4.3])
    np.testing.assert_allclose(averages.log_fps, [4.0, 4.2, 4.4, 5.0])
    found, left = fit_lows(some, (lows, averages), Written())
    # Means 4.0 and 4.4 apart from the unknown; w has no number, and its ratio instead.
    np.testing.assert_allclose(found.log_ratio(some.rows), [-0.4, -0.5, -0.4, -0.5, -0.5])
    plain = left_out_ratio(some)[3]
    np.testing.assert_allclose(left, [-0.4, -0.4, -0.44, plain, -0.48])


def test_with_one_gpu_there_is_one_ratio_a_workload_and_two_are_enough():
    one = cells([-0.2, -0.4, -0.3, NAN, NAN], gpus="aaabb")
    found, left = fit_lows(one, with_lows(one), Written())
    assert isinstance(found, LowRatio)
    assert np.isnan(left[:3]).all()
    two = cells([-0.2, -0.4, -0.3, -0.1, NAN], gpus="aaabb")
    assert isinstance(fit_lows(two, with_lows(two), Written())[0], DirectLows)


def test_no_low_lies_above_its_average():
    high = cells([0.5, 0.3, 0.4, NAN, 0.1])
    found, left = fit_lows(high, with_lows(high), Written())
    assert (found.log_ratio(high.rows) == 0.0).all()
    assert (left[[0, 1, 2, 4]] == 0.0).all()
