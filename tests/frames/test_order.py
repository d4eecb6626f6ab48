"""Order statistics: exact at every edge, and with no more put in order or held than was said."""

import itertools
import math

import numpy as np
import pytest

from perfkit.frames import order, streamed_order
from perfkit.frames.order import (
    between,
    place,
    put_in_place,
    quantile_in_place,
    quantile_near,
    values_between,
)
from perfkit.frames.streamed_order import Largest, Middle, quantile_again, value_at_rank

SHARES = (0.0, 0.1, 0.25, 0.5, 0.75, 0.95, 1.0)


@pytest.fixture
def put_in_order(monkeypatch):
    """Sizes of the arrays that are put in order."""
    sizes = []

    def watched(values, ranks):
        sizes.append(len(values))
        put_in_place(values, ranks)

    monkeypatch.setattr(order, "put_in_place", watched)
    return sizes


@pytest.mark.parametrize(
    ("count", "share", "expected"),
    [
        (1, 0.0, (0, 0.0)),
        (1, 1.0, (0, 0.0)),
        (5, 0.25, (1, 0.0)),
        (6, 0.25, (1, 0.25)),  # position 5 x .25
        (8, 0.5, (3, 0.5)),
        (9, 1.0, (8, 0.0)),
    ],
)
def test_places_of_type_7(count, share, expected):
    assert place(count, share) == expected


def test_between_rounds_as_numpy_does_and_ends_at_its_ends():
    rng = np.random.default_rng(0)
    lows = rng.lognormal(2, 1, 400)
    pairs = np.stack([lows, lows * rng.uniform(1, 3, 400)])
    for part in (0.0, 0.1, 0.3, 0.5, 0.7, 0.9):
        expected = np.quantile(pairs, part, axis=0)
        found = [between(low, high, part) for low, high in pairs.T]
        assert found == expected.tolist(), part
    assert between(2.0, 10.0, 0.75) == 8.0
    assert between(2.0, 10.0, 0.0) == 2.0


@pytest.mark.parametrize(
    ("count", "ranks"),
    [(7, (0,)), (7, (6,)), (7, (0, 1, 2)), (7, (1, 4, 6)), (900, (450, 451, 452)),
     (900, (20, 21)), (900, (100, 898, 899)), (900, (5, 400))],
)  # fmt: skip
def test_ranks_stand_where_sorting_puts_them_and_the_rest_on_its_side(count, ranks):
    for turn in range(5):
        values = np.random.default_rng(turn).permutation(count).astype(float)
        put_in_place(values, ranks)
        for rank in ranks:
            assert values[rank] == rank
            assert set(values[:rank]) == set(range(rank))


@pytest.mark.parametrize("share", SHARES)
def test_a_quantile_is_read_from_values_in_place_with_more_below_and_a_stop_above(share):
    values = np.random.default_rng(1).permutation(40).astype(float) ** 2
    expected = np.quantile(values, share)
    rank, _ = place(40, share)
    work = values.copy()
    put_in_place(work, (rank,))
    assert quantile_in_place(work, share) == expected
    for stop in range(rank + 1, 40):
        work = values.copy()
        put_in_place(work, (rank, stop))
        assert quantile_in_place(work, share, stop) == expected
    ordered = np.sort(values)
    for below in range(rank + 1):
        assert quantile_in_place(ordered[below:], share, below=below) == expected


def test_a_stop_just_above_a_rank_shortens_the_search_to_it():
    # Behind the stop stands a value that is out of place: it is not looked at.
    assert quantile_in_place(np.array([1.0, 3.0, 2.0]), 0.25, stop=1) == 2.0
    assert quantile_in_place(np.array([1.0, 3.0, 2.0]), 0.25, stop=0) == 2.0
    assert quantile_in_place(np.array([1.0, 4.0, 3.0, 2.0, 2.0]), 0.125, stop=2) == 2.0
    assert quantile_in_place(np.array([1.0, 4.0, 3.0, 2.0, 2.0]), 0.125) == 1.5


def test_both_ends_of_a_range_belong_to_it():
    values = np.array([5.0, 1.0, 3.0, 2.0, 4.0, 3.0])
    for low, high, taken, below in [
        (2.0, 4.0, [3.0, 2.0, 4.0, 3.0], 1),
        (3.0, 3.0, [3.0, 3.0], 2),
        (2.5, 2.9, [], 2),
        (-math.inf, math.inf, values.tolist(), 0),
        (6.0, 9.0, [], 6),
    ]:
        found, under = values_between(values, low, high)
        assert (found.tolist(), under) == (taken, below)
        assert not np.shares_memory(found, values)


def test_a_rank_is_held_with_the_next_one_where_that_counts_too():
    three = np.zeros(3)
    assert [order._holds(three, rank, 0.0) for rank in range(-1, 4)] == [
        False, True, True, True, False,
    ]  # fmt: skip
    assert [order._holds(three, rank, 0.5) for rank in range(-1, 4)] == [
        False, True, True, False, False,
    ]  # fmt: skip


