"""Bridges between versions, worked by hand: ratios, standard errors, and who is brought where."""

import itertools
import math

import numpy as np
import pandas as pd
import pytest

from perfkit.frames.versions import (
    VERSION_COLUMNS,
    Boundary,
    _placed,
    boundary_verdict,
    find_boundaries,
    version_columns,
    version_table,
)

COUNT = itertools.count()


def run(log_fps, driver="", game="", date="", **more):
    """One pass by the natural log of its FPS, under a driver and a version of the game."""
    row = {"pass_id": f"p{next(COUNT)}", "system": "s", "gpu": "g", "workload": "w", "width": 1920}
    row |= {"height": 1080, "render_scale": 1.0, "date": pd.Timestamp(date) if date else pd.NaT}
    row |= {"state": "warm", "source": "own", "outcome": "ran", "void_reason": "", "flags": ""}
    row |= {"generated_per_drawn": 0.0, "cap_fps": math.nan, "frames": math.nan}
    row |= {"seconds": math.nan, "low_1pct_fps": math.nan, "avg_fps": math.exp(log_fps)}
    return row | {"driver": driver, "game_version": game} | more


def twice(log_fps, *args, apart=0.01, **named):
    """Two passes, whose mean log is the given one."""
    return [run(log_fps + step, *args, **named) for step in (-apart, apart)]


def table(*rows):
    return pd.DataFrame(list(itertools.chain(*(r if isinstance(r, list) else [r] for r in rows))))


def games(**names):
    workloads = {"w": "Velm", "x": "Umber"} | names
    return pd.DataFrame({"workload": list(workloads), "game": list(workloads.values())})


def placed(*rows, workloads=None):
    passes = table(*rows)
    return version_columns(passes, games() if workloads is None else workloads)


def test_ratio_error_and_range_over_two_bridges_with_unequal_passes():
    # Workload w: old at logs 3.99 and 4.01, new at 4.06; x: old at 3.00, new at 3.09 and 3.11.
    # Ratios .06 and .10, mean .08. Within cells four deviations of .01 and 6 - 4 = 2 degrees of
    # freedom: variance 2e-4. Its error: sqrt(2e-4 (1/2 + 1/1 + 1/1 + 1/2)) / 2.
    passes = table(
        twice(4.0, "d1"),
        run(4.06, "d2"),
        run(3.0, "d1", workload="x"),
        twice(3.1, "d2", workload="x"),
    )
    (step,) = find_boundaries(passes, games())
    assert (step.kind, step.owners, step.old, step.new) == ("driver", ("g",), "d1", "d2")
    assert (step.bridges, step.dof) == (2, 2)
    assert step.log_ratio == pytest.approx(0.08, rel=1e-9)
    assert step.std_error == pytest.approx(math.sqrt(6e-4) / 2, rel=1e-9)
    # With two degrees of freedom the quantile has a closed form: a sqrt(2 / (1 - a^2)), a = level.
    half = 0.9 * math.sqrt(2 / (1 - 0.81)) * math.sqrt(6e-4) / 2
    assert step.range == pytest.approx((0.08 - half, 0.08 + half), rel=1e-9)
    assert step.verdict == "shifted"
    assert step.name == "driver d1 to d2"


def test_a_range_that_ends_at_the_margin_of_three_per_cent_is_pooled_and_one_beyond_is_shifted():
    margin = math.log(1.03)
    for sign in (-1, 1):
        at = Boundary("game", ("Velm", "x"), "1", "2", 1, sign * math.log1p(0.03), 0.0, 3)
        assert at.verdict == "pooled"
        assert at.name == "Velm 1 to 2"
        beyond = Boundary("game", ("Velm",), "1", "2", 1, sign * (margin + 1e-12), 0.0, 3)
        assert beyond.verdict == "shifted"


@pytest.mark.parametrize(
    ("low", "high", "verdict"),
    [
        (-0.5, 0.5, "pooled"),
        (-0.5000001, 0.5, "shifted"),
        (-0.5, 0.5000001, "shifted"),
        (-9.0, -8.0, "shifted"),
        (8.0, 9.0, "shifted"),
        (math.nan, 0.0, "kept apart"),
        (0.0, math.nan, "kept apart"),
    ],
)
def test_each_end_of_a_range_decides(low, high, verdict):
    assert boundary_verdict(low, high, 0.5) == verdict


