"""Ranges of a GPU that a mixed model never saw: against dense matrices, and by hand."""

from dataclasses import replace

import numpy as np
import pytest

from perfkit.models.new_group import NewGpu, gpu_dof, line_error
from perfkit.models.workload_slopes import WorkloadSlopes
from tests.outside import as_cells


def dense_error(x, w, g, ratio, square, asked, workload):
    """Prediction error of a line that no GPU moves (Henderson 1975), from the whole covariance."""
    cover = square * (np.eye(len(x)) + ratio[4] * (g[:, None] == g))
    for j in range(4):
        cover += square * ratio[j] * np.outer(x[:, j], x[:, j]) * (w[:, None] == w)
    kinds = np.unique(w)
    varies = np.ptp(x, axis=0) > 0
    design = np.column_stack([x[:, varies], w[:, None] == kinds]).astype(float)
    wanted = np.append(asked[varies], workload == kinds).astype(float)
    inverse = np.linalg.inv(cover)
    shared = square * (x * asked * ratio[:4]).sum(axis=1) * (w == workload)
    left = wanted - design.T @ inverse @ shared
    variance = square * asked**2 @ ratio[:4] - shared @ inverse @ shared
    return np.sqrt(variance + left @ np.linalg.solve(design.T @ inverse @ design, left))


@pytest.mark.parametrize(
    "ratio",
    [[2.0, 0.7, 1.3, 0.4, 5.0], [0.0, 3.0, 0.0, 0.0, 0.5], [0.2, 0.1, 0.3, 0.2, 0.0]],
)
def test_error_of_a_line_anywhere_is_that_of_the_dense_model(ratio):
    rng = np.random.default_rng(3)
    w, g, k = (a.ravel() for a in np.indices((3, 5, 2)))
    x = np.column_stack(
        [rng.normal(size=5)[g], rng.normal(size=5)[g], k + 0.5 * w, rng.normal(size=30)]
    )
    some = np.setdiff1d(np.arange(30), [0, 3, 7, *range(21, 30)])  # one cell of the last workload
    x, w, g, ratio = x[some], w[some], g[some], np.array(ratio)
    cells = as_cells(np.zeros(len(x)), x, g, w)
    asked = rng.normal(size=(6, 4))
    places = np.array([0, 1, 2, 2, 0, 1])
    rows = replace(as_cells(np.zeros(6), asked).rows, workload=places)
    found = line_error(cells, ratio, 0.3, rows)
    expected = [
        dense_error(x, w, g, ratio, 0.3, each, place)
        for each, place in zip(asked, places, strict=True)
    ]
    np.testing.assert_allclose(found, expected, rtol=1e-9)


def test_where_the_data_leave_a_slope_open_nothing_is_known_of_rows_that_ask_for_it():
    rng = np.random.default_rng(4)
    g, k = (a.ravel() for a in np.indices((5, 2)))
    x = np.column_stack([rng.normal(size=5)[g], rng.normal(size=5)[g], k, np.full(10, 0.2)])
    cells = as_cells(np.zeros(10), x, g)
    names = replace(cells.rows.names, workloads=("0.0", "never run"))
    cells = replace(cells, rows=replace(cells.rows, names=names))
    asked = np.array([[0.1, 0.3, 2.0, 0.2], [0.1, 0.3, 2.0, 0.5], [0.1, 0.3, 2.0, 0.2]])
    rows = replace(as_cells(np.zeros(3), asked).rows, workload=np.array([0, 0, 1]))
    ratio = np.array([1.0, 1.0, 1.0, 1.0, 2.0])
    found = line_error(cells, ratio, 0.5, rows)
    w = np.zeros(10, int)
    away = x - [0.0, 0.0, 0.0, 0.2], asked[0] - [0.0, 0.0, 0.0, 0.2]
    expected = dense_error(away[0], w, g, ratio, 0.5, away[1], 0)
    assert found[0] == pytest.approx(expected, rel=1e-9)
    assert np.isnan(found[1:]).all()


@pytest.mark.parametrize(
    ("rates", "dof"),
    [
        ([[0, 0], [1, 2], [2, 1], [4, 4], [3, 0]], 2.0),  # five less one, less two rates
        ([[0, 0], [1, 2], [2, 4], [4, 8], [3, 6]], 3.0),  # on one line
        ([[1, 2]] * 5, 4.0),
        ([[0, 5], [1, 5], [2, 5], [4, 5]], 2.0),
    ],
)
def test_degrees_of_freedom_are_gpus_less_what_their_rates_take(rates, dof):
    gpus = np.repeat(np.arange(len(rates)), 2)
    x = np.column_stack(
        [np.repeat(np.array(rates, float), 2, axis=0), np.tile([0.0, 1.5], len(rates))]
    )
    keep = np.arange(len(gpus)) != 3
    workloads = np.tile(["v", "w"], len(rates))
    assert gpu_dof(as_cells(np.zeros(len(gpus)), x, gpus, workloads)) == dof
    assert gpu_dof(as_cells(np.zeros(len(gpus)), x, gpus, workloads).take(keep)) == dof


def test_parts_of_the_scale_add_in_quadrature():
    new = NewGpu(line=np.array([3.0, 0.0]), device=4.0, own=12.0, dof=3.0)
    np.testing.assert_allclose(new.scale, [13.0, np.sqrt(160.0)])
    np.testing.assert_allclose(new.mean_scale, [5.0, 4.0])


def test_a_pass_varies_more_than_an_average_of_passes():
    rng = np.random.default_rng(5)
    g, k = (a.ravel() for a in np.indices((6, 3)))
    x = np.column_stack([rng.normal(size=6)[g], rng.normal(size=6)[g], k])
    cells = as_cells(rng.normal(size=18), x, g)
    fit = WorkloadSlopes("").fit(cells)
    alone = fit.new_gpu(cells.rows)
    assert alone.own == pytest.approx(np.sqrt(fit.slopes.residual[0]), rel=1e-12)
    assert alone.device == pytest.approx(np.sqrt(fit.slopes.device[0]), rel=1e-12)
    assert alone.dof == 3.0
    # Of passes that vary by 0.3, the residual holds half and a quarter: on average 3/8.
    passes = np.where(k == 0, 4.0, np.where(k == 1, 2.0, 2.0))
    several = WorkloadSlopes("").fit(replace(cells, pass_sd=0.3, passes=passes))
    share = 1 - (1 / 4 + 1 / 2 + 1 / 2) / 3
    own = np.sqrt(several.slopes.residual[0] + 0.09 * share)
    assert several.new_gpu(cells.rows).own == pytest.approx(own, rel=1e-12)
