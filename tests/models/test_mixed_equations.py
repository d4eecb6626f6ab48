"""The equations of mixed models from cross-products, held to those of the full covariance."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from perfkit.models.cross_products import closed_basis, products, products_of_columns
from perfkit.models.family import BoolArray, Cells, FloatArray
from perfkit.models.mixed_equations import Look, look
from perfkit.models.outside_seen import logs
from tests.models.plain import cells_of_arrays, rows_of_arrays

GPUS, WORKLOADS = 6, 4
SLOPES = np.array([0.5, 0.4, -0.7, 0.1])


def made(*, speeds: bool) -> Cells:
    """Cells of which some are missing; the processor's speed varies or does not."""
    rng = np.random.default_rng(21)
    gpu, workload, size = (a.ravel() for a in np.indices((GPUS, WORKLOADS, 3)))
    kept = np.ones(len(gpu), dtype=bool)
    kept[[1, 5, 8, 30, 44, 60]] = False
    kept &= ~((workload == 3) & (gpu < 4))
    gpu, workload, size = gpu[kept], workload[kept], size[kept]
    rows = rows_of_arrays(
        gpu=gpu, workload=workload, arithmetic_tflops=rng.uniform(3, 40, GPUS)[gpu],
        bandwidth_gb_s=rng.uniform(50, 900, GPUS)[gpu], drawn_mpx=np.array([0.9, 2.1, 3.7])[size],
        cpu_speed=rng.uniform(1, 2, len(gpu)) if speeds else 1.0,
    )  # fmt: skip
    log_fps = 4 + logs(rows) @ SLOPES + rng.normal(0, 0.1, GPUS)[gpu]
    return cells_of_arrays(rows, 1000 / np.exp(log_fps + rng.normal(0, 0.05, len(gpu))))


def dense(cells: Cells, ratio: FloatArray) -> dict[str, FloatArray]:
    """Say what a look must hold, from the covariance of all cells."""
    rows, x = cells.rows, logs(cells.rows)
    x = x[:, np.ptp(x, axis=0) > 0]
    y = cells.log_fps - logs(rows) @ SLOPES
    same_workload = rows.workload[:, None] == rows.workload
    spread = [np.outer(column, column) * same_workload for column in logs(rows).T]
    spread.append((rows.gpu[:, None] == rows.gpu).astype(float))
    cover = np.eye(len(y)) + np.tensordot(ratio, spread, axes=1)
    design = np.hstack([x, rows.workload[:, None] == np.unique(rows.workload)]).astype(float)
    inverse = np.linalg.inv(cover)
    normal = design.T @ inverse @ design
    project = inverse - inverse @ design @ np.linalg.solve(normal, design.T @ inverse)
    spare = len(y) - design.shape[1]
    square = y @ project @ y / spare
    score = np.array([y @ project @ each @ project @ y for each in spread]) / square
    expected = np.array([np.trace(project @ each) for each in spread])
    pairs = [[y @ project @ a @ project @ b @ project @ y for a in spread] for b in spread]
    pull = project @ y
    own = np.zeros((WORKLOADS, 4))
    for code in np.unique(rows.workload):
        mine = rows.workload == code
        own[code] = ratio[:4] * (logs(rows)[mine].T @ pull[mine])
    device = [ratio[4] * pull[rows.gpu == code].sum() for code in range(GPUS)]
    return {
        "square": square,
        "expected": expected,
        "gradient": expected - score,
        "information": np.array(pairs) / square - np.outer(score, score) / spare,
        "own": own,
        "device": np.array(device),
        "shared": np.linalg.solve(normal, design.T @ inverse @ y)[: x.shape[1]],
        "deviance": np.linalg.slogdet(cover)[1]
        + np.linalg.slogdet(normal)[1]
        + spare * np.log(square),
    }


def looked(cells: Cells, ratio: FloatArray, kept: BoolArray) -> Look:
    p = products(cells, kept, SLOPES)
    return look(p, np.tile(ratio, (len(kept), 1)), *closed_basis(p))


