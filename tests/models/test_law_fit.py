"""How laws are fitted: scale, loss and covariance by hand, subsets that leave each other alone."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import minimize
from scipy.stats import t as student

from perfkit.models.family import Cells
from perfkit.models.law_cache import PADDED_TO, _gpus_per_cell, _in_blocks, workloads_of
from perfkit.models.law_fit import (
    LEAST_SCALE,
    LEAST_SEEN,
    LONGEST_STEP,
    LOSS_DOF,
    MAD_TO_SD,
    MOST,
    Problem,
    State,
    _advance,
    _begin,
    _loss,
    _residual,
    _scale,
    _tried,
    covariance,
    fit_law,
)
from perfkit.models.law_subsets import BLOCK_NUMBERS, fit_subsets, subsets
from perfkit.models.laws import form_of, slopes, take
from perfkit.models.registry import LIMIT, ROOFLINE
from tests.models.plain import cells_of_arrays, rows_of_arrays


def test_scale_is_the_scaled_median_of_the_used() -> None:
    residual = np.array([[0.1, -0.4, 0.2, 9.0], [0.1, -0.4, 0.2, 0.6], [1e-3, 0, 0, 0]])
    used = np.array([[1.0, 1, 1, 0], [1, 1, 1, 1], [1, 1, 1, 1]])
    expected = [MAD_TO_SD * 0.2, MAD_TO_SD * 0.3, LEAST_SCALE]
    assert_allclose(_scale(residual, used), expected, rtol=1e-12)
    assert_allclose(_scale(residual, used, 0.5), [0.5, 0.5, 0.5], rtol=0)
    assert_allclose(
        _scale(residual[:, :1], used[:, :1], 0.0), MAD_TO_SD * residual[:, 0], rtol=1e-12
    )


def test_loss_is_that_of_students_t_and_a_normal_prior() -> None:
    residual, scale = np.array([[0.1, -0.3, 5.0]]), np.array([0.2])
    used, away = np.array([[1.0, 1.0, 0.0]]), np.array([[1.0, -2.0]])
    data = student.logpdf(0.0, LOSS_DOF) - student.logpdf(residual[0, :2] / scale, LOSS_DOF)
    assert_allclose(_loss(residual, used, scale, away), data.sum() + 2.5, rtol=1e-12)


def made(gpus: int = 6) -> Cells:
    rng = np.random.default_rng(9)
    gpu, workload, size = (a.ravel() for a in np.indices((gpus, 2, 2)))
    kept = (workload == 0) | (gpu < 4)
    gpu, workload, size = gpu[kept], workload[kept], size[kept]
    rows = rows_of_arrays(
        gpu=gpu, workload=workload, arithmetic_tflops=rng.uniform(3, 40, gpus)[gpu],
        bandwidth_gb_s=rng.uniform(50, 900, gpus)[gpu], drawn_mpx=np.array([0.9, 2.1])[size],
    )  # fmt: skip
    time = 1 + 40 * rows.drawn_mpx / rows.arithmetic_tflops + 900 / rows.bandwidth_gb_s
    return cells_of_arrays(rows, time * np.exp(rng.normal(0, 0.05, len(gpu))))


def problem(cells: Cells, used: np.ndarray) -> Problem:
    """Ask for one workload's subsets."""
    rows = cells.rows
    form = form_of(LIMIT.told_apart(rows), rows)
    features, contention = form.features(rows)
    count = len(used)
    return Problem(
        form,
        np.repeat(features[None], count, axis=0),
        np.repeat(contention[None], count, axis=0),
        np.repeat(np.log(1000) - cells.log_fps[None], count, axis=0),
        used.astype(float),
    )


@pytest.fixture
def asked() -> Problem:
    cells = made()
    cells = cells.take(cells.rows.workload == 0)
    used = np.ones((4, len(cells)))
    used[1, :2] = used[2, 4:8] = 0
    used[3, 1:] = 0  # one cell alone
    return problem(cells, used)


def test_a_fit_starts_at_equal_shares_and_the_right_level(asked: Problem) -> None:
    state, form = _begin(asked), asked.form
    assert_allclose((state.residual * asked.used).sum(axis=1), 0.0, atol=1e-9)
    weight = asked.used / asked.used.sum(axis=1, keepdims=True)
    level = (weight * asked.log_ms).sum(axis=1)
    parts = np.einsum("mn,mnj->mj", weight, asked.features)
    assert_allclose(asked.centred()[0][:, 0], level, rtol=1e-12)
    assert_allclose(asked.centred()[1], np.pad(parts, ((0, 0), (0, 2))), rtol=1e-12)
    assert_allclose(state.target, asked.log_ms - level[:, None], rtol=1e-12)
    assert_allclose(state.mean[:, : form.size], form.mean[: form.size] - parts, rtol=1e-12)
    assert_allclose(state.mean[:, form.size :], np.tile(form.mean[form.size :], (4, 1)), rtol=0)
    shares = state.theta[:, : form.size] + parts
    assert_allclose(np.ptp(shares, axis=1), 0.0, atol=1e-12)
    assert_allclose(state.scale, _scale(state.residual, asked.used), rtol=1e-12)
    away = (state.theta - state.mean) / form.sd
    assert_allclose(state.loss, _loss(state.residual, asked.used, state.scale, away), rtol=1e-12)


