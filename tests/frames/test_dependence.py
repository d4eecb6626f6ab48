"""Block length and standard errors against arch, the stored references and known truths."""

import math

import numpy as np
import pytest
from arch.bootstrap import optimal_block_length
from scipy.signal import lfilter
from scipy.stats import linregress, t

from perfkit.frames.dependence import (
    block_length,
    block_standard_errors,
    halvings_for,
    line_changes,
    run_sums,
    standard_errors,
)
from perfkit.frames.side_by_side import stack
from tests.reference import load_csv, load_json

SERIES = ("ar1_phi07", "white_noise")


def standard_error(runs, variance):
    """One pass of a batch of one."""
    errors, effective = standard_errors(stack([runs]), np.array([variance]))
    return float(errors[0]), float(effective[0])


def block_error(values, length):
    """One series of a batch of one."""
    centred = (values - values.mean())[None]
    counts, lengths = np.array([[len(values)]]), np.array([[length]])
    return float(block_standard_errors(centred, counts, lengths)[0])


def line_change(values, least=0.0):
    """One series of a batch of one."""
    change, chance = line_changes(stack([values]), least)
    return float(change[0]), float(chance[0])


@pytest.mark.parametrize("name", SERIES)
def test_block_length_of_the_reference_series(name):
    # Politis and White 2004 with the correction of 2009; stored value computed by arch 8.0.0.
    values = load_csv(name)["y"].to_numpy()
    stored = load_json(f"{name}_expected")["results"]["optimal_block_length"]["circular"]
    assert block_length(values) == pytest.approx(stored, rel=1e-9)


@pytest.mark.parametrize("name", SERIES)
def test_circular_block_error_equals_the_exact_bootstrap_variance(name):
    # Closed form stored beside Monte Carlo results of arch and of R's tsboot, Politis and Romano.
    values = load_csv(name)["y"].to_numpy()
    stored = load_json(f"{name}_expected")["results"]["exact_se_mean"]
    assert len(stored) >= 2
    for length, errors in stored.items():
        expected = errors["circular"]
        assert block_error(values, int(length)) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("memory", [-0.8, 0.0, 0.5, 0.9, 0.99])
@pytest.mark.parametrize("count", [16, 37, 100, 512])
def test_block_length_equals_arch(count, memory):
    rng = np.random.default_rng(count)
    values = rng.standard_normal(count)
    for i in range(1, count):
        values[i] += memory * values[i - 1]
    expected = float(optimal_block_length(values)["circular"].iloc[0])
    assert block_length(values) == pytest.approx(expected, rel=1e-9)


def circular_error(values, length):
    """Root of length/n times the variance of all n block means on a circle, one by one."""
    n = len(values)
    means = [np.take(values, range(i, i + length), mode="wrap").mean() for i in range(n)]
    return math.sqrt(length / n * np.var(means))


def arch_length(values):
    return max(1, math.ceil(optimal_block_length(values)["circular"].iloc[0]))


def wander(count, memory, seed=0):
    shocks = np.random.default_rng([count, seed]).standard_normal(count)
    return lfilter([1], [1, -memory], shocks)


@pytest.mark.parametrize("memory", [-0.8, 0.0, 0.5, 0.9])
@pytest.mark.parametrize("count", [16, 17, 37, 100, 512])
def test_the_error_is_that_of_circular_blocks_of_the_length_of_arch(count, memory):
    values = 20 + wander(count, memory)
    error, effective = standard_error(values, 3.0)
    expected = circular_error(values, arch_length(values))
    assert error == pytest.approx(expected, rel=1e-9)
    assert effective == pytest.approx(3.0 / expected**2, rel=1e-9)


@pytest.mark.parametrize("memory", [-0.5, 0.0, 0.9])
@pytest.mark.parametrize("count", [16, 17, 60, 400])
def test_a_line_and_its_chance_by_its_definition(count, memory):
    # The error of a slope times n is root 12 that of a mean; t with blocks - 2 degrees of freedom.
    values = wander(count, memory, 1) + np.linspace(0, 2, count)
    fitted = linregress(np.arange(count), values)
    change, chance = line_change(values)
    assert change == pytest.approx(count * fitted.slope, rel=1e-9)
    left = values - fitted.intercept - fitted.slope * np.arange(count)
    length = arch_length(left)
    score = abs(change) / (math.sqrt(12) * circular_error(left, length))
    assert chance == pytest.approx(2 * t.sf(score, max(1, count / length - 2)), rel=1e-7)


def test_a_change_is_judged_from_the_least_on_and_from_16_values():
    values = wander(100, 0.5) + np.linspace(0, 3, 100)
    change, chance = line_change(values)
    assert chance < 1
    assert line_change(values, abs(change)) == (change, chance)
    assert line_change(-values, abs(change)) == pytest.approx((-change, chance), rel=1e-12)
    assert line_change(values, np.nextafter(abs(change), np.inf)) == (change, 1.0)
    short, said = line_change(values[:15])
    assert math.isnan(short)
    assert said == 1.0
    # A line without any rest and none without a change: certain, and nothing to judge.
    assert line_change(np.arange(64.0)) == (64.0, pytest.approx(0, abs=1e-9))
    assert line_change(np.ones(64)) == (0.0, 1.0)


