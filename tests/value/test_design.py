"""Designs against published optima: Guest 1958, Hoel 1958, Kiefer and Wolfowitz 1960."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from perfkit.value.design import leverage, log_det_gain
from tests.reference import load_json

CASES = load_json("d_optimal")


def powers(points: np.ndarray, degree: int) -> np.ndarray:
    return np.vander(np.asarray(points, float), degree + 1, increasing=True)


@pytest.mark.parametrize("degree", ["1", "2", "3", "4", "5"])
def test_continuous_designs_reach_the_bound_of_their_terms(degree: str) -> None:
    """Equivalence theorem: largest standardised variance equals the number of terms (1e-9)."""
    case = CASES["continuous_polynomial_on_minus1_1"][degree]
    design = np.sqrt(case["weight"]) * powers(case["support"], int(degree))
    assert_allclose(np.linalg.det(design.T @ design), case["det_M"], rtol=1e-9)
    grid = powers(np.linspace(-1, 1, 2001), int(degree))
    assert_allclose(leverage(design, grid).max(), case["expected_max"], rtol=1e-9)


@pytest.mark.parametrize("name", list(CASES["exact_designs_by_enumeration"]))
def test_one_run_of_a_best_design_is_taken_out_and_none_better_is_found(name: str) -> None:
    """The best gain brings the determinant of full enumeration back, no more and no less (1e-9)."""
    case = CASES["exact_designs_by_enumeration"][name]
    grid = powers(np.linspace(-1, 1, int(case["candidate_grid"].split()[0])), case["degree"])
    for points in case["designs"]:
        design = powers(points, case["degree"])
        for place in range(case["n"]):
            rest = np.delete(design, place, axis=0)
            gain = log_det_gain(rest, grid).max()
            if np.linalg.matrix_rank(rest) <= case["degree"]:
                assert np.isinf(gain)
                continue
            best = np.exp(gain) * np.linalg.det(rest.T @ rest)
            assert_allclose(best, case["det_XtX"], rtol=1e-9)


def test_next_run_by_leverage() -> None:
    case = CASES["next_run"]
    design = np.column_stack([np.ones(4), case["existing_points"]])
    candidates = np.column_stack([np.ones(9), case["candidates"]])
    found = leverage(design, candidates)
    assert_allclose(found, case["prediction_leverage_xMinvx"], rtol=1e-9)
    assert int(np.argmax(found)) == case["best_index"]
    after = case["det_XtX_before"] * np.exp(log_det_gain(design, candidates))
    assert_allclose(after, case["det_after_each"], rtol=1e-9)


def test_hat_values_add_up_to_the_terms() -> None:
    design = np.column_stack([np.ones(9), np.random.default_rng(1).normal(size=(9, 3))])
    hat = leverage(design, design)
    assert_allclose(hat.sum(), 4, rtol=1e-12)
    assert (hat >= 1 / 9 - 1e-12).all()
    assert (hat <= 1 + 1e-12).all()


@pytest.mark.parametrize("unit", [1.0, 1e-20, 1e20])
def test_a_direction_never_seen_has_no_finite_leverage(unit: float) -> None:
    """Whatever the unit; a row of zeros asks for nothing."""
    design = unit * np.array([[1.0, 0.0], [1.0, 0.0]])
    candidates = unit * np.array([[1.0, 0.0], [1.0, 1.0], [0.0, 0.0]])
    assert_allclose(leverage(design, candidates), [0.5, np.inf, 0.0], rtol=1e-12)


def test_nothing_observed_says_nothing() -> None:
    assert np.isinf(leverage(np.zeros((3, 2)), np.eye(2))).all()
    assert leverage(np.array([[1.0, 0.0, 0.0]]), np.eye(3)).tolist() == [1.0, np.inf, np.inf]


def test_a_direction_seen_by_rounding_alone_was_not_seen() -> None:
    """100 rows: what is less than 100 x 2.2e-16 of the largest direction is rounding."""
    design = np.column_stack([np.ones(100), 1e-16 * np.tile([1.0, -1.0], 50)])
    assert leverage(design, np.array([[0.0, 1.0]])).tolist() == [np.inf]
    design[:, 1] *= 1e3
    assert_allclose(leverage(design, np.array([[0.0, 1e-13]])), 0.01, rtol=1e-2)
