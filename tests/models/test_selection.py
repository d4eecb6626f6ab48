"""Choosing: nothing that chose is in the error, and the short cut equals refitting."""

from dataclasses import dataclass, replace

import numpy as np
import pytest

from perfkit.models.local_width import LocalT
from perfkit.models.power_law import PowerLaw
from perfkit.models.selection import (
    Combination,
    LeftOut,
    OneFamily,
    choose,
    cross_fitted,
    errors_by_gpu,
    leave_out_each,
    leave_out_pairs,
    pairs_of,
    pick,
    predictions_without,
)
from perfkit.models.time_sum import TimeSum
from perfkit.models.train import Recipe, nested_errors, train
from tests.models.worlds import cells_of, world
from tests.outside import as_cells

FAMILIES = (TimeSum("time sum"), PowerLaw("power law"))
RECIPE = Recipe(FAMILIES, tuple(OneFamily(f.name, 1) for f in FAMILIES), LocalT(()))


def test_left_out_predictions_come_from_fits_without_the_gpu():
    cells = cells_of(world(1, gpus=5, workloads=3))
    left = leave_out_each(FAMILIES, cells)
    for gpu in cells.gpus:
        mine = cells.rows.gpu == gpu
        for column, family in enumerate(FAMILIES):
            said = family.fit(cells.take(~mine)).log_fps(cells.rows.take(mine))
            np.testing.assert_allclose(left.log_fps[mine, column], said, rtol=1e-10)


def test_pairs_hold_every_nested_leave_one_out():
    cells = cells_of(world(1, gpus=5, workloads=3))
    pairs = leave_out_pairs(FAMILIES, cells)
    for position, gpu in enumerate(cells.gpus):
        others = cells.rows.gpu != gpu
        inner = leave_out_each(FAMILIES, cells.take(others))
        np.testing.assert_allclose(pairs[position][others], inner.log_fps, rtol=1e-10)
    each = leave_out_each(FAMILIES, cells)
    for position, gpu in enumerate(cells.gpus):
        mine = cells.rows.gpu == gpu
        np.testing.assert_allclose(pairs[position][mine], each.log_fps[mine], rtol=1e-10)


def test_nested_error_equals_training_without_the_gpu():
    w = world(3, law="power", gpus=6, workloads=4)
    cells = cells_of(w)
    (nested,) = nested_errors(cells, [RECIPE], 0.9)
    for gpu in cells.gpus:
        mine = cells.rows.gpu == gpu
        fresh = train(cells.take(~mine), RECIPE)
        said = fresh.predict(cells.rows.take(mine))
        np.testing.assert_allclose(nested.log_fps[mine], said.log_fps, rtol=1e-10)
        np.testing.assert_allclose(nested.low[mine], said.quantile(0.05), rtol=1e-8)
        np.testing.assert_allclose(nested.high[mine], said.quantile(0.95), rtol=1e-8)
        assert set(np.array(nested.chosen)[mine]) == {fresh.settled.choice.combination.name}


def test_the_measurements_of_a_gpu_do_not_move_its_own_nested_error():
    w = world(4, gpus=6, workloads=4)
    other = w.passes.copy()
    mine = other["gpu"].eq("G02")
    other.loc[mine, "avg_fps"] *= 3.0
    before, after = cells_of(w), cells_of(w, other)
    (a,) = nested_errors(before, [RECIPE], 0.9)
    (b,) = nested_errors(after, [RECIPE], 0.9)
    at = before.rows.gpu == 2
    np.testing.assert_allclose(a.log_fps[at], b.log_fps[at], rtol=1e-12)


@pytest.mark.parametrize(("law", "name"), [("sum", "time sum"), ("limit", "time sum")])
def test_the_family_that_holds_wins(law, name):
    cells = cells_of(world(2, law=law, device_sd=0.01, own_sd=0.01))
    choice = train(cells, RECIPE).settled.choice
    assert choice.combination.name == name
    assert choice.scores["time sum"] < 0.5 * choice.scores["power law"]


def test_a_candidate_needs_its_gpus():
    cells = cells_of(world(2, gpus=4, workloads=3))
    shy = Recipe(FAMILIES, (OneFamily("time sum", 9), OneFamily("power law", 1)), LocalT(()))
    choice = train(cells, shy).settled.choice
    assert choice.combination.name == "power law"
    assert list(choice.scores) == ["power law"]


