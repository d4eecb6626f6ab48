"""Residuals carried to neighbours: the kernel by hand, the weights from the used cells alone."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from perfkit.models import kriging
from perfkit.models.kriging import (
    NOISE_DOF,
    NOISE_SD,
    OTHER_ARCHITECTURE,
    REACH,
    RESIDUAL_SD,
    ROUNDS,
    SAME_AT_ALL_SIZES,
    kernel,
    krige,
)
from tests.models.plain import rows_of_arrays

HERE = rows_of_arrays(arithmetic_tflops=[10.0], bandwidth_gb_s=300.0, drawn_mpx=2.0)


def matern(distance: float) -> float:
    """Matern 3/2 at a distance in units of its reach."""
    away = np.sqrt(3) * distance
    return (1 + away) * np.exp(-away)


@pytest.mark.parametrize(("given", "expected"), [
    ({}, 1.0),
    ({"arithmetic_tflops": 10 * np.e}, matern(1 / REACH)),
    ({"bandwidth_gb_s": 300 / np.e**2}, matern(2 / REACH)),
    ({"cpu_speed": np.e**0.5}, matern(0.5 / REACH)),
    ({"arithmetic_tflops": 10 * np.e**3, "bandwidth_gb_s": 300 * np.e**4}, matern(5 / REACH)),
    ({"drawn_mpx": 2 * np.e}, SAME_AT_ALL_SIZES + (1 - SAME_AT_ALL_SIZES) * np.exp(-0.5)),
    ({"family": 1}, matern(OTHER_ARCHITECTURE)),
    ({"family": 1, "arithmetic_tflops": 10 * np.e}, matern(np.hypot(1, OTHER_ARCHITECTURE))),
    ({"memory_gib": 8.0, "gpu": 1, "workload": 1}, 1.0),
])  # fmt: skip
def test_kernel_by_hand(given: dict[str, float], expected: float) -> None:
    usual = {"arithmetic_tflops": 10.0, "bandwidth_gb_s": 300.0, "drawn_mpx": 2.0}
    other = rows_of_arrays(**(usual | {name: [value] for name, value in given.items()}))
    assert_allclose(kernel(HERE, other), [[expected]], rtol=1e-12)
    assert_allclose(kernel(other, HERE), [[expected]], rtol=1e-12)


def test_an_integrated_gpu_is_another_architecture() -> None:
    other = rows_of_arrays(arithmetic_tflops=[10.0], bandwidth_gb_s=300.0, drawn_mpx=2.0)
    other.integrated[:] = True
    assert_allclose(kernel(HERE, other), [[matern(OTHER_ARCHITECTURE)]], rtol=1e-12)
    other.family[:] = 1  # both differ: still one step away
    assert_allclose(kernel(HERE, other), [[matern(OTHER_ARCHITECTURE)]], rtol=1e-12)


def test_distances_are_in_units_of_the_reaches(monkeypatch: pytest.MonkeyPatch) -> None:
    for name, value in (("REACH", 2.0), ("PIXEL_REACH", 4.0), ("OTHER_ARCHITECTURE", 3.0)):
        monkeypatch.setattr(kriging, name, value)
    usual = {"arithmetic_tflops": [10 * np.e**4], "bandwidth_gb_s": 300.0}
    away = kernel(HERE, rows_of_arrays(**usual, drawn_mpx=2 * np.e**2, family=1))
    of_size = SAME_AT_ALL_SIZES + (1 - SAME_AT_ALL_SIZES) * np.exp(-0.5 * (2 / 4) ** 2)
    assert_allclose(away, [[matern(np.hypot(4 / 2, 3)) * of_size]], rtol=1e-12)


def test_weights_are_those_of_the_used_cells_alone() -> None:
    rng = np.random.default_rng(3)
    rows = rows_of_arrays(
        arithmetic_tflops=rng.uniform(3, 40, 5), bandwidth_gb_s=rng.uniform(50, 900, 5)
    )
    correlation, residual = kernel(rows, rows), rng.normal(0, 0.1, (2, 5))
    used = np.array([[1.0, 1, 1, 1, 1], [1, 0, 1, 0, 1]])
    found = krige(correlation, residual, used)
    for turn, held in enumerate(used > 0):
        joint = RESIDUAL_SD**2 * correlation[np.ix_(held, held)]
        trust, weights = np.ones(held.sum()), np.zeros(held.sum())
        for _ in range(ROUNDS):
            noise = NOISE_SD**2 / trust
            weights = np.linalg.solve(joint + np.diag(noise), residual[turn, held])
            missed = noise * weights / NOISE_SD  # what the noise of a cell must then be
            trust = (NOISE_DOF + 1) / (NOISE_DOF + missed**2)
        assert_allclose(found[turn, held], RESIDUAL_SD**2 * weights, rtol=1e-10)
        assert (found[turn, ~held] == 0).all()


def test_a_lone_cell_keeps_the_share_of_its_miss_that_is_no_noise() -> None:
    small = 1e-6  # so small that it is believed with the weight of 5 degrees of freedom over 4
    found = krige(np.ones((1, 1)), np.array([[small]]), np.ones((1, 1)))[0, 0]
    noise = NOISE_SD**2 / ((NOISE_DOF + 1) / NOISE_DOF)
    assert_allclose(found, small * RESIDUAL_SD**2 / (RESIDUAL_SD**2 + noise), rtol=1e-9)
