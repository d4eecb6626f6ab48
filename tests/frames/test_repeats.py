"""Passes out of line with their repeats: every rule just met and just missed, by hand.

Repeats elsewhere lie so far apart that their spread is known: the median distance of two times
1.4826 over root 2 (for a normal spread the median distance of two is 0.954 of its deviation).
"""

import functools
import math

import numpy as np
import pandas as pd
import pytest

from perfkit.frames.repeats import CONFIGURATION, _apart, _drift, repeat_flags

ROOT2 = math.sqrt(2)
SAME = dict.fromkeys(CONFIGURATION, "c") | {"width": 1920, "height": 1080, "cap_fps": np.nan}
SLIGHTLY = 1e-9


def rows(name, logs, **more):
    """Give passes of one sitting by their logs; the average of log 0 is 60."""
    base = SAME | {"outcome": "ran", "void_reason": "", "date": "", "sitting": "1"} | more
    table = pd.DataFrame([base] * len(logs))
    table["pass_id"] = [f"{name}{i}" for i in range(len(logs))]
    table["order"] = range(len(logs))
    return table.assign(avg_fps=60 * np.exp(np.asarray(logs, dtype=float)))


@functools.cache
def elsewhere(spread, workload="c", pairs=9):
    """Many pairs of passes whose spread is the given one."""
    table = rows(f"b{workload}", np.tile([0, spread * ROOT2 / 1.4826], pairs), workload=workload)
    return table.assign(width=np.repeat(np.arange(pairs), 2))


def told(logs, spread=0.01, **more):
    """Codes of each pass in order."""
    table = pd.concat([rows("p", logs, **more), elsewhere(spread)], ignore_index=True)
    flags = repeat_flags(table)
    assert all(name.startswith("p") for name in flags)
    return [" ".join(flag.code for flag in flags.get(f"p{i}", [])) for i in range(len(logs))]


def flag_of(logs, spread=0.01):
    table = pd.concat([rows("p", logs), elsewhere(spread)], ignore_index=True)
    ((flag,),) = repeat_flags(table).values()
    return flag


# 4.5 deviations of one pass from the mean of two or three others, and of two passes.
OF_TWO, OF_THREE = 0.045 * math.sqrt(1 + 1 / 2), 0.045 * math.sqrt(1 + 1 / 3)
APART = 0.045 * ROOT2
UP3, DOWN3 = math.log(1.03), math.log(0.97)


@pytest.mark.parametrize("edge", [1 + SLIGHTLY, 1 - SLIGHTLY])
@pytest.mark.parametrize(
    ("shape", "spread", "codes"),
    [
        # Score: 4.5 spreads, with the error of the others.
        ([-OF_TWO, 0, 0], 0.01, ["first_slow", "", ""]),
        ([-OF_THREE, 0, 0, 0], 0.01, ["first_slow", "", "", ""]),
        ([OF_TWO, 0, 0], 0.01, ["outlier", "", ""]),
        ([0, -OF_TWO, 0], 0.01, ["", "outlier", ""]),
        ([0, 0, 0, OF_THREE], 0.01, ["", "", "", "outlier"]),
        ([0, APART / 2, APART], 0.01, ["", "", "drift"]),
        ([0, -APART / 2, -APART], 0.01, ["", "", "drift"]),
        # Three per cent, where repeats spread by less than any bench does.
        ([DOWN3, 0, 0], 0.0, ["first_slow", "", ""]),
        ([UP3, 0, 0], 0.0, ["outlier", "", ""]),
        ([0, DOWN3, 0], 0.0, ["", "outlier", ""]),
        ([0, UP3 / 2, UP3], 0.0, ["", "", "drift"]),
        ([0, DOWN3 / 2, DOWN3], 0.0, ["", "", "drift"]),
    ],
)
def test_a_pass_is_out_of_line_from_its_threshold_on(shape, spread, codes, edge):
    nothing = [""] * len(shape)
    assert told(edge * np.array(shape), spread) == (codes if edge > 1 else nothing)