@pytest.mark.parametrize("place", [0, 1, 3, -1, -2, -4])
@pytest.mark.parametrize("count", [16, 40, 200])
def test_a_long_frame_near_an_end_enters_only_the_lags_that_it_has(place, count):
    # Where one value is most of the spread, what is left of a lag without it decides.
    for seed in range(5):
        values = wander(count, 0.6, seed)
        values[place] += 8
        expected = float(optimal_block_length(values)["circular"].iloc[0])
        assert block_length(values) == pytest.approx(expected, rel=1e-9)


def test_length_and_chance_have_no_unit_and_errors_have_that_of_the_times():
    for memory in (0.0, 0.9):
        values = wander(100, memory) + np.linspace(0, 1, 100)
        (error, effective), (change, chance) = standard_error(values, 4.0), line_change(values)
        for unit in (2.0**-20, 2.0**20):
            assert block_length(unit * values) == block_length(values)
            assert standard_error(unit * values, unit**2 * 4.0) == (unit * error, effective)
            assert line_change(unit * values) == (unit * change, chance)


def test_effective_frames_of_an_ar1_series_come_near_the_truth():
    # n (1 - phi) / (1 + phi) = 70.6 of 400 for phi 0.7; a block error is a little small.
    values = load_csv("ar1_phi07")["y"].to_numpy()
    truth = load_json("ar1_phi07_expected")["theory"]["effective_n"]
    error, effective = standard_error(values, float(np.var(values)))
    assert effective == pytest.approx(truth, rel=0.25)
    assert np.std(values) / math.sqrt(len(values)) < 0.5 * error


def test_effective_frames_of_white_noise_are_all_of_them():
    values = load_csv("white_noise")["y"].to_numpy()
    assert standard_error(values, float(np.var(values)))[1] == pytest.approx(500, rel=0.25)


@pytest.mark.parametrize("frames", [300, 6_000])
def test_standard_error_is_right_on_average_over_simulated_passes(frames):
    # AR(1) with phi 0.8 and unit shocks: sd(mean) = 1 / sqrt(n) / (1 - phi), a standard result.
    rng = np.random.default_rng(6)
    found = []
    for _ in range(200):
        values = lfilter([1], [1, -0.8], rng.standard_normal(frames + 100))[100:]
        runs = run_sums(values, halvings_for(frames)) / (1 << halvings_for(frames))
        found.append(standard_error(runs, float(np.var(values)))[0])
    truth = 1 / math.sqrt(frames) / 0.2
    # The block error is small in short series: by 18 % at 300 frames.
    assert 0.78 < np.mean(found) / truth < 1.05


@pytest.mark.parametrize(
    ("count", "halvings"),
    [(1, 0), (512, 0), (513, 1), (1025, 1), (1026, 2), (2051, 2), (2052, 3), (262_655, 9)],
)
def test_runs_are_doubled_until_at_most_512_are_left(count, halvings):
    assert halvings_for(count) == halvings
    assert count >> halvings <= 512 < (count >> (halvings - 1) if halvings else 513)


def test_runs_are_summed_and_the_rest_left_out():
    assert run_sums(np.arange(11.0), 2).tolist() == [6.0, 22.0]
    values = np.random.default_rng(7).random(4096)
    assert run_sums(values, 0) is values
    assert run_sums(run_sums(values, 2), 3) == pytest.approx(run_sums(values, 5), rel=1e-14)


def test_too_few_or_equal_frames_have_no_error():
    assert all(map(math.isnan, standard_error(np.arange(15.0), 1.0)))
    error, effective = standard_error(np.ones(20), 0.0)
    assert error == 0
    assert math.isnan(effective)
    # Long and short frames in turn, averaged by twos: the error is 0, the spread is not.
    assert math.isnan(standard_error(np.ones(20), 1.0)[1])


def test_line_change_tells_a_trend_from_a_wander():
    rng = np.random.default_rng(8)
    noise = rng.standard_normal(300)
    change, chance = line_change(noise + np.linspace(0, 5, 300))
    assert change == pytest.approx(5, abs=0.5)
    assert chance < 1e-6
    assert line_change(noise)[1] > 0.01
    assert line_change(np.cumsum(noise))[1] > 0.001
    assert line_change(noise, least=100.0)[1] == 1.0


def test_a_series_does_not_depend_on_the_others_in_any_bit():
    rng = np.random.default_rng(9)
    series = [np.cumsum(rng.standard_normal(n)) for n in (257, 300, 412, 511, 512)]
    together = stack(series)
    errors, effective = standard_errors(together, np.ones(5))
    change, chance = line_changes(together, 0.1)
    for place, one in enumerate(series):
        assert standard_error(one, 1.0) == (errors[place], effective[place])
        assert line_change(one, 0.1) == (change[place], chance[place])
