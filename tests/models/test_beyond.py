"""What lies outside the range: doubt of the laws, borne out or not by GPUs at the ends."""

from dataclasses import replace

import numpy as np
import pytest

from perfkit.models.beyond import ends, left_out_beyond, tried_ends, trust_in_laws
from perfkit.models.registry import LIMIT, ROOFLINE
from tests.models.worlds import cells_of, world

LAWS = (LIMIT, ROOFLINE)


@pytest.fixture(scope="module")
def cells():
    return cells_of(world(5, law="sum", gpus=9, workloads=3, own_sd=0.0, device_sd=0.0))


def test_the_ends_are_a_third_each_by_rates(cells):
    slow, fast = ends(cells)
    rate = {g: cells.rows.arithmetic_tflops[cells.rows.gpu == g][0] for g in cells.gpus}
    wide = {g: cells.rows.bandwidth_gb_s[cells.rows.gpu == g][0] for g in cells.gpus}
    order = sorted(cells.gpus, key=lambda g: rate[g] * wide[g])
    assert set(slow) == set(order[:3])
    assert set(fast) == set(order[-3:])


def test_ends_that_miss_raise_the_doubt_of_their_side_and_ends_that_hit_lower_it(cells):
    usual = np.full(3, 0.02**2)
    quiet = trust_in_laws(LAWS, cells, usual)
    fast = np.isin(cells.rows.gpu, ends(cells)[1])
    moved = replace(cells, log_fps=cells.log_fps - 0.3 * fast)
    loud = trust_in_laws(LAWS, moved, usual)
    assert quiet.shape == (2, 3)
    assert (quiet < 1).mean() > 0.5
    assert (loud[1] > 1).all()
    assert (loud[1] > quiet[1]).all()


def test_only_rows_outside_count_and_a_gpu_says_nothing_of_itself(cells):
    lies = left_out_beyond(LAWS, cells)
    assert (lies.doubt[~lies.out] == 0).all()
    assert (lies.doubt[lies.out] > 0).all()
    one = cells.take(cells.rows.gpu == cells.gpus[0])
    assert tried_ends(LAWS, one) == ()
    np.testing.assert_array_equal(trust_in_laws(LAWS, one, np.full(3, 0.01)), 1.0)