def test_out_of_line_to_the_last_bit():
    # Exact: 4.5 spreads of 1/16, half of 1/2, four fifths of 1, and 3 % by its log.
    score, three = 4.5 / 16, math.log1p(0.03)
    alike = np.zeros(2)
    assert _apart(score, alike, 1 / 16, 1.0)
    assert not _apart(np.nextafter(score, 0), alike, 1 / 16, 1.0)
    assert _apart(-0.5, np.array([0.25, 0.0]), 0.01, 1.0)
    assert not _apart(-0.5, np.array([np.nextafter(0.25, 1), 0.0]), 0.01, 1.0)
    assert _apart(three, alike, 0.003, 1.0)
    assert not _apart(np.nextafter(three, 0), alike, 0.003, 1.0)
    assert _drift(np.array([0.0, 0.8, 1.0]), 0.01)
    assert not _drift(np.array([0.0, np.nextafter(0.8, 1), 1.0]), 0.01)
    assert _drift(np.array([0.0, 0.01, three]), 0.003)
    assert not _drift(np.array([0.0, 0.01, np.nextafter(three, 0)]), 0.003)
    far = 4.5 * 0.125 * ROOT2
    assert _drift(np.array([0.0, 0.5, far]), 0.125)
    assert not _drift(np.array([0.0, 0.5, np.nextafter(far, 0)]), 0.125)


def test_no_bench_repeats_better_than_three_in_a_thousand():
    # 4.5 * 0.003 * root(1 + 1/2) is 1.65 %: only below 3 % it would decide.
    assert told([-0.0400, 0, 0], 0.0) == ["first_slow", "", ""]
    assert told([-0.0400, 0, 0], 0.0072) == ["first_slow", "", ""]
    assert told([-0.0400, 0, 0], 0.0073) == ["", "", ""]


@pytest.mark.parametrize(
    ("logs", "codes"),
    [
        # The others must agree to half of the difference.
        ([-0.2, -0.0666, 0.0], ["first_slow", "", ""]),
        ([-0.2, 0.0, 0.1], ["first_slow", "", ""]),
        ([-0.2, 0.1, 0.0, 0.0], ["first_slow", "", "", ""]),
        ([-0.1, 0.0668, 0.0, 0.0334], ["", "", "", ""]),
        ([-0.1, 0.0666, 0.0, 0.0333], ["first_slow", "", "", ""]),
        ([0.0, 0.1, 0.0, 0.051], ["", "", "", ""]),
        ([0.0, 0.1, 0.0, 0.049], ["", "outlier", "", ""]),
        # No step of a drift may be more than four fifths of it; three passes at least.
        ([0.0, 0.0201, 0.1], ["", "", "drift"]),
        ([0.1, 0.0201, 0.0], ["", "", "drift"]),
        ([0.1, 0.0199, 0.0], ["outlier", "", ""]),
        ([0.0, 0.0199, 0.1], ["", "", "outlier"]),
        ([0.0, 0.05, 0.05, 0.1], ["", "", "", ""]),
        ([0.0, 0.05, 0.04, 0.1], ["", "", "", ""]),
        ([0.1, 0.05, 0.05, 0.0], ["", "", "", ""]),
        ([0.0, 0.1], ["", ""]),
        # After a slow first pass the rest may drift, if three are left.
        ([-0.5, 0.0, 0.05, 0.1], ["first_slow", "", "", "drift"]),
        ([-0.5, 0.1, 0.05, 0.0], ["first_slow", "", "", "drift"]),
        ([-0.5, 0.0, 0.1], ["first_slow", "", ""]),
        # One verdict: a drift is no outlier, the rest of a slow first pass none either.
        ([0.0, 0.01, 0.0199, 0.1], ["", "", "", "outlier"]),
        ([0.0, 0.02, 0.04, 0.1], ["", "", "", "drift"]),
        ([-0.5, 0.0, 0.0, 0.0, 0.2], ["first_slow", "", "", "", ""]),
    ],
)
def test_each_rule_by_hand(logs, codes):
    assert told(logs) == codes


def test_over_several_sittings_only_outliers_are_told():
    for logs, codes in {
        (-0.1, 0.0, 0.0): ["outlier", "", ""],
        (0.0, 0.05, 0.1): ["", "", ""],
        (0.0, 0.0, 0.1): ["", "", "outlier"],
    }.items():
        assert told(logs, sitting="1") != codes or logs[0] == 0
        table = pd.concat([rows("p", logs), elsewhere(0.01)], ignore_index=True)
        table.loc[2, "sitting"] = "2"
        flags = repeat_flags(table)
        assert ["".join(f.code for f in flags.get(f"p{i}", [])) for i in range(3)] == codes


