"""Laws of frame time: slopes, fits, leave-outs, cycles and widths against what they must be."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.stats import t as student

from perfkit.models.beyond import ln_outside
from perfkit.models.kriging import kernel, krige
from perfkit.models.law_cache import found, workloads_of
from perfkit.models.law_family import Blend, LawFamily, blended
from perfkit.models.law_fit import LEAST_SCALE, LOSS_DOF, MAD_TO_SD, MOST, Problem, fit_law
from perfkit.models.law_subsets import fit_subsets
from perfkit.models.laws import form_of, slopes, take
from perfkit.models.load_cycle import LoadCycle, find_cycle, pass_length
from perfkit.models.local_width import LocalT
from perfkit.models.registry import CONTENDED_SUM, LIMIT, ROOFLINE
from tests.models.worlds import cells_of, world

LAWS = {"roofline": ROOFLINE, "limit": LIMIT, "sum": CONTENDED_SUM}


@pytest.fixture(scope="module")
def cells():
    return cells_of(world(3, law="sum", gpus=6, workloads=2, systems=2))


@pytest.mark.parametrize("name", LAWS)
def test_slopes_are_those_of_the_law(name, cells):
    rows = cells.rows
    form = form_of(LAWS[name].told_apart(rows), rows)
    features, contention = form.features(rows)
    theta = (form.start + 0.3 * np.sin(np.arange(form.size + 2)))[None]
    said = slopes(form, take(form, theta, features, contention), contention)
    for j in range(form.size + 2):
        step = np.zeros_like(theta)
        step[0, j] = 1e-6
        up, down = (take(form, theta + s, features, contention).log_ms for s in (step, -step))
        # Central differences of step 1e-6 carry rounding of about 1e-10.
        np.testing.assert_allclose(said[..., j], (up - down) / 2e-6, atol=1e-8)


def test_parts_add_up_and_a_hard_limit_hides_the_rest(cells):
    form = form_of(ROOFLINE, cells.rows)
    features, contention = form.features(cells.rows)
    theta = form.start[None].copy()
    theta[0, form.size] = 4.0  # q = 55
    taken = take(form, theta, features, contention)
    np.testing.assert_allclose(taken.part.sum(axis=-1), np.exp(taken.log_ms), rtol=1e-12)
    whole = np.exp(theta[:, None, : form.size] + features)
    memory = form.memory.astype(bool)
    added = form.adds.astype(bool)
    slowed = whole[..., memory].sum(-1) * np.exp(theta[0, -1] * contention)
    compute = whole[..., ~memory & ~added].sum(-1)
    expected = whole[..., added].sum(-1) + np.maximum(slowed, compute)
    np.testing.assert_allclose(np.exp(taken.log_ms), expected, rtol=0.02)  # 2^(1/55) = 1.013


@pytest.mark.parametrize("name", LAWS)
def test_a_law_is_found_again(name, cells):
    rows = cells.rows.take(cells.rows.workload == 0)
    form = form_of(LAWS[name].told_apart(rows), rows)
    features, contention = form.features(rows)
    theta = form.mean[None] - np.concatenate([features.mean(axis=0), [0.0, 0.0]])
    truth = take(form, theta, features, contention).log_ms
    shape = (1, *features.shape)
    found = fit_law(
        Problem(form, features.reshape(shape), contention[None], truth, np.ones_like(truth))
    )
    again = take(form, found, features, contention).log_ms
    # Priors and the loss scale of 3 % keep a perfect fit from being exact.
    np.testing.assert_allclose(again, truth, atol=0.01)


@pytest.mark.parametrize("name", LAWS)
def test_no_parameters_within_the_bounds_fit_better(name):
    """Against SciPy's bounded search on a world where sharpness or contention end at a bound."""
    cells = cells_of(world(5, law="sum", gpus=6, workloads=4, systems=2))
    form = form_of(LAWS[name].told_apart(cells.rows), cells.rows)
    for workload in range(4):
        mine = cells.rows.workload == workload
        features, contention = form.features(cells.rows.take(mine))
        log_ms = np.log(1000.0) - cells.log_fps[mine]
        problem = Problem(
            form, features[None], contention[None], log_ms[None], np.ones((1, len(log_ms)))
        )
        found = fit_law(problem)[0]
        level, parts = problem.centred()
        expected = form.mean - parts[0]
        expected[: form.size] += level[0]

        def missed(theta, form=form, features=features, contention=contention, log_ms=log_ms):
            return log_ms - take(form, theta[None], features, contention).log_ms[0]

        scale = max(MAD_TO_SD * np.median(np.abs(missed(found))), LEAST_SCALE)

        def loss(theta, missed=missed, scale=scale, expected=expected):
            """Minus the log of Student's density of the misses, and of the normal prior."""
            return -student.logpdf(missed(theta) / scale, LOSS_DOF).sum() + 0.5 * np.sum(
                ((theta - expected) / form.sd) ** 2
            )

        bounds = [(None, None)] * form.size + [(0.0, most) for most in MOST]
        best = minimize(loss, found, method="L-BFGS-B", bounds=bounds)
        assert loss(found) - best.fun < 1e-3


