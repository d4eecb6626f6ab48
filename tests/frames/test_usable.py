"""Which passes count, held to the edges, and how several count together."""

import itertools
import math

import numpy as np
import pandas as pd
import pytest

from perfkit.frames.usable import (
    CONFIGURATION,
    at_newest_version,
    combine,
    countable,
    eligible,
    held,
    pooled_log_spread,
    usable,
)

NAN = math.nan
PLAIN = {
    "system": "s", "gpu": "g", "workload": "w", "width": 1920, "height": 1080, "render_scale": 1.0,
    "outcome": "ran", "void_reason": "", "avg_fps": 50.0, "low_1pct_fps": 40.0, "frames": NAN,
    "seconds": NAN, "generated_per_drawn": 0.0, "cap_fps": NAN, "flags": "", "source": "own",
    "state": "warm",
}  # fmt: skip


def table(*rows):
    return pd.DataFrame([PLAIN | row for row in rows])


def kept(function, *rows):
    return function(table(*rows)).index.tolist()


def test_a_pass_counts_if_it_ran_is_not_void_and_has_an_average():
    assert kept(usable, {}, {"outcome": "crashed"}, {"void_reason": "x"}, {"avg_fps": NAN}) == [0]
    both = {"outcome": "crashed", "void_reason": "x"}
    assert kept(usable, both, both | {"avg_fps": NAN}) == []


@pytest.mark.parametrize(
    ("average", "cap", "flags", "expected"),
    [
        (97.0, 100.0, "", True),
        (np.nextafter(97.0, 0.0), 100.0, "", False),
        (120.0, 100.0, "", True),
        (50.0, NAN, "", False),
        (50.0, NAN, "cap", True),
        (50.0, NAN, "short; sync", True),
        (50.0, 100.0, "cap; sync", True),
        (97.0, 100.0, "drift", True),
        (50.0, NAN, "drift; short", False),
        (50.0, NAN, "capital", False),  # codes, not parts of words
        (50.0, NAN, None, False),
    ],
)
def test_a_pass_is_held_by_its_cap_or_by_its_flags(average, cap, flags, expected):
    passes = table({"avg_fps": average, "cap_fps": cap, "flags": flags})
    found = held(passes)
    assert found.tolist() == [expected]
    assert found.dtype == bool
    assert held(passes.drop(columns="flags")).tolist() == [average >= 97.0 and cap == 100.0]


def test_only_plain_passes_say_how_fast_a_configuration_is():
    assert kept(
        eligible, {}, {"generated_per_drawn": 1.0}, {"cap_fps": 50.0}, {"flags": "sync"},
        {"outcome": "crashed"}, {"generated_per_drawn": NAN},
    ) == [0]  # fmt: skip


def test_of_two_passes_with_the_same_frames_one_stays():
    same = {"frames": 900.0, "seconds": 18.0}
    assert kept(eligible, same, same, same | {"seconds": 18.5}, same | {"avg_fps": 51.0}) == [
        0, 2, 3,
    ]  # fmt: skip
    assert kept(eligible, same, same | {"frames": 901.0}) == [0, 1]
    # Typed averages may well be equal.
    assert kept(eligible, {}, {}) == [0, 1]
    for name in CONFIGURATION:
        other = same | {name: "t" if isinstance(PLAIN[name], str) else 7}
        assert kept(eligible, same, other) == [0, 1], name


@pytest.mark.parametrize(
    ("column", "second"), [("source", "borrowed"), ("state", "cold")], ids=["source", "state"]
)
def test_second_best_passes_stay_only_where_a_configuration_has_no_others(column, second):
    worse, elsewhere = {column: second}, {"gpu": "h"}
    assert kept(eligible, worse, {}, worse | elsewhere) == [1, 2]
    assert kept(eligible, worse, elsewhere) == [0, 1]
    assert kept(eligible, {column: ""}, worse) == [0]
    # What does not count replaces nothing.
    assert kept(eligible, worse, {"void_reason": "x"}) == [0]


def test_a_cold_own_pass_is_better_than_a_warm_borrowed_one():
    assert kept(eligible, {"source": "borrowed"}, {"state": "cold"}) == [1]


