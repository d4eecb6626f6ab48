"""Hitches by counting equal hitches by running medians."""

import bottleneck
import numpy as np
import pandas as pd
import pytest

from perfkit.frames.hitches import HitchCounter, count_hitches, count_inner_hitches, running_median

SHAPES = {
    "calm": lambda rng, n: rng.lognormal(0, 0.1, n),
    "wild": lambda rng, n: rng.lognormal(0, 1.0, n),
    "on the edge": lambda rng, n: rng.choice([1.0, 2.5, np.nextafter(2.5, 3)], n),
    "rounded": lambda rng, n: np.round(rng.lognormal(1, 0.5, n), 1),
    "with hitches": lambda rng, n: np.where(rng.random(n) < 0.05, 5.0, 1.0),
    "two levels": lambda rng, n: np.repeat(rng.choice([1.0, 3.0], n), 20)[:n],
}


def naive_count(times):
    medians = pd.Series(times).rolling(31, center=True, min_periods=1).median()
    return int((times > 2.5 * medians.to_numpy()).sum())


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("frames", [1, 2, 15, 16, 29, 30, 31, 32, 46, 100, 2000])
def test_count_equals_the_rolling_median_of_pandas(shape, frames):
    rng = np.random.default_rng(frames)
    times = SHAPES[shape](rng, frames)
    expected = naive_count(times)
    assert count_hitches(times) == expected
    counter = HitchCounter()
    start = 0
    while start < frames:
        size = int(rng.integers(1, 60))
        counter.add(times[start : start + size])
        start += size
    assert counter.count() == expected


def test_inner_count_equals_the_moving_median_of_bottleneck():
    times = np.random.default_rng(5).lognormal(0, 0.8, 5000)
    medians = bottleneck.move_median(times, 31)[30:]
    assert count_inner_hitches(times) == int((times[15:-15] > 2.5 * medians).sum())


def test_running_median_by_hand_with_truncated_ends():
    times = np.arange(1.0, 41.0)
    medians = running_median(times)
    assert medians[0] == np.median(times[:16])
    assert medians[20] == times[20]
    assert medians[-1] == np.median(times[-16:])


def test_a_frame_of_exactly_the_multiple_is_no_hitch():
    times = np.full(41, 10.0)
    times[20] = 25.0
    assert count_hitches(times) == 0
    times[20] = np.nextafter(25.0, 26.0)
    assert count_hitches(times) == 1


@pytest.mark.parametrize("place", [0, 7, 14, 15, -16, -15, -8, -1])
def test_the_multiple_holds_near_the_ends_too(place):
    times = np.full(100, 10.0)
    times[place] = 25.0
    times[place + 1 if place != -1 else -2] = 26.0
    assert count_hitches(times) == 1
    times[place] = 25.1
    assert count_hitches(times) == 2


def test_the_fifteenth_frame_from_an_end_has_all_its_neighbours():
    # 15 of 9 ms, 14 of 11 ms and itself, 26: a median of 10. Without the two farthest it is 11.
    end = np.array([9.0, 11.0] * 7 + [26.0] + [9.0, 11.0] * 6 + [11.0, 9.0, 9.0])
    rest = np.full(20, 10.0)
    for times in (np.concatenate([end, rest]), np.concatenate([rest, end[::-1]])):
        assert count_hitches(times) == 1
        times[times == 26] = 25.0
        assert count_hitches(times) == 0


@pytest.mark.parametrize("first", range(1, 64))
def test_a_pass_may_be_cut_after_any_frame(first):
    times = SHAPES["with hitches"](np.random.default_rng(8), 64)
    times[[0, 12, -14, -1]] = 5.0
    expected = naive_count(times)
    for second in (first, first + 1, 40, 64):
        counter = HitchCounter()
        for part in (times[:first], times[first:second], times[max(first, second) :]):
            counter.add(part)
        assert counter.count() == expected


def test_first_and_last_frames_can_be_hitches():
    times = np.full(41, 10.0)
    times[[0, -1]] = 30.0
    assert count_hitches(times) == 2
