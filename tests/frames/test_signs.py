"""Signs of one pass by their definitions, counted by hand and one frame at a time."""

import itertools
import math

import numpy as np
import pytest

from perfkit.frames.dependence import line_changes
from perfkit.frames.side_by_side import stack
from perfkit.frames.signs import MOST_HALVINGS, one_of_each_run, read_signs, rises


def signs_of(sample, runs=None, rising=False):
    """Signs of one pass whose sample may come in any order."""
    ranked = np.sort(np.asarray(sample, dtype=float))
    runs = ranked if runs is None else np.asarray(runs, dtype=float)
    return read_signs(stack([ranked]), stack([runs]), [rising])[0]


def test_edge_and_what_stands_on_it_and_below_it():
    # The fifth of 40 is the edge: 10. On it from 9.95 up to below 10.05, below it under 9.9.
    sample = [9.89, 9.91, 9.94, 9.951, 10.0, 10.049, 10.051, *np.arange(12.0, 45.0)]
    found = signs_of(sample)
    assert found.edge_ms == 10.0
    assert found.below_share == 1 / 40
    assert found.edge_share == 3 / 40
    # Just 0.5 % shorter is on the edge, just 0.5 % longer not, just 1 % shorter not below it.
    for times, on, below in ((0.995, 2, 1), (1.005, 1, 2), (0.99, 1, 1), (0.9899, 1, 2)):
        pair = [8 * times, 9.0] if times < 1 else [6.0, 8 * times]
        found = signs_of([6.0, 8.0, *pair, *np.arange(10.0, 26.0)])
        assert (found.edge_ms, found.edge_share, found.below_share) == (8.0, on / 20, below / 20)
    # One of ten, the second of eleven and of nineteen, the third of twenty.
    for count, rank in ((9, 0), (10, 1), (11, 1), (19, 1), (20, 2)):
        assert signs_of(np.arange(1.0, count + 1)).edge_ms == 1.0 + rank


@pytest.mark.parametrize(
    ("count", "low", "high"), [(1, 0, 0), (20, 0, 18), (21, 1, 19), (22, 1, 19), (41, 2, 38)]
)
def test_spread_is_from_one_twentieth_of_the_frames_to_nineteen(count, low, high):
    sample = np.arange(1.0, count + 1) ** 2
    assert signs_of(sample).spread_ms == sample[high] - sample[low]


@pytest.mark.parametrize(
    ("sample", "tick"),
    [
        ([1.0, 1.0, 1.5, 1.75, 3.0], 0.25),
        ([1.0, 1.5, 1.5, 2.25], 0.5),
        ([3.0, 1.0, 1.0], 2.0),
        ([7.0] * 20, math.nan),
        ([7.0], math.nan),
        ([*[7.0] * 15, 8.0], 1.0),
        ([*[7.0] * 16, 8.0], 1.0),
    ],
)
def test_tick_is_the_smallest_difference_of_unequal_frames(sample, tick):
    assert signs_of(sample).tick_ms == pytest.approx(tick, nan_ok=True)


def grid(step, *numbers):
    """Frames of so many steps, each so often: `grid(5, (2, 10))` is ten frames of 10 ms."""
    return [steps * step for steps, times in numbers for _ in range(times)]


