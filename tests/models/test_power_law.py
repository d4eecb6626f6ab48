"""Power law and workload slopes against statsmodels and against refitting."""

import numpy as np
import pandas as pd
import pytest
from statsmodels.formula.api import ols

from perfkit.models.outside_seen import VARIABLES
from perfkit.models.power_law import PowerLaw
from perfkit.models.row_index import USUAL_SLOPES, row_index
from perfkit.models.workload_slopes import WorkloadSlopes
from tests.models.worlds import cells_of, refitted, refitted_each, world
from tests.outside import as_cells


def frame_of(cells):
    r = cells.rows
    return pd.DataFrame(
        {
            "y": cells.log_fps,
            "c": np.log(r.arithmetic_tflops),
            "b": np.log(r.bandwidth_gb_s),
            "p": np.log(r.drawn_mpx),
            "s": np.log(r.cpu_speed),
            "w": r.workload,
            "g": r.gpu,
        }
    )


@pytest.mark.parametrize("systems", [1, 3])
def test_slopes_and_clustered_errors_are_those_of_statsmodels(systems):
    cells = cells_of(world(4, systems=systems))
    fitted = PowerLaw("power law").fit(cells)
    frame = frame_of(cells)
    formula = "y ~ c + b + p + C(w)" + (" + s" if systems > 1 else "")
    reference = ols(formula, frame).fit(cov_type="cluster", cov_kwds={"groups": frame["g"]})
    names = ["c", "b", "p", "s"][: 3 + (systems > 1)]
    count = len(names)
    np.testing.assert_allclose(fitted.slopes[:count], reference.params[names], rtol=1e-11)
    np.testing.assert_allclose(fitted.clustered()[:count], reference.bse[names], rtol=1e-11)
    np.testing.assert_allclose(fitted.log_fps(cells.rows), reference.fittedvalues, rtol=1e-12)
    if systems == 1:
        assert np.isnan(fitted.clustered()[3])


def test_regression_is_statsmodels_own_result():
    cells = cells_of(world(4))
    fitted = PowerLaw("power law").fit(cells)
    result = fitted.regression()
    np.testing.assert_allclose(result.params[list(VARIABLES[:3])], fitted.slopes[:3], rtol=1e-10)
    np.testing.assert_allclose(result.bse[list(VARIABLES[:3])], fitted.clustered()[:3], rtol=1e-10)
    assert "cluster" in str(result.summary())


@pytest.mark.parametrize("family", [PowerLaw("power law"), WorkloadSlopes("slopes")])
def test_subtracting_equals_refitting(family):
    cells = cells_of(world(5, gpus=6, workloads=7))
    without = [np.array([0]), np.array([1, 4]), np.array([5, 2])]
    quick = family.left_out(cells, without)
    slow = refitted(family, cells, without)
    np.testing.assert_allclose(quick, slow, rtol=1e-11)


def uneven():
    """Cells of which some GPUs have many and some few, and one workload ran on one GPU only."""
    w = world(9, gpus=9, workloads=5, systems=3)
    cells = cells_of(w)
    gpu, size, workload = cells.rows.gpu, cells.rows.drawn_mpx, cells.rows.workload
    rare = (gpu > 3) & (size > size.min())
    alone = (workload == 2) & (gpu != 1)
    return cells.take(np.flatnonzero(~rare & ~alone)[::-1])


def test_uneven_rows_are_sorted_into_chunks_and_back():
    cells = uneven()
    index = row_index(cells.rows)
    assert len(index.place) > len(index.gpus)
    assert (index.place.ravel()[index.home] == np.arange(len(cells))).all()
    assert index.place.size < 2 * len(cells) + len(index.place)
    turned = np.swapaxes(index.turned, 1, 2).reshape(-1, 4)
    np.testing.assert_allclose(turned.T @ turned, np.eye(4), atol=1e-12)


def test_uneven_rows_give_the_errors_of_statsmodels():
    cells = uneven()
    fitted, frame = PowerLaw("power law").fit(cells), frame_of(cells)
    reference = ols("y ~ c + b + p + s + C(w)", frame).fit(
        cov_type="cluster", cov_kwds={"groups": frame["g"]}
    )
    names = ["c", "b", "p", "s"]
    np.testing.assert_allclose(fitted.slopes, reference.params[names], rtol=1e-11)
    np.testing.assert_allclose(fitted.clustered(), reference.bse[names], rtol=1e-10)


