"""Mixed models: against the dense likelihood, statsmodels, and simulated new GPUs."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy.stats import t as student

from perfkit.models.cross_products import closed_basis, products
from perfkit.models.family import Family
from perfkit.models.mixed_equations import look
from perfkit.models.reml import fit_reml
from perfkit.models.workload_slopes import WorkloadSlopes, allowed_to_vary, mixed_slopes
from tests.outside import as_cells

EVERYTHING = np.ones((1, 5), dtype=bool)


def made(
    seed: int, workloads: int, gpus: int, sizes: int, device: float, own: float
) -> pd.DataFrame:
    """Cells that follow the model: C and B by GPU, P by size, S by place."""
    rng = np.random.default_rng(seed)
    w, g, k = (a.ravel() for a in np.indices((workloads, gpus, sizes)))
    rates = np.column_stack([rng.uniform(0, 2, gpus), rng.uniform(0, 2, gpus)])
    p = np.log(np.array([0.9, 2.1, 3.7, 8.3]))[k]
    slopes = [0.5, 0.35, -0.6] + rng.normal(size=(workloads, 3)) * [0.12, 0.1, 0.08]
    u = device * rng.normal(size=gpus)
    x = np.column_stack([rates[g], p])
    y = rng.normal(4, 0.5, workloads)[w] + (x * slopes[w]).sum(axis=1) + u[g]
    y += own * rng.normal(size=len(y))
    return pd.DataFrame({"y": y, "c": x[:, 0], "b": x[:, 1], "p": p, "w": w, "g": g})


def cells_of(frame: pd.DataFrame):
    return as_cells(frame["y"], frame[["c", "b", "p"]], frame["g"], frame["w"])


def dense(frame: pd.DataFrame, ratio: np.ndarray) -> tuple[float, np.ndarray]:
    """Minus twice the restricted log likelihood, s^2 profiled out, and the shared slopes."""
    x = frame[["c", "b", "p"]].to_numpy()
    w, g = frame["w"].to_numpy(), frame["g"].to_numpy()
    cover = np.eye(len(frame)) + ratio[4] * (g[:, None] == g)
    for j in range(3):
        cover += ratio[j] * np.outer(x[:, j], x[:, j]) * (w[:, None] == w)
    design = np.column_stack([x, w[:, None] == np.unique(w)]).astype(float)
    solved = np.linalg.solve(cover, np.column_stack([design, frame["y"]]))
    matrix, vector = design.T @ solved[:, :-1], design.T @ solved[:, -1]
    found = np.linalg.solve(matrix, vector)
    spare = len(frame) - design.shape[1]
    square = (frame["y"] @ solved[:, -1] - found @ vector) / spare
    log_det = np.linalg.slogdet(cover)[1] + np.linalg.slogdet(matrix)[1]
    return log_det + spare * (1 + np.log(2 * np.pi * square)), found[:3]


@pytest.fixture(scope="module")
def frame() -> pd.DataFrame:
    # Some configurations are missing, so that nothing is balanced.
    whole = made(1, workloads=6, gpus=7, sizes=3, device=0.08, own=0.03)
    return whole.drop(whole.index[[0, 3, 17, 40, 41, 77]]).reset_index(drop=True)


def test_deviance_gradient_and_slopes_are_those_of_the_dense_likelihood(frame):
    cells = cells_of(frame)
    p = products(cells, np.ones((1, 7), bool), np.zeros(4))
    found = fit_reml(p, EVERYTHING)
    deviance, slopes = dense(frame, found.ratio[0])
    assert found.deviance[0] == pytest.approx(deviance, rel=1e-11)
    np.testing.assert_allclose(found.look.shared[0, :3], slopes, rtol=1e-10)
    # Away from the optimum: the gradient against central differences of the dense deviance.
    away = np.array([[3.0, 0.5, 2.0, 0.0, 4.0]])
    slope = look(p, away, *closed_basis(p)).gradient[0]
    for j in (0, 1, 2, 4):
        step = np.zeros(5)
        step[j] = 1e-4
        by_hand = (dense(frame, away[0] + step)[0] - dense(frame, away[0] - step)[0]) / 2e-4
        assert slope[j] == pytest.approx(by_hand, rel=1e-5)


def test_nothing_near_is_better(frame):
    p = products(cells_of(frame), np.ones((1, 7), bool), np.zeros(4))
    found = fit_reml(p, EVERYTHING)
    rng = np.random.default_rng(2)
    for _ in range(20):
        other = found.ratio[0] * np.exp(0.05 * rng.normal(size=5))
        assert dense(frame, other)[0] >= found.deviance[0] - 1e-7


def test_crossed_gpus_are_those_of_statsmodels(frame):
    # One group that holds everything, GPUs and slopes as variance components of it.
    # In tenths, because the library warns of variances below 0.01.
    frame = frame.assign(y=10 * frame["y"])
    parts = {"g": "0 + C(g)", "c": "0 + C(w):c", "b": "0 + C(w):b", "p": "0 + C(w):p"}
    model = smf.mixedlm(
        "y ~ 0 + C(w) + c + b + p", frame.assign(one=1), groups="one", vc_formula=parts
    )
    reference = model.fit(reml=True, method="lbfgs")
    cells = cells_of(frame)
    kept = np.ones((1, 7), bool)
    found = mixed_slopes(cells, kept, EVERYTHING)
    np.testing.assert_allclose(found.shared[0, :3], reference.params[["c", "b", "p"]], rtol=1e-4)
    parts_found = dict(zip(model.exog_vc.names, reference.vcomp, strict=True))
    assert found.device[0] == pytest.approx(parts_found["g"], rel=0.01)
    assert found.variance[0, 2] == pytest.approx(parts_found["p"], rel=0.01)
    assert found.residual[0] == pytest.approx(reference.scale, rel=0.01)
    assert -2 * reference.llf == pytest.approx(found.deviance[0], abs=1e-3)


def test_variances_stop_at_zero_and_open_directions_stay_put():
    frame = made(3, workloads=6, gpus=6, sizes=2, device=0.0, own=0.05)
    frame["y"] -= 0.3 * frame["c"]
    cells = cells_of(frame)
    found = mixed_slopes(cells, np.ones((1, 6), bool), EVERYTHING)
    assert (found.variance >= 0).all()
    assert found.device[0] < 1e-3
    assert found.shared[0, 3] == pytest.approx(0.1)  # no processor varied: the usual slope


def test_leaving_out_side_by_side_is_refitting(frame):
    cells = cells_of(frame)
    without = [np.array([0]), np.array([1, 4]), np.array([5, 2]), np.array([0, 1, 2, 3])]
    family = WorkloadSlopes("slopes")
    together = family.left_out(cells, without)
    np.testing.assert_allclose(together, Family.left_out(family, cells, without), atol=1e-7)


def test_error_of_the_line_is_that_of_the_dense_model(frame):
    cells = cells_of(frame)
    fit = WorkloadSlopes("slopes").fit(cells)
    s = fit.slopes
    x = frame[["c", "b", "p"]].to_numpy()
    w, g = frame["w"].to_numpy(), frame["g"].to_numpy()
    cover = s.residual[0] * np.eye(len(frame)) + s.device[0] * (g[:, None] == g)
    for j in range(3):
        cover += s.variance[0, j] * np.outer(x[:, j], x[:, j]) * (w[:, None] == w)
    design = np.column_stack([x, w[:, None] == np.unique(w)]).astype(float)
    inverse = np.linalg.inv(cover)
    for row in (0, 25, 60):
        shared = (x * x[row] * s.variance[0, :3]).sum(axis=1) * (w == w[row])
        left = design[row] - design.T @ inverse @ shared
        variance = (x[row] ** 2) @ s.variance[0, :3] - shared @ inverse @ shared
        variance += left @ np.linalg.solve(design.T @ inverse @ design, left)
        line = fit.new_gpu(cells.rows.take(np.array([row]))).line[0]
        assert line == pytest.approx(np.sqrt(variance), rel=1e-8)


@pytest.mark.parametrize(("device", "own"), [(0.1, 0.03), (0.03, 0.05)])
def test_ranges_of_new_gpus_cover_in_simulation(device, own):
    inside, count = 0, 0
    for seed in range(150):
        frame = made(seed + 100, workloads=6, gpus=9, sizes=2, device=device, own=own)
        cells = cells_of(frame)
        fit = WorkloadSlopes("slopes").fit(cells.take(cells.rows.gpu != 8))
        asked = cells.take((cells.rows.gpu == 8) & (cells.rows.workload == seed % 6))
        new = fit.new_gpu(asked.rows)
        reach = student.ppf(0.95, new.dof) * new.scale
        miss = np.abs(fit.log_fps(asked.rows) - asked.log_fps)[0]
        inside += bool(miss <= reach[0])
        count += 1
    # 90 % nominal; the standard error of 150 trials is 2.4 points.
    assert 0.84 <= inside / count <= 0.98


def test_too_few_gpus_give_no_range(frame):
    cells = cells_of(frame)
    few = cells.take(cells.rows.gpu < 3)
    assert not allowed_to_vary(few, np.ones((1, 3), bool))[0, 4]
    assert np.isnan(WorkloadSlopes("slopes").fit(few).new_gpu(few.rows).scale).all()