def test_versions_follow_the_day_of_their_first_use_or_the_file_where_a_day_is_missing():
    def order(*days):
        rows = [run(4.0, name, date=day) for name, day in zip("cab", days, strict=True)]
        return [(step.old, step.new) for step in find_boundaries(table(*rows), games())]

    assert order("2026-03-01", "2026-01-01", "2026-02-01") == [("a", "b"), ("b", "c")]
    assert order("2026-03-01", "2026-01-01", "") == [("c", "a"), ("a", "b")]
    # The first day counts, not the last one.
    again = table(run(4.0, "a", date="2026-01-01"), run(4.0, "b", date="2026-02-01"),
                  run(4.0, "a", date="2026-05-01"))  # fmt: skip
    assert [(s.old, s.new) for s in find_boundaries(again, games())] == [("a", "b")]


def test_a_driver_that_two_gpus_crossed_is_told_once_and_a_games_version_by_game():
    rows = [
        run(4.0, driver, version, gpu=gpu, workload=workload)
        for driver, version in (("d1", "1"), ("d2", "2"))
        for gpu in "gh"
        for workload in "wx"
    ]
    found = find_boundaries(table(*rows), games())
    assert [(s.kind, s.owners) for s in found] == [
        ("driver", ("g", "h")), ("game", ("Velm",)), ("game", ("Umber",)),
    ]  # fmt: skip
    assert [s.bridges for s in found] == [0, 0, 0]  # driver and game changed at the same time


def test_workloads_of_one_game_share_its_versions_and_an_unnamed_game_is_its_workload():
    def owners(**names):
        rows = [run(4.0, "", "1"), run(4.0, "", "2"), run(4.0, "", "2", workload="x")]
        found = find_boundaries(table(*rows, run(4.0, "", "3", workload="x")), games(**names))
        return [(s.owners, s.old, s.new) for s in found]

    assert owners(w="Velm", x="Velm") == [(("Velm",), "1", "2"), (("Velm",), "2", "3")]
    assert owners(w="", x="Umber") == [(("w",), "1", "2"), (("Umber",), "2", "3")]


def test_a_bridge_needs_the_same_configuration_and_the_same_version_of_the_other_kind():
    old = twice(4.0, "d1", "1")
    assert find_boundaries(table(old, run(4.0, "d2", "1")), games())[0].bridges == 1
    for other in (
        run(4.0, "d2", "2"),
        run(4.0, "d2", "1", width=1280),
        run(4.0, "d2", "1", render_scale=0.5),
        run(4.0, "d2", "1", system="t"),
    ):
        (driver, *_) = find_boundaries(table(old, other), games())
        assert (driver.bridges, driver.verdict) == (0, "kept apart")
        assert math.isnan(driver.log_ratio)
        assert math.isnan(driver.std_error)


def test_the_table_tells_each_boundary_in_per_cent_with_the_reason():
    # Two passes a side: spread .01 sqrt(2) with 2 degrees of freedom, error that x sqrt(1/2 + 1/2).
    passes = table(
        twice(4.0, "d1"), twice(4.0 + math.log(1.05), "d2"), run(3.0, "d1", workload="x"),
        run(3.0, "d3", workload="y"), run(5.0, "", "1", gpu="h", workload="x"),
        run(5.0, "d9", "2", gpu="h", workload="x"),
    )  # fmt: skip
    passes = passes.join(version_columns(passes, games()))
    found = version_table(passes, games())
    assert list(found.columns) == [
        "kind", "of", "old", "new", "bridges", "log_ratio_pct", "low_pct", "high_pct",
        "margin_pct", "verdict", "passes_shifted", "reason",
    ]  # fmt: skip
    assert found["old"].tolist() == ["d1", "d2", "1"]
    first = found.iloc[0]
    half = 0.9 * math.sqrt(2 / (1 - 0.81)) * 0.01 * math.sqrt(2)
    told = first[["log_ratio_pct", "low_pct", "high_pct", "margin_pct"]].tolist()
    low, high = (100 * (1.05 * math.exp(way * half) - 1) for way in (-1, 1))
    assert told == pytest.approx([5.0, low, high, 3.0], rel=1e-9)
    assert (first["of"], first["bridges"], first["verdict"]) == ("g", 1, "shifted")
    assert found["passes_shifted"].tolist() == [3, 0, 0]
    assert found["verdict"].tolist() == ["shifted", "kept apart", "kept apart"]
    nowhere = "no configuration was run under both: run one under both"
    assert found["reason"].tolist() == ["", nowhere, nowhere]
    assert found.loc[1:, ["log_ratio_pct", "low_pct", "high_pct"]].isna().all(axis=None)


