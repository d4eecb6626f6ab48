"""One row per pass: the columns, what is drawn and shown, what is not known and why."""

import numpy as np
import pandas as pd
import pytest

import perfkit as pk
from perfkit.frames import combine, summarize, usable
from perfkit.frames.summary import FLAG_COLUMNS, MEASURES
from perfkit.frames.versions import VERSION_COLUMNS
from perfkit.study.schema import PASSES
from tests.frames.make import clean_pass, csv_log, make_study, parquet_log

TIMES = clean_pass(np.random.default_rng(0), 1200)


def one_pass(folder, times=TIMES, counts="drawn", **row):
    study = make_study(
        folder, [{"pass_id": "p", "log": "p.csv"} | row], {"p.csv": csv_log(times)}, counts=counts
    )
    return pk.summarize_passes(study).iloc[0]


def test_columns_and_types(tmp_path):
    rows = [{"pass_id": "p", "log": "p.csv", "note": "kept"}, {"pass_id": "q", "avg_fps": 50}]
    study = make_study(tmp_path, rows, {"p.csv": csv_log(TIMES)})
    summary = summarize(study)
    shares = ["over_30", "over_60"]
    assert list(summary.passes.columns) == [
        *PASSES.names, "note", *MEASURES, *shares, "flags", "reason", *VERSION_COLUMNS,
    ]  # fmt: skip
    assert isinstance(summary.passes.index, pd.RangeIndex)
    for name in ("avg_fps", "low_1pct_fps", *MEASURES, *shares):
        assert summary.passes[name].dtype == "float64", name
    for name in ("flags", "reason", "note"):
        assert summary.passes[name].dtype == "str", name
    assert tuple(summary.flags.columns) == FLAG_COLUMNS
    assert study.passes["avg_fps"].isna().tolist() == [True, False]


def test_a_log_replaces_the_typed_numbers_and_a_typed_pass_keeps_them(tmp_path):
    rows = [
        {"pass_id": "p", "log": "p.csv", "avg_fps": 1, "low_1pct_fps": 1},
        {"pass_id": "q", "avg_fps": 50, "low_1pct_fps": 40},
    ]
    passes = pk.summarize_passes(make_study(tmp_path, rows, {"p.csv": csv_log(TIMES)}))
    assert passes["avg_fps"][0] == 1000 * 1200 / TIMES.sum()
    assert passes["low_1pct_fps"][0] == 1000 / np.quantile(TIMES, 0.99)
    assert passes.loc[1, ["avg_fps", "low_1pct_fps", "shown_fps"]].tolist() == [50, 40, 50]
    assert passes.loc[1, ["frames", "seconds", "pacing_ms", "over_30"]].isna().all()
    assert passes["reason"][1] == "no frame times, only the typed numbers"


def test_hitches_are_counted_per_minute(tmp_path):
    times = np.full(600, 10.0)
    times[[100, 200, 300]] = 60.0
    row = one_pass(tmp_path, times)
    assert row["hitches_per_min"] == pytest.approx(3 / (times.sum() / 1000 / 60), rel=1e-12)


@pytest.mark.parametrize(
    ("frames", "reason"),
    [
        (999, "999 frames: a 1 % low needs 1,000, a 0.1 % low 10,000"),
        (1000, "1,000 frames: a 0.1 % low needs 10,000"),
        (10_000, ""),
    ],
)
def test_missing_lows_have_their_reason(frames, reason, tmp_path):
    row = one_pass(tmp_path, np.linspace(10, 12, frames))
    assert row["reason"] == reason
    assert np.isnan(row["low_01pct_fps"]) == bool(reason)


def test_a_log_of_drawn_frames_knows_what_was_shown(tmp_path):
    row = one_pass(tmp_path, generated_per_drawn=1)
    assert row["avg_fps"] == 1000 * 1200 / TIMES.sum()
    assert row["shown_fps"] == 2 * row["avg_fps"]
    assert "generated" not in row["flags"]


def test_a_log_of_shown_frames_knows_only_the_drawn_average(tmp_path):
    row = one_pass(tmp_path, counts="shown", generated_per_drawn=3)
    assert row["shown_fps"] == 1000 * 1200 / TIMES.sum()
    assert row["avg_fps"] == pytest.approx(row["shown_fps"] / 4, rel=1e-15)
    assert row["frames"] == 300
    unknown = ["low_1pct_fps", "slowest_1pct_mean_fps", "median_ms", "hitches_per_min", "over_30"]
    assert row[unknown].isna().all()
    assert "single drawn frames are not known" in row["reason"]
    assert "generated" in row["flags"].split("; ")
    plain = one_pass(tmp_path / "plain", counts="shown")
    assert plain["low_1pct_fps"] == 1000 / np.quantile(TIMES, 0.99)


