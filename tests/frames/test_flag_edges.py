"""Each flag of one pass at its thresholds: just reached, just missed, and what its sentence says.

The thresholds are those of `perfkit.frames.thresholds`, written out here; where a number is a rule
of the kit, no source is given.
"""

import math
from dataclasses import replace

import numpy as np
import pytest

from perfkit.frames.flags import Circumstances, pass_flags
from perfkit.frames.signs import Signs
from perfkit.frames.statistics import FrameStatistics

NOTHING = Circumstances(*[math.nan] * 2, 0.0, "drawn", "ms", math.nan, 100.0, *[math.nan] * 2)
CALM = Signs(
    edge_ms=10.0,
    edge_share=0.1,
    below_share=0.1,
    step_ms=10.0,
    step_share=0.0,
    second_step_share=0.0,
    tick_ms=0.001,
    spread_ms=4.0,
    drift_log=0.0,
    drift_chance=1.0,
    low_mode_ms=8.0,
    high_mode_ms=12.0,
    smaller_share=0.5,
    between_share=0.64,
    valley_share=0.2,
    rising=False,
)
LONG = FrameStatistics(
    frames=20_000,
    seconds=200.0,
    avg_fps=100.0,
    low_1pct_fps=70.0,
    low_01pct_fps=60.0,
    slowest_1pct_mean_fps=65.0,
    hitches=0,
    pacing_ms=0.1,
    median_ms=10.0,
    p95_ms=13.0,
    over_share=(),
    se_log_avg=0.001,
    effective_frames=5_000.0,
    signs=CALM,
)
GIVEN = {name for name in Circumstances.__slots__ if name != "avg_fps"}
SIGNS = set(Signs.__slots__)


def up(value):
    return float(np.nextafter(value, np.inf))


def down(value):
    return float(np.nextafter(value, -np.inf))


def told(**changed):
    """Give the flags of a long, calm pass in which some numbers are others."""
    signs = {name: value for name, value in changed.items() if name in SIGNS}
    given = {name: value for name, value in changed.items() if name in GIVEN}
    rest = {name: changed[name] for name in changed.keys() - signs.keys() - given.keys()}
    found = replace(LONG, signs=replace(CALM, **signs), **rest)
    return pass_flags(found, replace(NOTHING, avg_fps=found.avg_fps, **given))


CAP = {"edge_share": 0.5, "below_share": 0.02}
STATED = CAP | {"edge_share": 0.2, "cap_fps": 100.5, "avg_fps": 80.0}
SYNC = {"step_share": 0.9, "second_step_share": 0.05}
SHOWN = CAP | {"refresh_hz": 200.0}
MODES = {"between_share": 0.8, "valley_share": 0.05, "smaller_share": 0.1, "high_mode_ms": 8.8}
DRIFT = {"drift_log": math.log1p(0.05), "drift_chance": 0.001}
COARSE = {"tick_ms": 0.5, "spread_ms": 1.5}
REACHED = {
    "a cap nobody stated": ("cap", CAP, 0.5, 0.5),
    "a cap that was stated": ("cap", STATED, 0.2, 0.2),
    "a stated cap, 0.9 % off": ("cap", STATED | {"cap_fps": 99.1}, 0.2, 0.2),
    "a stated cap in the average": ("cap", {"cap_fps": 100.0, "avg_fps": 97.0}, 0.97, 0.97),
    "a stated cap in shown frames": (
        "cap",
        {"cap_fps": 100.0, "avg_fps": 48.5, "generated_per_drawn": 1.0},
        0.97,
        0.97,
    ),
    "refreshes missed": ("sync", SYNC, 0.9, 0.9),
    "every frame two refreshes": ("sync", SHOWN, 0.5, 0.5),
    "every frame one refresh": ("sync", CAP | {"refresh_hz": 100.9}, 0.5, 0.5),
    "every frame nearly one": ("sync", CAP | {"refresh_hz": 99.02}, 0.5, 0.5),
    "longer to the end": ("drift", DRIFT, 0.05, 0.05),
    "shorter to the end": ("drift", DRIFT | {"drift_log": math.log1p(-0.06)}, -0.06, -0.05),
    "two modes": ("two_modes", MODES, 0.8, 0.8),
    "frames too short": ("unit", {"median_ms": down(0.1)}, 0.1, 0.1),
    "frames too long": ("unit", {"median_ms": up(5000.0)}, 5000.0, 5000.0),
    "typed too fast": ("unit", {"typed_fps": 10_000.0}, 100.0, 100.0),
    "typed too slow": ("unit", {"typed_fps": 1.0}, 0.01, 0.01),
    "running time": ("cumulative", {"rising": True, "frames": 20}, 20.0, 20.0),
    "no 1 % low": ("short", {"frames": 999}, 999.0, 1000.0),
    "no 0.1 % low": ("short", {"frames": 1000}, 1000.0, 10_000.0),
    "nearly a 0.1 % low": ("short", {"frames": 9_999}, 9_999.0, 10_000.0),
    "three ticks": ("coarse_timer", COARSE, 3.0, 3.0),
    "three ticks but for rounding": (
        "coarse_timer",
        COARSE | {"spread_ms": 1.5 * (1 + 1e-9)},
        3.0,
        3.0,
    ),
    "no tick": ("coarse_timer", {"tick_ms": math.nan, "frames": 20}, 0.0, 3.0),
    "shown frames": ("generated", {"generated_per_drawn": 0.5, "counts": "shown"}, 0.5, 0.0),
    "slow memory": ("memory_rate", {"ram_mtps": down(98.0), "ram_rated_mtps": 100.0}, 0.98, 0.98),
}