@pytest.mark.parametrize(
    ("sample", "step", "share", "second"),
    [
        # The shortest usual frame spans one, two, three or four refreshes.
        (grid(10.0, (1, 14), (2, 6)), 10, 1.0, 0.3),
        (grid(5.0, (2, 10), (3, 10)), 5, 1.0, 0.5),
        (grid(10 / 3, (3, 10), (4, 6), (5, 4)), 10 / 3, 1.0, 0.3),
        (grid(2.5, (4, 9), (5, 8), (7, 3)), 2.5, 1.0, 0.4),
        # No second step, and one beside which two others are rarer.
        (grid(10.0, (1, 20)), 10, 1.0, 0.0),
        (grid(10.0, (1, 14), (2, 4), (3, 1), (4, 1)), 10, 1.0, 0.2),
        # A finer grid must hold more than a tenth more.
        (grid(5.0, (2, 18), (3, 2)), 10, 0.9, 0.0),
        (grid(5.0, (2, 17), (3, 3)), 5, 1.0, 0.15),
        # Two frames of twenty may be off, three may not.
        ([*grid(10.0, (1, 12), (2, 6)), 10.4, 24.6], 10, 0.9, 0.3),
        # Two per cent of the edge lie within, whatever the grid.
        ([*grid(10.0, (1, 15), (2, 3)), 10.199, 19.801], 10, 1.0, 0.2),
        ([*grid(5.0, (2, 10), (3, 8)), 15.199, 14.801], 5, 1.0, 0.5),
        ([*grid(5.0, (2, 10), (3, 8)), 15.21, 14.79], 5, 0.9, 0.4),
        # Just at the width counts, which only a frame of nearly no step can be to the bit.
        ([*grid(1.0, (1, 15), (2, 4)), 0.02], 1, 1.0, 0.2),
        ([*grid(1.0, (1, 15), (2, 4)), np.nextafter(0.02, 1)], 1, 0.95, 0.2),
        # Frames of 64 steps and more count as one kind.
        (grid(10.0, (1, 17), (63, 1), (64, 1), (65, 1)), 10, 1.0, 0.1),
    ],
)
def test_a_pass_on_a_grid_gives_its_step_by_hand(sample, step, share, second):
    found = signs_of(sample)
    assert found.step_ms == pytest.approx(step, rel=1e-12)
    assert found.step_share == pytest.approx(share, rel=1e-12)
    assert found.second_step_share == pytest.approx(second, rel=1e-12)


def test_frames_on_no_grid_have_no_second_step():
    free = signs_of([*grid(10.0, (1, 11), (2, 6)), 10.83, 24.1, 31.7])
    assert free.step_share < 0.9
    assert (free.step_ms, free.second_step_share) == (10, 0.0)
    # On twelfths of the edge and on no half, third or quarter.
    odd = signs_of([110 / 12, 110 / 12, 10.0, *[130 / 12] * 17])
    assert (odd.step_ms, odd.step_share, odd.second_step_share) == (10, 0.0, 0.0)
    even = signs_of(np.linspace(10, 40, 200))
    assert (even.step_ms, even.step_share, even.second_step_share) == (even.edge_ms, 0.0, 0.0)


def split(sample):
    """Try every cut of the logs, and say what the best one leaves; a hundredth off each end."""
    ordered = np.sort(sample)
    trim = len(ordered) // 100
    logs = np.log(ordered[trim : len(ordered) - trim])
    cuts = [(logs[:k], logs[k:]) for k in range(1, len(logs))]
    inner = [sum(((part - part.mean()) ** 2).sum() for part in cut) for cut in cuts]
    low, high = cuts[int(np.argmin(inner))]
    total = ((logs - logs.mean()) ** 2).sum()
    third = (high.mean() - low.mean()) / 3
    middle = (logs >= low.mean() + third) & (logs < high.mean() - third)
    return (
        math.exp(low.mean()),
        math.exp(high.mean()),
        min(len(low), len(high)) / len(logs),
        1 - min(inner) / total,
        middle.mean(),
    )


MODES = ("low_mode_ms", "high_mode_ms", "smaller_share", "between_share", "valley_share")


def test_the_best_split_is_found_by_trying_every_cut_and_none_depends_on_the_others():
    rng = np.random.default_rng(21)
    for counts in ((257, 300, 399, 400, 512), (100, 99, 128, 65), (4, 5, 16, 9, 12)):
        samples = [
            rng.lognormal(2, 0.1, n) * np.where(rng.random(n) < rng.uniform(0.1, 0.9), 1.4, 1.0)
            for n in counts
        ]
        ranked = stack([np.sort(sample) for sample in samples])
        found = read_signs(ranked, stack(samples), [False] * len(samples))
        for sample, signs in zip(samples, found, strict=True):
            expected = split(sample)
            assert [getattr(signs, name) for name in MODES] == pytest.approx(expected, rel=1e-9)