def test_void_and_crashed_passes_keep_their_row_and_numbers(tmp_path):
    rows = [
        {"pass_id": "p", "log": "p.csv", "void_reason": "alarm rang"},
        {"pass_id": "q", "outcome": "crashed"},
        {"pass_id": "r", "avg_fps": 60},
    ]
    passes = pk.summarize_passes(make_study(tmp_path, rows, {"p.csv": csv_log(TIMES)}))
    assert passes["pass_id"].tolist() == ["p", "q", "r"]
    assert passes["frames"][0] == 1200
    assert usable(passes)["pass_id"].tolist() == ["r"]


def test_flags_are_joined_in_order_and_told_in_the_table(tmp_path):
    study = make_study(
        tmp_path,
        [{"pass_id": "p", "log": "p.csv", "cap_fps": 60}],
        {"p.csv": csv_log(np.full(100, 1000 / 60))},
        system={"ram_mtps": 2400, "ram_rated_mtps": 4800},
    )
    summary = summarize(study)
    assert summary.passes["flags"][0] == "cap; short; coarse_timer; memory_rate"
    assert summary.flags["code"].tolist() == ["cap", "short", "coarse_timer", "memory_rate"]
    assert (summary.flags["pass_id"] == "p").all()
    assert summary.flags["sentence"].str.len().min() > 20


def test_a_row_does_not_depend_on_the_others(tmp_path):
    logs = {f"{i}.csv": csv_log(clean_pass(np.random.default_rng(i), 300)) for i in range(4)}
    rows = [{"pass_id": name, "log": name, "width": 100 + i} for i, name in enumerate(logs)]
    forth = pk.summarize_passes(make_study(tmp_path / "a", rows, logs))
    back = pk.summarize_passes(make_study(tmp_path / "b", rows[::-1], logs))
    back = back.iloc[::-1].reset_index(drop=True)
    pd.testing.assert_frame_equal(forth, back, check_exact=True)


def test_scaling_the_unit_scales_the_numbers(tmp_path):
    exact = np.round(TIMES * 1024) / 1024
    in_ms = one_pass(tmp_path / "ms", exact)
    study = make_study(
        tmp_path / "us",
        [{"pass_id": "p", "log": "p.csv"}],
        {"p.csv": csv_log(exact * 1000)},
        unit="us",
    )
    in_us = pk.summarize_passes(study).iloc[0]
    for name in ("avg_fps", "low_1pct_fps", "median_ms", "pacing_ms", "hitches_per_min"):
        assert in_us[name] == pytest.approx(in_ms[name], rel=1e-12), name


def group(**columns):
    known = {"frames": np.nan, "seconds": np.nan, "low_1pct_fps": np.nan, "gpu": "a"}
    return pd.DataFrame(known | columns)


def test_passes_combine_as_total_frames_over_total_time():
    passes = group(avg_fps=[50.0, 100.0], frames=[500.0, 3000.0], seconds=[10.0, 30.0])
    row = combine(passes, ["gpu"]).iloc[0]
    assert row["avg_fps"] == 3500 / 40
    assert (row["passes"], row["frames"], row["seconds"]) == (2, 3500, 40)
    assert row["sd_log_avg"] == pytest.approx(np.std(np.log([50, 100]), ddof=1), rel=1e-12)


def test_typed_passes_count_like_the_mean_measured_one():
    passes = group(
        avg_fps=[50.0, 100.0, 60.0],
        frames=[500.0, 3000.0, np.nan],
        seconds=[10.0, 30.0, np.nan],
    )
    row = combine(passes, ["gpu"]).iloc[0]
    assert row["avg_fps"] == (3500 + 20 * 60) / 60
    assert np.isnan(row["frames"])
    assert combine(group(avg_fps=[50.0, 100.0]), ["gpu"])["avg_fps"][0] == 75


def test_lows_combine_as_a_geometric_mean_of_those_known():
    passes = group(avg_fps=[50.0, 50.0, 50.0], low_1pct_fps=[20.0, 45.0, np.nan])
    row = combine(passes, ["gpu"]).iloc[0]
    assert row["low_1pct_fps"] == pytest.approx(30, rel=1e-12)
    assert row["passes_with_low"] == 2


def test_groups_keep_their_order_and_one_pass_has_no_spread():
    passes = group(avg_fps=[50.0, 60.0, 70.0]).assign(gpu=["z", "a", "z"])
    found = combine(passes, ["gpu"])
    assert found["gpu"].tolist() == ["z", "a"]
    assert np.isnan(found["sd_log_avg"][1])


def test_progress_is_told_of_every_log(tmp_path):
    seen = []

    class Watching:
        def say(self, text):
            seen.append(text)

        def track(self, items, total, label):
            seen.append((label, total, len(list_ := list(items))))
            yield from list_

    content = parquet_log({"pass_id": ["q"], "frame_ms": [1.0]})
    study = make_study(
        tmp_path,
        [{"pass_id": "p", "log": "p.csv"}, {"pass_id": "q"}],
        {"p.csv": csv_log([1.0]), "all.parquet": content},
        combined="all.parquet",
    )
    summarize(study, progress=Watching())
    assert seen == [("passes", 2, 1), ("logs", 1, 1)]
