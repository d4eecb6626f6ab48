"""The record of a pass against its definitions over the whole array."""

import math

import numpy as np
import pytest

from perfkit.frames.pass_record import record_pass, tail_length, time_above
from tests.frames.make import clean_pass

LENGTHS = (1, 2, 3, 19, 20, 21, 40, 99, 100, 101, 199, 201, 512, 513, 1300, 9_000, 20_000, 140_000)
SHAPES = {
    "free": lambda times: times,
    "whole ms": np.rint,
    "equal": np.full_like,
    "rising": np.sort,
    "one long": lambda times: np.where(np.arange(len(times)) == len(times) // 2, 1e4, times),
}


def made(frames, shape):
    times = clean_pass(np.random.default_rng(frames), frames)
    return SHAPES[shape](times) if shape != "equal" else np.full(frames, 12.5)


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("frames", LENGTHS)
def test_every_number_by_its_definition(frames, shape):
    times = made(frames, shape)
    limits = [8.0, 12.5, 16.0, 17.0, float(times[0]), float(times.max()), float(times.min())]
    found = record_pass(times, tuple(1000 / limit for limit in limits))
    assert found.frames == frames
    assert found.total_ms == pytest.approx(math.fsum(times), rel=1e-13)
    assert found.variance == pytest.approx(np.var(times), rel=1e-11, abs=1e-20)
    shares = {"q50_ms": 0.5, "q95_ms": 0.95, "q99_ms": 0.99, "q999_ms": 0.999}
    for name, share in shares.items():
        assert getattr(found, name) == np.quantile(times, share), name
    slowest = np.sort(times)[-math.ceil(frames / 100) :]
    assert found.slowest_ms == pytest.approx(slowest.mean(), rel=1e-13)
    if frames > 1:
        assert found.pacing_ms == np.median(np.abs(np.diff(times)))
    else:
        assert math.isnan(found.pacing_ms)
    # 1000 over 1000 over a limit is within a bit of it: either side of frames of that length.
    for limit, above in zip(limits, found.above_ms, strict=True):
        exact = 1000 / (1000 / limit)
        assert above == pytest.approx(math.fsum(times[times > exact]), rel=1e-12)


@pytest.mark.parametrize("frames", [1, 511, 512, 513, 1024, 1025, 5_000, 131_071, 140_000, 400_000])
def test_runs_and_the_frame_taken_of_each(frames):
    times = np.arange(1.0, frames + 1)
    found = record_pass(times)
    length = 1
    while frames // length > 512:
        length *= 2
    runs = frames // length
    means = times[: runs * length].reshape(runs, length).mean(axis=1)
    assert found.run_means == pytest.approx(means, rel=1e-13)
    assert ((found.ranked - 1) // length).tolist() == list(range(runs))
    assert found.rising


def test_frames_do_not_rise_where_the_64th_is_no_longer_than_the_one_before():
    times = np.arange(1.0, 40_001)
    times[63] = times[62]
    assert not record_pass(times).rising
    times = np.arange(1.0, 40_001)
    times[64] = times[63]
    assert record_pass(times).rising


def test_no_time_is_lost_where_only_the_longest_frames_are_summed():
    # Those are found by a bound near the longest twelfth; limits go past it in steps of 0.02 %.
    times = made(20_000, "free")
    limits = np.quantile(times, 0.9) * 1.0002 ** np.arange(150)
    found = record_pass(times, tuple(1000 / limits))
    assert limits[-1] > np.quantile(times, 0.94)
    for limit, above in zip(1000 / (1000 / limits), found.above_ms, strict=True):
        assert above == pytest.approx(math.fsum(times[times > limit]), rel=1e-12)


def test_a_frame_of_just_the_limit_is_not_above_it():
    times = np.array([10.0, 20.0, 30.0])
    assert time_above(times, 10.0, 10.0, 60.0) == 50.0
    assert time_above(times, np.nextafter(10.0, 0.0), 10.0, 60.0) == 60.0


@pytest.mark.parametrize(
    ("count", "kept"),
    [(1, 1), (2, 2), (3, 3), (4, 3), (100, 3), (101, 4), (1_000, 12), (1_001, 13)],
)
def test_the_longest_hundredth_and_two_more_are_kept(count, kept):
    assert tail_length(count) == kept