def test_passes_are_taken_by_day_sitting_and_order_and_void_ones_left_out():
    table = rows("p", [0.0, 0.0, -0.1, -0.3])
    table["order"] = [2, 3, 1, 0]
    table.loc[3, "void_reason"] = "window lost focus"
    study = pd.concat([table, elsewhere(0.01)], ignore_index=True)
    assert {name: [f.code for f in flags] for name, flags in repeat_flags(study).items()} == {
        "p2": ["first_slow"]
    }
    study["order"] = 0
    study.loc[[0, 1], "date"] = "2026-11-02"
    study.loc[2, "date"] = "2026-11-01"
    assert [f.code for f in repeat_flags(study)["p2"]] == ["first_slow"]
    study.loc[2, "date"] = "2026-11-03"
    assert [f.code for f in repeat_flags(study)["p2"]] == ["outlier"]


@pytest.mark.parametrize("name", CONFIGURATION)
def test_repeats_agree_in_the_whole_configuration(name):
    table = pd.concat([rows("p", [0.0, 0.0, -0.1]), elsewhere(0.01)], ignore_index=True)
    assert list(repeat_flags(table)) == ["p2"]
    table[name] = table[name].astype(object)
    table.loc[2, name] = "another"
    assert repeat_flags(table) == {}


@pytest.mark.parametrize(
    ("workload", "usual", "own", "spread"),
    [("v", 0.01, 0.03, 0.03), ("v", 0.03, 0.01, 0.03), ("c", 0.01, 0.03, 0.01)],
)
def test_the_larger_spread_counts_of_the_study_and_of_the_workload(workload, usual, own, spread):
    # Most pairs of the study are of workload c, so the median of all is theirs.
    study = [elsewhere(usual, pairs=15), elsewhere(own, "v")]
    for factor in (0.999, 1.001):
        group = rows("p", [-factor * 4.5 * spread * math.sqrt(1.5), 0, 0], workload=workload)
        flags = repeat_flags(pd.concat([*study, group], ignore_index=True))
        assert bool(flags) == (factor > 1)


def test_distances_are_between_all_repeats_of_a_configuration():
    # Three passes have three distances: 1, 2 and 3 times one; their median is the middle one.
    unit = 0.01 * ROOT2 / 1.4826
    many = [rows(f"b{i}-", [0, unit / 2, 1.5 * unit], width=i) for i in range(9)]
    for factor in (0.999, 1.001):
        table = pd.concat([*many, rows("p", [-factor * OF_TWO, 0, 0])], ignore_index=True)
        assert bool(repeat_flags(table)) == (factor > 1)


def test_first_slow_says_its_numbers():
    flag = flag_of([math.log(0.9), -0.001, 0.001])
    assert (flag.code, flag.unit) == ("first_slow", "relative change")
    assert flag.measured == pytest.approx(-0.1, rel=1e-9)
    assert flag.threshold == -0.03
    assert flag.sentence == (
        "The first pass is 10.0% slower than the 2 after it, whose repeats spread by 1.0%: as when "
        "shaders or storage are cold."
    )


@pytest.mark.parametrize(
    ("end", "share", "sentence"),
    [
        (1.1, 0.1, "each was faster than the one before, 10.0% in all"),
        (0.9, -0.1, "each was slower than the one before, 10.0% in all"),
    ],
)
def test_a_drift_over_passes_says_its_numbers(end, share, sentence):
    flag = flag_of([0.0, math.log(end) / 2, math.log(end)])
    assert (flag.code, flag.unit) == ("drift", "relative change")
    assert flag.measured == pytest.approx(share, rel=1e-9)
    assert flag.threshold == math.copysign(0.03, share)
    assert flag.sentence == (
        f"Over 3 passes {sentence}, where repeats spread by 1.0%: the machine had not settled."
    )


@pytest.mark.parametrize(
    ("middle", "share", "way"), [(1.25, 0.25, "faster"), (0.8, -0.2, "slower")]
)
def test_an_outlier_says_its_numbers(middle, share, way):
    # Against the median of the others, 0.002: 1.25 and 0.8 are times that.
    flag = flag_of([0.0, 0.002 + math.log(middle), 0.002, 0.003])
    assert (flag.code, flag.unit) == ("outlier", "relative change")
    assert flag.measured == pytest.approx(share, rel=1e-9)
    assert flag.threshold == math.copysign(0.03, share)
    assert flag.sentence == (
        f"This pass is {abs(share):.1%} {way} than the median of its 3 repeats, which spread by "
        "1.0% elsewhere."
    )
