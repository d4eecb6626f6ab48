"""Ranges from ranks of errors, on a family whose errors are written down."""

from dataclasses import replace

import numpy as np
import pytest

from perfkit.models.jackknife import free_range, jackknife_plus, least_count, rank
from tests.outside import as_cells

SIZES = np.array([1.0, 4.0, 1.0, 4.0, 1.0, 4.0, 1.0, 1.0, 1.0])
ERRORS = np.array([0.1, -0.2, 0.3, 0.4, -0.5, 0.6, 0.7, np.nan, 0.9])


def cells():
    """Three GPUs at two sizes of v, two of them once at w; the last cell of w is a bound."""
    columns = np.zeros((9, 4))
    columns[:, 2] = np.log(SIZES)
    made = as_cells(np.full(9, 4.0), columns, list("aabbccabc"), list("vvvvvvwww"))
    order = np.array([5, 0, 3, 8, 1, 7, 2, 6, 4])
    at_least = np.arange(9) == 8
    return replace(made, at_least=at_least).take(order), ERRORS[order]


class Written:
    """A family that says 5, 6 and 7 without each GPU in turn."""

    def __init__(self, errors):
        self.errors = errors

    def left_out_at(self, cells, without, rows):
        assert [gone.tolist() for gone in without] == [[0], [1], [2]]
        return [np.full(len(rows), 5.0 + gone[0]) for gone in without]

    def left_out_each(self, cells):
        return cells.log_fps + self.errors


@pytest.mark.parametrize(
    ("workload", "size", "errors"),
    [
        (0, 0.5, [0.1, 0.3, 0.5]),
        (0, 1.9, [0.1, 0.3, 0.5]),
        (0, 2.1, [0.2, 0.4, 0.6]),  # nearer to 4 by ratio, to 1 by difference
        (0, 9.0, [0.2, 0.4, 0.6]),
        (1, 4.0, [0.7, np.nan, np.nan]),
        (2, 1.0, [np.nan] * 3),
    ],
)
def test_the_error_of_a_gpu_is_that_at_the_nearest_size(workload, size, errors):
    some, said = cells()
    columns = np.log([[1.0, 1.0, size, 1.0]])
    rows = as_cells(np.zeros(1), columns).rows
    rows = replace(rows, workload=np.array([workload]))
    names = replace(some.rows.names, workloads=("v", "w", "x"))
    some = replace(some, rows=replace(some.rows, names=names))
    found = free_range(Written(said), some, rows, 0.7)
    low, high = jackknife_plus(np.array([[5.0], [6.0], [7.0]]), np.array(errors)[:, None], 0.7)
    np.testing.assert_array_equal(found.low, low)
    np.testing.assert_array_equal(found.high, high)
    assert found.gpus.tolist() == [np.isfinite(errors).sum()]
    assert found.guaranteed == pytest.approx(0.4)
    # With three errors the third of four bounds a new one: 7 + its error; 5 - its error.
    finite = np.isfinite(errors).all()
    assert found.high[0] == (pytest.approx(7.0 + errors[2]) if finite else np.inf)
    assert found.low[0] == (pytest.approx(5.0 - errors[0]) if finite else -np.inf)


def test_rows_of_several_workloads_are_told_apart():
    some, said = cells()
    columns = np.zeros((3, 4))
    columns[:, 2] = np.log([4.0, 1.0, 1.0])
    rows = replace(as_cells(np.zeros(3), columns).rows, workload=np.array([0, 1, 0]))
    found = free_range(Written(said), some, rows, 0.4)
    assert found.gpus.tolist() == [3, 1, 3]
    # At 40 % the second of three: 5.2, 6.4 and 7.6; 5.1, 6.3 and 7.5.
    np.testing.assert_allclose(found.high, [6.4, 5.7, 6.3])
    np.testing.assert_allclose(found.low, [5.6, 4.3, 5.7])


def test_ranks():
    assert rank(np.array([1, 8, 9, 19, 99]), 0.9).tolist() == [2, 9, 9, 18, 90]
    assert int(rank(10, 0.5)) == 6


@pytest.mark.parametrize("level", [0.5, 0.8, 0.9, 0.95, 0.99, 0.683, 1 / 3])
def test_the_least_count_is_the_first_whose_rank_it_holds(level):
    count = least_count(level)
    assert rank(count, level) <= count
    assert rank(count - 1, level) > count - 1


def test_a_level_near_one_needs_very_many():
    assert least_count(0.99999) == 99_999
