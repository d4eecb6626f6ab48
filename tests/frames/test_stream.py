"""Passes read piece by piece: what is held meanwhile, and steps and signs across the cuts."""

import math

import numpy as np
import pytest

from perfkit.frames.pass_record import record_pass
from perfkit.frames.stream import _BLOCK, WHOLE, PassReader, _all_steps, _joined, _steps
from tests.frames.make import clean_pass


def read(times, cuts=(), targets=(), **named):
    reader = PassReader(targets, len(times), **named)
    for piece in np.split(times, cuts):
        reader.add(piece)
    return reader.finish(lambda: pytest.fail("read again"))


def held(reader):
    return sum(map(len, reader._waiting))


def test_a_pass_without_frames_is_an_error():
    reader = PassReader((), 9)
    assert reader.count == 0
    reader.add(np.empty(0))
    with pytest.raises(ValueError, match="a pass needs at least one frame"):
        reader.finish(lambda: [])
    reader.add(np.array([16.0]))
    assert reader.count == 1
    assert reader.finish(lambda: []).total_ms == 16.0


def test_up_to_131_072_frames_are_one_array_and_of_more_less_than_a_block_waits():
    times = clean_pass(np.random.default_rng(0), WHOLE + 1)
    reader = PassReader((), len(times))
    reader.add(times[:WHOLE])
    assert held(reader) == WHOLE
    assert reader.finish(lambda: []).variance == record_pass(times[:WHOLE]).variance
    reader.add(times[WHOLE:])
    assert held(reader) == 1
    reader.add(times[: _BLOCK - 2])
    assert held(reader) == _BLOCK - 1
    reader.add(times[:1])  # a whole block
    assert held(reader) == 0


def test_a_long_pass_is_read_once_and_equals_the_whole_array():
    times = clean_pass(np.random.default_rng(1), 140_000)
    limits = (60.0, 75.0, 60.0)
    found, whole = read(times, [50_000, 140_000 - 3], limits), record_pass(times, limits)
    for name in ("frames", "hitches", "q50_ms", "q95_ms", "q99_ms", "q999_ms", "pacing_ms"):
        assert getattr(found, name) == getattr(whole, name), name
    for name in ("total_ms", "variance", "slowest_ms", "above_ms", "run_means"):
        np.testing.assert_allclose(getattr(found, name), getattr(whole, name), rtol=1e-12)
    assert found.ranked.tolist() == whole.ranked.tolist()
    assert found.rising is whole.rising is False


def test_a_drift_between_blocks_adds_to_the_variance():
    # Five blocks at 10, 20, 30, 40, 50: mean 30, squares 400, 100, 0, 100, 400 of as many frames.
    found = read(np.repeat([10.0, 20.0, 30.0, 40.0, 50.0], _BLOCK), [5 * _BLOCK - 9])
    assert found.variance == 200.0
    assert found.total_ms == 150.0 * _BLOCK


def test_the_first_frames_of_the_pass_tell_whether_it_rises():
    rising = np.linspace(10.0, 20.0, 140_000)
    assert read(rising).rising is True
    once = rising.copy()
    once[[7, 8]] = once[[8, 7]]
    assert read(once).rising is False
    later = rising.copy()
    at = _BLOCK + 7
    later[[at, at + 1]] = later[[at + 1, at]]
    assert read(later).rising is record_pass(later).rising


@pytest.mark.parametrize("cuts", [(), (1,), (1, 2), (2, 2, 5), (0, 6), (3, 7)])
def test_steps_go_across_the_cuts_and_begin_with_the_second_frame(cuts):
    times = np.array([10.0, 14.0, 11.0, 11.0, 21.0, 1.0, 2.0])
    steps = [step for part in _all_steps(np.split(times, cuts)) for step in part]
    assert steps == [4.0, 3.0, 0.0, 10.0, 20.0, 1.0]
    assert _steps(times[2:4], 14.0).tolist() == [3.0, 0.0]
    assert _steps(times[2:4], math.nan).tolist() == [0.0]


def test_one_part_is_not_copied_and_several_are_joined_in_order():
    one, two = np.array([1.0]), np.array([2.0])
    assert _joined([one]) is one
    assert _joined([one, two]).tolist() == [1.0, 2.0]
    assert _joined([one, two, one]).tolist() == [1.0, 2.0, 1.0]
