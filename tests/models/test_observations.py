"""Which passes teach, and how they combine."""

import numpy as np
import pandas as pd
import pytest

from perfkit.models.observations import (
    _bandwidth_gaps,
    gather,
    memory_limit,
    memory_need,
    memory_needs,
    names_of,
    to_cells,
    to_rows,
)
from perfkit.models.rates import attach_rates
from tests.models.worlds import World, cells_of, pass_frame, world


def sample(count: int = 3, **columns: object) -> pd.DataFrame:
    rows = {"system": "S0", "gpu": "G00", "workload": "W00", "width": 1920, "height": 1080}
    frame = pd.DataFrame({**rows, "avg_fps": 60.0 + np.arange(count)})
    return pass_frame(frame.assign(**columns))


def test_a_cap_that_was_missed_by_far_does_not_hold():
    seen = gather(world(gpus=2, workloads=1).study, sample(1, cap_fps=90.0))
    assert len(seen.left_out) == 0
    assert not seen.table["at_least"].any()


def test_passes_combine_as_total_frames_over_total_time():
    passes = sample(2, frames=[100.0, 600.0], seconds=[10.0, 10.0], avg_fps=[10.0, 60.0])
    seen = gather(world(gpus=2, workloads=1).study, passes)
    assert len(seen.table) == 1
    np.testing.assert_allclose(seen.table["log_fps"], np.log(35.0))


def test_a_copied_pass_is_not_evidence():
    once = sample(2, frames=[100.0, 110.0], seconds=[2.0, 2.0], avg_fps=[50.0, 55.0])
    twice = pd.concat([once, once.head(1).assign(pass_id="copy")])
    study = world(gpus=2, workloads=1).study
    a, b = gather(study, once), gather(study, twice)
    assert b.left_out.to_dict("list") == {
        "pass_id": ["copy"],
        "reason": ["the same frames as another pass"],
    }
    assert a.pass_sd == b.pass_sd
    pd.testing.assert_frame_equal(a.table, b.table)


def test_typed_copies_do_not_lower_the_spread():
    study = world(gpus=2, workloads=1).study
    once, twice = sample(2), pd.concat([sample(2), sample(2)])
    assert gather(study, once).pass_sd == gather(study, twice).pass_sd


def test_pass_spread_is_recovered():
    cells = cells_of(world(1, pass_sd=0.02))
    assert cells.pass_sd == pytest.approx(0.02, rel=0.1)


def test_a_free_pass_makes_a_capped_one_superfluous():
    passes = sample(2, cap_fps=[60.0, np.nan], avg_fps=[60.0, 95.0])
    seen = gather(world(gpus=2, workloads=1).study, passes)
    assert seen.table["at_least"].tolist() == [False]
    np.testing.assert_allclose(seen.table["log_fps"], np.log(95.0))


def test_row_order_does_not_matter():
    w = world(2, gpus=4, workloads=3)
    keys = ["gpu", "workload", "height"]
    a = gather(w.study, w.passes).table.sort_values(keys, ignore_index=True)
    shuffled = w.passes.sample(frac=1.0, random_state=1)
    b = gather(w.study, shuffled).table.sort_values(keys, ignore_index=True)
    pd.testing.assert_frame_equal(a, b, rtol=1e-13)


def rated(name: str, **columns: object) -> World:
    """Market of two GPUs with columns of `gpus` or `systems` replaced."""
    w = world(gpus=2, workloads=1)
    frame = getattr(w.study, name)
    for column, values in columns.items():
        frame[column] = values
    return w


def test_memory_in_use_is_the_most_at_a_size_and_of_passes_that_ran_through():
    passes = sample(
        5,
        workload=["W00", "W00", "W00", "W01", "W01"],
        height=[1080, 1080, 720, 1080, 1080],
        memory_used_gib=[0.5, 0.75, 0.25, 9.0, 0.0],
        outcome=["ran", "ran", "ran", "crashed", "ran"],
    )
    found = memory_needs(passes)
    assert found.to_dict("list") == {
        "workload": ["W00", "W00"],
        "mpx": [1920 * 720 / 1e6, 1920 * 1080 / 1e6],
        "memory_used_gib": [0.25, 0.75],
    }
    asked = pd.DataFrame(
        {"workload": ["W00"] * 4 + ["W01"], "mpx": [1.0, 1.3824, 2.0736, 9.0, 9.0]}
    )
    need = memory_need(found, asked["workload"], asked["mpx"])
    np.testing.assert_array_equal(need, [np.nan, 0.25, 0.75, 0.75, np.nan])
    # A size larger by a rounding of the last digit is the same size, one by a millionth is not.
    near = pd.Series([2.0736 / (1 + 0.5e-9), 2.0736 / (1 + 1e-6)])
    np.testing.assert_array_equal(memory_need(found, asked["workload"][:2], near), [0.75, 0.25])


