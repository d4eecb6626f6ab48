"""Non-negative least squares, many at once: against SciPy, and by the conditions themselves."""

import numpy as np
import pytest
from scipy.optimize import nnls

from perfkit.models.nonneg import nonneg_least_squares
from perfkit.models.time_sum import TimeSum
from tests.models.worlds import cells_of, refitted, world


@pytest.mark.parametrize("size", [1, 2, 5, 7])
def test_the_same_unknowns_are_zero_as_in_scipy(size):
    rng = np.random.default_rng(size)
    design = rng.uniform(0, 1, (400, 20, size)) ** 2 + 0.02
    goal = 1 + 0.4 * rng.normal(size=(400, 20))
    gram = np.swapaxes(design, 1, 2) @ design
    found = nonneg_least_squares(gram, np.einsum("mni,mn->mi", design, goal))
    each = np.array([nnls(a, b)[0] for a, b in zip(design, goal, strict=True)])
    np.testing.assert_array_equal(found > 0, each > 0)
    np.testing.assert_allclose(found, each, rtol=1e-8, atol=1e-10)
    if size > 2:
        assert 0.05 < np.mean(found == 0) < 0.95


def test_columns_that_are_much_alike_do_not_go_round_for_ever():
    # Exchanging all that break a condition would cycle in some of these.
    rng = np.random.default_rng(3)
    design = rng.normal(size=(600, 8, 8))
    design += rng.choice([-3.0, 3.0], size=(600, 1, 8)) * rng.normal(size=(600, 8, 1))
    goal = rng.normal(size=(600, 8))
    gram = np.swapaxes(design, 1, 2) @ design
    found = nonneg_least_squares(gram, np.einsum("mni,mn->mi", design, goal))
    each = np.array([nnls(a, b)[0] for a, b in zip(design, goal, strict=True)])
    np.testing.assert_allclose(found, each, rtol=1e-5, atol=1e-8)


def test_conditions_of_the_optimum_hold():
    rng = np.random.default_rng(1)
    design, goal = rng.normal(size=(3000, 9, 6)), rng.normal(size=(3000, 9))
    gram, product = np.swapaxes(design, 1, 2) @ design, np.einsum("mni,mn->mi", design, goal)
    x = nonneg_least_squares(gram, product)
    slope = np.einsum("mij,mj->mi", gram, x) - product
    assert (x >= 0).all()
    assert np.abs(slope[x > 0]).max() < 1e-9
    assert slope[x == 0].min() > -1e-9


def test_units_of_columns_do_not_matter():
    rng = np.random.default_rng(2)
    design, goal = rng.uniform(0, 1, (200, 9, 6)), rng.normal(size=(200, 9))
    unit = np.array([1e-15, 1e-14, 1e-13, 1.0, 1e6, 1e3])
    found = [
        nonneg_least_squares(np.swapaxes(a, 1, 2) @ a, np.einsum("mni,mn->mi", a, b))
        for a, b in ((design, goal), (design * unit, goal), (design, 1e-15 * goal))
    ]
    np.testing.assert_allclose(found[1] * unit, found[0], rtol=1e-9)
    np.testing.assert_allclose(found[2] * 1e15, found[0], rtol=1e-9)


def test_what_has_no_single_solution_is_refused():
    zero = np.diag([1.0, 0.0])
    for gram in (np.ones((2, 2)), zero):
        with pytest.raises(ArithmeticError, match="columns are not independent"):
            nonneg_least_squares(gram[None], np.array([[1.0, 2.0]]))


def test_nothing_asked_for_is_nothing_and_the_edge_of_both_conditions_ends():
    grams = np.array([np.eye(2), [[1.0, 0.5], [0.5, 1.0]]])
    found = nonneg_least_squares(grams, np.array([[0.0, 0.0], [1.0, 0.5]]))
    np.testing.assert_array_equal(found, [[0.0, 0.0], [1.0, 0.0]])


@pytest.mark.parametrize("systems", [1, 3])
def test_subtracting_equals_refitting(systems):
    cells = cells_of(world(5, law="sum", gpus=6, workloads=4, systems=systems))
    without = [np.array([0]), np.array([1, 4]), np.array([5, 2])]
    family = TimeSum("time sum")
    together = family.left_out(cells, without)
    np.testing.assert_allclose(together, refitted(family, cells, without), rtol=1e-11)