def test_values_around_a_rank_lie_within_three_deviations_and_four_places():
    # 400 even values from 0: step 1, rank 100, deviation sqrt(100 x 300 / 400) = 8.66, so that the
    # middle 100.5 is left by 25.98 + 4 = 29.98 on both sides: 71 to 130.
    taken, below = order._around(np.arange(400.0), 100, 0.0, 400.0)
    assert (taken.min(), taken.max(), len(taken), below) == (71.0, 130.0, 60, 71)
    # The same from 1,000 on, every half: places twice as dense.
    taken, below = order._around(1000 + np.arange(400.0) / 2, 100, 1000.0, 1200.0)
    assert (taken.min(), taken.max(), len(taken), below) == (1035.5, 1065.0, 60, 71)
    assert order._around(np.arange(400.0), 0, 0.0, 400.0)[0].tolist() == [0, 1, 2, 3, 4]
    assert order._around(np.arange(400.0), 399, 0.0, 400.0)[0].tolist() == [*range(393, 400)]


def near(values, share, sample, sizes):
    assert quantile_near(values, share, np.asarray(sample)) == np.quantile(values, share)
    return sizes.pop()


def test_a_sample_leaves_few_values_to_put_in_order(put_in_order):
    # 101 of 10,001 values: place 50 of the sample, margin 2.5 sqrt(101 / 4) + 1 = 13.56, so places
    # 36 to 64, that is 3,600 to 6,400. Of these 2,801 the rank 1,400 with a margin of
    # 3 sqrt(1400 x 1401 / 2801) + 4 = 83.4 places: 4,917 to 5,083.
    values = np.random.default_rng(2).permutation(10_001).astype(float)
    assert near(values, 0.5, np.arange(0.0, 10_001, 100), put_in_order) == 167
    # Place 20, margin 2.5 sqrt(101 x .16) + 1 = 11.05: 8 to 32, so 800 to 3,200: 2,401 values,
    # rank 1,200, margin 3 sqrt(1200 x 1201 / 2401) + 4 = 77.5: 1,923 to 2,077.
    assert near(values, 0.2, np.arange(0.0, 10_001, 100), put_in_order) == 155
    # A hundredth of that: 28 and 24 values between, of which all are put in order.
    few = np.random.default_rng(2).permutation(101).astype(float)
    assert near(few, 0.5, np.arange(101.0), put_in_order) == 29
    assert near(few, 0.2, np.arange(101.0), put_in_order) == 25


def test_a_sample_is_open_at_the_ends_where_its_margin_passes_them(put_in_order):
    # Nine of 0 to 250, each 30th; share .5: place 4, margin 2.5 x 1.5 + 1 = 4.75: all.
    values = np.arange(251.0)
    assert near(values, 0.5, np.arange(0.0, 250, 30), put_in_order) == 251
    # Share .25: place 2, margin 2.5 sqrt(.1875 x 9) + 1 = 4.25: from below up to place 7.
    assert near(values, 0.25, np.arange(0.0, 250, 30), put_in_order) == 211
    # Share .75: place 6, from place 1 to above.
    assert near(values, 0.75, np.arange(0.0, 250, 30), put_in_order) == 221
    # Twelve, at 20 to 240: place 5.5, margin 2.5 sqrt(3) + 1 = 5.33, just the first to the last.
    assert near(values, 0.5, np.arange(20.0, 250, 20), put_in_order) == 221


@pytest.mark.parametrize("count", [256, 257])
def test_more_than_256_values_are_narrowed_once_more(count, put_in_order):
    values = np.arange(float(count))
    # Place 39.5, margin 2.5 sqrt(20) + 1 = 12.2, so between 0 and the highest: all.
    sample = [*[0.0] * 40, *[count - 1.0] * 40]
    found = near(values, 0.5, sample, put_in_order)
    # Rank 128, margin 3 sqrt(128 x 129 / 257) + 4 = 28.05 places of 256 / 257: 101 to 155.
    assert found == {256: 256, 257: 55}[count]


def test_what_a_sample_misses_is_put_in_order_whole(put_in_order):
    values = np.random.default_rng(3).permutation(1_000).astype(float)
    for sample in (np.arange(20.0), 980 + np.arange(20.0)):
        assert near(values, 0.5, sample, put_in_order) == 1_000
    # Uneven: within the bounds, but not where an even spread would put the rank.
    uneven = np.concatenate([np.arange(500.0) / 1000, 900 + np.arange(501.0)])
    assert near(uneven, 0.5, [0.0] * 40 + [1400.0] * 40, put_in_order) == 1_001


