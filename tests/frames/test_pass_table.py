"""The row of a pass, from statistics that are there: drawn, shown, typed, and why not known."""

import dataclasses
import math
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from perfkit.frames.statistics import frame_statistics
from perfkit.frames.summary import MEASURES, collect_flags, pass_table

NAN = math.nan
# 600 frames of 10 ms and three of 60 ms: 6.18 s.
TIMES = np.full(603, 10.0)
TIMES[[100, 300, 500]] = 60.0
FOUND = frame_statistics(TIMES, (30.0, 50.0))
SHARES = ["over_30", "over_50"]


def passes(*rows):
    plain = {"avg_fps": NAN, "low_1pct_fps": NAN, "generated_per_drawn": 0.0, "note": "kept"}
    table = pd.DataFrame([{"pass_id": "p"} | plain | row for row in rows])
    return table.set_axis(range(7, 7 + len(table)))


def row_of(found=FOUND, counts="drawn", targets=(30.0, 50.0), **row):
    measured = {} if found is None else {"p": found}
    table = pass_table(passes(row), measured, counts, targets)
    assert table.index.tolist() == [0]
    return table.iloc[0]


def test_columns_stand_in_their_order_and_rows_count_from_nothing():
    table = pass_table(passes({}, {"pass_id": "q"}), {"q": FOUND}, "drawn", (30.0, 50.0))
    assert list(table.columns) == [
        "pass_id", "avg_fps", "low_1pct_fps", "generated_per_drawn", "note", *MEASURES, *SHARES,
        "flags", "reason",
    ]  # fmt: skip
    assert table.index.tolist() == [0, 1]
    assert table["avg_fps"].isna().tolist() == [True, False]
    assert table["flags"].tolist() == ["", ""]


def test_a_measured_row_says_what_was_measured_and_hitches_by_the_minute():
    row = row_of(avg_fps=1.0, low_1pct_fps=1.0)
    for name in (*MEASURES, "avg_fps", "low_1pct_fps"):
        if name not in ("hitches_per_min", "shown_fps"):
            np.testing.assert_equal(row[name], getattr(FOUND, name), name)
    assert FOUND.hitches == 3
    assert row["hitches_per_min"] == pytest.approx(3 / (6.18 / 60), rel=1e-12)
    assert row["shown_fps"] == row["avg_fps"] == pytest.approx(603 / 6.18, rel=1e-12)
    assert row[SHARES].tolist() == pytest.approx([180 / 6180] * 2, rel=1e-12)
    assert row["reason"] == "603 frames: a 1 % low needs 1,000, a 0.1 % low 10,000"


@pytest.mark.parametrize("generated", [0.0, 0.5, 1.0, 3.0])
def test_a_log_of_drawn_frames_gives_the_shown_rate(generated):
    row = row_of(generated_per_drawn=generated)
    assert row["avg_fps"] == FOUND.avg_fps
    assert row["shown_fps"] == pytest.approx(FOUND.avg_fps * (1 + generated), rel=1e-12)
    assert row["median_ms"] == 10.0


@pytest.mark.parametrize("generated", [0.0, 0.5, 1.0, 3.0])
def test_a_log_of_shown_frames_gives_the_drawn_average_alone(generated):
    row = row_of(counts="shown", generated_per_drawn=generated)
    assert row["shown_fps"] == FOUND.avg_fps
    assert row["avg_fps"] == pytest.approx(FOUND.avg_fps / (1 + generated), rel=1e-12)
    assert row["frames"] == pytest.approx(603 / (1 + generated), rel=1e-12)
    assert row["seconds"] == pytest.approx(6.18, rel=1e-12)
    assert row["se_log_avg"] == FOUND.se_log_avg
    unknown = row[["median_ms", "hitches_per_min", "pacing_ms", "effective_frames", *SHARES]]
    assert unknown.isna().tolist() == [generated > 0] * 6
    assert row["reason"].startswith("the log counts shown frames") == (generated > 0)


