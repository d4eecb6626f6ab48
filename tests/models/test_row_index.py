"""What fits need of the rows alone, held to rows sorted by hand and to sums over masks."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from perfkit.models.family import BoolArray, Cells, FloatArray, Rows
from perfkit.models.outside_seen import logs
from perfkit.models.power_law import PowerLaw, lines_without_each
from perfkit.models.row_index import (
    USUAL_SLOPES,
    RowIndex,
    _chunks,
    error_index,
    left_out_index,
    row_index,
)
from tests.models.plain import cells_of_arrays, rows_of_arrays
from tests.outside import as_cells

GPU = np.array([5, 0, 2, 0, 5, 0, 0, 2, 5, 5, 0])
WORKLOAD = np.array([3, 0, 0, 1, 3, 0, 1, 1, 0, 1, 0])
"""Eleven rows of GPUs 0, 2, 5 on workloads 0, 1, 3 of four; workload 3 ran on GPU 5 only."""


def uneven() -> Rows:
    rng = np.random.default_rng(3)
    return rows_of_arrays(
        gpu=GPU, workload=WORKLOAD, arithmetic_tflops=np.exp(rng.normal(2, 1, 11)),
        bandwidth_gb_s=np.exp(rng.normal(5, 1, 11)), drawn_mpx=np.exp(rng.normal(1, 1, 11)),
        cpu_speed=np.exp(rng.normal(0, 1, 11)),
    )  # fmt: skip


def uneven_cells() -> Cells:
    return cells_of_arrays(uneven(), np.random.default_rng(4).uniform(5, 30, 11))


def about_workloads(rows: Rows) -> FloatArray:
    """Take their workload's mean from logs."""
    x = logs(rows)
    return np.array(
        [each - x[rows.workload == w].mean(0) for each, w in zip(x, rows.workload, strict=True)]
    )


def at_places(index: RowIndex, values: FloatArray) -> FloatArray:
    """Values of rows at their places, nonsense at places that are left over."""
    table = np.full(index.place.size, 1e3)
    table[index.home] = values
    return table.reshape(index.place.shape)


def test_rows_fill_chunks_as_long_as_the_mean_of_the_gpus() -> None:
    # Five rows of three GPUs: chunks of two places. The first GPU fills one and half of a second.
    places, first, length = _chunks(np.array([0, 0, 0, 1, 2]), 3)
    assert length == 2
    assert first.tolist() == [0, 2, 3, 4]
    assert places.tolist() == [0, 1, 2, 4, 6]


def test_each_row_has_its_place_and_each_gpu_its_chunks() -> None:
    # Eleven rows of three GPUs: chunks of four. GPU 0 has five rows, GPU 2 two, GPU 5 four.
    index = row_index(uneven())
    assert index.gpus.tolist() == [0, 2, 5]
    assert index.first.tolist() == [0, 2, 3]
    assert index.place.tolist() == [[1, 5, 10, 3], [6, 0, 0, 0], [2, 7, 0, 0], [8, 9, 0, 4]]
    assert index.home.tolist() == [14, 0, 8, 3, 15, 1, 4, 9, 12, 13, 2]
    # Runs: workload 0 and 1 of GPU 0, three places left over, and so on; left over is workload 4.
    assert index.run.tolist() == [0, 3, 5, 8, 9, 10, 12, 13, 14]
    assert index.run_workload.tolist() == [0, 1, 4, 0, 1, 4, 0, 1, 3]
    assert index.run_gpu.tolist() == [0, 0, 0, 1, 1, 0, 2, 2, 2]
    assert index.count.tolist() == [[3, 1, 1], [2, 1, 1], [0, 0, 0], [0, 0, 2]]
    assert_allclose(index.number, [5, 4, np.nan, 2])


