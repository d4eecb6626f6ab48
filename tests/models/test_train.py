"""Quantiles, lower bounds and borrowed rows of a predictor, worked by hand."""

from dataclasses import dataclass, replace
from types import SimpleNamespace
from unittest import mock

import numpy as np
import pytest

from perfkit.models.intervals import Scales
from perfkit.models.local_width import LocalT
from perfkit.models.power_law import PowerLaw
from perfkit.models.selection import OneFamily
from perfkit.models.train import (
    Predicted,
    Recipe,
    joined,
    nested_errors,
    prepare,
    quantile,
    train,
    with_bounds,
)
from tests.models.worlds import cells_of, world
from tests.outside import as_cells

LN = np.log(2.0)


def said(**changed):
    """Two rows at 100 and 50 FPS, t of one degree of freedom, whose upper quartile is 1."""
    scales = Scales(
        device=np.array([3.0, 0.0]) * LN / 5,
        own=np.array([4.0, 5.0]) * LN / 5,
        own_mean=np.array([0.0, 2.5]) * LN / 5,
        dof=np.array([1.0, 1.0]),
    )
    values = {
        "log_fps": np.log([100.0, 50.0]),
        "scales": scales,
        "log_low_ratio": np.log([0.8, 0.5]),
        "low_scale": np.array([LN, 8 * LN]),
    }
    return Predicted(**(values | changed))


def test_quantiles_are_those_of_the_t():
    np.testing.assert_allclose(said().quantile(0.75), [200.0, 100.0])
    np.testing.assert_allclose(said().quantile(0.25), [50.0, 25.0])
    # 1e-10: the inverse of the t in SciPy 1.15 is good to 1e-11.
    np.testing.assert_allclose(
        said().mean_quantile(0.75), [100.0 * 2**0.6, 50.0 * 2**0.5], rtol=1e-10
    )
    # The low's range ends with the average's.
    np.testing.assert_allclose(said().low_quantile(0.75), [160.0, 100.0])
    np.testing.assert_allclose(said().low_quantile(0.25), [40.0, 50.0 / 512])
    np.testing.assert_allclose(said().low_quantile(0.5), [80.0, 25.0])


def test_without_degrees_of_freedom_there_is_no_quantile_and_none_overflows():
    found = quantile(np.zeros(3), np.ones(3), np.array([0.0, -1.0, 0.5]), 0.75)
    assert np.isnan(found).tolist() == [True, True, False]
    far = quantile(np.zeros(2), np.array([1e3, 1e3]), np.ones(2), np.array([0.75, 0.25]))
    np.testing.assert_allclose(np.log(far), [700.0, -700.0])
    np.testing.assert_allclose(
        quantile(np.array([650.0]), np.ones(1), np.ones(1), 0.75), np.exp(651)
    )


def test_borrowed_rows_have_a_scale_of_their_own():
    chosen = np.array([False, True])
    found = said().borrowed(
        chosen, np.array([0.0, 1.0]), np.array([9.0, 0.3]), np.array([7.0, 4.0])
    )
    np.testing.assert_allclose(found.log_fps, [np.log(100.0), 1.0])
    np.testing.assert_allclose(found.scales.device, [0.6 * LN, 0.0])
    np.testing.assert_allclose(found.scales.own, [0.8 * LN, 0.3])
    np.testing.assert_allclose(found.scales.own_mean, [0.0, 0.3])
    assert found.scales.dof.tolist() == [1.0, 4.0]
    np.testing.assert_allclose(found.low_scale, [LN, 0.3])
    np.testing.assert_allclose(found.log_low_ratio, said().log_low_ratio)


@dataclass
class Constant:
    """Says the mean of what it was fitted to, and by how much more each further cell counts."""

    more: float = 0.0
    fits: int = 0

    def fit(self, cells):
        self.fits += 1
        level = cells.log_fps.mean() + self.more * len(cells)
        return SimpleNamespace(log_fps=lambda rows: np.full(len(rows), level))


def bounds(values, workloads):
    cells = as_cells(np.array(values), np.zeros(len(values)), None, workloads)
    names = replace(cells.rows.names, workloads=("v", "w"))
    return replace(cells, rows=replace(cells.rows, names=names), pass_sd=0.7)


def test_bounds_enter_that_a_fit_would_fall_under():
    measured = replace(bounds([4.0, 4.0], ["v", "v"]), pass_sd=0.2)
    held = bounds([5.0, 4.0, 4.3, 9.0], ["v", "v", "v", "w"])
    # 5 and 4.3 lie above 4; 4 itself does not, and w was never measured.
    found = with_bounds(measured, held, Constant())
    assert found.log_fps.tolist() == [4.0, 4.0, 5.0, 4.3]
    assert found.pass_sd == 0.2
    assert found.rows.workload.tolist() == [0, 0, 0, 0]
    quiet = Constant()
    assert with_bounds(measured, held.take(held.log_fps < 4.1), quiet) is measured
    assert quiet.fits == 1
    none = Constant()
    assert with_bounds(measured, held.take(held.log_fps > 8.0), none) is measured
    assert none.fits == 0


