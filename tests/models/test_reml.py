"""Mixed models: against the dense likelihood, statsmodels, and simulated new GPUs."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy.stats import t as student

from perfkit.models import reml
from perfkit.models.cross_products import Products, closed_basis, products
from perfkit.models.mixed_equations import Look, look
from perfkit.models.reml import _leap, _newton, _start, fit_reml
from perfkit.models.workload_slopes import WorkloadSlopes, allowed_to_vary, mixed_slopes
from tests.models.worlds import refitted
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
    np.testing.assert_allclose(together, refitted(family, cells, without), atol=1e-7)


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


def products_of(frame: pd.DataFrame) -> Products:
    return products(cells_of(frame), np.ones((1, frame["g"].nunique()), bool), np.zeros(4))


def test_a_search_starts_where_a_groups_own_data_weigh_eight_times_what_it_shares(frame):
    p = products_of(frame)
    start = _start(p, np.array([[True, False, True, True, True]]))[0]
    x = frame[["c", "b", "p"]] - frame.groupby("w")[["c", "b", "p"]].transform("mean")
    mean_squares = (x**2).groupby(frame["w"]).sum().mean()
    counts = pd.crosstab(frame["w"], frame["g"])
    left = counts.sum() - (counts**2).div(counts.sum(axis=1), axis=0).sum()
    expected = [8 / mean_squares["c"], 0, 8 / mean_squares["p"], 0, 8 / left.mean()]
    np.testing.assert_allclose(start, expected, rtol=1e-10)
    # Workload 0 has cells half below and half above its mean on GPUs 0 and 1: squares of 1/2 of
    # the column and of either GPU. Workload 1 has one cell, which adds a group and no square.
    # Workload 2 ran on GPU 2 only, which is left out: neither counts.
    cells = as_cells(np.zeros(4), [-0.5, 0.5, 0.3, 0.9], [0, 1, 0, 2], [0, 0, 1, 2])
    some = products(cells, np.array([[True, True, False]]), np.zeros(4))
    np.testing.assert_allclose(_start(some, EVERYTHING), [[32, 0, 0, 0, 16]])
    one = products(cells.take(np.arange(2)), np.ones((1, 2), bool), np.zeros(4))
    np.testing.assert_allclose(_start(one, EVERYTHING), [[16, 0, 0, 0, 16]])


def look_at(gradient: list[float], information: np.ndarray, expected: list[float]) -> Look:
    """Make a look of which only what a step asks for is told."""
    nothing = np.zeros((1, 1))
    return Look(
        criterion=np.zeros(1), gradient=np.array([gradient]), expected=np.array([expected]),
        information=information[None], shared=nothing, own=nothing, device=nothing,
        square=np.ones(1), closed=np.ones((1, 4), bool),
    )  # fmt: skip


STEEP = np.diag([4.0, 1.0, 9.0, 1.0, 16.0])
STEEP[0, 4] = STEEP[4, 0] = 2.0


@pytest.mark.parametrize(("ratio", "gradient", "damp", "allowed", "step", "gain"), [
    # Alone: -g/i, which promises g^2/2i.
    ([1, 1, 1, 1, 1], [0, 0, 4.5, 0, 0], 0, [1, 1, 1, 1, 1], [1, 1, 0.5, 1, 1], 1.125),
    # [4 2; 2 16] and (2, -2): the inverse is [16 -2; -2 4]/60, the step (-36, 12)/60.
    ([1, 1, 1, 1, 1], [2, 0, 0, 0, -2], 0, [1, 1, 1, 1, 1], [0.4, 1, 1, 1, 1.2], 0.8),
    # Damped by as much as itself: half the step, and half of what a whole one gains.
    ([1, 1, 1, 1, 1], [0, 0, 4.5, 0, 0], 1, [1, 1, 1, 1, 1], [1, 1, 0.75, 1, 1], 0.5625),
    # Stops at zero; at zero only what leads away from it is free, and what may differ at all.
    ([1, 1, 0.2, 1, 1], [0, 0, 4.5, 0, 0], 0, [1, 1, 1, 1, 1], [1, 1, 0, 1, 1], 1.125),
    ([0, 0, 1, 0, 1], [2, -3, 0, 0, -2], 0, [1, 1, 1, 1, 1], [0, 3, 1, 0, 1.125], 4.625),
    ([0, 1, 1, 1, 1], [-2, 0, 0, 0, -2], 0, [0, 1, 1, 1, 1], [0, 1, 1, 1, 1.125], 0.125),
    ([0, 1, 1, 1, 1], [0, 0, 0, 0, -2], 0, [1, 1, 1, 1, 1], [0, 1, 1, 1, 1.125], 0.125),
])  # fmt: skip
def test_a_step_is_newtons_where_it_is_free(ratio, gradient, damp, allowed, step, gain):
    at = look_at(gradient, STEEP, [0.0] * 5)
    free = np.array([allowed], dtype=bool)
    tried, promised = _newton(at, np.array([ratio], float), np.array([float(damp)]), free)
    np.testing.assert_allclose(tried[0], step, atol=1e-12)
    assert promised[0] == pytest.approx(gain, rel=1e-12)


def test_a_step_in_a_direction_without_information_is_finite():
    at = look_at([1, 0, 0, 0, 0], np.zeros((5, 5)), [0.0] * 5)
    tried, gain = _newton(at, np.full((1, 5), 2.0), np.zeros(1), EVERYTHING)
    assert np.isfinite(gain).all()
    assert tried[0].tolist() == [0, 2, 2, 2, 2]


def test_a_leap_meets_the_squares_and_goes_a_hundredfold_at_most():
    # Squares are traces less gradients: 1.5 of 0.5, 1 of 2, 1000 of 2, 0 of 2, and none expected.
    at = look_at([-1, 1, -998, 2, -1], STEEP, [0.5, 2, 2, 2, 0])
    leapt = _leap(at, np.array([[1.0, 2.0, 3.0, 4.0, 5.0]]))
    np.testing.assert_allclose(leapt, [[3, 1, 300, 0.04, 5]], rtol=1e-12)


def test_ratios_end_at_the_largest_where_cells_leave_nothing_over():
    # y is a workload's own slope times the column, to the last bit: s^2 is nothing.
    w, k = (a.ravel() for a in np.indices((6, 8)))
    c = (k - 3.5) / 4
    y = np.array([1.0, 0.5, 0.25, 2.0, 0.75, 1.5])[w] * c
    cells = as_cells(y, c[:, None], k, w)
    p = products(cells, np.ones((1, 8), bool), np.zeros(4))
    found = fit_reml(p, np.array([[True, False, False, False, False]]))
    assert found.ratio[0].tolist() == [1e6, 0, 0, 0, 0]
    assert found.look.shared[0, 0] == pytest.approx(1.0, abs=1e-6)


def test_intercepts_and_spare_cells_are_in_the_deviance_by_hand():
    # Two workloads of two cells each, no ratio: y = x b in pairs 1 apart; x = -1/2, 1/2.
    # y differs by 1 and 3: b = 2, residuals +-1/2, sum of squares 1, 4 - 2 - 1 spare cells, s^2 1.
    # Deviance: ln(2) twice of intercepts, ln(1) of x'x, and 1 + ln 2 pi.
    cells = as_cells([0, 1, 0, 3], [-0.5, 0.5, -0.5, 0.5], [0, 1, 0, 1], [0, 0, 1, 1])
    p = products(cells, np.ones((1, 2), bool), np.zeros(4))
    found = fit_reml(p, np.zeros((1, 5), bool))
    assert found.deviance[0] == pytest.approx(2 * np.log(2) + 1 + np.log(2 * np.pi), rel=1e-12)
    # One cell each, nothing to spare: counted as one, at the least square that is believed.
    alone = as_cells([0, 1], [0.0, 0.0], [0, 1], [0, 1])
    p = products(alone, np.ones((1, 2), bool), np.zeros(4))
    found = fit_reml(p, np.zeros((1, 5), bool))
    assert found.deviance[0] == pytest.approx(np.log(1e-12) + 1 + np.log(2 * np.pi), rel=1e-12)


def test_subsets_side_by_side_are_each_at_their_own_best(frame):
    kept = np.ones((4, 7), bool)
    kept[1, 0] = kept[2, 3] = kept[3, [2, 6]] = False
    allowed = np.array([[1, 1, 1, 0, 1], [1, 0, 1, 0, 1], [0, 0, 0, 0, 0], [0, 0, 1, 0, 0]], bool)
    found = fit_reml(products(cells_of(frame), kept, np.zeros(4)), allowed)
    for turn, free in enumerate(allowed):
        p = products(cells_of(frame), kept[turn : turn + 1], np.zeros(4))
        alone = fit_reml(p, free[None])
        np.testing.assert_allclose(found.ratio[turn], alone.ratio[0], rtol=1e-4)
        assert found.deviance[turn] == pytest.approx(alone.deviance[0], abs=1e-9)
        np.testing.assert_allclose(found.look.own[turn], alone.look.own[0], rtol=1e-4, atol=1e-9)
        # At the best no gradient is left but what leads below zero.
        at, slope = found.ratio[turn], found.look.gradient[turn]
        assert (at[~free] == 0).all()
        assert np.abs(slope[free & (at > 0)] * at[free & (at > 0)]).max(initial=0.0) < 1e-3
        assert (slope[free & (at == 0)] >= 0).all()


def test_each_step_starts_from_the_look_at_where_it_stands(monkeypatch):
    # In the first subset a step leads to something worse and is taken back.
    frame = made(0, workloads=5, gpus=5, sizes=2, device=0.0, own=0.3)
    kept = np.ones((2, 5), bool)
    kept[1, 4] = False
    seen, stood, damps = [], [], []

    def remembered(p, *rest):
        seen.append((p, *rest[1:]))
        return look(p, *rest)

    def checked(at, ratio, damp, allowed):
        here = look(seen[-1][0], ratio, *seen[-1][1:])
        np.testing.assert_allclose(at.criterion, here.criterion, rtol=1e-12)
        stood.append(tuple(ratio[0]))
        damps.append(damp[0])
        return _newton(at, ratio, damp, allowed)

    monkeypatch.setattr(reml, "look", remembered)
    monkeypatch.setattr(reml, "_newton", checked)
    fit_reml(products(cells_of(frame), kept, np.zeros(4)), np.ones((2, 5), bool))
    assert len(set(stood)) < len(stood) < 15
    # Taken back, it goes on damped; each step that succeeds is damped a tenth as much.
    np.testing.assert_allclose(damps, [1e-6] * 3 + [0.8 * 0.1**k for k in range(len(damps) - 3)])
