"""Loads that come round again: each step of finding one, held to what it must be."""

import itertools

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import integrate, special

from perfkit.models import load_cycle
from perfkit.models.load_cycle import (
    BINS,
    FINE_FRAMES,
    HARMONICS,
    MOST_FRAMES,
    Frames,
    LoadCycle,
    PassLength,
    basis,
    explained,
    find_cycle,
    pass_length,
    relative,
    together,
    within,
)

SWING = 0.5
ONE = LoadCycle(2.0, np.array([SWING, 0.0, 0.0, 0.0, 0.0, 0.0]))
"""exp(SWING sin) over two seconds; a cycle's mean of exp(-SWING sin) is I0(SWING), Bessel's."""
TOP = special.i0(SWING)
FLAT = LoadCycle(2.0, np.zeros(6))
MIXED = LoadCycle(0.7, np.array([0.3, -0.2, 0.1, 0.05, 0.15, -0.1]))


def test_waves_are_sines_then_cosines() -> None:
    phase = np.linspace(-1.3, 2.1, 40)
    angles = 2 * np.pi * np.outer(phase, 1 + np.arange(HARMONICS))
    assert_allclose(basis(phase), np.hstack([np.sin(angles), np.cos(angles)]), atol=1e-12)


def test_load_is_relative_to_what_a_long_pass_sees() -> None:
    seconds = np.array([0.0, 0.5, 1.0, 1.5, 2.5])
    rise = np.array([0.0, SWING, 0.0, -SWING, SWING])
    assert_allclose(ONE.load(seconds), TOP * np.exp(rise), rtol=1e-12)
    of_a_round = integrate.quad(lambda t: 1 / MIXED.load(np.array([t]))[0], 0, 0.7)[0] / 0.7
    assert_allclose(of_a_round, 1.0, rtol=1e-9)


def test_shift_is_the_mean_load_of_a_passs_frames() -> None:
    quarters = np.full(4, 500.0)  # begin at 0, 0.5, 1 and 1.5 s
    whole, half = TOP * (2 + 2 * np.cosh(SWING)) / 4, TOP * (1 + np.exp(SWING)) / 2
    found = ONE.shift([quarters, quarters[:2]])
    assert_allclose(found, np.log([whole, half]), rtol=1e-12)


@pytest.mark.parametrize("rounds", [1, 3])
def test_whole_rounds_shift_nothing(rounds: int) -> None:
    short = np.log([1e-3])
    assert_allclose(ONE.expected_shift(short, np.array([2.0 * rounds])), 0.0, atol=1e-12)


@pytest.mark.parametrize("part", [0.25, 0.5, 2.5])
def test_a_part_of_a_round_shifts_by_the_integral(part: float) -> None:
    frames = integrate.quad(lambda phase: np.exp(-SWING * np.sin(2 * np.pi * phase)), 0, part)[0]
    expected = np.log(part / (frames / TOP))
    found = ONE.expected_shift(np.log([1e-3]), np.array([2.0 * part]))
    assert_allclose(found, expected, atol=3e-5)  # trapezes of a 256th of a round


def test_long_frames_are_drawn_one_after_the_other() -> None:
    first = 0.5 * ONE.load(np.array([0.0]))[0]
    second = 0.5 * ONE.load(np.array([first]))[0]
    third = 0.5 * ONE.load(np.array([first + second]))[0]
    # a frame begins where at least half of the one before would still lie within the pass
    one, two = first + first / 2, first + second + second / 2
    seconds = np.array([one - 1e-9, one + 1e-9, two - 1e-9, two + 1e-9])
    means = [first, (first + second) / 2, (first + second) / 2, (first + second + third) / 3]
    found = ONE.expected_shift(np.log(np.full(4, 500.0)), seconds)
    assert_allclose(found, np.log(np.array(means) / 0.5), rtol=1e-9)


def test_a_frame_that_just_half_fits_is_not_drawn() -> None:
    brief = LoadCycle(0.004, ONE.weights)
    first = 0.001 * brief.load(np.zeros(1))  # exp(0) ms of load at the start
    found = brief.expected_shift(np.zeros(1), first + first / 2)
    assert_allclose(found, np.log(first / 0.001), rtol=1e-12)


