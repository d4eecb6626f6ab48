"""Ratios and verdicts: by hand, against SciPy, and with the error rates they state."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import perfkit as pk
from perfkit.defaults import LEVEL
from perfkit.frames.compare import VERDICTS, compare


def passes(averages, lows=None, **more):
    averages = np.asarray(averages, dtype=float)
    lows = averages * 0.7 if lows is None else lows
    base = {"avg_fps": averages, "low_1pct_fps": lows, "outcome": "ran", "void_reason": ""}
    return pd.DataFrame(base | more)


def simulate(rng, groups, effect, spread=0.02, each=3):
    """Draw passes of two things in groups; b varies twice as much, and nobody has a 1 % low."""
    names = np.repeat([f"w{i}" for i in range(groups)], each)
    a = passes(60 * np.exp(rng.normal(effect, spread, groups * each)), np.nan, workload=names)
    b = passes(60 * np.exp(rng.normal(0, 2 * spread, groups * each)), np.nan, workload=names)
    return a, b


def test_ratio_interval_and_p_equal_welch_by_scipy():
    a, b = [66.0, 67.0, 66.5, 68.0], [60.0, 61.0, 63.0]
    row = compare(passes(a), passes(b)).table.iloc[0]
    test = stats.ttest_ind(np.log(a), np.log(b), equal_var=False)
    low, high = np.exp(test.confidence_interval(LEVEL))
    assert row["ratio"] == pytest.approx(np.exp(np.mean(np.log(a)) - np.mean(np.log(b))), rel=1e-12)
    assert (row["mean_low"], row["mean_high"]) == pytest.approx((low, high), rel=1e-10)
    assert row["p"] == pytest.approx(test.pvalue, rel=1e-10)
    assert row["level"] == LEVEL


def test_both_measures_are_compared_and_unusable_passes_left_out():
    a = passes([66, 67, 10], outcome=["ran", "ran", "crashed"])
    table = compare(a, passes([60, 61, 60.5])).table
    assert table["measure"].tolist() == ["average", "low_1pct"]
    assert table["passes_a"].tolist() == [2, 2]


def test_the_other_way_round_gives_the_inverse():
    a, b = passes([66, 67, 66.5]), passes([60, 61, 63])
    one, other = compare(a, b).table.iloc[0], compare(b, a).table.iloc[0]
    assert one["ratio"] == pytest.approx(1 / other["ratio"], rel=1e-12)
    assert one["mean_low"] == pytest.approx(1 / other["mean_high"], rel=1e-12)
    assert (one["verdict"], other["verdict"]) == ("faster", "slower")


def test_a_margin_asks_for_more():
    a, b = passes([63.0, 63.2, 62.9]), passes([60.0, 60.2, 59.9])
    assert compare(a, b).table["verdict"][0] == "faster"
    assert compare(a, b, margin=0.03).table["verdict"][0] == "faster"
    assert compare(a, b, margin=0.05).table["verdict"][0] == "cannot tell"
    assert compare(b, a, margin=0.03).table["verdict"][0] == "slower"


@pytest.mark.parametrize(
    ("a", "b", "reason"),
    [
        ([60.0], [50.0, 51.0], "one pass alone shows no spread; repeat it"),
        ([60.0, 60.0], [50.0, 50.0], "all passes are equal, so their spread is not known"),
    ],
)
def test_what_cannot_be_told_says_why(a, b, reason):
    row = compare(passes(a), passes(b)).table.iloc[0]
    assert row["verdict"] == "cannot tell"
    assert row["reason"] == reason
    assert np.isnan(row["mean_low"])
    assert row["ratio"] == pytest.approx(60 / np.exp(np.log(b).mean()), rel=1e-12)


def test_missing_lows_say_so():
    row = compare(passes([60.0, 61.0], lows=np.nan), passes([50.0, 51.0])).table.iloc[1]
    assert (row["measure"], row["reason"]) == ("low_1pct", "no pass has this number")


def test_groups_that_one_side_lacks_are_left_out():
    a = passes([60, 61, 62, 63], workload=["x", "x", "y", "y"])
    b = passes([50, 51], workload=["x", "x"])
    assert pk.compare(a, b, by=["workload"]).table["workload"].unique().tolist() == ["x"]


def test_one_comparison_errs_no_more_often_than_stated():
    # 4,000 comparisons of two equal things, each read by itself; no adjustment is looked at.
    table = compare(*simulate(np.random.default_rng(1), 4000, 0.0), by=["workload"]).table
    table = table[table["measure"] == "average"]
    # Four binomial standard errors are 0.019; with three passes Welch's t is a little careful.
    assert (table["p"] <= 1 - LEVEL).mean() == pytest.approx(1 - LEVEL, abs=0.019)
    covered = (table["mean_low"] <= 1) & (table["mean_high"] >= 1)
    assert covered.mean() == pytest.approx(LEVEL, abs=0.019)


def test_twelve_comparisons_at_once_hold_the_chance_of_any_wrong_verdict(few_objects):
    rng = np.random.default_rng(2)
    any_wrong = any_wrong_plain = 0
    for _ in range(40):
        table = compare(*simulate(rng, 12, 0.0), by=["workload"]).table
        average = table[table["measure"] == "average"]
        any_wrong += bool((average["verdict"] != "cannot tell").any())
        any_wrong_plain += bool((average["p"] <= 1 - LEVEL).any())
    assert any_wrong / 40 <= 0.10 + 3 * np.sqrt(0.1 * 0.9 / 40)
    assert any_wrong_plain / 40 > 0.4


def test_false_discoveries_stay_below_their_rate():
    rng = np.random.default_rng(3)
    shares = []
    for _ in range(40):
        a, b = simulate(rng, 10, 0.0)
        real = a["workload"].isin(["w0", "w1", "w2", "w3", "w4"])
        a["avg_fps"] *= np.where(real, 1.3, 1.0)
        table = compare(a, b, by=["workload"], adjust="fdr_bh").table
        said = table[(table["measure"] == "average") & (table["verdict"] != "cannot tell")]
        shares.append((~said["workload"].isin(a["workload"][real])).mean() if len(said) else 0.0)
    assert np.mean(shares) <= 0.10


def test_real_differences_are_found():
    a, b = simulate(np.random.default_rng(4), 200, 0.3)
    table = compare(a, b, by=["workload"], adjust="fdr_bh").table
    average = table[table["measure"] == "average"]
    assert (average["verdict"] == "faster").mean() > 0.95
    assert set(average["verdict"]) <= set(VERDICTS)


@pytest.mark.parametrize("level", [0, 1, 90])
def test_a_level_is_a_share(level):
    message = rf"^level is a coverage between 0 and 1, not {level}; try 0.9$"
    with pytest.raises(ValueError, match=message):
        compare(passes([1, 2]), passes([1, 2]), level=level)


def test_a_margin_is_a_share():
    message = r"^margin is a share from 0 up to 1, not 3; 0.03 means 3 %$"
    with pytest.raises(ValueError, match=message):
        compare(passes([1, 2]), passes([1, 2]), margin=3)


def margin_p(a, b, margin):
    """Two one-sided tests by SciPy, each after a side was moved by the margin."""
    a, b, least = np.log(a), np.log(b), np.log(1 + margin)
    above = stats.ttest_ind(a - least, b, equal_var=False, alternative="greater").pvalue
    below = stats.ttest_ind(a + least, b, equal_var=False, alternative="less").pvalue
    return min(1.0, 2 * min(above, below))


@pytest.mark.parametrize("factor", [0.9, 0.99, 1.005, 1.02, 1.2])
@pytest.mark.parametrize("margin", [0.0, 0.01, 0.05])
def test_p_of_a_margin_is_that_of_the_nearer_side_moved_by_it(factor, margin):
    a, b = factor * np.array([60.0, 61.0, 60.5, 60.2]), np.array([60.0, 60.9, 60.3])
    row = compare(passes(a), passes(b), margin=margin, level=0.8).table.iloc[0]
    assert row["p"] == pytest.approx(margin_p(a, b, margin), rel=1e-9)
    assert (row["margin"], row["level"]) == (margin, 0.8)
    low, high = stats.ttest_ind(np.log(a), np.log(b), equal_var=False).confidence_interval(0.8)
    assert (row["mean_low"], row["mean_high"]) == pytest.approx(np.exp((low, high)), rel=1e-9)


NONE, ALONE, EQUAL = (
    "no pass has this number",
    "one pass alone shows no spread; repeat it",
    "all passes are equal, so their spread is not known",
)


@pytest.mark.parametrize(
    ("a", "b", "reason"),
    [
        ([np.nan, np.nan], [50.0, 51.0], NONE),
        ([50.0, 51.0], [np.nan, np.nan], NONE),
        ([np.nan, np.nan], [50.0, np.nan], NONE),
        ([50.0, np.nan], [50.0, 51.0], ALONE),
        ([50.0, 51.0], [np.nan, 50.0], ALONE),
        ([50.0, np.nan], [51.0, 51.0], ALONE),
        ([50.0, 50.0], [51.0, 51.0], EQUAL),
        ([50.0, 50.0], [51.0, 52.0], ""),
        ([50.0, 51.0], [52.0, 52.0], ""),
    ],
)
def test_each_reason_why_nothing_can_be_told(a, b, reason):
    row = compare(passes([60.0, 61.0], a), passes([50.0, 51.0], b)).table.iloc[1]
    assert row["reason"] == reason
    known = row[["mean_low", "mean_high", "p", "p_adjusted"]].notna()
    assert known.all() if reason == "" else not known.any()
    assert (row["passes_a"], row["passes_b"]) == (np.isfinite(a).sum(), np.isfinite(b).sum())


def test_holm_and_the_false_discovery_rate_by_hand_over_the_groups_of_a_measure():
    rng = np.random.default_rng(5)
    names = np.repeat(["z", "y", "x", "w"], 3)
    effect = np.repeat([0.05, 0.0, -0.1, 0.02], 3)
    a = passes(60 * np.exp(effect + rng.normal(0, 0.01, 12)), workload=names)
    b = passes(60 * np.exp(rng.normal(0, 0.01, 12)), workload=names)
    a.loc[a["workload"] == "y", "low_1pct_fps"] = np.nan
    table = compare(a, b, by=["workload"]).table
    assert table["workload"].tolist() == ["w", "w", "x", "x", "y", "y", "z", "z"]
    two = table["workload"].isin(["w", "z"]) & (table["measure"] == "average")
    alone = a["workload"].isin(["w", "z"])
    pair = compare(a[alone], b, by=["workload"]).table.query("measure == 'average'")
    one, other = sorted(table["p"][two])
    assert sorted(pair["p_adjusted"]) == pytest.approx([2 * one, max(2 * one, other)], rel=1e-12)
    discoveries = compare(a, b, by=["workload"], adjust="fdr_bh").table
    for measure, count in {"average": 4, "low_1pct": 3}.items():
        some = (table["measure"] == measure) & table["p"].notna()
        p = np.sort(table["p"][some].to_numpy())
        assert len(p) == count
        # Holm: the smallest times its number, the next times one fewer, never falling (1979).
        holm = np.minimum(1, np.maximum.accumulate(p * (count - np.arange(count))))
        assert np.sort(table["p_adjusted"][some]) == pytest.approx(holm, rel=1e-12)
        # Benjamini and Hochberg: times the number over the rank, never rising from the end (1995).
        rate = np.minimum.accumulate((p * count / np.arange(1, count + 1))[::-1])[::-1]
        found = np.sort(discoveries["p_adjusted"][some])
        assert found == pytest.approx(np.minimum(1, rate), rel=1e-12)


def test_a_verdict_needs_its_level_and_follows_the_ratio():
    # Half a degree of certainty between: p is the same, the level asked for is not.
    a, b = passes([61.0, 62.0, 61.6]), passes([60.0, 60.9, 60.3])
    p = compare(a, b).table["p"][0]
    assert compare(a, b, level=1 - p - 1e-6).table["verdict"][0] == "faster"
    assert compare(a, b, level=1 - p + 1e-6).table["verdict"][0] == "cannot tell"
    assert compare(b, a, level=1 - p - 1e-6).table["verdict"][0] == "slower"


@pytest.mark.parametrize("margin", [-0.001, 1, 1.5])
def test_a_margin_of_all_or_of_less_than_nothing_is_refused(margin):
    with pytest.raises(ValueError, match=rf"^margin is a share from 0 up to 1, not {margin}; "):
        compare(passes([1, 2]), passes([1, 2]), margin=margin)


def test_levels_near_their_ends_and_margins_near_1_are_allowed():
    a, b = passes([66.0, 67.0]), passes([60.0, 61.0])
    narrow = compare(a, b, level=1e-6).table.iloc[0]
    assert narrow["mean_high"] / narrow["mean_low"] == pytest.approx(1, abs=1e-6)
    assert compare(a, b, level=1 - 1e-9).table["verdict"][0] == "cannot tell"
    assert compare(a, b, margin=0.999).table["verdict"][0] == "cannot tell"