def test_sums_are_those_over_masks_whatever_stands_at_places_left_over() -> None:
    rows = uneven()
    index, values = row_index(rows), np.random.default_rng(5).normal(size=11)
    at, centred = at_places(index, values), about_workloads(rows)
    by_workload = [values[rows.workload == w].sum() for w in range(4)]
    assert_allclose(index.by_workload(at), by_workload, atol=1e-12)
    by_both = [[values[(g == GPU) & (w == WORKLOAD)].sum() for w in range(4)] for g in (0, 2, 5)]
    assert_allclose(index.by_both(at), by_both, atol=1e-12)
    products = [values[g == GPU] @ centred[g == GPU] for g in (0, 2, 5)]
    assert_allclose(index.products(index.centred, at), products, atol=1e-12)
    assert_allclose(
        index.mean,
        [logs(rows)[w == WORKLOAD].mean(0) if w != 2 else [np.nan] * 4 for w in range(4)],
    )
    # A first run of another workload than the first is a run.
    second = row_index(rows_of_arrays(gpu=[0, 0, 1], workload=[1, 1, 0]))
    assert second.by_both(np.array([[1.0, 2.0], [4.0, 8.0]])).tolist() == [[0, 3], [4, 0]]
    # Of six rows of GPUs 0, 1, 2 the last has one, and a place left over.
    one = row_index(rows_of_arrays(gpu=[0, 0, 0, 1, 1, 2], arithmetic_tflops=2.0))
    assert one.by_both(at_places(one, np.arange(6.0))).tolist() == [[3], [7], [5]]
    # As many chunks as GPUs: each is its GPU's.
    even = row_index(rows_of_arrays(gpu=[1, 0], arithmetic_tflops=[1.0, 4.0]))
    assert even.by_gpu(np.array([7.0, 8.0])).tolist() == [7, 8]