def test_the_most_memory_of_a_workload_up_to_a_size():
    rng = np.random.default_rng(8)
    sizes = rng.permutation([(w, m) for w in ("b", "a", "d") for m in (0.9, 2.1, 3.7, 8.3)][:-1])
    needs = pd.DataFrame(sizes, columns=["workload", "mpx"]).astype({"mpx": float})
    needs["memory_used_gib"] = rng.uniform(1, 9, len(needs))
    asked = pd.DataFrame(
        [(w, m) for w in "abcde" for m in (0.5, 0.9, 2.0, 4.0, np.inf, np.nan)],
        columns=["workload", "mpx"],
    )
    expected = [
        needs.loc[needs["workload"].eq(w) & needs["mpx"].le(m), "memory_used_gib"].max()
        for w, m in asked.itertuples(index=False)
    ]
    found = memory_need(needs, asked["workload"], asked["mpx"])
    np.testing.assert_array_equal(found, expected)
    assert np.isfinite(expected).sum() == 3 * 4


def test_an_integrated_gpu_may_use_all_memory_of_its_system():
    w = rated("gpus", kind=["integrated", "discrete"], memory_gib=[np.nan, 8.0])
    rows = attach_rates(w.study, sample(2, gpu=["G00", "G01"]))
    assert memory_limit(w.study, rows).tolist() == [32.0, 8.0]
    w.study.systems["ram_gib"] = np.nan
    w.study.systems["reserved_gib"] = 2.0
    rows = attach_rates(w.study, sample(2, gpu=["G00", "G01"]))
    assert memory_limit(w.study, rows).tolist() == [2.0, 8.0]


@pytest.mark.parametrize(
    ("kinds", "stated", "channels", "gaps"),
    [
        (["discrete", "discrete"], [200.0, 100.0], np.nan, False),
        (["discrete", "discrete"], [200.0, np.nan], 2.0, True),
        (["discrete", "integrated"], [200.0, np.nan], 2.0, False),
        (["discrete", "integrated"], [200.0, np.nan], np.nan, True),
        (["discrete", "integrated"], [200.0, 90.0], np.nan, False),
        (["integrated", "integrated"], [90.0, np.nan], np.nan, True),
    ],
)
def test_where_some_bandwidth_of_the_study_is_not_known(kinds, stated, channels, gaps):
    w = rated("gpus", kind=kinds, bandwidth_gb_s=stated)
    w.study.systems["ram_channels"] = channels
    assert _bandwidth_gaps(w.study) is gaps


PAIRS = [
    ({"outcome": ["crashed", "ran"], "avg_fps": [np.nan, 9.0]}, ["crashed", ""]),
    ({"void_reason": ["wrong preset", ""]}, ["void: wrong preset", ""]),
    ({"state": ["warm", "cold"]}, ["", "cold: caches were still filling"]),
    (
        {"avg_fps": [np.nan, np.nan], "reason": ["", "log is empty"]},
        ["no average FPS", "no average FPS: log is empty"],
    ),
    ({"cap_fps": [60.0, 90.0]}, ["held by a cap: counts as at least 60", ""]),
    ({"flags": ["drift; cap", "recapped"]}, ["held by a cap: counts as at least 60", ""]),
    ({"flags": ["sync", ""]}, ["held by a cap: counts as at least 60", ""]),
    ({"flags": ["", "cumulative"]}, ["", "the log looks like running totals, not frame times"]),
    ({"avg_fps": [0.5, 0.0]}, ["", "no average FPS"]),
    ({"generated_per_drawn": [0.5, 0.0]}, ["generated frames: drawing pays for them too", ""]),
    ({"gpu": ["nobody", "G00"]}, ["the GPU's arithmetic rate is not known", ""]),
    (
        {"memory_used_gib": [20.0, np.nan], "height": [1440, 1080]},
        ["the card has 16 GiB, the workload was seen to use 20 GiB", ""],
    ),
    ({"memory_used_gib": [16.0, np.nan]}, ["", ""]),
    (
        {
            "version_use": ["kept apart", ""],
            "version_note": ["no bridge", "x"],
            "log_version_shift": 0.0,
        },
        ["no bridge", ""],
    ),
    # The first reason is told.
    (
        {"state": "cold", "outcome": ["crashed", "ran"]},
        ["crashed", "cold: caches were still filling"],
    ),
    # What crashed does not copy.
    (
        {"avg_fps": 60.0, "frames": 9.0, "seconds": 3.0, "outcome": ["crashed", "ran"]},
        ["crashed", ""],
    ),
    ({"avg_fps": 60.0, "frames": 9.0, "seconds": 3.0}, ["", "the same frames as another pass"]),
    ({"avg_fps": 60.0, "frames": 9.0, "seconds": [3.0, 4.0]}, ["", ""]),
    ({"avg_fps": 60.0}, ["", ""]),  # typed passes may be alike
]