def test_just_so_many_frames_are_enough() -> None:
    brief, seconds = LoadCycle(0.004, ONE.weights), np.array([0.001 * MOST_FRAMES])
    smooth = brief.expected_shift(np.log([1e-3]), seconds)
    assert brief.expected_shift(np.zeros(1), seconds) == smooth


@pytest.mark.parametrize(("more", "stepped"), [(1.0, False), (1 + 1e-9, True)])
def test_from_sixty_frames_a_round_on_frames_are_short(more: float, stepped: bool) -> None:
    frame, seconds = np.array([2.0 / FINE_FRAMES * more]), np.array([0.7])
    found = ONE.expected_shift(np.log(1000 * frame), seconds)
    as_short = ONE.expected_shift(np.log([1e-3]), seconds)
    assert (abs(found[0] - as_short[0]) > 1e-4) == stepped


def test_a_pass_of_thousands_of_frames_is_long_enough() -> None:
    frame = np.array([0.5, 0.5])
    seconds = frame * MOST_FRAMES * np.array([1.0, 1 - 1e-9])
    found = ONE.expected_shift(np.log(1000 * frame), seconds)
    smooth = ONE.expected_shift(np.log([1e-3]), seconds[:1])
    assert found[0] == smooth[0]
    assert abs(found[1] - smooth[0]) > 1e-3


def test_an_unknown_frame_time_has_no_shift() -> None:
    found = ONE.expected_shift(np.array([np.nan, 0.0]), np.array([1.0, 1.0]))
    assert np.isnan(found[0])
    assert np.isfinite(found[1])


def test_length_between_and_beyond_the_ends() -> None:
    length = PassLength(np.array([0.0, 2.0]), np.array([1.0, 2.0]), (0.25, 0.5))
    at = np.array([-4.0, 0.0, 1.0, 2.0, 6.0])
    expected = [1 - 4 * 0.25, 1.0, 1.5, 2.0, 2 + 4 * 0.5]
    assert_allclose(length.log_length(at), expected, rtol=1e-12)
    assert_allclose(length.seconds(at), np.exp(expected), rtol=1e-12)
    own = PassLength(np.array([1.0, 2.0]), np.array([5.0, 5.0]), (0.9, 0.9), beyond=length)
    assert_allclose(own.log_length(at), [5 + 0 - 1.5, 5 + 1 - 1.5, 5, 5, 5 + 4 - 2], rtol=1e-12)


def test_a_running_median_of_five() -> None:
    log_ms = np.array([3.0, 1.0, 2.0, 5.0, 4.0])
    log_seconds = np.array([0.3, 0.9, 0.1, 0.2, 0.5])  # in order: .9 .1 .3 .5 .2
    found = pass_length(log_ms, np.exp(log_seconds))
    assert_allclose(found.log_ms, [1, 2, 3, 4, 5], rtol=0)
    assert_allclose(found.log_seconds, [0.3, 0.4, 0.3, 0.25, 0.3], rtol=1e-12)


def test_one_pass_has_its_own_length() -> None:
    assert_allclose(pass_length(np.array([2.0]), np.array([30.0])).seconds(np.array([1.0])), 30.0)


@pytest.mark.parametrize(("count", "outer"), [(4, 2), (14, 2), (15, 3), (20, 4)])
def test_slopes_of_the_outer_fifth(count: int, outer: int) -> None:
    x = np.arange(count, dtype=float)
    y = 0.3 * x - 0.02 * x**2 / count
    ends = [np.polyfit(x[part], y[part], 1)[0] for part in (slice(outer), slice(-outer, None))]
    assert_allclose(pass_length(x, np.exp(y)).slopes, ends, rtol=1e-9)


def test_slopes_lie_between_one_length_and_one_number_of_frames() -> None:
    x = np.array([0.0, 1.0, 2.0, 3.0])
    assert pass_length(x, np.exp([0, 3.0, 3.0, 1.0])).slopes == (1.0, 0.0)
    assert pass_length(np.zeros(4), np.exp([0, 1.0, 2.0, 3.0])).slopes == (0.0, 0.0)


def test_each_passs_mean_is_taken_away() -> None:
    values = np.array([[1.0, 3.0, 10.0, 20.0, 60.0], [0.0, 4.0, 1.0, 1.0, 1.0]])
    found = within(values, np.array([2, 3]))
    assert_allclose(found, [[-1, 1, -20, -10, 30], [-2, 2, 0, 0, 0]], atol=1e-12)