def test_a_bridge_without_a_second_pass_anywhere_says_that_the_spread_is_not_known():
    passes = table(run(4.0, "d1"), run(4.1, "d2"))
    passes = passes.join(version_columns(passes, games()))
    (row,) = version_table(passes, games()).to_dict("records")
    assert (row["bridges"], row["verdict"], row["passes_shifted"]) == (1, "kept apart", 0)
    assert row["log_ratio_pct"] == pytest.approx(100 * math.expm1(0.1), rel=1e-9)
    assert row["reason"] == "no configuration was run twice under one version: spread not known"


def test_shifts_of_driver_and_game_add_up_and_so_do_their_variances():
    # d1 to d2 adds .1 under version 1, version 1 to 2 adds .2 under d2; each over one bridge with
    # two passes a side at a spread of .01 sqrt(2), so each with that for its error.
    found = placed(twice(4.0, "d1", "1"), twice(4.1, "d2", "1"), twice(4.3, "d2", "2"))
    assert list(found.columns) == list(VERSION_COLUMNS)
    assert found["version_use"].tolist() == ["shifted"] * 4 + [""] * 2
    assert found["log_version_shift"].tolist() == pytest.approx(
        [0.3, 0.3, 0.2, 0.2, 0.0, 0.0], rel=1e-9
    )
    one = 0.01 * math.sqrt(2)
    both = math.sqrt(2) * one
    assert found["se_log_version_shift"].tolist() == pytest.approx(
        [both, both, one, one, 0.0, 0.0], rel=1e-9
    )
    notes = ["driver d1 to d2; Velm 1 to 2", "Velm 1 to 2", ""]
    assert found["version_note"].tolist() == [note for note in notes for _ in range(2)]


def test_steps_of_one_kind_add_up_to_the_newest_and_a_pooled_step_adds_nothing():
    rows = [twice(at, name) for at, name in ((4.0, "a"), (4.1, "b"), (4.1, "c"), (4.4, "d"))]
    found = placed(*rows).iloc[::2]
    # b to c is no step but its range reaches t(4) .01 sqrt(2) = .0301, beyond log 1.03 = .0296.
    assert found["log_version_shift"].tolist() == pytest.approx([0.4, 0.3, 0.3, 0.0], rel=1e-9)
    assert found["version_note"].tolist()[1] == "driver b to c; driver c to d"
    close = [twice(at, n, apart=1e-4) for at, n in ((4.0, "a"), (4.1, "b"), (4.1, "c"))]
    found = placed(*close).iloc[::2]
    assert found["version_use"].tolist() == ["shifted", "pooled", ""]
    assert found["log_version_shift"].tolist() == pytest.approx([0.1, 0.0, 0.0], rel=1e-9, abs=0)
    assert found["se_log_version_shift"].tolist() == pytest.approx(
        [1e-4 * math.sqrt(2), 0.0, 0.0], rel=1e-9, abs=0
    )
    assert found["version_note"].tolist() == ["driver a to b", "driver b to c", ""]


def test_behind_a_gap_the_way_up_starts_again():
    # a to b is bridged by w, b to c by nothing, c to d by x: each way ends at its side of the gap.
    found = placed(
        twice(4.0, "a"), twice(4.1, "b"), twice(3.0, "c", workload="x"),
        twice(3.3, "d", workload="x"),
    ).iloc[::2]  # fmt: skip
    assert found["version_use"].tolist() == ["shifted", "", "shifted", ""]
    assert found["log_version_shift"].tolist() == pytest.approx([0.1, 0.0, 0.3, 0.0], rel=1e-9)
    assert found["se_log_version_shift"].tolist() == pytest.approx(
        [0.01 * math.sqrt(2), 0.0, 0.01 * math.sqrt(2), 0.0], rel=1e-9
    )
    assert found["version_note"].tolist() == ["driver a to b", "", "driver c to d", ""]