def test_reasons_pass_by_pass():
    versions = {"version_use": "", "version_note": "", "log_version_shift": 0.0}
    passes = pd.concat(
        [
            sample(2, **({"workload": f"W{k:02d}"} | versions | columns))
            for k, (columns, _) in enumerate(PAIRS)
        ]
    )
    passes["pass_id"] = [f"p{k}" for k in range(len(passes))]
    seen = gather(world(gpus=2, workloads=len(PAIRS)).study, passes)
    each = seen.reasons.tolist()
    found = [each[k : k + 2] for k in range(0, len(each), 2)]
    for (columns, reasons), told in zip(PAIRS, found, strict=True):
        assert told == reasons, columns
    left = [(f"p{k}", why) for k, why in enumerate(each) if why]
    assert list(seen.left_out.itertuples(index=False, name=None)) == left
    assert seen.left_out.index.tolist() == list(range(len(left)))


def test_passes_without_flags_and_reasons_are_taken():
    seen = gather(world(gpus=2, workloads=1).study, sample(2).drop(columns=["flags", "reason"]))
    assert seen.reasons.tolist() == ["", ""]
    assert len(seen.left_out) == 0


def test_a_cell_tells_the_spread_and_the_lows_of_its_passes():
    passes = sample(
        4,
        avg_fps=[50.0, 80.0, 80.0, 100.0],
        low_1pct_fps=[40.0, 60.0, np.nan, 110.0],
        frames=[100.0, 200.0, 300.0, 400.0],
        seconds=[2.0, 2.5, 3.75, 4.0],
        height=[1080, 1080, 1080, 720],
        load_shift=[0.1, 0.3, 0.2, 0.5],
    )
    seen = gather(world(gpus=2, workloads=1).study, passes)
    assert len(seen.table) == 2
    assert "index" not in seen.table
    row = seen.table.set_index("height").loc[1080]
    assert row["passes"] == 2  # equal averages count once
    assert row["frames"] == 200.0
    assert row["seconds"] == 2.75
    assert row["log_fps"] == pytest.approx(np.log(600 / 8.25))
    assert row["load_shift"] == pytest.approx(0.2)
    # Mean of the two that have a low; half the distance of 50 and 80, squared.
    assert row["log_low_ratio"] == pytest.approx((np.log(0.8) + np.log(0.75)) / 2)
    assert row["scatter"] == pytest.approx((np.log(1.6) / 2) ** 2)
    assert seen.pass_sd == pytest.approx(np.log(1.6) / np.sqrt(2))
    other = seen.table.set_index("height").loc[720]
    assert other["log_low_ratio"] == 0.0  # a low above the average is none
    assert other["scatter"] == 0.0
    rows = to_rows(seen.names, seen.table, bandwidth=True, cpu_fill=1.0)
    cells = to_cells(seen, seen.table, rows)
    high = int(np.argmax(rows.drawn_mpx))
    assert cells.log_fps[high] == pytest.approx(np.log(600 / 8.25) + 0.2)


def test_names_hold_every_family_and_none():
    w = rated("gpus", family=["B", None])
    assert names_of(w.study).families == ("", "B")
    assert names_of(rated("gpus", family=["B", "A"]).study).families == ("", "A", "B")


def test_without_repeats_nothing_is_known_of_the_spread():
    seen = gather(world(gpus=2, workloads=1).study, sample(2, height=[720, 1080]))
    assert np.isnan(seen.pass_sd)


def test_of_capped_passes_the_highest_is_the_bound_and_its_low_is_none():
    passes = sample(3, cap_fps=[60.0, 90.0, 60.0], avg_fps=[60.0, 89.5, 59.0], low_1pct_fps=50.0)
    seen = gather(world(gpus=2, workloads=1).study, passes)
    assert seen.table["at_least"].tolist() == [True]
    assert seen.table["log_fps"][0] == pytest.approx(np.log(89.5))
    assert np.isnan(seen.table["log_low_ratio"][0])
    assert seen.table["load_shift"].tolist() == [0.0]


def test_what_is_not_known_is_filled_as_told():
    w = world(gpus=2, workloads=1)
    w.study.systems["cpu_speed"] = np.nan
    seen = gather(w.study, sample(2, render_scale=np.nan))
    assert seen.table["render_scale"].tolist() == [1.0]
    rows = to_rows(seen.names, seen.table, bandwidth=False, cpu_fill=1.3)
    assert rows.cpu_speed.tolist() == [1.3]
    assert rows.bandwidth_gb_s.tolist() == [1.0]
    real = to_rows(seen.names, seen.table, bandwidth=True, cpu_fill=1.3)
    assert real.bandwidth_gb_s[0] == w.study.gpus["bandwidth_gb_s"][0]
