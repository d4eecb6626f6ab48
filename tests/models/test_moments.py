"""Cross-products of subsets from sums, held to the cells of each subset themselves."""

from dataclasses import replace

import numpy as np
from numpy.testing import assert_allclose

from perfkit.models.cross_products import closed_basis, products, products_of_columns
from perfkit.models.family import Cells
from perfkit.models.moments import kept_without, least_change, subset_moments
from perfkit.models.outside_seen import logs
from tests.models.plain import cells_of_arrays, rows_of_arrays

CODES = np.array([1, 4, 5])
SLOPES = np.array([0.5, 0.4, -0.7, 0.1])
KEPT = np.array(
    [[True, True, True], [False, True, True], [False, False, True], [True, False, False]]
)


def made() -> Cells:
    """Three GPUs with gaps between their codes; the last ran one of two workloads."""
    rng = np.random.default_rng(2)
    gpu = np.array([1, 1, 1, 4, 4, 4, 4, 5, 5])
    workload = np.array([0, 0, 1, 0, 1, 1, 0, 0, 0])
    names = ("arithmetic_tflops", "bandwidth_gb_s", "drawn_mpx", "cpu_speed")
    rows = rows_of_arrays(
        gpu=gpu, workload=workload, **{name: rng.uniform(1, 9, 9) for name in names}
    )
    return cells_of_arrays(rows, rng.uniform(5, 50, 9))


def test_moments_are_those_of_the_cells() -> None:
    cells = made()
    found = subset_moments(cells, KEPT)
    for turn, kept in enumerate(KEPT):
        for code in (0, 1):
            mine = np.isin(cells.rows.gpu, CODES[kept]) & (cells.rows.workload == code)
            assert found.count[turn, code] == mine.sum()
            if not mine.any():
                assert np.isnan(found.mean_y[turn, code])
                continue
            x, y = logs(cells.rows)[mine], cells.log_fps[mine]
            assert_allclose(found.mean_x[turn, code], x.mean(axis=0), rtol=1e-10)
            assert_allclose(found.mean_y[turn, code], y.mean(), rtol=1e-12)
            x, y = x - x.mean(axis=0), y - y.mean()
            assert_allclose(found.xx[turn, code], x.T @ x, atol=1e-12)
            assert_allclose(found.xy[turn, code], x.T @ y, atol=1e-12)
            assert_allclose(found.yy[turn, code], y @ y, atol=1e-12)


def test_products_are_those_of_the_centred_cells() -> None:
    cells = made()
    found, alone = products(cells, KEPT, SLOPES), products_of_columns(cells, KEPT, SLOPES)
    for turn, kept in enumerate(KEPT):
        zz, zy = np.zeros((3, 3)), np.zeros(3)
        ran = 0
        for code in (0, 1):
            mine = np.isin(cells.rows.gpu, CODES[kept]) & (cells.rows.workload == code)
            if not mine.any():
                assert (found.xz[turn, code] == 0).all()
                continue
            ran += 1
            x = logs(cells.rows)[mine]
            y = cells.log_fps[mine] - x @ SLOPES
            z = (cells.rows.gpu[mine][:, None] == CODES).astype(float)
            x, y, z = (each - each.mean(axis=0) for each in (x, y, z))
            assert_allclose(found.xz[turn, code], x.T @ z, atol=1e-12)
            assert_allclose(found.xy[turn, code], x.T @ y, atol=1e-12)
            assert_allclose(found.yy[turn, code], y @ y, atol=1e-12)
            zz, zy = zz + z.T @ z, zy + z.T @ y
        assert_allclose(found.zz[turn], zz, atol=1e-12)
        assert_allclose(found.zy[turn], zy, atol=1e-12)
        seen = np.isin(cells.rows.gpu, CODES[kept]).sum()
        assert found.free[turn] == alone.free[turn] == seen - ran
    for name in ("count", "xx", "xy", "yy"):
        assert_allclose(getattr(alone, name), getattr(found, name), rtol=0)
    assert alone.xz.shape == (4, 2, 4, 0)
    assert (alone.zz.shape, alone.zy.shape) == ((4, 0, 0), (4, 0))
    one = found.take(np.array([False, True, False, False]))
    assert_allclose(one.zz, found.zz[1:2], rtol=0)


def test_directions_that_the_data_determine() -> None:
    rng = np.random.default_rng(3)
    rate = rng.uniform(1, 9, 6)
    rows = rows_of_arrays(gpu=np.arange(6), arithmetic_tflops=rate, bandwidth_gb_s=rate**2)
    p = products(cells_of_arrays(rows, rng.uniform(5, 50, 6)), np.ones((1, 6), bool), SLOPES)
    basis, closed = closed_basis(p)
    assert closed.tolist() == [[False, False, False, True]]
    along = np.array([1, 2, 0, 0]) / np.sqrt(5)
    assert_allclose(np.abs(basis[0, :, 3]), along, atol=1e-9)
    still = products(
        cells_of_arrays(rows_of_arrays(gpu=[0, 1]), np.ones(2)), np.ones((1, 2), bool), SLOPES
    )
    assert not closed_basis(still)[1].any()
    turned = np.linalg.qr(rng.normal(size=(4, 4)))[0]
    for share, expected in ((0.5e-10, [False, True, True, True]), (2e-10, [True] * 4)):
        matrix = (turned * [share, 0.5, 0.7, 1.0]) @ turned.T
        one = replace(still, xx=np.stack([matrix, np.zeros((4, 4))])[None] * 0.5)
        assert closed_basis(one)[1].tolist() == [expected]


def test_which_gpus_remain() -> None:
    without = [[4], [], [1, 5], [2], [9], [0, 4]]
    found = kept_without(made(), [np.array(gone, dtype=np.intp) for gone in without])
    expected = [[1, 0, 1], [1, 1, 1], [0, 1, 0], [1, 1, 1], [1, 1, 1], [1, 0, 1]]
    assert found.astype(int).tolist() == expected
    assert kept_without(made(), []).shape == (0, 3)


def test_least_change_is_the_pseudo_inverse_of_closed_directions() -> None:
    basis = np.linalg.qr(np.random.default_rng(4).normal(size=(3, 3)))[0]
    value = np.array([1e-6, 0.5, 2.0])
    matrix, vector = (basis * value) @ basis.T, np.array([1.0, -2.0, 0.5])
    closed = (basis[:, 1:] / value[1:]) @ basis[:, 1:].T @ vector
    assert_allclose(least_change(matrix, vector, 1e-5), closed, rtol=1e-9)
    assert_allclose(least_change(matrix, vector, 1e-8), np.linalg.solve(matrix, vector), rtol=1e-6)
    both = least_change(np.stack([matrix, np.zeros((3, 3))]), np.stack([vector] * 2), 1e-5)
    assert_allclose(both, [closed, np.zeros(3)], rtol=1e-9)
    tiny = least_change(1e-8 * matrix, vector, 1e-5)
    assert_allclose(tiny, 1e8 * closed, rtol=1e-6)