def loss_at(asked: Problem, state: State, turn: int, theta: np.ndarray) -> float:
    said = take(asked.form, theta[None], asked.features[turn], asked.contention[turn]).log_ms
    residual = (state.target[turn] - said) * asked.used[turn]
    away = ((theta - state.mean[turn]) / asked.form.sd)[None]
    return float(_loss(residual, asked.used[turn][None], state.scale[turn : turn + 1], away)[0])


def push_at(asked: Problem, state: State, turn: int) -> np.ndarray:
    """Where the loss falls, by its differences."""
    theta = state.theta[turn]
    nudges = 1e-6 * np.eye(len(theta))
    below = np.array([loss_at(asked, state, turn, theta - nudge) for nudge in nudges])
    above = np.array([loss_at(asked, state, turn, theta + nudge) for nudge in nudges])
    return np.asarray((below - above) / 2e-6)


def stepped(asked: Problem, state: State, turn: int) -> np.ndarray:
    """Parameters after a damped step, by differences of the loss and sums over cells."""
    form, theta, scale = asked.form, state.theta[turn], state.scale[turn]
    gradient = push_at(asked, state, turn)
    matrix = np.diag(form.sd**-2.0)
    for away, row, used in zip(
        state.residual[turn], state.slopes[turn], asked.used[turn], strict=True
    ):
        trust = used * (LOSS_DOF + 1) / (LOSS_DOF + (away / scale) ** 2) / scale**2
        matrix += trust * np.outer(row, row)
    matrix[np.diag_indices_from(matrix)] *= 1 + state.damp[turn]
    low = np.array([*[-np.inf] * form.size, 0.0, 0.0])
    high = np.array([*[np.inf] * form.size, *MOST])
    free = ~((theta <= low) & (gradient < 0) | (theta >= high) & (gradient > 0))
    step = np.zeros(len(theta))
    step[free] = np.linalg.solve(matrix[np.ix_(free, free)], gradient[free])
    return np.clip(theta + np.clip(step, -LONGEST_STEP, LONGEST_STEP), low, high)


def standing(asked: Problem, sharpness: float, contention: float, damp: float) -> State:
    """Stand off the start, at this sharpness and contention."""
    state = _begin(asked)
    theta = state.theta.copy()
    theta[:, -2:] = sharpness, contention
    theta[:, 0] += 0.3
    residual, slope = _residual(asked.form, state, theta)
    scale = _scale(residual, asked.used)
    return replace(
        state, theta=theta, residual=residual, slopes=slope, scale=scale, damp=np.full(4, damp)
    )


@pytest.mark.parametrize("sharpness", [0.0, 1.2, MOST[0]])
@pytest.mark.parametrize("contention", [0.0, 0.4, MOST[1]])
@pytest.mark.parametrize("damp", [0.0, 2.0])
def test_a_step_follows_the_slope_of_the_loss(
    asked: Problem, sharpness: float, contention: float, damp: float
) -> None:
    state = standing(asked, sharpness, contention, damp)
    found = _tried(asked.form, state)
    for turn in range(4):
        assert_allclose(found[turn], stepped(asked, state, turn), rtol=1e-4, atol=1e-5)


@pytest.mark.parametrize("push", [-0.5, 0.5])
@pytest.mark.parametrize("share", [0.0, 1.0])
def test_at_a_bound_only_a_push_outwards_holds(asked: Problem, share: float, push: float) -> None:
    state = standing(asked, *(share * MOST), 0.0)
    # The prior's middle lies where the loss falls by `push` towards more of either.
    for turn in range(4):
        missing = push - push_at(asked, state, turn)[-2:]
        state.mean[turn, -2:] += missing * asked.form.sd[-2:] ** 2
    found = _tried(asked.form, state)
    for turn in range(4):
        assert_allclose(push_at(asked, state, turn)[-2:], push, rtol=1e-3)
        assert_allclose(found[turn], stepped(asked, state, turn), rtol=1e-4, atol=1e-5)


