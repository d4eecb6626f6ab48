"""Every statistic by hand, against NumPy, and cut into any pieces."""

import dataclasses
import math

import numpy as np
import pytest
from numpy.testing import assert_allclose

from perfkit.frames import stream
from perfkit.frames.order import place, quantile_near
from perfkit.frames.pass_record import record_pass, tail_length, time_above
from perfkit.frames.side_by_side import ROWS
from perfkit.frames.statistics import finish, finish_each, frame_statistics
from perfkit.frames.stream import PassReader
from perfkit.frames.streamed_order import Largest, Middle, quantile_again, value_at_rank
from tests.frames.make import clean_pass
from tests.reference import load_json


def read_in_pieces(times, sizes, targets=(), **named):
    reader = PassReader(targets, len(times), **named)
    start = 0
    for size in sizes:
        reader.add(times[start : start + size])
        start += size
    reader.add(times[start:])
    return finish([reader.finish(lambda: [times])])[0]


def test_every_statistic_of_a_pass_worked_by_hand():
    # 1,000 frames: 990 of 10 ms, 9 of 20 ms, then one of 40 ms at the end.
    times = np.array([10.0] * 990 + [20.0] * 9 + [40.0])
    found = frame_statistics(times, (30.0, 60.0))
    assert found.frames == 1000
    assert found.seconds == pytest.approx(10.12, rel=1e-15)
    assert found.avg_fps == pytest.approx(1000 * 1000 / 10_120, rel=1e-15)
    # Type 7: position 999 * 0.99 = 989.01, between the 990th value (10) and the 991st (20).
    assert found.low_1pct_fps == pytest.approx(1000 / (10 + 0.01 * 10), rel=1e-12)
    assert math.isnan(found.low_01pct_fps)
    assert found.slowest_1pct_mean_fps == pytest.approx(1000 * 10 / (9 * 20 + 40), rel=1e-15)
    assert found.median_ms == 10.0
    assert found.p95_ms == 10.0
    assert found.pacing_ms == 0.0
    # 16.7 ms and 33.3 ms: all of 20 and 40 are above the first, only 40 above the second.
    assert found.over_share == pytest.approx((40 / 10_120, 220 / 10_120), rel=1e-15)
    # The last frame's neighbours are itself, the nine of 20 ms and six of 10 ms: median 20.
    # The first frames of 20 ms have a median of 10 and 20 < 25.
    assert found.hitches == 0


def test_average_is_not_the_mean_of_rates():
    found = frame_statistics(np.array([10.0, 30.0]))
    assert found.avg_fps == 50.0
    assert np.mean(1000 / np.array([10.0, 30.0])) != found.avg_fps


def test_pacing_is_the_median_step_and_bounded_by_the_range():
    assert frame_statistics(np.array([10.0, 14.0, 11.0, 12.0])).pacing_ms == 3.0
    assert math.isnan(frame_statistics(np.array([10.0])).pacing_ms)
    rng = np.random.default_rng(1)
    for _ in range(50):
        times = rng.lognormal(2.5, 1.0, rng.integers(2, 60))
        assert 0 <= frame_statistics(times).pacing_ms <= np.ptp(times)


@pytest.mark.parametrize("frames", [999, 1000, 9_999, 10_000])
def test_lows_need_enough_frames(frames):
    found = frame_statistics(np.linspace(10, 20, frames))
    assert math.isnan(found.low_1pct_fps) == (frames < 1000)
    assert math.isnan(found.low_01pct_fps) == (frames < 10_000)


def test_no_frame_is_an_error():
    with pytest.raises(ValueError, match=r"^frame_statistics needs at least one frame, got none$"):
        frame_statistics(np.empty(0))


@pytest.mark.parametrize("decimals", [0, 2, 12])
@pytest.mark.parametrize("frames", [1, 2, 3, 20, 101, 1000, 12_345])
def test_quantiles_equal_numpy_to_the_bit(frames, decimals):
    times = np.round(np.random.default_rng(frames).lognormal(2.7, 0.3, frames), decimals)
    found = frame_statistics(times)
    q50, q95, q99, q999 = np.quantile(times, [0.5, 0.95, 0.99, 0.999])
    assert (found.median_ms, found.p95_ms) == (q50, q95)
    if frames >= 1000:
        assert found.low_1pct_fps == 1000 / q99
    if frames >= 10_000:
        assert found.low_01pct_fps == 1000 / q999
    slowest = np.sort(times)[-math.ceil(frames / 100) :]
    assert found.slowest_1pct_mean_fps == pytest.approx(1000 / slowest.mean(), rel=1e-14)


@pytest.mark.parametrize("frames", [1, 40, 5_000, stream.WHOLE, stream.WHOLE + 1, 200_000])
def test_the_cut_into_pieces_changes_no_bit(frames):
    times = clean_pass(np.random.default_rng(frames), frames)
    targets = (30.0, 60.0, 120.0)
    rng = np.random.default_rng(2)
    first = read_in_pieces(times, [frames], targets)
    assert repr(read_in_pieces(times, [7_001] * 40, targets)) == repr(first)
    assert repr(read_in_pieces(times, rng.integers(0, 50_000, 20), targets)) == repr(first)