def test_one_disturbed_cell_pulls_little(cells):
    family = LawFamily("limit", LIMIT)
    usual = family.fit(cells).log_fps(cells.rows)
    disturbed = cells.log_fps.copy()
    disturbed[4] -= 1.0
    moved = family.fit(replace(cells, log_fps=disturbed)).log_fps(cells.rows) - usual
    assert np.median(np.abs(moved)) < 0.02


@pytest.mark.parametrize("family", [LawFamily("limit", LIMIT), Blend("b", tuple(LAWS.values()))])
def test_leaving_out_side_by_side_is_refitting(family, cells):
    gone = [np.array([0]), np.array([2, 5]), np.array([], dtype=int)]
    together = family.left_out(cells, gone)
    for codes, said in zip(gone, together, strict=True):
        rest = cells.take(~np.isin(cells.rows.gpu, codes))
        alone = family.fit(rest).log_fps(cells.rows)
        # The centre of contention is that of all cells there, of the rest here.
        np.testing.assert_allclose(said, alone, atol=0.02)


def test_a_workload_left_with_no_gpu_is_nan(cells):
    only = cells.take((cells.rows.workload == 0) | (cells.rows.gpu == 1))
    said = LawFamily("limit", LIMIT).left_out(only, [np.array([1])])[0]
    assert np.isnan(said[only.rows.workload == 1]).all()
    assert np.isfinite(said[only.rows.workload == 0]).all()


def test_fits_do_not_depend_on_what_was_fitted_before(cells):
    first = blended((LIMIT,), cells, ((), (1,)), cells.rows, kriged=True)
    found.cache_clear()
    workloads_of.cache_clear()
    fit_subsets.cache_clear()
    blended((LIMIT,), cells.take(cells.rows.workload == 1), ((3,), (1, 2)), cells.rows, kriged=True)
    blended((LIMIT,), cells, ((4,), (1,), (2, 3)), cells.rows, kriged=True)
    np.testing.assert_array_equal(
        first, blended((LIMIT,), cells, ((), (1,)), cells.rows, kriged=True)
    )


def test_cells_without_a_gpu_share_the_fits_of_the_whole(cells):
    rest = cells.without([1]).without([2])
    assert rest.gone == (1, 2)
    assert rest.whole is cells
    assert set(rest.gpus) == set(cells.gpus) - {1, 2}
    shared = fit_subsets(LIMIT, rest, ((), (4,)))
    whole = fit_subsets(LIMIT, cells, ((1, 2), (1, 2, 4)))
    np.testing.assert_array_equal(shared.log_ms(cells.rows), whole.log_ms(cells.rows))
    changed = replace(rest, log_fps=rest.log_fps + 1.0)
    assert changed.whole is None
    moved = fit_subsets(LIMIT, changed, ((),)).log_ms(cells.rows)[0]
    assert np.all(np.abs(whole.log_ms(cells.rows)[0] - 1.0 - moved) < 0.1)