def test_what_a_search_keeps_is_what_it_stands_at(asked: Problem) -> None:
    form, state = asked.form, _begin(asked)
    for turn in range(8):
        rescale = turn % 3 == 2
        before, state = state, _advance(form, state, rescale=rescale)
        residual, slope = _residual(form, state, state.theta)
        assert_allclose(state.residual, residual, atol=1e-12)
        assert_allclose(state.slopes, slope, atol=1e-12)
        now = [loss_at(asked, state, each, state.theta[each]) for each in range(4)]
        assert_allclose(state.loss, now, rtol=1e-10)
        scale = _scale(residual, asked.used) if rescale else before.scale
        assert_allclose(state.scale, scale, rtol=1e-12)
        moved = (state.theta != before.theta).any(axis=1)
        assert (state.damp[moved] <= before.damp[moved]).all()
        assert (state.damp[~moved] > before.damp[~moved]).all()
        assert np.isinf(state.gain[~moved]).all()
        if not rescale:
            assert_allclose(state.gain[moved], (before.loss - state.loss)[moved], rtol=1e-12)
    refused = _advance(
        form, replace(state, loss=state.loss - 10, damp=np.full(4, 2e4)), rescale=False
    )
    assert (refused.gain == 0).all()


def test_subsets_side_by_side_leave_each_other_alone(asked: Problem) -> None:
    together = fit_law(asked)
    noise = np.random.default_rng(1).normal(size=asked.log_ms.shape)
    unused = replace(
        asked,
        log_ms=np.where(asked.used > 0, asked.log_ms, noise),
        features=np.where(asked.used[..., None] > 0, asked.features, noise[..., None]),
    )
    assert_allclose(fit_law(unused), together, rtol=1e-9, atol=1e-9)
    for turn in range(4):
        held = asked.used[turn] > 0
        parts = (asked.features, asked.contention, asked.log_ms, asked.used)
        alone = Problem(asked.form, *(each[turn : turn + 1, held] for each in parts))
        assert_allclose(fit_law(alone)[0], together[turn], rtol=1e-7, atol=1e-7)


def test_one_cell_alone_is_met(asked: Problem) -> None:
    theta = fit_law(asked)[3:]
    said = take(asked.form, theta, asked.features[3], asked.contention[3]).log_ms
    assert said[0, 0] == pytest.approx(asked.log_ms[3, 0], abs=0.01)


def test_covariance_is_the_inverse_of_curvature_and_prior(asked: Problem) -> None:
    theta, form = fit_law(asked), asked.form
    weight = np.array([1.0, 0.5, 0.25, 0.0])
    found = covariance(asked, theta, weight)
    assert_allclose(found[3], np.diag(form.sd**2), rtol=1e-12)  # no cell counts: the prior
    for turn in range(3):
        taken = take(form, theta[turn : turn + 1], asked.features[turn], asked.contention[turn])
        slope = slopes(form, taken, asked.contention[turn])[0]
        held = asked.used[turn] > 0
        residual = (asked.log_ms[turn] - taken.log_ms[0])[held]
        scale = max(MAD_TO_SD * np.median(np.abs(residual)), LEAST_SEEN)
        matrix = np.diag(form.sd**-2.0)
        for away, row in zip(residual, slope[held], strict=True):
            trust = (LOSS_DOF + 1) / (LOSS_DOF + (away / scale) ** 2) / scale**2
            matrix += weight[turn] * trust * np.outer(row, row)
        assert_allclose(found[turn], np.linalg.inv(matrix), rtol=1e-8, atol=1e-12)


def test_blocks_are_fitted_as_one(asked: Problem, monkeypatch: pytest.MonkeyPatch) -> None:
    share = np.array([0.5, 0.4, 0.3, 1.0])
    whole = _in_blocks(asked, share)
    assert_allclose(whole[1], covariance(asked, whole[0], share), rtol=1e-12)
    monkeypatch.setattr("perfkit.models.law_cache.BLOCK_NUMBERS", 2 * asked.features[0].size)
    for one, other in zip(whole, _in_blocks(asked, share), strict=True):
        assert_allclose(one, other, rtol=1e-7, atol=1e-7)


def test_gpus_over_cells() -> None:
    gpu = np.array([7, 7, 3, 3, 3, 9])
    used = np.array([[1.0] * 6, [1, 1, 0, 0, 0, 0], [0, 1, 1, 0, 0, 1]])
    assert_allclose(_gpus_per_cell(gpu, used), [3 / 6, 1 / 2, 3 / 3], rtol=1e-12)