def test_passes_together() -> None:
    traces = [np.array([10.0, 20.0, 40.0]), np.array([5.0, 5.0])]
    found = together(traces, relative(traces))
    assert_allclose(found.start_s, [0, 0.01, 0.03, 0, 0.005], rtol=1e-12, atol=1e-15)
    assert found.count.tolist() == [3, 2]
    # logs less the median: -ln 2, 0, ln 2, 0, 0; half of them are 0, so all are clipped to 0
    assert_allclose(found.log_ms, 0.0, atol=0)
    means = np.array([70 / 3, 5.0])
    assert_allclose(found.fast_s, (5 + 0.1 * (means[0] - 5)) / 1000, rtol=1e-12)


def test_four_scaled_deviations_are_the_limit() -> None:
    rise = np.array([-0.3, -0.2, -0.1, 0.0, 0.1, 0.2, 9.0])
    found = together([np.exp(rise)], relative([np.exp(rise)])).log_ms
    limit = 4 * 1.4826 * 0.2  # the median deviation is 0.2
    clipped = np.minimum(rise, limit)
    assert_allclose(found, clipped - clipped.mean(), rtol=1e-9)


def made(cycle: LoadCycle, seconds: float = 3.0, frame_s: float = 0.01) -> Frames:
    """Frames of two passes that hold a cycle and nothing else."""
    starts = [np.arange(0.0, length, frame_s) for length in (seconds, 0.63 * seconds)]
    count = np.array([len(each) for each in starts])
    start = np.concatenate(starts)
    log_ms = within(basis(start / cycle.period_s) @ cycle.weights, count)
    return Frames(start, log_ms, count, frame_s)


def test_weights_of_a_clean_cycle_come_back() -> None:
    found = load_cycle._least_squares(made(MIXED), MIXED.period_s)
    assert_allclose(found, MIXED.weights, rtol=1e-6)
    every_phase_alike = made(LoadCycle(0.01, MIXED.weights))
    assert_allclose(load_cycle._least_squares(every_phase_alike, 0.01), 0.0, atol=1e-6)


def test_explained_part_of_the_variance() -> None:
    frames = made(MIXED)
    assert explained(frames, MIXED) == pytest.approx(1.0, abs=1e-12)
    assert explained(frames, LoadCycle(0.7, np.zeros(6))) == 0.0
    assert explained(frames, LoadCycle(0.7, MIXED.weights / 2)) == pytest.approx(0.75, abs=1e-9)
    small = LoadCycle(0.7, MIXED.weights / 100)
    assert explained(made(small), small) == pytest.approx(1.0, abs=1e-9)
    still = Frames(frames.start_s, np.zeros(len(frames.start_s)), frames.count, 0.01)
    assert explained(still, FLAT) == 0.0


def test_sums_of_waves_bin_by_bin() -> None:
    rng = np.random.default_rng(5)
    sums, frequency, bin_s = rng.normal(size=(2, BINS)), np.array([0.7, 3.1]), 0.001
    middle = (np.arange(BINS) + 0.5) * bin_s
    for wave, f in itertools.product(range(2 * HARMONICS + 1), range(2)):
        expected = sums @ np.exp(2j * np.pi * wave * frequency[f] * middle)
        found = load_cycle._wave_sums(frequency, bin_s, sums)[wave, f]
        assert_allclose(found, expected, rtol=1e-9, atol=1e-9)


def test_gain_is_that_of_least_squares() -> None:
    rng = np.random.default_rng(6)
    count = rng.integers(1, 4, BINS).astype(float)
    profile, bin_s, frequency = rng.normal(size=BINS), 0.001, np.array([0.9, 2.3])
    expected = []
    for each in frequency:
        phase = each * bin_s * (np.arange(BINS) + 0.5)
        design = np.hstack([np.ones((BINS, 1)), basis(phase)])
        normal, right = design.T @ (count[:, None] * design), design.T @ profile
        expected.append(right @ np.linalg.solve(normal, right))
    found = load_cycle._gains(frequency, bin_s, np.stack([count, profile]))
    assert_allclose(found, expected, rtol=1e-6)


