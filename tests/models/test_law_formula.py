"""Laws as arrays, held to the formula written out, and families of laws to what they promise."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from perfkit.models.family import FloatArray, Rows
from perfkit.models.kriging import kernel, krige
from perfkit.models.law_cache import workloads_of
from perfkit.models.law_family import NUDGE, LawFamily, LawFit, blended
from perfkit.models.law_subsets import fit_subsets
from perfkit.models.laws import (
    CONTENTION_SD,
    PART,
    SHARPNESS,
    SHARPNESS_SD,
    START_SHARE,
    Law,
    form_of,
    take,
)
from perfkit.models.registry import CONTENDED_SUM, LIMIT, ROOFLINE
from perfkit.models.sentences import gain_sentence
from tests.models.plain import cells_of_arrays, rows_of_arrays

EVERY = tuple(PART)
K = dict(zip(EVERY, (1.0, 2.0, 30.0, 8.0, 5.0, 900.0, 300.0, 1.5, 3.0), strict=True))


def rows(count: int = 5, seed: int = 4) -> Rows:
    rng = np.random.default_rng(seed)
    return rows_of_arrays(
        arithmetic_tflops=rng.uniform(3, 40, count), bandwidth_gb_s=rng.uniform(50, 900, count),
        drawn_mpx=rng.uniform(0.5, 4, count), output_mpx=rng.uniform(2, 8, count),
        cpu_speed=rng.uniform(1, 2, count), gpu=np.arange(count),
    )  # fmt: skip


def written_out(r: Rows, q: float, g: float, parts: tuple[str, ...], *, adds: bool) -> FloatArray:
    """Frame time by the module's formula."""
    k = {name: K[name] if name in parts else 0.0 for name in EVERY}
    c, b, p, o, s = r.arithmetic_tflops, r.bandwidth_gb_s, r.drawn_mpx, r.output_mpx, r.cpu_speed
    middle = np.exp(np.mean(np.log(c / b)))
    arithmetic = (k["k1"] * p + k["k3"] + k["k7"] * o) / c
    memory = (k["k2"] * p + k["k4"]) / b * (c / b / middle) ** g
    rate, processor = k["k5"] * p, k["k6"] / s
    limits = [arithmetic, memory, rate, processor]
    hidden = sum(limits) if adds else sum(each**q for each in limits) ** (1 / q)
    return k["k0"] + k["kp"] / s + hidden


@pytest.mark.parametrize("parts", [EVERY, ("k1", "k2"), ("k0", "k1", "k3", "k2", "k4", "kp")])
@pytest.mark.parametrize("competes", [True, False])
def test_a_law_is_its_formula(parts: tuple[str, ...], competes: bool) -> None:
    configurations, q, g = rows(), 2.5, 0.4
    form = form_of(Law(parts, competes, 1.0), configurations)
    theta = np.array([*(np.log(K[name]) for name in parts), np.log(q), g])[None]
    features, contention = form.features(configurations)
    taken = take(form, theta, features, contention)
    expected = written_out(configurations, q, g, parts, adds=not competes)
    assert_allclose(np.exp(taken.log_ms[0]), expected, rtol=1e-12)
    assert_allclose(taken.part[0].sum(axis=1), expected, rtol=1e-12)
    each_its_own = np.repeat(theta[:, None], 5, axis=1)
    again = take(form, each_its_own, features[None], contention[None])
    assert_allclose(again.log_ms, taken.log_ms, rtol=1e-14)


def test_causes_and_expectations_of_parts() -> None:
    form = form_of(Law(("k0", "kp", "k1", "k2", "k5", "k6"), True, 0.8), rows())
    # arithmetic, memory, processor, fixed cost
    assert form.causes.argmax(axis=1).tolist() == [3, 2, 0, 1, 3, 2]
    assert form.causes.sum(axis=1).tolist() == [1.0] * 6
    assert form.adds.tolist() == [1, 1, 0, 0, 0, 0]
    assert form.memory.tolist() == [0, 0, 0, 1, 0, 0]
    assert form.limits.tolist() == [[0] * 4, [0] * 4, *np.eye(4).tolist()]
    shares = [-4.0, -4.0, -2.0, -2.0, -5.0, -4.0]
    assert_allclose(form.mean, [*shares, np.log(SHARPNESS), 0.0], rtol=1e-12)
    assert_allclose(form.start, [*[START_SHARE] * 6, np.log(SHARPNESS), 0.1], rtol=1e-12)
    assert_allclose(form.sd, [*[0.8] * 6, SHARPNESS_SD, CONTENTION_SD], rtol=1e-12)
    assert form_of(Law(("k0", "k1"), True, 0.8), rows()).start[-1] == 0.0
    assert form_of(Law(EVERY, False, 0.8), rows()).limits.shape == (9, 0)


@pytest.mark.parametrize(("given", "gone"), [
    ({}, set()),
    ({"bandwidth_gb_s": 1.0}, {"k2", "k4"}),
    ({"bandwidth_gb_s": [1.0, 2.0]}, set()),
    ({"cpu_speed": 1.5}, {"kp"}),
    ({"output_mpx": [1.0, 2.0]}, {"k7"}),
    ({"output_mpx": [1.0, 2.0 * (1 + 1e-10)]}, {"k7"}),
    ({"output_mpx": [1.0, 2.0 * (1 + 1e-8)]}, set()),
])  # fmt: skip
def test_parts_that_cannot_be_told_apart(given: dict, gone: set[str]) -> None:
    usual = {"bandwidth_gb_s": [10.0, 20.0], "cpu_speed": [1.0, 2.0], "drawn_mpx": [1.0, 2.0],
             "output_mpx": [2.0, 2.0]}  # fmt: skip
    kept = Law(EVERY, True, 1.0).told_apart(rows_of_arrays(**(usual | given)))
    assert kept == Law(tuple(name for name in EVERY if name not in gone), True, 1.0)