@pytest.mark.parametrize("case", REACHED)
def test_a_threshold_just_reached_is_told(case):
    code, changed, measured, threshold = REACHED[case]
    flags = [flag for flag in told(**changed) if flag.code != "short" or code == "short"]
    assert [flag.code for flag in flags] == [code]
    assert flags[0].measured == pytest.approx(measured, rel=1e-8)
    assert flags[0].threshold == pytest.approx(threshold, rel=1e-15)


@pytest.mark.parametrize(
    "changed",
    [
        CAP | {"edge_share": down(0.5)},
        CAP | {"below_share": up(0.02)},
        STATED | {"edge_share": down(0.2)},
        STATED | {"cap_fps": 101.1, "edge_share": 0.4},
        STATED | {"cap_fps": 98.9, "edge_share": 0.4, "avg_fps": 80.0},
        {"cap_fps": 100.0, "avg_fps": 96.9},
        SYNC | {"step_share": down(0.9)},
        SYNC | {"second_step_share": down(0.05)},
        DRIFT | {"drift_log": math.log1p(0.0499)},
        DRIFT | {"drift_log": math.log1p(-0.0499)},
        DRIFT | {"drift_chance": up(0.001)},
        MODES | {"between_share": down(0.8)},
        MODES | {"valley_share": up(0.05)},
        MODES | {"smaller_share": down(0.1)},
        MODES | {"high_mode_ms": down(8.8)},
        {"median_ms": 0.1},
        {"median_ms": 5000.0},
        {"typed_fps": down(10_000.0)},
        {"typed_fps": up(1.0)},
        {"frames": 10_000},
        COARSE | {"spread_ms": 1.50001},
        {"generated_per_drawn": 0.0, "counts": "shown"},
        {"generated_per_drawn": 1.0},
        {"ram_mtps": 98.0, "ram_rated_mtps": 100.0},
    ],
    ids=str,
)
def test_a_threshold_just_missed_is_not(changed):
    assert told(**changed) == []


@pytest.mark.parametrize("changed", [{"rising": True}, {"tick_ms": math.nan}, COARSE], ids=str)
def test_nineteen_frames_tell_neither_running_time_nor_a_coarse_timer(changed):
    assert [flag.code for flag in told(frames=19, **changed)] == ["short"]


@pytest.mark.parametrize(
    ("changed", "codes"),
    [
        # A refresh held, told as sync, is not told once more as a cap unless one was stated.
        (SHOWN, ["sync"]),
        (SHOWN | {"cap_fps": 100.0, "avg_fps": 80.0}, ["cap", "sync"]),
        (SHOWN | {"refresh_hz": 145.0}, ["cap"]),
        (CAP | {"refresh_hz": 98.98}, ["cap"]),
        (CAP | {"refresh_hz": 101.02}, ["cap"]),
        # Less than one refresh, 0.2 of them: no display held that.
        (CAP | {"refresh_hz": 20.0}, ["cap"]),
        (SHOWN | {"edge_share": 0.49}, []),
        (SHOWN | {"below_share": 0.021}, []),
        # Ticks explain both refreshes and equal frames, and look like groups.
        (COARSE | SYNC, ["coarse_timer"]),
        (COARSE | CAP, ["coarse_timer"]),
        (COARSE | MODES, ["coarse_timer"]),
        (COARSE | CAP | {"cap_fps": 100.0, "avg_fps": 80.0}, ["cap", "coarse_timer"]),
        (SYNC | MODES, ["sync"]),
        (SYNC | CAP, ["sync"]),
        # A median that no game has says enough; the typed average is not held against it.
        ({"median_ms": 0.01, "typed_fps": 1.0}, ["unit"]),
    ],
    ids=str,
)
def test_one_cause_is_told_once(changed, codes):
    assert [flag.code for flag in told(**changed)] == codes


