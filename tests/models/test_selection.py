"""Choosing: nothing that chose is in the error, and the short cut equals refitting."""

import numpy as np
import pytest

from perfkit.models.local_width import LocalT
from perfkit.models.power_law import PowerLaw
from perfkit.models.selection import OneFamily, leave_out_each, leave_out_pairs
from perfkit.models.time_sum import TimeSum
from perfkit.models.train import Recipe, nested_errors, train
from tests.models.worlds import cells_of, world

FAMILIES = (TimeSum("time sum"), PowerLaw("power law"))
RECIPE = Recipe(FAMILIES, tuple(OneFamily(f.name, 1) for f in FAMILIES), LocalT(()))


def test_left_out_predictions_come_from_fits_without_the_gpu():
    cells = cells_of(world(1, gpus=5, workloads=3))
    left = leave_out_each(FAMILIES, cells)
    for gpu in cells.gpus:
        mine = cells.rows.gpu == gpu
        for column, family in enumerate(FAMILIES):
            said = family.fit(cells.take(~mine)).log_fps(cells.rows.take(mine))
            np.testing.assert_allclose(left.log_fps[mine, column], said, rtol=1e-10)


def test_pairs_hold_every_nested_leave_one_out():
    cells = cells_of(world(1, gpus=5, workloads=3))
    pairs = leave_out_pairs(FAMILIES, cells)
    for position, gpu in enumerate(cells.gpus):
        others = cells.rows.gpu != gpu
        inner = leave_out_each(FAMILIES, cells.take(others))
        np.testing.assert_allclose(pairs[position][others], inner.log_fps, rtol=1e-10)
    each = leave_out_each(FAMILIES, cells)
    for position, gpu in enumerate(cells.gpus):
        mine = cells.rows.gpu == gpu
        np.testing.assert_allclose(pairs[position][mine], each.log_fps[mine], rtol=1e-10)


def test_nested_error_equals_training_without_the_gpu():
    w = world(3, law="power", gpus=6, workloads=4)
    cells = cells_of(w)
    (nested,) = nested_errors(cells, [RECIPE], 0.9)
    for gpu in cells.gpus:
        mine = cells.rows.gpu == gpu
        fresh = train(cells.take(~mine), RECIPE)
        said = fresh.predict(cells.rows.take(mine))
        np.testing.assert_allclose(nested.log_fps[mine], said.log_fps, rtol=1e-10)
        np.testing.assert_allclose(nested.low[mine], said.quantile(0.05), rtol=1e-8)
        np.testing.assert_allclose(nested.high[mine], said.quantile(0.95), rtol=1e-8)
        assert set(np.array(nested.chosen)[mine]) == {fresh.settled.choice.combination.name}


def test_the_measurements_of_a_gpu_do_not_move_its_own_nested_error():
    w = world(4, gpus=6, workloads=4)
    other = w.passes.copy()
    mine = other["gpu"].eq("G02")
    other.loc[mine, "avg_fps"] *= 3.0
    before, after = cells_of(w), cells_of(w, other)
    (a,) = nested_errors(before, [RECIPE], 0.9)
    (b,) = nested_errors(after, [RECIPE], 0.9)
    at = before.rows.gpu == 2
    np.testing.assert_allclose(a.log_fps[at], b.log_fps[at], rtol=1e-12)


@pytest.mark.parametrize(("law", "name"), [("sum", "time sum"), ("limit", "time sum")])
def test_the_family_that_holds_wins(law, name):
    cells = cells_of(world(2, law=law, device_sd=0.01, own_sd=0.01))
    choice = train(cells, RECIPE).settled.choice
    assert choice.combination.name == name
    assert choice.scores["time sum"] < 0.5 * choice.scores["power law"]


def test_a_candidate_needs_its_gpus():
    cells = cells_of(world(2, gpus=4, workloads=3))
    shy = Recipe(FAMILIES, (OneFamily("time sum", 9), OneFamily("power law", 1)), LocalT(()))
    choice = train(cells, shy).settled.choice
    assert choice.combination.name == "power law"
    assert list(choice.scores) == ["power law"]
