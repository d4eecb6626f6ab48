"""What lies outside the range: doubt of the laws, borne out or not by GPUs at the ends."""

from dataclasses import replace
from unittest import mock

import numpy as np
import pytest

from perfkit.models.beyond import (
    Beyond,
    Tried,
    beyond,
    ends,
    law_doubt,
    left_out_beyond,
    ln_outside,
    tried_ends,
    trust_in_laws,
)
from perfkit.models.law_family import Blend, LawFamily
from perfkit.models.registry import LIMIT, ROOFLINE
from tests.models.worlds import cells_of, world
from tests.outside import as_cells

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


def seen_rows():
    """Workloads v, on rates of 1 to 4, 10 to 20, 1 to 2 and 1, and w, on other GPUs of one each."""
    return as_cells(
        np.zeros(4),
        np.log([[1.0, 10.0, 1.0, 1.0], [4.0, 20.0, 2.0, 1.0], [2.0, 10.0, 1.0, 1.0], [8, 9, 1, 1]]),
        ["a", "b", "b", "c"],
        ["v", "v", "w", "x"],
    )


LN = np.log(2.0)


@pytest.mark.parametrize(
    ("asked", "shorter", "longer"),
    [
        ((2.0, 15.0, 1.5, 1.0), 0.0, 0.0),
        ((4.0, 20.0, 2.0, 1.0), 0.0, 0.0),
        ((1.0, 10.0, 1.0, 1.0), 0.0, 0.0),
        ((8.0, 20.0, 1.0, 1.0), LN, 0.0),
        ((8.0, 40.0, 0.5, 2.0), 2 * LN, 0.0),
        ((0.5, 10.0, 2.0, 1.0), 0.0, LN),
        ((0.5, 5.0, 4.0, 0.5), 0.0, 2 * LN),
        ((16.0, 5.0, 2.0, 1.0), 2 * LN, LN),
        ((1.0, 80.0, 8.0, 1.0), 2 * LN, 2 * LN),
    ],
)
def test_more_rate_and_fewer_pixels_are_shorter_frames(asked, shorter, longer):
    cells = seen_rows()
    rows = as_cells([0.0], np.log([asked])).rows
    found = ln_outside(cells.rows, rows)
    np.testing.assert_allclose(np.ravel(found), [shorter, longer], atol=1e-12)
    lies = Beyond.of(cells, np.empty(0, np.intp), rows)
    assert lies.out.tolist() == [shorter + longer > 0]
    assert lies.faster.tolist() == [int(shorter > longer + 1e-9)]
    np.testing.assert_allclose(lies.doubt, 0.03**2 * (shorter**2 + longer**2), atol=1e-15)
    np.testing.assert_array_equal(lies.alien, 0.0)


def test_without_a_gpu_its_range_and_its_kind_are_not_seen():
    cells = seen_rows()
    kinds = np.array([True, False, False, False])
    family = np.array([0, 1, 1, 1])
    cells = replace(cells, rows=replace(cells.rows, integrated=kinds, family=family))
    lies = Beyond.of(cells, np.array([0]), cells.rows)
    # The workload of the last two is seen on the same GPUs as before.
    assert lies.out.tolist() == [True, False, False, False]
    np.testing.assert_allclose(lies.alien, [0.1**2 + 0.05**2, 0.0, 0.0, 0.0])
    # Half the bandwidth and pixels, a quarter of the rate.
    assert lies.faster[0] == 0
    np.testing.assert_allclose(lies.doubt[0], 0.03**2 * 6 * LN**2)
    # A workload that nothing else ran is not outside of anything, only new.
    alone = Beyond.of(cells, np.array([2]), cells.rows)
    assert alone.out.tolist() == [False] * 4
    np.testing.assert_allclose(alone.alien, [0.0, 0.0, 0.0, 0.1**2 + 0.05**2])
    np.testing.assert_array_equal(alone.doubt, 0.0)


def test_doubt_of_two_laws_is_their_own_and_what_lies_between_them(cells):
    faster = replace(cells.rows, arithmetic_tflops=8.0 * cells.rows.arithmetic_tflops)
    one, other = (law_doubt((law,), cells, ((), (1, 2)), faster) for law in LAWS)
    assert one.shape == (2, len(cells))
    assert (one > 0).all()
    said = [
        [LawFamily("", law).fit(some).log_fps(faster) for law in LAWS]
        for some in (cells, cells.without([1, 2]))
    ]
    both = law_doubt(LAWS, cells, ((), (1, 2)), faster)
    between = np.var(said, axis=1, ddof=1)
    np.testing.assert_allclose(both, (one + other) / 2 + between, rtol=1e-9)
    np.testing.assert_array_equal(law_doubt((), cells, ((), (1,)), faster), np.zeros((2, 81)))