@pytest.mark.parametrize("made", [uneven, lambda: cells_of(world(5, gpus=6, workloads=7))])
def test_leaving_out_each_gpu_equals_refitting(made):
    cells, family = made(), PowerLaw("power law")
    slow = refitted_each(family, cells)
    np.testing.assert_allclose(family.left_out_each(cells), slow, rtol=1e-11)
    # A workload that ran on one GPU only has no number without it.
    assert np.isnan(slow).any() == (made is uneven)
    each = [np.array([code]) for code in (3, 0)]
    np.testing.assert_allclose(
        family.left_out(cells, each), refitted(family, cells, each), rtol=1e-11
    )


def test_leaving_out_pairs_and_one_of_two_equals_refitting():
    cells, family = cells_of(world(5, gpus=5, workloads=3)), PowerLaw("power law")
    pairs = [np.array(gone) for gone in ([0, 1], [1, 3], [2, 4])]
    slow = refitted(family, cells, pairs)
    np.testing.assert_allclose(family.left_out(cells, pairs), slow, rtol=1e-11)
    two = cells.take(cells.rows.gpu < 2)
    each = refitted_each(family, two)
    assert np.isfinite(each).all()
    np.testing.assert_allclose(family.left_out_each(two), each, rtol=1e-11)


def test_a_rate_that_hardly_varies_leaves_its_direction_open_in_every_way_of_fitting():
    rng = np.random.default_rng(0)
    x = rng.normal(size=(12, 4)) * [1.0, 3e-7, 1.0, 1.0]
    cells = as_cells(rng.normal(size=12), x, np.arange(12) // 2)
    family = PowerLaw("power law")
    assert family.fit(cells).slopes[1] == pytest.approx(USUAL_SLOPES[1], abs=1e-4)
    without = [np.array([0]), np.array([1, 4])]
    np.testing.assert_allclose(
        family.left_out(cells, without), refitted(family, cells, without), rtol=1e-9
    )


def test_open_directions_stay_at_the_usual_slopes():
    cells = cells_of(world(6, gpus=1, workloads=3))
    fitted = PowerLaw("power law").fit(cells)
    np.testing.assert_allclose(fitted.slopes[[0, 1, 3]], USUAL_SLOPES[[0, 1, 3]])
    assert abs(fitted.slopes[2] - USUAL_SLOPES[2]) > 0.01
    assert np.isnan(fitted.clustered()).all()


def test_terms_are_sayable():
    terms = PowerLaw("power law").fit(cells_of(world(4))).terms()
    row = terms.set_index("term").loc["bandwidth"]
    gain = 100 * (1.1 ** row["estimate"] - 1)
    assert row["sentence"] == f"10 % more bandwidth, {gain:.2g} % more FPS"


def test_workload_slopes_are_recovered_where_the_law_is_theirs():
    w = world(7, law="power", gpus=40, workloads=12, device_sd=0.01, own_sd=0.01)
    fitted = WorkloadSlopes("slopes").fit(cells_of(w))
    own = fitted.slopes.own[0]
    np.testing.assert_allclose(own[:, 0], w.parameters["x"], atol=0.03)
    np.testing.assert_allclose(own[:, 1], w.parameters["y"], atol=0.03)
    np.testing.assert_allclose(own[:, 2], -w.parameters["z"], atol=0.02)


def test_a_workload_on_few_gpus_is_drawn_to_the_others():
    w = world(8, law="power", gpus=12, workloads=12)
    rare = w.passes["workload"].eq("W03") & ~w.passes["gpu"].isin(["G00", "G01"])
    full = WorkloadSlopes("slopes").fit(cells_of(w)).slopes
    few = WorkloadSlopes("slopes").fit(cells_of(w, w.passes[~rare])).slopes
    alone = PowerLaw("power law").fit(cells_of(w, w.passes[~rare & w.passes.workload.eq("W03")]))
    shared = few.shared[0, :2]
    assert np.abs(few.own[0, 3, :2] - shared).max() < np.abs(alone.slopes[:2] - shared).max()
    assert np.abs(few.own[0, 4] - full.own[0, 4]).max() < 0.05


def test_fewer_than_five_workloads_share_their_slopes():
    cells = cells_of(world(4, workloads=4))
    mixed = WorkloadSlopes("slopes").fit(cells)
    plain = PowerLaw("power law").fit(cells)
    np.testing.assert_allclose(mixed.log_fps(cells.rows), plain.log_fps(cells.rows), atol=1e-3)
