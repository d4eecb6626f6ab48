"""Each flag: seldom on clean passes, nearly always on its defect, with its evidence."""

import dataclasses
import math

import numpy as np
import pytest

from perfkit.frames.flags import Circumstances, pass_flags
from perfkit.frames.statistics import frame_statistics
from perfkit.frames.thresholds import CODES
from tests.frames.make import clean_pass, make_study

NOTHING_GIVEN = Circumstances(
    cap_fps=math.nan,
    refresh_hz=math.nan,
    generated_per_drawn=0.0,
    counts="drawn",
    unit="ms",
    typed_fps=math.nan,
    avg_fps=math.nan,
    ram_mtps=math.nan,
    ram_rated_mtps=math.nan,
)
PASSES = 300


def flags_of(times, **given):
    found = frame_statistics(times)
    circumstances = dataclasses.replace(NOTHING_GIVEN, avg_fps=found.avg_fps, **given)
    return {flag.code: flag for flag in pass_flags(found, circumstances)}


def capped(rng):
    # 40 % faster than the cap on average; the limiter holds to 0.02 ms.
    return np.maximum(clean_pass(rng, fps=84), 1000 / 60) + rng.normal(0, 0.02, 1500)


def partly_capped(rng):
    # The cap is stated, and half of the pass is too slow to reach it.
    slow = np.repeat([1.0, 1.3], 750)
    return np.maximum(clean_pass(rng, fps=70) * slow, 1000 / 60) + rng.normal(0, 0.02, 1500)


def synchronised(rng):
    # Every frame waits for the next refresh of 60 Hz; about half of them miss one.
    refresh = 1000 / 60
    return np.ceil(clean_pass(rng, fps=62) / refresh) * refresh + rng.normal(0, 0.05, 1500)


def drifting(rng):
    return clean_pass(rng) * np.linspace(1, 1.15, 1500)


def with_two_modes(rng):
    # Two states 30 % apart, in spells of 50 frames, 30 to 70 % in the slower one.
    share = rng.uniform(0.3, 0.7)
    slow = np.repeat(rng.permutation(np.arange(30) < 30 * share), 50)
    return clean_pass(rng, spread=0.04, swing=0.02) * np.where(slow, 1.3, 1.0)


def coarse(rng):
    # Whole milliseconds, the frames themselves spread by 0.5 ms.
    return np.round(clean_pass(rng, spread=0.03, swing=0.02))


DEFECTS = {
    "cap": (capped, {}),
    "cap, stated and seldom reached": (partly_capped, {"cap_fps": 60.0}),
    "sync": (synchronised, {}),
    "drift": (drifting, {}),
    "two_modes": (with_two_modes, {}),
    "unit": (lambda rng: clean_pass(rng) * 1000, {}),
    "unit, too small": (lambda rng: clean_pass(rng) / 1000, {}),
    "cumulative": (lambda rng: np.cumsum(clean_pass(rng)), {}),
    "short": (lambda rng: clean_pass(rng, 9_999), {}),
    "coarse_timer": (coarse, {}),
    "generated": (clean_pass, {"generated_per_drawn": 1.0, "counts": "shown"}),
    "memory_rate": (clean_pass, {"ram_mtps": 4600.0, "ram_rated_mtps": 4800.0}),
}


@pytest.mark.parametrize("defect", DEFECTS)
def test_defects_are_detected_in_more_than_95_percent(defect):
    make, given = DEFECTS[defect]
    code = defect.split(",")[0]
    found = [code in flags_of(make(np.random.default_rng(i)), **given) for i in range(PASSES)]
    assert np.mean(found) > 0.95


@pytest.mark.parametrize(
    "shape",
    [
        {},
        {"spread": 0.02},
        {"spread": 0.01, "swing": 0.0},
        {"spread": 0.15},
        {"memory": 0.99},
        {"memory": 0.0, "swing": 0.0},
        {"frames": 10_000},
    ],
    ids=str,
)
def test_clean_passes_are_flagged_in_less_than_2_percent(shape):
    counts = dict.fromkeys(CODES, 0)
    for i in range(PASSES):
        rng = np.random.default_rng([7, i])
        times = clean_pass(rng, fps=rng.uniform(25, 200), **shape)
        memory = {"ram_mtps": rng.uniform(0.985, 1.0) * 4800, "ram_rated_mtps": 4800.0}
        for code in flags_of(times, refresh_hz=60.0, cap_fps=240.0, **memory):
            counts[code] += 1
    if shape.get("frames", 1500) < 10_000:
        assert counts.pop("short") == PASSES
    else:
        assert counts.pop("short") == 0
    assert max(counts.values()) <= 0.02 * PASSES, counts


def test_every_flag_carries_its_numbers_and_a_sentence():
    rng = np.random.default_rng(0)
    flag = flags_of(with_two_modes(rng))["two_modes"]
    assert flag.measured >= flag.threshold == 0.8
    assert flag.unit == "share of variance"
    assert flag.sentence.startswith("The frames fall into two groups, around 16.")
    # Frames that alternate: a sample that took every second frame would miss it.
    flag = flags_of(np.full(20_000, 10.0) + np.tile([0.0, 1.0], 10_000))["coarse_timer"]
    assert (flag.measured, flag.threshold, flag.unit) == (1.0, 3.0, "ticks")