@pytest.mark.parametrize("speeds", [True, False])
@pytest.mark.parametrize("ratio", [[2.0, 0.5, 1.5, 0.7, 3.0], [0.0, 4.0, 0.0, 0.0, 0.2]])
def test_every_number_is_that_of_the_full_covariance(speeds: bool, ratio: list[float]) -> None:
    cells, at = made(speeds=speeds), np.array(ratio)
    kept = np.ones((3, GPUS), dtype=bool)
    kept[1, 2] = kept[2, [0, 5]] = False
    found = looked(cells, at, kept)
    for turn, seen in enumerate(kept):
        some = cells.take(seen[cells.rows.gpu])
        expected = dense(some, at)
        assert_allclose(found.square[turn], expected["square"], rtol=1e-9)
        for name in ("expected", "gradient", "information", "own", "device"):
            scale = np.abs(expected[name]).max() or 1.0
            assert_allclose(getattr(found, name)[turn], expected[name], atol=1e-8 * scale)
        assert_allclose(found.shared[turn, : 3 + speeds], expected["shared"], rtol=1e-7)
        if not speeds:
            assert found.shared[turn, 3] == pytest.approx(0.0, abs=1e-12)
        intercepts = np.log(np.bincount(some.rows.workload)).sum()
        assert found.criterion[turn] + intercepts == pytest.approx(expected["deviance"], rel=1e-9)


def test_where_no_gpu_deviates_none_is_asked() -> None:
    cells, kept = made(speeds=True), np.ones((2, GPUS), dtype=bool)
    kept[1, 3] = False
    ratio = np.array([2.0, 0.5, 1.5, 0.7, 0.0])
    p = products_of_columns(cells, kept, SLOPES)
    found, whole = look(p, np.tile(ratio, (2, 1)), *closed_basis(p)), looked(cells, ratio, kept)
    for name in ("criterion", "shared", "own", "square"):
        assert_allclose(getattr(found, name), getattr(whole, name), rtol=1e-10)
    assert_allclose(found.gradient[:, :4], whole.gradient[:, :4], rtol=1e-9)
    assert_allclose(found.information[:, :4, :4], whole.information[:, :4, :4], rtol=1e-9)
    assert found.device.shape == (2, 0)
    assert (found.gradient[:, 4] == 0).all()


def test_cells_that_leave_nothing_over_have_the_least_square() -> None:
    rows = rows_of_arrays(gpu=[0, 1], workload=0, arithmetic_tflops=[1.0, 2.0])
    cells = cells_of_arrays(rows, np.array([20.0, 10.0]))
    p = products(cells, np.ones((1, 2), dtype=bool), np.zeros(4))
    assert p.free.tolist() == [1.0]
    found = look(p, np.zeros((1, 5)), *closed_basis(p))
    assert found.square.tolist() == [1e-12]
    # One cell counts as left over; about their middle the columns are ln 2 / 2 away each.
    assert_allclose(found.criterion, [np.log(np.log(2) ** 2 / 2) + np.log(1e-12)], rtol=1e-12)
    assert_allclose(found.shared[0], [1.0, 0, 0, 0], atol=1e-12)  # twice the rate, half the time


def test_subsets_are_kept_and_put_together() -> None:
    cells, kept = made(speeds=True), np.ones((2, GPUS), dtype=bool)
    kept[1, 0] = False
    one = looked(cells, np.array([2.0, 0.5, 1.5, 0.7, 3.0]), kept)
    other = looked(cells, np.array([1.0, 1.0, 1.0, 1.0, 1.0]), kept)
    mixed = one.where(np.array([True, False]), other)
    assert_allclose(mixed.information, [one.information[0], other.information[1]], rtol=0)
    assert_allclose(mixed.criterion, [one.criterion[0], other.criterion[1]], rtol=0)
    assert_allclose(one.take(np.array([False, True])).own, one.own[1:], rtol=0)