SENTENCES = [
    (
        CAP,
        "50% of the frames last 10 ms (100 FPS) to half a per cent and hardly any is shorter: a "
        "cap or a display that nobody stated held this pass, so its average only says at least.",
    ),
    (
        STATED,
        "20% of the frames last 10 ms (100 FPS) to half a per cent and hardly any is shorter: the "
        "stated cap held this pass, so its average only says at least.",
    ),
    (
        {"cap_fps": 50.0, "avg_fps": 49.0},
        "The average is 98.0% of the stated cap of 50 FPS: it only says at least.",
    ),
    (
        SYNC | {"step_ms": 5.0},
        "90% of the frames last a multiple of 5 ms, 5% not the usual one: the frames waited for a "
        "display at 200 Hz.",
    ),
    (SHOWN, "50% of the frames last 10 ms, 2 refresh of the 200 Hz display: it held the pass."),
    (
        DRIFT,
        "From start to end the frames get 5% longer, steadily: the machine warmed up or the scene "
        "changes, so the average depends on when the pass stops.",
    ),
    (
        DRIFT | {"drift_log": math.log1p(-0.06)},
        "From start to end the frames get 6% shorter, steadily: the machine warmed up or the scene "
        "changes, so the average depends on when the pass stops.",
    ),
    (
        {"median_ms": 0.05, "unit": "us"},
        "The median frame time is 50 us, that is 2e+04 FPS: the unit is probably another. In ms it "
        "would be a game's.",
    ),
    (
        {"typed_fps": 10_000.0},
        "passes.csv says 1e+04 FPS, the log 100: one of the units is wrong.",
    ),
    (
        {"frames": 999, "seconds": 9.99},
        "999 frames in 9.99 s give neither a 1 % nor a 0.1 % low, which takes 10,000 frames.",
    ),
    (
        {"frames": 1000, "seconds": 9.99},
        "1,000 frames in 9.99 s give no 0.1 % low, which takes 10,000 frames.",
    ),
    (
        {"generated_per_drawn": 0.5, "counts": "shown"},
        "0.5 generated frames per drawn one: the log counts shown frames, so only the average of "
        "drawn frames is known (100 FPS drawn, 150 shown).",
    ),
    (
        {"ram_mtps": 2400.0, "ram_rated_mtps": 3200.0},
        "The memory ran at 2400 MT/s, 75% of its rated 3200 MT/s.",
    ),
]


@pytest.mark.parametrize(("changed", "sentence"), SENTENCES, ids=[s[:20] for _, s in SENTENCES])
def test_the_sentence_says_the_numbers(changed, sentence):
    assert [flag.sentence for flag in told(**changed)] == [sentence]


@pytest.mark.parametrize(
    ("unit", "median_ms", "raw", "fits"),
    [
        ("ms", 1e6, "1e+06 ms", " In ns it would be a game's."),  # 1 ms, the shortest
        ("ms", down(1e6), "1e+06 ms", ""),
        ("ms", 5e5, "5e+05 ms", " In us it would be a game's."),  # 500 ms, the longest
        ("ms", up(5e5), "5e+05 ms", ""),
        ("ns", 0.02, "2e+04 ns", " In us it would be a game's."),
        ("us", 0.02, "20 us", " In ms it would be a game's."),
        ("s", 20_000.0, "20 s", " In ms it would be a game's."),
        ("s", 0.02, "2e-05 s", ""),
    ],
)
def test_units_that_would_fit_give_1_to_500_ms(unit, median_ms, raw, fits):
    flag = told(median_ms=median_ms, unit=unit)[0]
    assert flag.code == "unit"
    assert flag.sentence.startswith(f"The median frame time is {raw}, that is ")
    assert flag.sentence.endswith(f"the unit is probably another.{fits}")


@pytest.mark.parametrize(("mtps", "said"), [(44.9, 0), (45.0, 1), (55.0, 1), (55.1, 0)])
def test_near_a_half_of_the_rated_rate_a_clock_is_suspected(mtps, said):
    (flag,) = told(ram_mtps=mtps, ram_rated_mtps=100.0)
    assert flag.sentence.count("clock written for a transfer rate") == said


def test_a_typed_average_with_generated_frames_is_taken_as_drawn():
    (flag,) = pass_flags(None, replace(NOTHING, avg_fps=60.0, generated_per_drawn=1.0))
    assert flag.code == "generated"
    assert "the typed average is taken as drawn frames (60 FPS drawn, 120 shown)." in flag.sentence