def test_shifted_passes_come_to_the_newest_version_with_their_lows():
    rows = [{"version_use": use, "log_version_shift": shift}
            for use, shift in (("shifted", math.log(1.1)), ("pooled", 0.0), ("", 0.0),
                               ("kept apart", 0.0))]  # fmt: skip
    found = at_newest_version(table(*rows))
    assert found.index.tolist() == [0, 1, 2]
    assert found["avg_fps"].tolist() == pytest.approx([55.0, 50.0, 50.0], rel=1e-12)
    assert found["low_1pct_fps"].tolist() == pytest.approx([44.0, 40.0, 40.0], rel=1e-12)
    rows[1]["void_reason"] = "x"
    counted = countable(table(*rows))
    assert counted.index.tolist() == [0, 2]
    assert counted["avg_fps"].tolist() == pytest.approx([55.0, 50.0], rel=1e-12)
    plain = table({})
    assert at_newest_version(plain) is plain


def test_groups_are_combined_each_by_itself_also_one_without_a_name():
    # Of b: 60 for 10 s and 80, typed, for as long as the mean measured one of b, not of all.
    rows = [("b", 60.0, 600.0, 10.0, 36.0), ("a", 50.0, 2000.0, 40.0, 25.0),
            ("b", 80.0, NAN, NAN, 49.0), (None, 90.0, 450.0, 5.0, NAN),
            (None, 30.0, NAN, NAN, NAN)]  # fmt: skip
    names = ["gpu", "avg_fps", "frames", "seconds", "low_1pct_fps"]
    found = combine(pd.DataFrame(rows, columns=names), ["gpu"])
    assert list(found.columns) == [
        "gpu", "passes", "frames", "seconds", "avg_fps", "sd_log_avg", "passes_with_low",
        "low_1pct_fps",
    ]  # fmt: skip
    assert found["gpu"].tolist()[:2] == ["b", "a"]
    assert found["gpu"].isna().tolist() == [False, False, True]
    assert found["passes"].tolist() == [2, 1, 2]
    assert found["avg_fps"].tolist() == [70.0, 50.0, 60.0]
    assert found["passes_with_low"].tolist() == [2, 1, 0]
    np.testing.assert_array_equal(found["frames"], [NAN, 2000.0, NAN])
    np.testing.assert_array_equal(found["seconds"], [NAN, 40.0, NAN])
    np.testing.assert_allclose(found["low_1pct_fps"], [42.0, 25.0, NAN], rtol=1e-12)
    # Two values: half their difference is the deviation, over sqrt(1/2) with the divisor n - 1.
    spread = [math.log(80 / 60) / math.sqrt(2), NAN, math.log(90 / 30) / math.sqrt(2)]
    np.testing.assert_allclose(found["sd_log_avg"], spread, rtol=1e-12)


def test_spread_within_groups_is_pooled_by_degrees_of_freedom():
    # Deviations .1 and .1 in one group, .2, 0 and .2 in another, a single value: .1 over 3.
    logs = [1.0, 1.2, 5.0, 5.2, 5.4, 9.0, NAN]
    values = pd.Series(np.exp(logs))
    groups = pd.Series([0, 0, 1, 1, 1, 2, 2])
    for turn in itertools.islice(itertools.permutations(range(7)), 0, 5040, 997):
        spread, dof = pooled_log_spread(values.iloc[list(turn)], groups.iloc[list(turn)])
        assert dof == 3
        assert spread == pytest.approx(math.sqrt(0.1 / 3), rel=1e-9)


def test_repeats_that_agree_to_the_last_digit_have_no_spread():
    eps = np.finfo(float).eps
    for values, groups, dof in [
        ([], [], 0),
        ([2.0, 3.0], [0, 1], 0),
        ([2.0, 2.0], [0, 0], 1),
        ([1.0, 1.0 + eps], [0, 0], 1),  # deviations eps / 2 each: eps^2 / 2 in all
        ([1.0, 1.0 + eps, 1.0 + eps], [0, 0, 0], 2),
    ]:
        spread, found = pooled_log_spread(pd.Series(values, dtype=float), pd.Series(groups))
        assert math.isnan(spread)
        assert found == dof
    spread, _ = pooled_log_spread(pd.Series([1.0, 1.0 + 2 * eps]), pd.Series([0, 0]))
    assert spread == pytest.approx(math.sqrt(2) * eps, rel=1e-9, abs=0)
