"""Load cycles of a study: where they are looked for, what they shift, when they are kept."""

from dataclasses import replace
from types import SimpleNamespace
from unittest import mock

import numpy as np
import pandas as pd
import pytest

from perfkit.errors import PerfkitError
from perfkit.models.cycles import Cycles, find_cycles, keep_helpful
from perfkit.models.observations import CONFIGURATION, Observations
from perfkit.models.registry import LIMIT
from tests.models.worlds import pass_frame
from tests.outside import as_cells


class Cycle:
    """Shifts passes by a share of their log frame time and of their seconds, or as told."""

    def __init__(self, shifts=None):
        self.shifts = shifts

    def expected_shift(self, log_ms, seconds):
        return 0.1 * log_ms + 0.01 * seconds

    def shift(self, traces):
        return np.array([self.shifts[len(times)] for times in traces])


LENGTH = SimpleNamespace(seconds=lambda log_ms: 2.0 + log_ms)


def test_only_workloads_with_a_cycle_are_shifted():
    cycles = Cycles({"w": (Cycle(), LENGTH)})
    log_fps = np.log([100.0, 50.0, 20.0])
    found = cycles.shift(("v", "w"), np.array([0, 1, 1]), log_fps)
    log_ms = np.log([20.0, 50.0])
    expected = 0.1 * log_ms + 0.01 * (2.0 + log_ms)
    np.testing.assert_allclose(found, [0.0, *expected], rtol=1e-12)
    unknown = cycles.shift(("v", "w"), np.array([1]), np.array([np.nan]))
    assert np.isnan(unknown).all()


class Folder(SimpleNamespace):
    """Stands for a loaded study."""


def passes(**columns):
    rows = {
        "system": "S0",
        "gpu": ["G00", "G00", "G01", "G00"],
        "workload": ["W00", "W00", "W00", "W01"],
        "width": 1920,
        "height": 1080,
        "avg_fps": [50.0, 52.0, 100.0, 25.0],
        "frames": [3.0, 4.0, 5.0, 6.0],
        "seconds": [0.06, 0.08, 0.05, 0.24],
    }
    return pass_frame(pd.DataFrame(rows)).assign(**columns)


def gathered(frame):
    """Cells of passes; those that were cold teach nothing."""
    reasons = frame["state"].mask(frame["state"].eq("warm"), "")
    table = frame.assign(render_scale=1.0)[CONFIGURATION].drop_duplicates(ignore_index=True)
    return Observations(None, table.assign(load_shift=0.0), np.nan, frame, reasons, False)


def searched(frame, shifts, traces=None, error=None):
    """Search with written shifts by number of frames, and written traces."""
    folder, seen = Folder(), gathered(frame)
    told = traces or {
        name: np.ones(int(n))
        for name, n in zip(frame["pass_id"], frame["frames"], strict=True)
        if n > 0
    }
    cycle = Cycle(shifts) if shifts else None

    def found(own):
        return cycle if len(own) > 1 else None

    with (
        mock.patch("perfkit.models.cycles.Study", Folder),
        mock.patch(
            "perfkit.models.cycles.read_traces", return_value=told, side_effect=error
        ) as read,
        mock.patch("perfkit.models.cycles.find_cycle", side_effect=found),
    ):
        return (*find_cycles(folder, frame, seen), seen, read)


def test_cells_are_shifted_by_the_mean_of_their_passes():
    frame = passes()
    seen, cycles, _, read = searched(frame, {3: 0.1, 4: 0.2, 5: -0.04})
    assert read.call_args.args[1] == frame["pass_id"].tolist()
    shift = seen.table.set_index(["workload", "gpu"])["load_shift"].to_dict()
    assert shift == pytest.approx(
        {("W00", "G00"): 0.15, ("W00", "G01"): -0.04, ("W01", "G00"): 0.0}
    )
    assert list(cycles.of) == ["W00"]


def test_lengths_go_by_frame_times_over_whole_rounds():
    frame = passes(frames=[2.0, 4.0, 5.0, 6.0], render_scale=np.nan)
    with mock.patch("perfkit.models.cycles.pass_length", side_effect=["every", "own"]) as length:
        seen, cycles, _, read = searched(frame, {2: 0.1, 4: 0.2, 5: -0.04})
    assert read.call_args.args[1] == frame["pass_id"].tolist()
    assert seen.table["load_shift"].max() == pytest.approx(0.15)
    assert cycles.of["W00"][1] == "own"
    every, own = (call.args for call in length.call_args_list)
    log_ms = np.log([20.0, 1000 / 52, 10.0, 40.0])
    np.testing.assert_allclose(every[0], log_ms, rtol=1e-12)
    np.testing.assert_allclose(every[1], frame["seconds"])
    np.testing.assert_allclose(own[0], log_ms[:3] - [0.1, 0.2, -0.04], rtol=1e-12)
    np.testing.assert_allclose(own[1], frame["seconds"][:3])
    assert own[2] == "every"