def test_a_wrong_unit_is_named_with_the_ones_that_would_fit():
    flag = flags_of(clean_pass(np.random.default_rng(1)) * 1000, unit="s")["unit"]
    assert "the unit is probably another. In ms it would be a game's." in flag.sentence
    typed = flags_of(clean_pass(np.random.default_rng(1)), typed_fps=60_000.0)["unit"]
    assert typed.sentence.startswith("passes.csv says 6e+04 FPS, the log ")


def test_a_stated_cap_that_the_average_reaches_is_flagged_without_frames():
    given = dataclasses.replace(NOTHING_GIVEN, avg_fps=59.0, cap_fps=60.0)
    (flag,) = pass_flags(None, given)
    assert flag.code == "cap"
    assert flag.measured == pytest.approx(59 / 60)
    assert not pass_flags(None, dataclasses.replace(given, avg_fps=50.0))


def test_a_display_that_holds_every_frame_is_sync_where_its_rate_is_given():
    times = 1000 / 60 + np.random.default_rng(2).normal(0, 0.02, 2000)
    assert set(flags_of(times, refresh_hz=60.0)) == {"sync", "short"}
    assert set(flags_of(times, refresh_hz=144.0)) == {"cap", "short"}


def test_generated_frames_without_a_drawn_rate():
    times = clean_pass(np.random.default_rng(3))
    shown = flags_of(times, generated_per_drawn=1.0, counts="shown")
    assert "only the average of drawn frames is known" in shown["generated"].sentence
    assert "generated" not in flags_of(times, generated_per_drawn=1.0)
    assert "generated" not in flags_of(times, counts="shown")


def test_memory_below_its_rated_rate():
    given = dataclasses.replace(NOTHING_GIVEN, ram_mtps=2400.0, ram_rated_mtps=4800.0)
    (flag,) = pass_flags(None, given)
    assert (flag.code, flag.measured) == ("memory_rate", 0.5)
    assert "Near a half it may be a clock written for a transfer rate." in flag.sentence
    assert not pass_flags(None, dataclasses.replace(given, ram_mtps=4800.0))


def typed(averages, workload="w", sitting="1", **more):
    base = {"sitting": sitting} | more
    return [
        base | {"pass_id": f"{workload}{sitting}{i}", "order": i, "avg_fps": fps}
        for i, fps in enumerate(averages)
    ]


def background(rng, groups=8):
    rows = []
    for g in range(groups):
        rows += typed(60 * np.exp(rng.normal(0, 0.01, 3)), sitting=f"b{g}", width=1000 + g)
    return rows


def repeat_codes(folder, rows):
    from perfkit.frames import summarize

    passes = summarize(make_study(folder, rows)).passes
    return dict(zip(passes["pass_id"], passes["flags"], strict=True))


@pytest.mark.parametrize(
    ("averages", "expected"),
    [
        ([60, 60.5, 52], ["", "", "outlier"]),
        ([60, 68, 60.5], ["", "outlier", ""]),
        ([52, 60, 60.5], ["first_slow", "", ""]),
        ([60, 57, 54], ["", "", "drift"]),
        ([60, 60.5, 61], ["", "", ""]),
        ([60, 70, 80, 50], ["", "", "", ""]),
    ],
)
def test_repeats_out_of_line(tmp_path, averages, expected):
    rows = typed(averages) + background(np.random.default_rng(5))
    codes = repeat_codes(tmp_path, rows)
    assert [codes[f"w1{i}"] for i in range(len(averages))] == expected


@pytest.mark.parametrize(
    ("code", "shape", "place"),
    [
        ("first_slow", (0.90, 1.0, 1.0, 1.0), 0),
        ("outlier", (1.0, 1.0, 1.0, 0.90), 3),
        ("outlier", (1.0, 1.1, 1.0, 1.0), 1),
        ("drift", (1.0, 0.95, 0.90, 0.85), 3),
        ("drift", (1.0, 1.05, 1.10, 1.15), 3),
    ],
)
def test_repeats_out_of_line_are_told_in_more_than_95_percent(tmp_path, code, shape, place):
    # 10 % off, or 5 % a pass, where repeats spread by 1 %; one configuration in ten is so.
    rng = np.random.default_rng(8)
    rows = background(rng, groups=900)
    for g in range(100):
        averages = 60 * np.array(shape) * np.exp(rng.normal(0, 0.01, len(shape)))
        rows += typed(averages, sitting=f"d{g}", width=2000 + g)
    codes = repeat_codes(tmp_path, rows)
    assert np.mean([codes[f"wd{g}{place}"] == code for g in range(100)]) > 0.95


def test_clean_repeats_are_flagged_in_less_than_2_percent(tmp_path):
    rng = np.random.default_rng(6)
    codes = repeat_codes(tmp_path, background(rng, groups=400))
    assert np.mean([code != "" for code in codes.values()]) < 0.02


def test_flags_never_drop_a_pass(tmp_path):
    rows = typed([60, 61, 30]) + background(np.random.default_rng(7))
    assert len(repeat_codes(tmp_path, rows)) == len(rows)