def test_without_bandwidth_there_is_no_memory_part(cells):
    rows = replace(cells.rows, bandwidth_gb_s=np.ones(len(cells)))
    assert not {"k2", "k4"} & set(LIMIT.told_apart(rows).parts)
    said = LawFamily("limit", LIMIT).fit(replace(cells, rows=rows)).log_fps(rows)
    assert np.isfinite(said).all()


def test_kriging_carries_misses_to_near_gpus_only(cells):
    rows = cells.rows.take(cells.rows.workload == 0)
    residual = np.full((1, len(rows)), 0.05)
    weights = krige(kernel(rows, rows), residual, np.ones_like(residual))
    far = replace(rows, arithmetic_tflops=rows.arithmetic_tflops * 1e6)
    near = (weights @ kernel(rows, rows))[0]
    assert ((near > 0.02) & (near < 0.055)).all()
    np.testing.assert_allclose(weights @ kernel(rows, far), 0.0, atol=1e-6)


def wave(period_s, frame_ms, frames, noise=0.0, seed=0):
    """Frame times whose load is a sine of the time since the pass began."""
    rng, times, now = np.random.default_rng(seed), [], 0.0
    for _ in range(frames):
        load = np.exp(0.3 * np.sin(2 * np.pi * now / period_s) + noise * rng.standard_normal())
        times.append(frame_ms * load)
        now += times[-1] / 1000.0
    return np.array(times)


def test_a_cycle_is_found_and_its_shift_foretold():
    traces = [wave(0.25, ms, int(700 / ms), 0.02, k) for k, ms in enumerate([2, 3, 5, 7, 11, 4])]
    cycle = find_cycle(traces)
    assert cycle is not None
    assert cycle.period_s == pytest.approx(0.25, rel=0.001)
    for ms in (1.5, 9.0, 40.0):
        base = np.log(ms) - np.log(np.i0(0.3))  # mean of exp(-0.3 sin) over a round is I0(0.3)
        short = wave(0.25, ms, max(int(333 / ms), 3))
        seconds = np.array([short.sum() / 1000.0])
        said = cycle.expected_shift(np.array([base]), seconds)[0]
        assert said == pytest.approx(np.log(short.mean()) - base, abs=0.005)
        assert cycle.shift([short])[0] == pytest.approx(np.log(short.mean()) - base, abs=0.005)


def test_noise_has_no_cycle():
    rng = np.random.default_rng(5)
    traces = [np.exp(rng.normal(2.0, 0.1, 300)) for _ in range(8)]
    assert find_cycle(traces) is None


def test_long_passes_are_not_shifted():
    cycle = LoadCycle(0.2, np.array([0.3, 0.0, 0.0, 0.0, 0.0, 0.0]))
    said = cycle.expected_shift(np.log([1.0, 10.0]), np.array([60.05, 60.05]))
    np.testing.assert_allclose(said, 0.0, atol=2e-3)


def test_pass_lengths_go_on_as_they_were():
    log_ms = np.log(np.linspace(1.0, 40.0, 60))
    frames_or_time = np.maximum(0.2, 0.024 * np.exp(log_ms))
    length = pass_length(log_ms, frames_or_time)
    asked = np.log(np.array([0.5, 4.0, 20.0, 80.0]))
    np.testing.assert_allclose(length.seconds(asked), [0.2, 0.2, 0.48, 1.92], rtol=0.03)


def test_widths_grow_outside_and_with_the_workloads_errors(cells):
    said = LawFamily("limit", LIMIT).left_out_each(cells)
    width = LocalT(laws=(LIMIT,))
    spread = width.learn(cells, said)
    inside = spread.scales(cells.rows, said)
    faster = replace(cells.rows, arithmetic_tflops=cells.rows.arithmetic_tflops * 50)
    shorter, longer = ln_outside(cells.rows, faster)
    assert (shorter > 0).all()
    assert (longer == 0).all()
    outside = spread.scales(faster, said)
    assert (outside.device > inside.device).all()
    worse = width.learn(cells, said + 0.2).scales(cells.rows, said)
    assert (np.hypot(worse.device, worse.own) > np.hypot(inside.device, inside.own)).all()
    assert (inside.own_mean <= inside.own).all()