def test_subsets_of_each_workload() -> None:
    cells = made()
    found = subsets(cells, ((), (5,), (0, 1, 2, 3), (4,)))
    assert found[0].place.tolist() == np.flatnonzero(cells.rows.workload == 0).tolist()
    assert found[0].which.tolist() == [0, 1, 2, 3]
    # the second workload never ran on the last two GPUs
    assert found[1].which.tolist() == [0, 0, -1, 0]
    assert [used.sum() for used in found[1].used.values()] == [8]
    assert list(found[1].used) == [used.tobytes() for used in found[1].used.values()]


def test_fits_of_all_workloads_are_those_of_each() -> None:
    cells = made()
    without = ((), (0,), (0, 1, 2, 3))
    fits = fit_subsets(ROOFLINE, cells, without)
    log_ms, variance = fits.log_ms_and_variance(cells.rows)
    assert_allclose(log_ms, fits.log_ms(cells.rows), rtol=1e-12)
    assert np.isnan(log_ms[2, cells.rows.workload == 1]).all()
    for code, (workload, _) in workloads_of(ROOFLINE, cells).items():
        mine = cells.rows.workload == code
        held = ~np.isin(workload.gpu, (0,))
        size = -(-len(held) // PADDED_TO) * PADDED_TO
        pad = (0, size - len(held))
        one = Problem(
            workload.form,
            np.pad(workload.features, (pad, (0, 0)))[None],
            np.pad(workload.contention, pad)[None],
            np.pad(workload.log_ms, pad)[None],
            np.pad(held.astype(float), pad)[None],
        )
        theta = fit_law(one)
        spread = covariance(one, theta, np.array([len(set(workload.gpu[held])) / held.sum()]))
        taken = take(workload.form, theta, workload.features, workload.contention)
        assert_allclose(log_ms[1, mine], taken.log_ms[0], rtol=1e-7)
        slope = slopes(workload.form, taken, workload.contention)[0]
        expected = np.einsum("ni,ij,nj->n", slope, spread[0], slope)
        assert_allclose(variance[1, mine], expected, rtol=1e-6)


def test_many_rows_are_taken_in_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    cells = made()
    fits = fit_subsets(ROOFLINE, cells, ((), (0,)))
    whole = fits.log_ms_and_variance(cells.rows)
    assert len(cells) * fits.theta[:, 0].size < BLOCK_NUMBERS
    monkeypatch.setattr("perfkit.models.law_subsets.BLOCK_NUMBERS", 3 * fits.theta[:, 0].size)
    assert [len(some) for _, some in fits._blocks(cells.rows)] == [3] * 6 + [2]
    for one, other in zip(whole, fits.log_ms_and_variance(cells.rows), strict=True):
        assert_allclose(one, other, rtol=1e-12)


@pytest.mark.parametrize(("q", "g"), [(30.0, 0.0), (1.0, 0.0), (3.0, 0.8), (3.0, -0.5)])
@pytest.mark.parametrize("noise", [0.0, 0.1])
def test_nothing_within_the_bounds_is_better(q: float, g: float, noise: float) -> None:
    """Also where sharpness or contention lie at a bound, against SciPy's bounded search."""
    rng = np.random.default_rng(5)
    rate, band = rng.uniform(3, 40, 12), rng.uniform(50, 900, 12)
    rows = rows_of_arrays(
        gpu=np.arange(12), arithmetic_tflops=rate, bandwidth_gb_s=band,
        drawn_mpx=rng.choice([0.9, 2.1, 3.7], 12),
    )  # fmt: skip
    middle = np.exp(np.mean(np.log(rate / band)))
    arithmetic = 40 * rows.drawn_mpx / rate
    memory = 1200 * rows.drawn_mpx / band * (rate / band / middle) ** g
    time = 0.2 + (arithmetic**q + memory**q) ** (1 / q)
    cells = cells_of_arrays(rows, time * np.exp(noise * rng.normal(size=12)))
    asked = problem(cells, np.ones((1, 12)))
    form, found = asked.form, fit_law(asked)[0]
    level, parts = asked.centred()
    expected = form.mean - parts[0]
    expected[: form.size] += level[0]

    def missed(theta: np.ndarray) -> np.ndarray:
        return asked.log_ms - take(form, theta[None], asked.features[0], asked.contention[0]).log_ms

    scale = _scale(missed(found), asked.used)

    def loss(theta: np.ndarray) -> float:
        away = ((theta - expected) / form.sd)[None]
        return float(_loss(missed(theta), asked.used, scale, away)[0])

    bounds = [(None, None)] * form.size + [(0.0, most) for most in MOST]
    best = minimize(loss, found, method="L-BFGS-B", bounds=bounds)
    assert loss(found) - best.fun < 0.02  # less than two per cent of a likelihood