@pytest.mark.parametrize(
    ("errors", "best"),
    [
        # Worse by 2 and 0: by 1 on average, which is its standard error: not clearly worse.
        ([[2.0, 0.0], [1.0, 1.0]], 0),
        ([[2.001, 0.0], [1.002, 1.0]], 1),
        # Worse by 3, 1, 2: 2, with a standard error of 1 / sqrt(3).
        ([[3.0, 0.0], [1.0, 0.0], [2.0, 0.0]], 1),
        # Worse by 3, 0, 0: 1, with one of 1; by 4.01, 1, 1: 2.003, with 1.003.
        ([[3.0, 0.0], [0.0, 0.0], [0.0, 0.0]], 0),
        ([[4.01, 0.0], [1.0, 0.0], [1.0, 0.0]], 1),
        ([[0.0, 9.0, 1.0], [9.0, 0.0, 2.0]], 0),
        ([[5.0, 4.0, 1.0], [6.0, 7.0, 2.0]], 2),
        # A GPU on which a candidate has no number tells nothing; one GPU alone neither.
        ([[np.nan, 0.0], [9.0, 1.0]], 0),
        ([[9.0, np.nan], [5.0, 1.0], [6.0, 1.0]], 1),
        ([[9.0, 1.0]], 0),
    ],
)
def test_the_earliest_that_is_not_clearly_worse_is_picked(errors, best):
    assert pick(np.array(errors)) == best


def test_every_gpu_counts_the_same_and_bounds_do_not():
    cells = as_cells(np.full(6, 4.0), np.zeros(6), list("aaabcd"))
    cells = replace(cells, at_least=np.arange(6) == 4)
    predicted = np.array([4.1, 3.8, np.nan, 4.4, 9.0, np.nan])
    found = errors_by_gpu(predicted, cells)
    np.testing.assert_allclose(found, [0.15, 0.4, np.nan, np.nan])


def test_one_family_is_its_column_and_all_the_weight():
    cells = as_cells(np.zeros(2), np.zeros(2))
    left = LeftOut(cells, ("p", "q"), np.array([[1.0, 2.0], [3.0, 4.0]]))
    weights = OneFamily("q", 1).learn(left)
    assert weights.combine(left.log_fps, cells.rows).tolist() == [2.0, 4.0]
    assert weights.shares(("p", "q")) == {"p": 0.0, "q": 1.0}


def test_every_gpu_alone_and_with_each_later_one():
    told = [pair.tolist() for pair in pairs_of(np.array([3, 5, 8]))]
    assert told == [[3], [3, 5], [3, 8], [5], [5, 8], [8]]


def test_where_nothing_remains_nothing_is_predicted():
    cells = cells_of(world(1, gpus=2, workloads=1, sizes=((1920, 1080),)))
    some, none = predictions_without(FAMILIES[1], cells, [np.array([0]), np.array([0, 1])])
    assert np.isfinite(some).all()
    assert np.isnan(none).all()
    assert len(none) == len(cells)
    assert np.isnan(predictions_without(FAMILIES[1], cells, [np.array([1, 0])])).all()


@dataclass(frozen=True, slots=True)
class Mean(Combination):
    """Move the first family by the mean error of what it learns from."""

    def learn(self, left):
        return Moved(float(np.mean(left.log_fps[:, 0] - left.cells.log_fps)))


@dataclass(frozen=True, slots=True)
class Moved:
    by: float

    def combine(self, log_fps, rows):
        return log_fps[:, 0] - self.by


def left_of(errors):
    """Left-out predictions of two families on four GPUs of one cell each."""
    cells = as_cells(np.full(4, 5.0), np.zeros(4))
    return LeftOut(cells, ("p", "q"), 5.0 + np.array(errors, float))


def test_weights_are_learnt_from_the_other_gpus_only():
    left = left_of([[1.0, 0.0], [2.0, 0.0], [3.0, 0.0], [6.0, 0.0]])
    found = cross_fitted(Mean("mean", 1), left)
    # Each error less the mean of the others: 1 - 11/3, 2 - 10/3, 3 - 3, 6 - 2.
    np.testing.assert_allclose(found - 5.0, [-8 / 3, -4 / 3, 0.0, 4.0])


def test_a_choice_holds_each_gpu_by_what_the_others_choose():
    # Family p errs by 2 on the first GPU only; without it, p is the better one.
    left = left_of([[2.0, 0.5], [0.1, 0.5], [0.1, 0.5], [0.1, 0.5]])
    candidates = (OneFamily("q", 1), OneFamily("p", 1), OneFamily("p", 5))
    choice = choose(left, candidates)
    # Means 0.5 and 0.575: q is the best of all. Without the first, p by far; else q.
    assert choice.combination.name == "q"
    np.testing.assert_allclose(choice.predicted - 5.0, [2.0, 0.5, 0.5, 0.5])
    assert choice.scores == pytest.approx({"q": 0.5, "p": 0.575})
    np.testing.assert_allclose(choice.weights.combine(left.log_fps, left.cells.rows), 5.5)


def test_scores_are_over_gpus_on_which_all_have_a_number():
    left = left_of([[2.0, 0.5], [0.1, 0.7], [np.nan, 0.5], [0.3, 0.6]])
    choice = choose(left, (OneFamily("q", 1), OneFamily("p", 1)))
    assert choice.scores == pytest.approx({"q": 0.6, "p": 0.8})
    nothing = choose(left_of([[np.nan, 0.5]] * 4), (OneFamily("q", 1), OneFamily("p", 4)))
    assert np.isnan(list(nothing.scores.values())).all()
    assert nothing.combination.name == "q"