def test_the_largest_are_held_up_to_as_many_again(monkeypatch):
    monkeypatch.setattr(streamed_order, "_SPARE", 10)
    for keep, most in ((5, 15), (20, 40)):  # ten more, or as many as are kept
        largest = Largest(keep)
        largest.add(np.arange(float(most)))
        assert largest._held == most
        largest.add(np.array([0.5]))
        assert largest._held == keep
        assert largest._floor == most - keep
        largest.add(np.arange(float(most)))  # what is not above the floor is left out
        assert largest._held == 2 * keep - 1
        expected = sorted([*range(most - keep, most)] * 2)[-keep:]
        assert largest.sorted().tolist() == expected


def test_fewer_than_are_kept_are_all_there():
    largest = Largest(4)
    assert [largest.add(np.array([each])) for each in (2.0, 1.0, 3.0)] == [None] * 3
    assert largest.sorted().tolist() == [1.0, 2.0, 3.0]
    largest.add(np.array([0.5, 0.0]))
    assert largest.sorted().tolist() == [0.5, 1.0, 2.0, 3.0]


def held_middle(share=0.5, keep=1000, count=1280):
    """Hold the middle of 0, 1, 2, ..., narrowed once, by a sample of each 64th value."""
    middle = Middle(share, keep)
    middle.add(np.arange(float(count)))
    return middle


@pytest.mark.parametrize(
    ("share", "low", "high"),
    [
        # Twenty samples, 0 to 1,216; place 639 of 1,280 is sample 9, five on both sides of it.
        (0.5, 256, 896),
        (0.1, 0, 384),  # place 127, sample 1: none below
        (0.95, 832, 1216),  # place 1,215, sample 18: one above
        (0.0, 0, 320),
        (1.0, 896, 1216),
    ],
)
def test_a_middle_keeps_a_quarter_on_both_sides(share, low, high):
    middle = held_middle(share)
    assert (middle._below, middle._held) == (low, high - low + 1)
    expected = np.quantile(np.arange(1280.0), share)
    found = middle.value()
    assert found == expected or (share == 1.0 and math.isnan(found))
    middle.add(np.array([low - 0.5, low, high, high + 0.5]))
    assert (middle._below, middle._held) == (low + 1, high - low + 3)


@pytest.mark.parametrize(
    ("more", "value", "expected"),
    [
        (512, 2000.0, 895.5),  # 1,792 values: position 895.5
        (513, 2000.0, 896.0),  # the highest held
        (514, 2000.0, math.nan),  # half way to the next
        (515, 2000.0, math.nan),
        (766, 0.0, 256.5),
        (767, 0.0, 256.0),  # position 1,023, 1,023 below
        (768, 0.0, math.nan),
        (769, 0.0, math.nan),
    ],
)
def test_a_middle_that_drifts_is_exact_to_its_last_value(more, value, expected):
    middle = held_middle()
    middle.add(np.full(more, value))
    assert middle.value() == pytest.approx(expected, abs=0, nan_ok=True)
    middle._narrow()
    assert middle.value() == pytest.approx(expected, abs=0, nan_ok=True)


def test_a_middle_is_lost_where_narrowing_finds_another_place_or_leaves_too_many():
    for more, value, lost in ((514, 2000.0, False), (515, 2000.0, True),
                              (767, 0.0, False), (768, 0.0, True)):  # fmt: skip
        middle = held_middle()
        middle.add(np.full(more, value))
        middle._narrow()
        assert middle._lost is lost
        assert (middle._held == 0) is lost
        middle.add(np.full(9, 300.0))  # nothing is held any more
        assert (middle._held == 0) is lost
    # Sixteen samples of 1,024: 192 to 704 stay, 513: three quarters of 684.
    assert held_middle(keep=684, count=1024)._held == 513
    assert held_middle(keep=683, count=1024)._lost


def test_a_middle_narrows_when_it_holds_more_than_it_may():
    middle = Middle(0.5, 1280)
    middle.add(np.arange(1280.0))
    assert middle._held == 1280
    middle.add(np.array([639.5]))
    assert middle._held < 800
    assert middle.value() == 639.5
    assert math.isnan(Middle(0.5).value())


def test_a_middle_holds_copies():
    block = np.array([3.0, 1.0, 2.0])
    middle = Middle(0.5)
    middle.add(block)
    block[:] = 9.0
    assert middle.value() == 2.0


def test_any_rank_is_found_digit_by_digit():
    # Patterns that differ in one or all of their four groups of sixteen bits, two of them equal.
    ends = (0, 1, 2, 0xFFFE, 0xFFFF)
    groups = itertools.product((0x3FF0, 0x3FF1), (0, 0xFFFF), (0, 7), ends)
    patterns = [a << 48 | b << 32 | c << 16 | d for a, b, c, d in groups]
    values = np.array([*patterns, patterns[7]], np.int64).view(np.float64)
    ordered = np.sort(values)
    shuffled = np.random.default_rng(5).permutation(values)
    for rank in (0, 1, 4, 7, 8, 9, 19, 20, 39, 40):
        assert value_at_rank(lambda: np.split(shuffled, [13, 14]), rank) == ordered[rank]
    for share in SHARES:
        found = quantile_again(lambda: [shuffled], len(values), share)
        assert found == np.quantile(values, share)