@pytest.mark.parametrize("order", ["as it came", "rising", "falling"])
def test_a_pass_longer_than_memory_equals_the_whole_array(order):
    # Very little is held, so the medians of ordered streams must be found by reading again.
    times = clean_pass(np.random.default_rng(3), 150_000)
    times = {"rising": np.sort(times), "falling": np.sort(times)[::-1]}.get(order, times)
    times = np.ascontiguousarray(times)
    found = read_in_pieces(times, [10_000] * 20, (60.0,), keep=8_192)
    whole = frame_statistics(times, (60.0,))
    for name in ("frames", "hitches", "median_ms", "p95_ms", "pacing_ms", "low_1pct_fps"):
        assert getattr(found, name) == getattr(whole, name), name
    assert found.low_01pct_fps == whole.low_01pct_fps
    for name in ("seconds", "avg_fps", "se_log_avg", "effective_frames", "over_share"):
        assert_allclose(getattr(found, name), getattr(whole, name), rtol=1e-11)
    assert found.signs == whole.signs


def test_time_above_counts_time_not_frames():
    times = np.array([10.0, 20.0, 30.0])
    assert time_above(times, 20.0, 10.0, 60.0) == 30.0
    assert time_above(times, 5.0, 10.0, 60.0) == 60.0
    assert time_above(times, 30.0, 10.0, 60.0) == 0.0
    many = np.arange(1.0, 101.0)
    assert time_above(many, 50.0, 1.0, many.sum()) == sum(range(51, 101))
    assert time_above(many, 95.0, 1.0, many.sum()) == sum(range(96, 101))


@pytest.mark.parametrize("share", [0.0, 0.1, 0.5, 0.95, 1.0])
@pytest.mark.parametrize("kind", ["good", "low", "high", "one", "equal"])
def test_a_quantile_is_exact_whatever_the_sample_suggests(kind, share):
    rng = np.random.default_rng(11)
    for count in (1, 2, 3, 50, 5_000):
        values = np.round(rng.lognormal(2, 0.3, count), 2)
        ordered = np.sort(values)
        sample = {
            "good": ordered[:: max(1, count // 200)],
            "low": ordered[: count // 9 + 1],
            "high": ordered[-(count // 9) - 1 :],
            "one": ordered[:1],
            "equal": np.repeat(ordered[count // 2], 300),
        }[kind]
        assert quantile_near(values, share, sample) == np.quantile(values, share)


def test_a_pass_does_not_depend_on_the_others_in_any_bit():
    rng = np.random.default_rng(12)
    lengths = [*rng.integers(1, 3_000, ROWS), 1, 17, 20_000, 140_000]
    records = [record_pass(clean_pass(rng, int(n)), (60.0,)) for n in lengths]
    together = [found for _, found in finish_each(enumerate(records))]
    assert [repr(found) for found in together] == [repr(finish([one])[0]) for one in records]


def test_middle_says_when_it_cannot_tell():
    middle = Middle(0.5, keep=100)
    for block in np.arange(10_000.0).reshape(-1, 50):
        middle.add(block)
    assert math.isnan(middle.value())


def test_largest_keeps_the_largest():
    values = np.random.default_rng(4).permutation(200_000).astype(float)
    largest = Largest(5)
    for block in values.reshape(-1, 1000):
        largest.add(block)
    assert largest.sorted().tolist() == [199_995.0, 199_996.0, 199_997.0, 199_998.0, 199_999.0]


@pytest.mark.parametrize("values", [[0.0, 0.0, 1e-300], [3.0, 1.0, 2.0, 2.0], [1e300, 5.0, 5e-324]])
def test_reading_again_finds_any_rank(values):
    ordered = sorted(values)
    for rank, expected in enumerate(ordered):
        assert value_at_rank(lambda: [np.array(values)], rank) == expected
    assert quantile_again(lambda: [np.array(values)], len(values), 0.4) == np.quantile(values, 0.4)


def test_quantile_positions_follow_type_7_of_the_reference():
    # R 4.2.2 quantile(type = 7); Hyndman and Fan 1996.
    stored = load_json("quantile_types")
    values = np.array(stored["x"], dtype=float)
    for share, value in zip(stored["probs"], stored["type"]["type7"], strict=True):
        rank, part = place(len(values), share)
        ordered = np.sort(values)
        upper = ordered[min(rank + 1, len(values) - 1)]
        assert ordered[rank] + part * (upper - ordered[rank]) == pytest.approx(value, rel=1e-12)


def test_tail_length_covers_both_lows_and_the_slowest_mean():
    for count in (1, 99, 100, 101, 1000, 99_999):
        kept = tail_length(count)
        assert kept >= math.ceil(count / 100)
        assert count - kept <= place(count, 0.99)[0]


def test_statistics_are_frozen():
    found = frame_statistics(np.ones(3))
    with pytest.raises(dataclasses.FrozenInstanceError, match="frames"):
        found.frames = 4