def test_a_typed_row_keeps_what_was_typed():
    row = row_of(None, avg_fps=50.0, low_1pct_fps=40.0, generated_per_drawn=0.5)
    assert row[["avg_fps", "low_1pct_fps", "shown_fps"]].tolist() == [50.0, 40.0, 75.0]
    assert row[["frames", "median_ms", *SHARES]].isna().all()
    assert row["reason"] == "no frame times, only the typed numbers"
    nothing = row_of(None, low_1pct_fps=40.0)
    assert nothing["low_1pct_fps"] == 40.0
    assert nothing[["avg_fps", "shown_fps"]].isna().all()
    assert nothing["reason"] == "no frame times and no average"


@pytest.mark.parametrize(
    ("frames", "reason"),
    [
        (1, "1 frames: a 1 % low needs 1,000, a 0.1 % low 10,000"),
        (999, "999 frames: a 1 % low needs 1,000, a 0.1 % low 10,000"),
        (1_000, "1,000 frames: a 0.1 % low needs 10,000"),
        (9_999, "9,999 frames: a 0.1 % low needs 10,000"),
        (10_000, ""),
    ],
)
def test_a_short_pass_says_which_low_it_is_too_short_for(frames, reason):
    assert row_of(dataclasses.replace(FOUND, frames=frames))["reason"] == reason


def test_other_targets_than_were_measured_are_an_error():
    for targets in ((30.0,), (30.0, 50.0, 60.0)):
        with pytest.raises(ValueError, match="zip"):
            row_of(targets=targets)


def flags_of(unit, counts="drawn", measured=None, ram=(NAN, NAN), **row):
    """Tell the codes of a pass in a study with logs in a unit, or without logs."""
    given = {"system": "s", "gpu": "g", "workload": "w", "width": 1, "height": 1, "outcome": "ran",
             "render_scale": 1.0, "cap_fps": NAN, "refresh_hz": NAN, "driver": "", "source": "own",
             "game_version": "", "void_reason": "", "date": pd.NaT, "sitting": "",
             "order": NAN}  # fmt: skip
    typed = passes(given | row)
    study = SimpleNamespace(
        systems=pd.DataFrame({"system": ["t", "s"], "ram_mtps": [1.0, ram[0]],
                              "ram_rated_mtps": [2.0, ram[1]]}),
        passes=typed,
        log_format=unit and SimpleNamespace(counts=counts, frame_time_unit=unit),
    )  # fmt: skip
    measured = {} if measured is None else {"p": measured}
    table = pass_table(typed, measured, counts, (30.0, 50.0))
    return collect_flags(study, table, measured)


def test_flags_are_told_in_the_unit_of_the_logs_and_by_the_typed_average():
    wrong = dataclasses.replace(FOUND, median_ms=0.01, avg_fps=100_000.0)
    (flag,) = (one for one in flags_of("us", measured=wrong)["p"] if one.code == "unit")
    assert "The median frame time is 10 us" in flag.sentence
    (flag,) = (one for one in flags_of("ms", measured=FOUND, avg_fps=0.1)["p"]
               if one.code == "unit")  # fmt: skip
    assert flag.sentence.startswith("passes.csv says 0.1 FPS, the log 97.57")


def test_flags_stand_in_the_order_of_their_codes_and_passes_without_one_are_left_out():
    assert flags_of("", avg_fps=50.0) == {}
    found = flags_of("", avg_fps=50.0, ram=(2400.0, 4800.0))
    assert [flag.code for flag in found["p"]] == ["memory_rate"]
    capped = flags_of("ms", measured=FOUND, cap_fps=100.0, ram=(2400.0, 4800.0))
    codes = [flag.code for flag in capped["p"]]
    assert codes[-1] == "memory_rate"
    assert "short" in codes
    shown = flags_of("ms", "shown", measured=FOUND, generated_per_drawn=1.0)
    assert "generated" in [flag.code for flag in shown["p"]]