def test_each_further_bound_may_draw_in_another_for_five_rounds():
    # Each cell lowers what is said by 0.1, so one bound after the other is fallen under.
    measured = bounds([4.0], ["v"])
    ladder = [3.95 - 0.1 * k for k in range(8)]
    family = Constant(more=-0.1)

    def level(cells):
        return SimpleNamespace(log_fps=lambda rows: np.full(len(rows), 4.0 - 0.1 * len(cells)))

    with mock.patch.object(family, "fit", side_effect=level) as fit:
        found = with_bounds(measured, bounds(ladder, ["v"] * 8), family)
    assert fit.call_count == 5
    assert len(found) == 1 + 5


def test_cells_are_joined_field_by_field():
    first, second = bounds([4.0], ["v"]), bounds([5.0, 6.0], ["w", "v"])
    second = replace(second, at_least=np.array([True, False]), passes=np.array([2.0, 3.0]))
    both = joined(first, second)
    assert both.log_fps.tolist() == [4.0, 5.0, 6.0]
    assert both.at_least.tolist() == [False, True, False]
    assert both.passes.tolist() == [1.0, 2.0, 3.0]
    assert both.rows.names is first.rows.names
    assert joined(first, second.take(np.zeros(2, bool))) is first


def test_families_hear_of_fits_to_all_and_without_each_gpu():
    cells = bounds([4.0, 5.0], ["v", "v"])
    family = mock.Mock()
    prepare([family], [(cells, [np.array([0, 1])]), (cells.take(np.zeros(2, bool)), [])])
    ((heard,),) = (call.args for call in family.prepare.call_args_list)
    assert len(heard) == 1
    assert heard[0][0] is cells
    assert [gone.tolist() for gone in heard[0][1]] == [[], [0], [1], [0, 1]]


FAMILY = PowerLaw("power law")


def test_a_recipe_that_needs_more_gpus_than_remain_has_no_nested_error():
    cells = cells_of(world(1, gpus=3, workloads=2, sizes=((1920, 1080),)))
    enough, more = (
        Recipe((FAMILY,), (OneFamily("power law", least),), LocalT(())) for least in (2, 3)
    )
    two, three = nested_errors(cells, [enough, more], 0.5)
    assert np.isfinite([two.log_fps, two.low, two.high]).all()
    assert (two.low < np.exp(two.log_fps)).all()
    assert set(two.chosen) == {"power law"}
    assert np.isnan([three.log_fps, three.low, three.high]).all()
    assert set(three.chosen) == {""}
    # The t of two GPUs less one: quartiles at a scale each.
    np.testing.assert_allclose(two.low * two.high, np.exp(2 * two.log_fps), rtol=1e-9)


def test_the_lows_have_a_scale_and_a_ratio_of_their_own():
    cells = cells_of(world(1, gpus=4, workloads=2, sizes=((1920, 1080),)))
    trained = train(cells, Recipe((FAMILY,), (OneFamily("power law", 1),), LocalT(())))
    found = trained.predict(cells.rows)
    # The same power law, fitted to the 1 % lows.
    lows = FAMILY.fit(replace(cells, log_fps=cells.log_fps + cells.log_low_ratio))
    ratio = lows.log_fps(cells.rows) - FAMILY.fit(cells).log_fps(cells.rows)
    np.testing.assert_allclose(found.log_low_ratio, np.minimum(ratio, 0.0), atol=1e-9)
    scales = trained.low_spread.scales(cells.rows, found.log_fps + found.log_low_ratio)
    np.testing.assert_allclose(found.low_scale**2, scales.device**2 + scales.own**2, rtol=1e-12)
    left = np.minimum(
        FAMILY.left_out_each(replace(cells, log_fps=cells.log_fps + cells.log_low_ratio))
        - FAMILY.left_out_each(cells), 0.0
    )  # fmt: skip
    square = (FAMILY.left_out_each(cells) + left - cells.log_fps - cells.log_low_ratio) ** 2
    np.testing.assert_allclose(
        trained.low_spread.error[:, 1] / trained.low_spread.weight, square, rtol=1e-9
    )


@pytest.mark.parametrize("count", [1, 2])
def test_one_gpu_has_numbers_but_no_range(count):
    cells = cells_of(world(1, gpus=2, workloads=1, sizes=((1920, 1080),)))
    some = cells.take(cells.rows.gpu < count)
    trained = train(some, Recipe((FAMILY,), (OneFamily("power law", 1),), LocalT(())))
    found = trained.predict(cells.rows)
    assert np.isfinite(found.log_fps).all()
    assert np.isfinite(found.quantile(0.9)).all() == (count == 2)
