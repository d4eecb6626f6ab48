"""Rows and cells taken apart, and the way of leaving out that every family has."""

from dataclasses import dataclass
from types import SimpleNamespace

import numpy as np
import pytest

from perfkit.models.family import Family
from tests.outside import as_cells


def made(gpus="aabbc"):
    size = len(gpus)
    return as_cells(np.arange(4.0, 4.0 + size), np.arange(float(size)), list(gpus))


def test_rows_and_cells_are_taken_with_their_names():
    cells = made().take(np.array([3, 0]))
    assert cells.rows.names is not None
    assert cells.log_fps.tolist() == [7.0, 4.0]
    np.testing.assert_allclose(cells.rows.arithmetic_tflops, np.exp([3.0, 0.0]))
    assert cells.rows.take(slice(1, 2)).gpu.tolist() == [0]


def test_cells_without_gpus_know_what_they_are_without():
    whole = made()
    rest = whole.without([1])
    assert rest.log_fps.tolist() == [4.0, 5.0, 8.0]
    assert (rest.whole, rest.gone) == (whole, (1,))
    further = rest.without(np.array([0]))
    assert further.log_fps.tolist() == [8.0]
    assert further.whole is whole
    assert further.gone == (0, 1)
    assert whole.whole is None


@dataclass(frozen=True, slots=True)
class Mean(Family):
    """Says the mean of what it saw."""

    def fit(self, cells):
        level = cells.log_fps.mean()
        return SimpleNamespace(log_fps=lambda rows: np.full(len(rows), level))


@pytest.mark.parametrize(
    ("gpus", "said"),
    [("aabbc", [7.0, 7.0, 17 / 3, 17 / 3, 5.5]), ("ab", [5.0, 4.0]), ("aa", [np.nan, np.nan])],
)
def test_each_cell_is_predicted_without_its_gpu(gpus, said):
    np.testing.assert_allclose(Mean("mean").left_out_each(made(gpus)), said)


def test_any_rows_are_predicted_without_some_gpus():
    cells = made()
    found = Mean("mean").left_out_at(cells, [np.array([0]), np.array([1, 2])], cells.rows)
    np.testing.assert_allclose(found, [[7.0] * 5, [4.5] * 5])