def test_what_one_gpu_crossed_is_not_laid_on_another():
    # g went from a to b; h from a over c to b; i stayed with a.
    passes = table(
        twice(4.0, "a"), twice(4.1, "b"), twice(3.0, "a", gpu="h"), twice(3.5, "c", gpu="h"),
        twice(3.7, "b", gpu="h"), twice(2.0, "a", gpu="i"),
    )  # fmt: skip
    steps = find_boundaries(passes, games())
    assert [(s.owners, s.old, s.new, s.bridges) for s in steps] == [
        (("g",), "a", "b", 1), (("h",), "a", "c", 1), (("h",), "c", "b", 1),
    ]  # fmt: skip
    assert [s.log_ratio for s in steps] == pytest.approx([0.1, 0.5, 0.2], rel=1e-9)
    found = version_columns(passes, games()).iloc[::2]
    assert found["log_version_shift"].tolist() == pytest.approx(
        [0.1, 0.0, 0.7, 0.2, 0.0, 0.0], rel=1e-9, abs=0
    )


def test_segments_count_the_gaps_below_a_version():
    rows = table(*(run(4.0, name, workload="wxyz"[n]) for n, name in enumerate("abcd")))
    rows = pd.concat([rows, rows.assign(gpu="h").iloc[:1]], ignore_index=True)
    found = _placed(rows, find_boundaries(rows, games(y="Y", z="Z")), "driver", "gpu")
    assert found["segment"].tolist() == [0, 1, 2, 3, 3]  # h has one version, the newest
    for name in ("shift", "error"):
        assert found[name].tolist() == [0.0] * 5


def test_a_configuration_keeps_its_newest_passes_where_no_bridge_leads_to_them():
    # Driver and game change together, once the game goes back; x and y are not what w is.
    rows = [run(4.0, "a", "2"), run(4.0, "b", "1"), run(4.0, "a", "3", workload="x")]
    order = [run(4.0, "a", "1", workload="y"), run(4.0, "c", "2", workload="y")]
    found = placed(*rows, *order, workloads=games(w="Velm", x="Velm", y="Velm"))
    assert found["version_use"].tolist() == ["kept apart", "", "", "kept apart", ""]
    told = "run under driver a; Velm 2: no bridge to the newer passes of this configuration"
    assert found["version_note"].tolist()[:3] == [told, "", ""]


def test_the_newest_driver_counts_before_the_newest_game():
    # Driver a, then b; version 1, then 2: b under the older version is newer than a under 2.
    rows = [run(4.0, "a", "1", "2026-01-01", workload="x"), run(4.0, "a", "2", "2026-02-01"),
            run(4.0, "b", "1", "2026-03-01")]  # fmt: skip
    found = placed(*rows, workloads=games(w="Velm", x="Velm"))
    assert found["version_use"].tolist() == ["", "kept apart", ""]


def test_under_one_driver_the_newest_game_counts():
    found = placed(run(4.0, "", "1"), run(4.0, "", "2"), run(4.0, "", "1", workload="x"))
    assert found["version_use"].tolist() == ["kept apart", "", ""]


def test_passes_that_do_not_count_choose_no_version():
    # The only pass under d2 was cut short: those under d1 are the newest that count.
    found = placed(twice(4.0, "d1"), run(4.0, "d2", void_reason="alarm"))
    assert found["version_use"].tolist() == ["", "", ""]
    unknown = placed(run(4.0), run(4.0, "d1"), run(4.0, "d2"))
    assert unknown["version_use"].tolist()[1:] == ["kept apart", ""]


@pytest.mark.parametrize("kept", [[], ["d1"]])
def test_no_passes_and_one_version_need_no_shift(kept):
    passes = table(run(4.0, "d1"))
    passes = passes[passes["driver"].isin(kept)]
    found = version_columns(passes, games())
    assert found.index.equals(passes.index)
    assert found["version_use"].tolist() == [""] * len(kept)
    assert found["log_version_shift"].dtype == "float64"
    assert found["log_version_shift"].tolist() == [0.0] * len(kept)
    assert len(version_table(passes.join(found), games())) == 0


def test_order_of_the_rows_changes_no_row():
    rows = [*twice(4.0, "d1", "1", "2026-01-01"), *twice(4.1, "d2", "1", "2026-02-01"),
            *twice(4.3, "d2", "2", "2026-03-01"), run(2.0, "d1", "2", workload="x")]  # fmt: skip
    passes = table(*rows)
    turned = passes.iloc[::-1]
    forth, back = version_columns(passes, games()), version_columns(turned, games()).iloc[::-1]
    pd.testing.assert_frame_equal(forth, back, rtol=1e-12)
    assert np.isfinite(forth["log_version_shift"]).all()