@pytest.mark.parametrize("count", [2, 9])
def test_left_out_doubt_is_that_of_cells_without_the_gpu(cells, count):
    cells = cells.take(cells.rows.gpu < count)
    lies = left_out_beyond(LAWS, cells)
    assert lies.out.any()
    for gpu in cells.gpus[::4]:
        mine = cells.rows.gpu == gpu
        alone = beyond(LAWS, cells.without([gpu]), cells.rows.take(mine))
        for name in ("out", "faster", "doubt", "alien"):
            np.testing.assert_allclose(
                getattr(lies, name)[mine], getattr(alone, name), rtol=1e-9, atol=1e-15
            )
    assert not beyond(LAWS, cells, cells.rows).out.any()


def test_ends_are_tried_by_the_blend_without_them(cells):
    held = replace(cells, at_least=cells.rows.drawn_mpx > 3.0, scatter=np.full(len(cells), 0.01))
    assert held.at_least.any()
    tried = tried_ends(LAWS, held)
    for gone, one in zip(ends(held), tried, strict=True):
        mine = np.isin(held.rows.gpu, gone)
        lies = beyond(LAWS, held.without(gone), held.rows.take(mine))
        some = held.take(mine)
        (said,) = Blend("", LAWS).left_out(held, [gone])
        counts = lies.out & ~some.at_least
        assert 0 < counts.sum() < len(counts)
        square = (said[mine] - some.log_fps) ** 2 + 0.01
        np.testing.assert_allclose(one.square, square[counts], rtol=1e-9)
        np.testing.assert_allclose(one.doubt, lies.doubt[counts], rtol=1e-9)
        assert one.workload.tolist() == some.rows.workload[counts].tolist()
    assert tried_ends((), held) == ()
    pair = tried_ends(LAWS, cells.take(cells.rows.gpu < 2))
    assert [len(one.square) for one in pair] == [9, 9]


@pytest.mark.parametrize(
    ("rates", "gpus", "slow", "fast"),
    [
        ([[1, 9], [4, 4]], "ab", [0], [1]),  # 9 and 16
        ([[9, 1], [1, 10]], "ab", [0], [1]),
        # Three cells count as their mean.
        ([[2, 2], [2, 2], [2, 2], [3, 3], [1, 1]], "aaabc", [2], [1]),
        ([[k, 1] for k in (5, 1, 4, 2, 3)], "abcde", [1], [0]),
        ([[k, 1] for k in (5, 1, 4, 2, 3, 6)], "abcdef", [1, 3], [0, 5]),
    ],
)
def test_a_third_at_either_end_at_least_one(rates, gpus, slow, fast):
    made = as_cells(np.zeros(len(gpus)), np.log(rates), list(gpus))
    assert [end.tolist() for end in ends(made)] == [slow, fast]


def test_trust_follows_from_the_excess_of_squares_over_what_is_usual():
    # In threes: usual 1, doubt 1, so the weight of excess over doubt is 1/4. Squares of mean 4
    # exceed by 3: 3/4 for, of 1/4 told. The side: (3/4 + 0.3)/(1/4 + 0.3) = 21/11; the workload
    # (3/4 + 0.5 * 21/11)/(1/4 + 0.5); the others tell nothing and follow the side.
    two = Tried(np.array([0, 0]), 3 * np.array([3.0, 5.0]), 3 * np.array([0.5, 1.5]))
    # Squares of 0 fall short by 1: -1/4 each of two workloads, together below 0.
    none = Tried(np.array([0, 1]), np.array([0.0, 0.0]), np.array([3.0, 3.0]))
    usual = np.array([3.0, 3.0, np.nan])
    with mock.patch("perfkit.models.beyond.tried_ends", return_value=(two, none)):
        found = trust_in_laws(LAWS, mock.Mock(), usual)
    side = 21 / 11
    np.testing.assert_allclose(found[0], [(0.75 + side / 2) / 0.75, side, side], rtol=1e-9)
    np.testing.assert_array_equal(found[1], 0.0)
    # One that falls short: the side stays above 0 at (0.3 - 1/4)/(0.3 + 1/4), the workload not.
    short = Tried(np.array([0]), np.array([0.0]), np.array([3.0]))
    with mock.patch("perfkit.models.beyond.tried_ends", return_value=(short, short)):
        found = trust_in_laws(LAWS, mock.Mock(), usual)
    np.testing.assert_allclose(found, [[0.0, 1 / 11, 1 / 11]] * 2, rtol=1e-9)
