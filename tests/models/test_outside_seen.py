"""Distance outside the range seen, worked by hand."""

from dataclasses import replace

import numpy as np
import pytest

from perfkit.models.outside_seen import outside, seen_ranges
from tests.outside import as_cells

LN = np.log(2.0)


def rows_of(values, workloads, names=("v", "w", "x"), **columns):
    rows = as_cells(np.zeros(len(values)), np.log(np.array(values, float))).rows
    rows = replace(rows, names=replace(rows.names, workloads=names))
    columns = {name: np.array(column) for name, column in columns.items()}
    return replace(rows, workload=np.array(workloads), **columns)


def seen():
    return rows_of(
        [[1, 10, 1, 1], [4, 20, 2, 1], [2, 10, 1, 1]],
        [0, 0, 1],
        memory_gib=[8.0, 6.0, np.nan],
        family=[2, 0, 0],
        integrated=[False, True, False],
    )


def test_ranges_are_those_of_each_workload():
    ranges = seen_ranges(seen())
    np.testing.assert_allclose(ranges.low[0], [1, 10, 1, 1], rtol=1e-12)
    np.testing.assert_allclose(ranges.high[0], [4, 20, 2, 1], rtol=1e-12)
    np.testing.assert_allclose(ranges.low[1], ranges.high[1])
    assert np.isposinf(ranges.low[2]).all()
    assert np.isneginf(ranges.high[2]).all()
    np.testing.assert_array_equal(ranges.least_memory, [6.0, np.inf, np.inf])


@pytest.mark.parametrize(
    ("value", "memory", "by_variable", "short"),
    [
        ([4, 20, 2, 1], 6.0, [0, 0, 0, 0], 0.0),
        ([8, 20, 2, 1], 12.0, [LN, 0, 0, 0], 0.0),
        ([0.5, 40, 8, 1], 6.0, [LN, LN, 2 * LN, 0], 0.0),
        ([2, 5, 0.5, 0.25], np.nan, [0, LN, LN, 2 * LN], 0.0),
        ([2, 10, 1, 1], 3.0, [0, 0, 0, 0], LN),
        # A rounding of the last digits is no distance.
        ([4 * (1 + 0.5e-9), 20, 2, 1], 6.0 / (1 + 0.5e-9), [0, 0, 0, 0], 0.0),
        ([4 * (1 + 1e-6), 20, 2, 1], 6.0 / (1 + 1e-6), [1e-6, 0, 0, 0], 1e-6),
    ],
)
def test_distance_is_that_of_logs(value, memory, by_variable, short):
    found = outside(seen(), rows_of([value], [0], memory_gib=[memory]))
    np.testing.assert_allclose(found.by_variable[0], by_variable, rtol=1e-6, atol=1e-12)
    np.testing.assert_allclose(found.memory, short, rtol=1e-6, atol=1e-12)
    total = np.sqrt(np.square(by_variable).sum() + short**2)
    np.testing.assert_allclose(found.distance, total, rtol=1e-6, atol=1e-12)


def test_what_was_never_run_has_no_distance_and_is_new():
    found = outside(seen(), rows_of([[2, 10, 1, 1]] * 2, [2, 1], memory_gib=[1.0, 1.0]))
    assert np.isnan(found.by_variable[0]).all()
    assert np.isnan(found.distance[0])
    assert found.memory.tolist() == [0.0, 0.0]
    assert found.distance[1] == 0.0
    assert found.new_kind.tolist() == [True, False]
    assert found.new_family.tolist() == [True, False]


def test_kinds_and_families_are_new_workload_by_workload():
    asked = rows_of(
        [[2, 10, 1, 1]] * 6,
        [0, 0, 0, 1, 1, 1],
        integrated=[False, True, True, False, True, False],
        family=[0, 1, 2, 0, 2, 1],
    )
    found = outside(seen(), asked)
    assert found.new_kind.tolist() == [False, False, False, False, True, False]
    assert found.new_family.tolist() == [False, True, False, False, True, True]