def made() -> tuple[Rows, object]:
    """Cells of five GPUs and two workloads, the second slower, three sizes each."""
    rng = np.random.default_rng(8)
    gpu, workload, size = (a.ravel() for a in np.indices((5, 2, 3)))
    configurations = rows_of_arrays(
        gpu=gpu, workload=workload, arithmetic_tflops=rng.uniform(3, 40, 5)[gpu],
        bandwidth_gb_s=rng.uniform(50, 900, 5)[gpu], drawn_mpx=np.array([0.9, 2.1, 3.7])[size],
    )  # fmt: skip
    parts = ("k0", "k1", "k2", "k3")
    time = written_out(configurations, 3.0, 0.0, parts, adds=False) * np.array([1, 2])[workload]
    return configurations, cells_of_arrays(
        configurations, time * np.exp(rng.normal(0, 0.03, len(gpu)))
    )


def test_a_blend_is_the_mean_of_its_laws_in_logs() -> None:
    configurations, cells = made()
    laws, without = (ROOFLINE, LIMIT, CONTENDED_SUM), ((), (1,), (0, 4))
    each = [blended((law,), cells, without, configurations, kriged=False) for law in laws]
    found = blended(laws, cells, without, configurations, kriged=False)
    assert_allclose(found, np.mean(each, axis=0), rtol=1e-12)
    alone = fit_subsets(LIMIT, cells, without).log_ms(configurations)
    assert_allclose(each[1], alone, rtol=1e-12)
    said = LawFamily("limit", LIMIT).left_out(cells, [np.array([1]), np.array([4, 0])])
    assert_allclose(said, np.log(1000) - alone[1:], rtol=1e-12)


def test_terms_are_slopes_at_the_middle_cell_with_jackknifed_errors() -> None:
    _, cells = made()
    fit = LawFit(cells, (LIMIT,), kriged=True)
    assert fit.terms().index.tolist() == list(range(6))
    assert fit.terms()["workload"].tolist() == ["workload0", "workload1"] * 3
    terms = fit.terms().set_index(["term", "workload"])
    assert set(terms.index.get_level_values(0)) == {"arithmetic rate", "bandwidth", "pixels drawn"}
    mine = np.flatnonzero(cells.rows.workload == 1)
    middle = cells.rows.take(mine[np.argsort(cells.log_fps[mine])][[len(mine) // 2]])
    without = ((), *((code,) for code in range(5)))
    more = rows_of_arrays(
        gpu=middle.gpu, workload=middle.workload, arithmetic_tflops=middle.arithmetic_tflops,
        bandwidth_gb_s=middle.bandwidth_gb_s * np.exp(NUDGE), drawn_mpx=middle.drawn_mpx,
    )  # fmt: skip
    ms = [blended((LIMIT,), cells, without, each, kriged=False)[:, 0] for each in (middle, more)]
    slope = (ms[0] - ms[1]) / NUDGE
    told = terms.loc[("bandwidth", "workload1")]
    assert_allclose(told["estimate"], slope[0], rtol=1e-9)
    spread = 4 / 5 * np.square(slope[1:] - slope[1:].mean()).sum()
    assert_allclose(told["std_error"], np.sqrt(spread), rtol=1e-7)
    assert told["sentence"] == f"workload1: {gain_sentence('bandwidth', slope[0])}"


def test_misses_are_carried_to_rows_of_their_own_workload() -> None:
    configurations, cells = made()
    cells = cells.take((cells.rows.workload == 0) | (cells.rows.gpu < 2))
    asked = configurations.take(configurations.workload == 1)
    without = ((), (0,), (0, 1))  # the second workload ran on these two
    plain = blended((LIMIT, ROOFLINE), cells, without, asked, kriged=False)
    at_cells = blended((LIMIT, ROOFLINE), cells, without, cells.rows, kriged=False)
    mine = np.flatnonzero(cells.rows.workload == 1)
    near = cells.rows.take(mine)
    used = np.array([np.ones(6), near.gpu != 0], dtype=float)
    missed = np.log(1000) - cells.log_fps[mine] - at_cells[:2, mine]
    carried = krige(kernel(near, near), missed, used) @ kernel(near, asked)
    found = blended((LIMIT, ROOFLINE), cells, without, asked, kriged=True)
    assert_allclose(found[:2], plain[:2] + carried, rtol=1e-12)
    assert np.isnan(found[2]).all()
    assert np.isnan(blended((LIMIT, ROOFLINE), cells, ((0, 1),), asked, kriged=True)).all()
    fit = LawFit(cells, (LIMIT, ROOFLINE), kriged=True)
    assert_allclose(fit.log_fps(asked), np.log(1000) - found[0], rtol=1e-12)
    told = workloads_of(LIMIT, cells)[1][0]
    assert_allclose(told.log_ms, np.log(1000) - cells.log_fps[mine], rtol=1e-14)


@pytest.mark.parametrize(("gpus", "known"), [(2, False), (3, True)])
def test_two_gpus_have_no_jackknife(gpus: int, known: bool) -> None:
    _, cells = made()
    few = cells.take(cells.rows.gpu < gpus)
    assert LawFit(few, (LIMIT,), kriged=False).terms()["std_error"].notna().all() == known


def test_parts_of_a_blend_are_the_mean_of_its_laws_parts() -> None:
    configurations, cells = made()
    each = [fit_subsets(law, cells, ((),)).parts(configurations) for law in (ROOFLINE, LIMIT)]
    found = LawFit(cells, (ROOFLINE, LIMIT), kriged=True).parts(configurations)
    assert_allclose(found, (each[0] + each[1]) / 2, rtol=1e-12)