@pytest.mark.parametrize("made", ["whole", "together", "flat", "three rows", "one row"])
def test_slopes_are_of_least_squares_and_usual_in_open_directions(made: str) -> None:
    rng = np.random.default_rng(6)
    size = {"three rows": 3, "one row": 1}.get(made, 9)
    x = rng.normal(size=(size, 4))
    if made == "together":
        x[:, 1] = 2 * x[:, 0]
    if made == "flat":
        x[:, 2] = 0.3
    cells = as_cells(rng.normal(size=size), x, np.arange(size) // 2)
    index, centred = row_index(cells.rows), x - x.mean(axis=0)
    inverse = np.linalg.pinv(centred, rcond=1e-5)
    y = at_places(index, cells.log_fps)
    pull = index.products(index.turned, y).sum(axis=0)
    assert_allclose(index.back @ pull, inverse @ cells.log_fps, atol=1e-9)
    assert_allclose(index.rest, USUAL_SLOPES - inverse @ (centred @ USUAL_SLOPES), atol=1e-9)


@pytest.mark.parametrize(("scale", "share", "closed"), [
    (100.0, 5e-6, 1), (100.0, 2e-5, 2), (0.01, 5e-6, 1), (0.01, 2e-5, 2),
])  # fmt: skip
def test_a_direction_is_open_by_its_share_of_the_largest(
    scale: float, share: float, closed: int
) -> None:
    # Columns that are orthogonal and of mean zero, so that their lengths are singular values.
    columns = scale * np.array([[1, 1, -1, -1], [share, -share, share, -share]]).T
    index = row_index(as_cells(np.zeros(4), columns).rows)
    assert np.count_nonzero(index.back.any(axis=0)) == closed
    usual = USUAL_SLOPES * [0, closed < 2, 1, 1]
    assert_allclose(index.rest, usual, atol=1e-6)


def test_explained_is_what_each_gpu_adds_to_the_slopes_of_the_columns() -> None:
    rows = uneven()
    index, centred = error_index(rows), about_workloads(rows)
    assert index.ran.tolist() == [0, 1, 3]
    columns = np.column_stack([WORKLOAD[:, None] == [0, 1, 3], logs(rows)])
    inverse = np.linalg.pinv(centred)
    expected = [inverse[:, g == GPU] @ columns[g == GPU] for g in (0, 2, 5)]
    assert_allclose(index.explained.reshape(3, 4, 7), expected, atol=1e-10)


def crossed(gpus: int, sizes: int, width: int, workloads: int = 1) -> Rows:
    """Rows of which just so many logs vary."""
    gpu, _, workload = (a.ravel() for a in np.indices((gpus, sizes, workloads)))
    x = np.zeros((len(gpu), 4))
    x[:, :width] = np.random.default_rng(7).normal(size=(len(gpu), width))
    return as_cells(np.zeros(len(gpu)), x, gpu, workload).rows


@pytest.mark.parametrize(("rows", "number"), [
    # GPUs / (GPUs - 1) x (rows - 1) / (rows - slopes - workloads), as statsmodels has it.
    (crossed(3, 4, width=2), 3 / 2 * 11 / 9),
    (crossed(3, 4, width=2, workloads=2), 3 / 2 * 23 / 20),
    (crossed(2, 2, width=1), 2 / 1 * 3 / 2),
    (crossed(2, 4, width=2), np.nan),  # no more GPUs than slopes
    (crossed(3, 1, width=1), 3 / 2 * 2 / 1),
    (crossed(3, 1, width=2), np.nan),  # nothing is left over
    (crossed(5, 1, width=1, workloads=2), 5 / 4 * 9 / 7),
])  # fmt: skip
def test_errors_are_corrected_for_few_gpus_and_rows(rows: Rows, number: float) -> None:
    width = int(np.count_nonzero(np.ptp(logs(rows), axis=0)))
    correction = error_index(rows).correction
    assert_allclose(correction, [number] * width + [np.nan] * (4 - width), rtol=1e-12)


def test_slopes_that_are_not_determined_or_do_not_vary_have_no_error() -> None:
    x = np.random.default_rng(8).normal(size=(12, 2))
    gpu = np.arange(12) // 3
    together = as_cells(np.zeros(12), np.column_stack([x[:, 0], x[:, 0]]), gpu).rows
    assert np.isnan(error_index(together).correction).all()
    still = as_cells(np.zeros(12), np.zeros((12, 1)), gpu).rows
    assert np.isnan(error_index(still).correction).all()
    # 2e-12 between the ends is nothing (5e-13 and 1e-12 about the mean in rms), 1e-7 is something.
    number = 4 / 3 * 11 / 10
    for spread in (1e-12, 1.9e-12):
        ends = np.column_stack([x[:, 0], np.where(np.arange(12) % 2, spread, 0.0)])
        found = error_index(as_cells(np.zeros(12), ends, gpu).rows).correction
        assert_allclose(found, [number, np.nan, np.nan, np.nan])
    small = error_index(as_cells(np.zeros(12), 1e-7 * x[:, :1], gpu).rows).correction
    assert_allclose(small, [number, np.nan, np.nan, np.nan])


def test_places_and_rows_of_the_other_gpus() -> None:
    left = left_out_index(uneven())
    assert left.owner.tolist() == [0, 0, 1, 2]
    assert_allclose(left.count, [[2, 2, np.nan, 2], [4, 3, np.nan, 2], [4, 3, np.nan, np.nan]])
    own = [[0, 0, 0, 1], [1], [4, 5], [8, 9, 11, 11]]  # four workloads a GPU
    assert [cell[: len(told)].tolist() for cell, told in zip(left.cell, own, strict=True)] == own


def test_a_workload_of_one_other_cell_has_its_level_and_tells_of_no_slope() -> None:
    # Workload 1: one cell on GPU 0 and one on GPU 1. Without either, the other's log FPS is its
    # level there: 2 at rate e^3, 1 at e^1, brought to the mean rate e^2 along the slope.
    x = np.array([0.0, 1.0, 2.0, 4.0, 3.0, 1.0])
    y = np.array([0.0, 0.5, 1.0, 2.0, 2.0, 1.0])
    cells = as_cells(y, x, [0, 1, 2, 3, 0, 1], [0, 0, 0, 0, 1, 1])
    slopes, level = lines_without_each(cells)
    assert_allclose(slopes[:2, 0], 0.5, atol=1e-12)  # workload 0 alone tells: half the log rate
    assert_allclose(level[:2, 1], [1 + 0.5, 2 - 0.5], atol=1e-12)


@pytest.mark.parametrize("share", [None, 1e-3, 1e-6])
def test_lines_without_each_gpu_are_those_of_the_other_cells(share: float | None) -> None:
    cells = uneven_cells()
    if share is not None:  # a closed direction, and one that is open
        rng = np.random.default_rng(9)
        x = rng.normal(size=(15, 4)) * [1, share, 1, 1]
        cells = as_cells(rng.normal(size=15), x, np.arange(15) // 3, np.arange(15) % 2)
    slopes, level = lines_without_each(cells)
    middle = row_index(cells.rows).mean
    for turn, code in enumerate(cells.gpus):
        rest: BoolArray = cells.rows.gpu != code
        alone = PowerLaw("power law").fit(cells.take(rest))
        tolerance = 1e-9 if share is None else 1e-5
        assert_allclose(slopes[turn], alone.slopes, rtol=tolerance, atol=tolerance)
        at_means = alone.intercepts + middle @ alone.slopes
        assert_allclose(level[turn], at_means, rtol=1e-7)
