"""Time sums from cross-products, held to least squares on the rows themselves."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import nnls

from perfkit.models.family import Cells, FloatArray
from perfkit.models.time_sum import (
    PAIRS,
    PRIOR_CELLS,
    ROUNDS,
    Sums,
    TimeSum,
    columns,
    log_of_sum,
    shared_shape,
    sums_of,
    told_apart,
)
from tests.models.plain import cells_of_arrays, rows_of_arrays

GPUS, WORKLOADS = 7, 3
PLAIN = (0, 2, 3, 4, 5)


def made(speeds: object = 1.0, output: object = 1.0) -> Cells:
    """Seven GPUs, two sizes, two workloads and one cell of a third: all parts, and noise."""
    rng = np.random.default_rng(11)
    gpu, workload, size = (a.ravel() for a in np.indices((GPUS, WORKLOADS, 2)))
    kept = (workload < 2) | ((gpu == 0) & (size == 0))
    gpu, workload, size = gpu[kept], workload[kept], size[kept]
    rate, band = rng.uniform(3, 40, GPUS), rng.uniform(50, 900, GPUS)
    drawn = np.array([0.9, 2.1])[size]
    rows = rows_of_arrays(
        workload=workload, gpu=gpu, arithmetic_tflops=rate[gpu], bandwidth_gb_s=band[gpu],
        drawn_mpx=drawn, output_mpx=drawn * np.broadcast_to(output, GPUS)[gpu],
        cpu_speed=np.broadcast_to(speeds, GPUS)[gpu],
    )  # fmt: skip
    k = np.array([1.0, 2.0, 30.0, 400.0, 9.0, 150.0, 12.0]) * np.array([[1.0], [1.7], [0.6]])
    exact = (columns(rows) * k[workload]).sum(axis=1)
    return cells_of_arrays(rows, exact * np.exp(rng.normal(0, 0.05, len(exact))))


def by_rows(cells: Cells, keep: tuple[int, ...]) -> FloatArray:
    """Fit without a cross-product: non-negative least squares on rows over their frame times."""
    relative = columns(cells.rows)[:, keep] * np.exp(cells.log_fps)[:, None] / 1000
    mine = [relative[cells.rows.workload == code] for code in range(WORKLOADS)]
    level, shape = np.ones(WORKLOADS), np.zeros(len(keep))
    for _ in range(ROUNDS):
        stacked = np.concatenate([a * of for a, of in zip(level, mine, strict=True)])
        norm = np.linalg.norm(relative, axis=0)
        shape = nnls(stacked / norm, np.ones(len(stacked)))[0] / norm
        said = [of @ shape for of in mine]
        level = np.array([each.sum() / (each @ each) for each in said])
    found = np.zeros((WORKLOADS, 7))
    for code, of in enumerate(mine):
        pull = np.sqrt(PRIOR_CELLS * np.square(of).mean(axis=0))
        design = np.vstack([of, np.diag(pull)])
        goal = np.concatenate([np.ones(len(of)), pull * level[code] * shape])
        found[code, list(keep)] = nnls(design, goal)[0]
    return found


TWO_SPEEDS = np.array([1.0, 1.0, 1.5, 1.2, 1.0, 1.4, 1.1])
SCALED = np.array([1.0, 2.0, 1.0, 1.5, 1.0, 1.0, 2.0])
FORMS = {
    "one speed, one size": ({}, PLAIN),
    "speeds": ({"speeds": TWO_SPEEDS}, (0, 1, 2, 3, 4, 5)),
    "scales": ({"output": SCALED}, (0, 2, 3, 4, 5, 6)),
    "both": ({"speeds": TWO_SPEEDS, "output": SCALED}, (0, 1, 2, 3, 4, 5, 6)),
}


@pytest.mark.parametrize("form", FORMS)
def test_cross_products_give_what_rows_give(form: str) -> None:
    given, keep = FORMS[form]
    cells = made(**given)
    fitted = TimeSum("time sum").fit(cells)
    expected = by_rows(cells, keep)
    assert_allclose(fitted.coefficients, expected, rtol=1e-6, atol=1e-7 * expected.max())
    said = np.log(1000 / (columns(cells.rows) * expected[cells.rows.workload]).sum(axis=1))
    assert_allclose(fitted.log_fps(cells.rows), said, rtol=1e-8)


def test_a_heavy_workload_of_one_run_has_its_own_level() -> None:
    rate, k = np.random.default_rng(12).uniform(1, 9, (6, 3)), np.array([1.0, 2.0, 3.0])
    light = rate / (rate @ k)[:, None]
    relative = [light, light[:1] / 1.01, light[:0]]  # a hundredth longer; the third never ran
    gram = np.stack([of.T @ of for of in relative])[None]
    found = shared_shape(gram, np.stack([of.sum(axis=0) for of in relative])[None])[0]
    assert_allclose(found, [k, 1.01 * k, 0 * k], rtol=2e-3)


def test_what_cannot_be_told_apart_is_given_to_one() -> None:
    two = np.random.default_rng(13).uniform(1, 9, (6, 2))
    relative = np.column_stack([two, two]) / (two @ [1.0, 2.0])[:, None]
    found = shared_shape((relative.T @ relative)[None, None], relative.sum(axis=0)[None, None])[
        0, 0
    ]
    assert np.count_nonzero(found) == 2
    assert_allclose(found[:2] + found[2:], [1.0, 2.0], rtol=1e-6)


def test_two_columns_alike_leave_the_others_as_they_are() -> None:
    three, k = np.random.default_rng(14).uniform(1, 9, (9, 3)), np.array([1.0, 2.0, 3.0])
    relative = np.column_stack([three, three[:, 0]]) / (three @ k)[:, None]
    found = shared_shape((relative.T @ relative)[None, None], relative.sum(axis=0)[None, None])
    told = found[0, 0]
    assert_allclose([told[0] + told[3], told[1], told[2]], k, rtol=1e-6)


def test_without_some_gpus_it_is_fitted_to_the_others() -> None:
    cells = made(speeds=[1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.5], output=SCALED)
    without = [np.array([6]), np.array([1, 3, 6]), np.array([0])]
    found = TimeSum("time sum").left_out_at(cells, without, cells.rows)
    for gone, said in zip(without, found, strict=True):
        fitted = TimeSum("time sum").fit(cells.without(gone))
        assert_allclose(said, fitted.log_fps(cells.rows), rtol=1e-8)


def test_a_workload_that_never_ran_has_no_number() -> None:
    cells = made()
    some = cells.take(cells.rows.workload != 1)
    fitted = TimeSum("time sum").fit(some)
    assert np.isnan(fitted.coefficients[1]).all()
    assert np.isnan(fitted.log_fps(cells.rows)).sum() == (cells.rows.workload == 1).sum()


def test_sums_by_workload_and_gpu() -> None:
    cells = made(speeds=TWO_SPEEDS, output=SCALED)
    sums, rows = sums_of(cells), cells.rows
    relative = columns(rows) * np.exp(cells.log_fps)[:, None] / 1000
    mine = (rows.workload == 1) & (rows.gpu == 3)
    expected = [(relative[mine, i] * relative[mine, j]).sum() for i, j in zip(*PAIRS, strict=True)]
    assert_allclose(sums.products[:28, 1, 3], expected, rtol=1e-12)
    assert_allclose(sums.products[28:, 1, 3], relative[mine].sum(axis=0), rtol=1e-12)
    assert sums.count.tolist() == [[2.0] * 7, [2.0] * 7, [1.0] + [0.0] * 6]
    assert_allclose(sums.speeds, [TWO_SPEEDS, TWO_SPEEDS], rtol=0)
    assert sums.scaled.tolist() == (SCALED > 1).tolist()


@pytest.mark.parametrize(("more", "scaled"), [(1e-10, False), (1e-8, True), (-1e-8, True)])
def test_sizes_that_differ_by_rounding_are_the_same(more: float, scaled: bool) -> None:
    assert sums_of(made(output=1 + more)).scaled.any() == scaled


@pytest.mark.parametrize(("speeds", "scaled", "keep"), [
    ([[1, 1, 1], [1, 1, 1]], [False, False, True], PLAIN),
    ([[1, 1, 1], [1, 1, 2]], [True, False, False], (0, 2, 3, 4, 5, 6)),
    ([[1, 1, 1], [1, 2, 1]], [False, True, False], (0, 1, 2, 3, 4, 5, 6)),
    ([[1, 2, 1], [1, 2, 1]], [False, False, False], (0, 1, 2, 3, 4, 5)),
    ([[1, 1.5, 1], [2, 2, 1]], [False, False, False], (0, 1, 2, 3, 4, 5)),
])  # fmt: skip
def test_what_can_be_told_apart_on_the_first_two_of_three(
    speeds: list, scaled: list, keep: tuple[int, ...]
) -> None:
    empty = np.zeros((1, 3))
    sums = Sums(empty, np.zeros((35, 1, 3)), np.array(speeds, float), np.array(scaled))
    assert tuple(told_apart(sums, np.array([True, True, False]))) == keep


def test_columns_are_work_over_rate() -> None:
    rows = rows_of_arrays(
        arithmetic_tflops=4.0, bandwidth_gb_s=50.0, drawn_mpx=2.0, output_mpx=3.0, cpu_speed=1.25
    )
    assert_allclose(columns(rows), [[1, 0.8, 0.5, 0.04, 0.25, 0.02, 0.75]], rtol=1e-12)


def test_no_frame_time_no_fps() -> None:
    found = log_of_sum(np.array([0.0, 10.0, 0.5, -1.0]))
    assert_allclose(found, [np.nan, np.log(100), np.log(2000), np.nan])


def test_one_cell_of_another_size_is_enough() -> None:
    rows = rows_of_arrays(gpu=[0, 0, 1], drawn_mpx=[1.0, 1.0, 1.0], output_mpx=[1.0, 2.0, 1.0])
    assert sums_of(cells_of_arrays(rows, np.full(3, 10.0))).scaled.tolist() == [True, False]


def test_gains_are_shares_of_the_frame_time() -> None:
    fitted = TimeSum("time sum").fit(made(speeds=TWO_SPEEDS, output=SCALED))
    each = fitted.each(fitted.cells.rows)
    parts = fitted.parts(fitted.cells.rows)
    by_cause = [each[:, [2, 4, 6]], each[:, [3, 5]], each[:, [1]], each[:, [0]]]
    assert_allclose(parts, np.column_stack([part.sum(axis=1) for part in by_cause]), rtol=1e-12)
    share = parts / parts.sum(axis=1, keepdims=True)
    terms = fitted.terms().set_index(["term", "workload"])
    for place, term in enumerate(("arithmetic rate", "bandwidth", "processor speed")):
        mine = share[fitted.cells.rows.workload == 2, place]
        assert_allclose(terms.loc[(term, "workload2"), "estimate"], np.median(mine), rtol=1e-12)
    assert len(terms) == 9
    assert terms["std_error"].isna().all()
    first = terms.loc[("bandwidth", "workload0"), "sentence"]
    assert first.startswith("workload0: 10 % more bandwidth, ")