def test_frames_at_few_moments_have_a_gain_all_the_same() -> None:
    # Three moments settle nothing about seven waves: their sum of squares is all there is to gain.
    sums = np.zeros((2, BINS))
    sums[0, [0, 1, 900]] = 1e4
    sums[1, [0, 1, 900]] = [1257.0, -1321.0, 64.0]
    whole = (sums[1] ** 2).sum() / 1e4
    assert_allclose(load_cycle._gains(np.array([0.9, 1.5, 2.3]), 0.001, sums), whole, rtol=1e-4)


def passes(period_s: float, seconds: float, count: int = 6, frame_ms: float = 5.0) -> list:
    """Make passes under one cycle of the load, with half a per cent of noise a frame."""
    rng, traces = np.random.default_rng(7), []
    for turn in range(count):
        pace, times, start = frame_ms * (1 + 0.3 * turn), list[float](), 0.0
        while start < seconds:
            wave = np.sin(2 * np.pi * start / period_s)
            times.append(pace * np.exp(0.2 * wave + rng.normal(0, 0.005)))
            start += times[-1] / 1000
        traces.append(np.array(times))
    return traces


def test_the_period_is_found_within_a_thousandth() -> None:
    found = find_cycle(passes(1.1, 4.0))
    assert found is not None
    assert found.period_s == pytest.approx(1.1, rel=1e-3)
    assert_allclose(found.weights, [0.2, 0, 0, 0, 0, 0], atol=0.01)


@pytest.mark.parametrize(("rounds", "seen"), [(1.35, False), (1.8, True)])
def test_a_round_and_a_half_must_be_seen(rounds: float, seen: bool) -> None:
    found = find_cycle(passes(2.0, 2.0 * rounds))
    assert (found is not None and abs(found.period_s / 2.0 - 1) < 0.05) == seen


def test_four_passes_of_two_frames_are_the_fewest() -> None:
    traces = passes(1.1, 4.0, count=4)
    assert find_cycle(traces) is not None
    assert find_cycle(traces[:3]) is None
    assert find_cycle([*traces[:3], np.array([5.0])]) is None
    assert find_cycle([*traces[:3], np.array([5.0, 5.0])]) is not None


def wave(turn: int, *parts: tuple[float, float]) -> np.ndarray:
    """Frame times of about 10 ms over 4 s with waves of these periods and heights."""
    rng, start = np.random.default_rng(turn), np.arange(0.0, 4.0, 0.01)
    logs = [height * np.sin(2 * np.pi * start / period) for period, height in parts]
    return np.asarray(10 * np.exp(np.sum(logs, axis=0) + rng.normal(0, 0.003, len(start))))


P, Q, UPSIDE_DOWN, NONE = (1.0, 0.1), (0.37, 0.15), (1.0, -0.1), (1.0, 0.0)


@pytest.mark.parametrize(("by_turn", "found"), [
    ([(P,), (P,), (P,), (P,)], True),
    ([(P,), (NONE,), (P,), (NONE,), (P,)], False),  # every other pass knows of none
    ([(NONE,), (P,), (NONE,), (P,), (NONE,), (P,)], False),
    ([(P,), (P,), (UPSIDE_DOWN,), (P,)], False),  # the first and the third say nothing together
    ([(P,), (P, Q), (P,), (P, Q)], False),  # what is learnt from P and Q must hold in P alone
    ([(P, Q), (P,), (P, Q), (P,)], False),
])  # fmt: skip
def test_each_half_of_the_passes_must_bear_out_the_other(by_turn: list, found: bool) -> None:
    traces = [wave(turn, *parts) for turn, parts in enumerate(by_turn)]
    assert (find_cycle(traces) is not None) == found


def test_passes_of_less_than_a_second_have_cycles_too() -> None:
    found = find_cycle(passes(0.2, 0.9))
    assert found is not None
    assert found.period_s == pytest.approx(0.2, rel=0.005)


def test_frames_must_be_ten_a_round() -> None:
    assert find_cycle(passes(0.2, 4.0, frame_ms=4.0)) is not None
    assert find_cycle(passes(0.03, 4.0, frame_ms=4.0)) is None


def test_passes_of_two_frames_have_no_period_to_seek() -> None:
    short = [np.array([5.0, 6.0])] * 2
    assert load_cycle._periods(together(short, relative(short))).shape == (0,)


def test_equal_frames_have_no_cycle() -> None:
    assert find_cycle([np.full(50, 10.0)] * 4) is None