def test_cells_without_logs_are_not_shifted():
    seen, *_ = searched(passes(frames=[3.0, 4.0, 5.0, np.nan]), {3: 0.1, 4: 0.2, 5: -0.04})
    shift = seen.table.set_index(["workload", "gpu"])["load_shift"].to_dict()
    assert shift[("W01", "G00")] == 0.0


def test_a_cycle_that_moves_nothing_is_left_out_and_at_two_thousandths_it_stays():
    assert searched(passes(), {3: 0.0019, 4: -0.0019, 5: 0.0})[1].of == {}
    assert list(searched(passes(), {3: 0.0, 4: -0.002, 5: 0.0})[1].of) == ["W00"]
    assert searched(passes(), None)[1].of == {}


def test_where_nothing_can_be_searched_nothing_changes():
    for error in (OSError(), PerfkitError("x")):
        seen, cycles, before, _ = searched(passes(), {3: 0.1, 4: 0.1, 5: 0.1}, error=error)
        assert seen is before
        assert cycles.of == {}
    frame = passes()
    plain = gathered(frame)
    assert find_cycles(Folder(), frame, plain)[0] is plain  # no loaded study
    for frames in (np.nan, 1.0):
        seen, _, before, read = searched(passes(frames=frames), {3: 0.1})
        assert seen is before
        assert not read.called


@pytest.mark.parametrize(("most", "called"), [(18, True), (17, False)])
def test_long_logs_are_not_searched(most, called):
    with mock.patch("perfkit.models.cycles.MOST_FRAMES", most):
        *_, read = searched(passes(), {3: 0.1, 4: 0.1, 5: 0.1})
    assert read.called is called


def test_passes_that_do_not_teach_or_have_no_trace_are_not_searched():
    frame = passes(state=["warm", "warm", "cold", "warm"])
    *_, read = searched(frame, {3: 0.1, 4: 0.1})
    assert read.call_args.args[1] == ["p0000", "p0001", "p0003"]
    traces = {"p0000": np.ones(3), "p0001": np.ones(4)}
    seen, cycles, _, _ = searched(passes(), {3: 0.1, 4: 0.3}, traces)
    shift = seen.table.set_index(["workload", "gpu"])["load_shift"].to_dict()
    assert shift == pytest.approx({("W00", "G00"): 0.2, ("W00", "G01"): 0.0, ("W01", "G00"): 0.0})
    assert list(cycles.of) == ["W00"]


def written_fits(misses):
    """Fits that miss cells with the cycle, and without, by written logs of frame time."""

    def fit(law, cells, without):
        assert law is LIMIT
        assert without == ((),)
        wrong = misses[int(not cells.load_shift.any())]
        said = np.log(1000.0) - cells.log_fps + np.array(wrong)
        return SimpleNamespace(log_ms=lambda rows: np.array([said, said + 9.0]))

    return mock.patch("perfkit.models.cycles.fit_subsets", side_effect=fit)


@pytest.mark.parametrize(
    ("with_cycle", "kept"),
    [
        # Without, misses of 0.1 and 0.3: 0.2 on average, of which 0.97 is 0.194.
        ([0.093, -0.293], True),
        ([0.1, -0.29], False),
        ([0.09402, 0.29402], False),
        ([0.095, -0.295], False),
    ],
)
def test_a_cycle_stays_where_misses_fall_to_97_per_cent(with_cycle, kept):
    cells = as_cells(np.array([4.0, 5.0, 6.0]), np.zeros(3), list("abb"), list("vvw"))
    cells = replace(cells, load_shift=np.array([0.25, 0.5, 0.125]))
    cycles = Cycles({"v": (Cycle(), LENGTH)})
    # The cells of w would fit better, but have no cycle.
    misses = [*with_cycle, 0.0], [0.1, np.copysign(0.3, with_cycle[1]), 0.9]
    with written_fits(misses), mock.patch("perfkit.models.cycles.fit_ahead") as ahead:
        found, still = keep_helpful(cells, cycles, LIMIT)
    assert list(still.of) == (["v"] if kept else [])
    assert found.load_shift.tolist() == ([0.25, 0.5, 0.0] if kept else [0.0] * 3)
    assert found.log_fps.tolist() == ([4.0, 5.0, 5.875] if kept else [3.75, 4.5, 5.875])
    assert ahead.called
    same, none = keep_helpful(cells, Cycles(), LIMIT)
    assert same is cells
    assert none.of == {}
