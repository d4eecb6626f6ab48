"""Weights of stacked families: against a general minimiser, and learnt by hand."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import minimize

from perfkit.models.selection import LeftOut
from perfkit.models.stack import TO_EQUAL, TO_STUDY, Stack, StackWeights, simplex_weights
from tests.models.plain import cells_of_arrays, rows_of_arrays

GRAM = np.array([[1.0, 0.2, -0.3], [0.2, 2.0, 0.1], [-0.3, 0.1, 0.5]])
ONE_SIDED = np.array([[1.0, 0.9, 0.9], [0.9, 4.0, 3.0], [0.9, 3.0, 4.0]])


@pytest.mark.parametrize("pull", [0.0, 1.0, 3.0])
@pytest.mark.parametrize("gram", [GRAM, ONE_SIDED, 100 * GRAM, 0.01 * GRAM])
def test_weights_minimise_what_they_must(gram: np.ndarray, pull: float) -> None:
    towards = np.array([0.2, 0.5, 0.3])

    def loss(w: np.ndarray) -> float:
        return float(w @ gram @ w + pull * np.diag(gram).mean() * ((w - towards) ** 2).sum())

    sum_to_one = {"type": "eq", "fun": lambda w: w.sum() - 1}
    best = minimize(
        loss, towards, bounds=[(0, 1)] * 3, constraints=sum_to_one, options={"ftol": 1e-14}
    )
    found = simplex_weights(gram[None], towards, pull)[0]
    assert found.sum() == pytest.approx(1.0, abs=1e-12)
    assert (found >= 0).all()
    assert_allclose(found, best.x, atol=2e-5)
    assert loss(found) <= best.fun * (1 + 1e-12)


def test_no_error_no_evidence() -> None:
    towards = np.array([0.25, 0.75])
    found = simplex_weights(np.array([np.zeros((2, 2)), np.eye(2)]), towards, 1.0)
    assert_allclose(found, [towards, [0.375, 0.625]], rtol=1e-12)


def test_weights_are_learnt_from_known_errors_every_gpu_counting_the_same() -> None:
    gpu, workload = np.array([0, 0, 0, 1, 1, 2]), np.array([0, 1, 1, 0, 1, 0])
    rows = rows_of_arrays(gpu=gpu, workload=workload)
    truth, capped = np.arange(6.0), np.array([False] * 5 + [True])
    error = np.array(
        [[0.1, 9, -0.3], [0.2, 9, 0.1], [np.nan, 9, 0.0], [0.3, 9, 0.2], [-0.1, 9, 0.1], [5, 9, 5]]
    )
    cells = cells_of_arrays(rows, 1000 / np.exp(truth), at_least=capped)
    left = LeftOut(families=("a", "b", "c"), cells=cells, log_fps=truth[:, None] + error)
    found = Stack("stack", 2, ("a", "c")).learn(left).weights
    known = [0, 1, 3, 4]  # one is not known, one was held by a cap
    pairs, share = error[np.ix_(known, [0, 2])], np.array([0.5, 0.5, 0.5, 0.5])
    equal = np.array([0.5, 0.5])
    whole = (pairs.T * share) @ pairs / share.sum()
    study = simplex_weights(whole[None], equal, TO_EQUAL)[0]
    for code, mine in ((0, [0, 2]), (1, [1, 3])):
        own = (pairs[mine].T * share[mine]) @ pairs[mine] / share[mine].sum()
        expected = simplex_weights(own[None], study, TO_STUDY)[0]
        assert_allclose(found[code, [0, 2]], expected, rtol=1e-9)
    assert (found[:, 1] == 0).all()


def test_a_gpu_of_many_cells_counts_as_one_of_few() -> None:
    gpu = np.array([0] * 5 + [1])
    rows = rows_of_arrays(gpu=gpu, workload=0)
    error = np.where(gpu[:, None] == 0, [1.0, 0.0], [0.0, 1.0])
    cells = cells_of_arrays(rows, np.full(6, 10.0))
    left = LeftOut(cells, ("a", "b"), cells.log_fps[:, None] + error)
    assert_allclose(Stack("stack", 2, ("a", "b")).learn(left).weights, [[0.5, 0.5]], atol=1e-9)


def test_nothing_known_is_equal_weights() -> None:
    cells = cells_of_arrays(rows_of_arrays(gpu=[0, 1]), np.full(2, 10.0))
    left = LeftOut(cells, ("a", "b", "c"), np.full((2, 3), np.nan))
    assert_allclose(Stack("stack", 2, ("a", "b")).learn(left).weights, [[0.5, 0.5, 0.0]], rtol=0)


def test_weights_of_families_without_a_number_go_to_the_others() -> None:
    weights = StackWeights(np.array([[0.2, 0.3, 0.5], [1.0, 0.0, 0.0]]))
    rows = rows_of_arrays(workload=[0, 0, 1, 1])
    log_fps = np.array([[1, 2, 4], [np.nan, 2, 4], [7, np.nan, 1], [np.nan, 2.0, 3.0]])
    expected = [0.2 + 0.6 + 2.0, (0.6 + 2.0) / 0.8, 7.0, np.nan]
    assert_allclose(weights.combine(log_fps, rows), expected, rtol=1e-12)
    assert weights.shares(("a", "b", "c")) == {"a": 0.6, "b": 0.15, "c": 0.25}