def test_two_levels_are_their_own_groups():
    # 30 frames of 10 ms and 10 of 20 ms; two of 40 would be trimmed only from 100 frames on.
    found = signs_of([10.0] * 30 + [20.0] * 10)
    assert [getattr(found, name) for name in MODES] == pytest.approx([10, 20, 0.25, 1, 0])
    # Of 100 frames the longest and the shortest go: 98 are left, all equal.
    found = signs_of([5.0] + [10.0] * 98 + [40.0])
    assert [getattr(found, name) for name in MODES] == [10, 10, 0, 0, 1]
    found = signs_of([5.0] + [10.0] * 97 + [40.0])
    assert found.high_mode_ms == pytest.approx(40)
    # One frame that is longer or shorter is a group.
    for sample in ([10.0] * 19 + [20.0], [10.0] * 15 + [20.0], [5.0] + [10.0] * 19):
        found = signs_of(sample)
        assert found.high_mode_ms / found.low_mode_ms == pytest.approx(2)
        assert found.smaller_share == pytest.approx(1 / len(sample))
    # One frame has no two groups.
    assert [getattr(signs_of([7.0]), name) for name in MODES] == [7, 7, 0, 0, 1]


def test_the_valley_holds_its_lower_end_and_not_its_upper():
    # Powers of two, so that thirds are whole: means 1 and 4 in binary logs, valley from 2 to 3.
    logs = [*[1.0] * 9, *[4.0] * 9]
    for log, inside in ((1.9, 0), (2.1, 1), (2.9, 1), (3.1, 0)):
        found = signs_of(np.exp2([*logs, log, 5 - log]))
        assert found.valley_share == pytest.approx(2 * inside / 20)


def test_drift_is_the_change_of_the_logs_and_small_ones_are_not_judged():
    rng = np.random.default_rng(22)
    place = np.linspace(-0.5, 0.5, 200)
    noise = 0.002 * rng.standard_normal(200)
    for change in (0.0, 0.02, 0.03, -0.03, 0.2):
        runs = 16 * np.exp(change * place + noise)
        found = signs_of(np.sort(runs), runs)
        slope = np.polyfit(np.arange(200), np.log(runs), 1)[0]
        assert found.drift_log == pytest.approx(200 * slope, rel=1e-9)
        # Half of a drift of 5 % in logs: log(1.05) / 2 = 0.0244.
        judged = abs(found.drift_log) >= math.log(1.05) / 2
        assert judged == (abs(change) > 0.021)
        chance = line_changes(stack([np.log(runs)]))[1][0] if judged else 1.0
        assert found.drift_chance == chance
        assert (chance < 1) == judged


def test_rising_is_handed_through():
    assert [signs_of([1.0], rising=said).rising for said in (True, False)] == [True, False]


def test_frames_rise_only_where_each_is_longer():
    up = np.arange(1.0, 9.0)
    assert rises(up, up)
    assert not rises(np.array([1.0, 2.0, 2.0]), up)
    assert not rises(up, np.array([1.0, 3.0, 3.0]))
    assert not rises(up[::-1], up)


@pytest.mark.parametrize("halvings", [0, 1, 3, MOST_HALVINGS])
def test_one_frame_of_each_run_wherever_the_pass_is_cut(halvings):
    length = 1 << halvings
    times = np.arange(9000.0 * length + length - 1)
    whole = one_of_each_run(times, halvings)
    assert (whole // length).tolist() == list(range(9000))
    # Every place of a run is taken about equally often, neighbours at unlike places.
    often = np.bincount((whole % length).astype(int), minlength=length)
    assert abs(often - 9000 / length).max() <= 6 * math.sqrt(9000 / length)
    cuts = [0, 1, 500, 4095, 4096, 4097, 8999, 9000]
    parts = [
        one_of_each_run(times[a * length : b * length], halvings, a)
        for a, b in itertools.pairwise(cuts)
    ]
    assert np.array_equal(np.concatenate(parts), whole)
