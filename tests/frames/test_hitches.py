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


def test_first_and_last_frames_can_be_hitches():
    times = np.full(41, 10.0)
    times[[0, -1]] = 30.0
    assert count_hitches(times) == 2
