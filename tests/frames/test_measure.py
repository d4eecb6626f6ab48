"""From the files of a study to its passes: where frame times are found, and what is told if not."""

import gzip

import numpy as np
import pytest

from perfkit.errors import StudyError
from perfkit.frames import log_problems, sources, summarize
from perfkit.frames.cluster import spread
from perfkit.frames.logs import BadLog
from perfkit.frames.measure import measure
from perfkit.frames.sources import (
    LogRequest,
    measure_log,
    open_log,
    record_combined,
    record_some,
)
from perfkit.frames.statistics import finish_each
from perfkit.frames.stream import WHOLE
from perfkit.frames.traces import read_traces
from tests.frames.make import csv_log, make_study, parquet_log

SCATTERED = {"pass_id": [*"abcab"], "frame_ms": [10.0, 20.0, 30.0, 12.0, 24.0]}


def problems(study, **named):
    found = log_problems(study.path, study.log_format, study.passes, **named)
    return [(one.file, one.line, one.column, one.value) for one in found]


def test_a_pass_that_ran_needs_a_number_and_one_that_did_not_needs_none(tmp_path):
    rows = [
        {"pass_id": "a"},
        {"pass_id": "typed", "avg_fps": 50},
        {"pass_id": "crashed", "outcome": "crashed"},
        {"pass_id": "void", "void_reason": "alarm"},
        {"pass_id": "none"},
        {"pass_id": "both", "outcome": "crashed", "void_reason": "alarm"},
    ]
    content = parquet_log({"pass_id": ["a"], "frame_ms": [10.0]})
    study = make_study(tmp_path, rows, {"all.parquet": content}, combined="all.parquet")
    assert problems(study) == [("passes.csv", 6, "avg_fps", "")]
    (told,) = log_problems(study.path, study.log_format, study.passes)
    assert "give pass none a log" in told.action


def test_frames_of_unknown_passes_are_refused_unless_rows_were(tmp_path):
    content = parquet_log(SCATTERED)
    rows = [{"pass_id": "b", "log": "b.csv"}, {"pass_id": "c"}]
    logs = {"all.parquet": content, "b.csv": csv_log([1.0])}
    study = make_study(tmp_path, rows, logs, combined="all.parquet")
    unknown = ("all.parquet", None, "pass_id", "a")
    doubled = ("passes.csv", 2, "log", "b.csv")
    assert problems(study) == [unknown, doubled]
    assert problems(study, all_passes=False) == [doubled]


def test_a_damaged_combined_file_is_told_once_and_nothing_of_its_passes(tmp_path):
    rows = [{"pass_id": "a"}, {"pass_id": "b", "log": "b.csv"}]
    logs = {"all.parquet": b"PAR1", "b.csv": b"frame_ms\nx\n"}
    study = make_study(tmp_path, rows, logs, combined="all.parquet")
    assert [(file, line) for file, line, _, _ in problems(study)] == [
        ("all.parquet", None), ("b.csv", 2),
    ]  # fmt: skip
    with pytest.raises(StudyError):
        summarize(study)


def test_scattered_passes_and_single_logs_are_measured_with_their_targets(tmp_path):
    rows = [{"pass_id": name} for name in "abc"] + [{"pass_id": "d", "log": "d.csv.gz"}]
    logs = {"all.parquet": parquet_log(SCATTERED, 2), "d.csv.gz": gzip.compress(csv_log([40.0]))}
    study = make_study(tmp_path, rows, logs, combined="all.parquet")
    found, told = measure(study.path, study.log_format, study.passes, (60.0,))
    assert told == []
    assert {name: one.frames for name, one in found.items()} == {"a": 2, "b": 2, "c": 1, "d": 1}
    shares = {name: one.over_share for name, one in found.items()}
    assert shares == {"a": (0.0,), "b": (1.0,), "c": (1.0,), "d": (1.0,)}
    assert measure(study.path, None, study.passes, ()) == ({}, [])


def test_a_result_that_is_lost_on_the_way_is_an_error(tmp_path):
    class Losing:
        def say(self, text):
            pass

        def track(self, items, total, label):
            yield from list(items)[1:]

    rows = [{"pass_id": "a", "log": "a.csv"}, {"pass_id": "b", "log": "b.csv"}]
    study = make_study(tmp_path, rows, {name: csv_log([1.0]) for name in ("a.csv", "b.csv")})
    with pytest.raises(ValueError, match="shorter"):
        summarize(study, progress=Losing())


class FarAway:
    """A client of workers that work when asked for the result."""

    def __init__(self):
        self.asked = self.cancelled = 0

    def map(self, work, tasks, pure):
        self.asked += len(tasks)
        assert pure is False  # a log that has changed is read anew
        return [Later(work, task) for task in tasks]

    def cancel(self, futures):
        self.cancelled += len(futures)


class Later:
    def __init__(self, work, task):
        self.work, self.task = work, task

    def result(self):
        return self.work(self.task)


@pytest.mark.parametrize("groups", [2, 3, 9])
@pytest.mark.parametrize("ids", ["abcab", "aabbc", "abbbc"])
def test_tasks_for_workers_give_what_one_reading_gives(ids, groups, tmp_path):
    content = parquet_log({**SCATTERED, "pass_id": [*ids]}, groups)
    rows = [{"pass_id": name} for name in "abc"]
    study = make_study(tmp_path, rows, {"all.parquet": content}, combined="all.parquet")
    given = study.path, study.log_format, study.passes, (60.0,)
    client = FarAway()
    far, near = (sorted(map(repr, measure(*given, one)[0].items())) for one in (client, None))
    assert far == near
    assert client.cancelled == client.asked >= 1


def test_tasks_that_are_not_waited_for_are_called_off():
    client = FarAway()
    found = spread(client, abs, [-1, -2, -3])
    assert next(found) == 1
    found.close()
    assert client.cancelled == 3
    assert list(spread(None, abs, [-1, -2])) == [1, 2]


def test_a_text_may_have_as_many_bytes_as_are_allowed(tmp_path, monkeypatch):
    text = csv_log([16.0] * 9)
    (tmp_path / "a.csv").write_bytes(text)
    request = LogRequest(tmp_path, "a.csv", "frame_ms", "ms", ())
    monkeypatch.setattr(sources, "LOG_BYTES", len(text))
    assert measure_log(request).frames == 9
    monkeypatch.setattr(sources, "LOG_BYTES", len(text) - 1)
    assert measure_log(request).allowed == f"a log may grow to {len(text) - 1:,} bytes of text"


def test_a_parquet_log_may_have_as_many_rows_as_are_allowed(tmp_path, monkeypatch):
    (tmp_path / "a.parquet").write_bytes(parquet_log(SCATTERED))
    request = LogRequest(tmp_path, "a.parquet", "frame_ms", "ms", ())
    monkeypatch.setattr(sources, "PARQUET_FRAMES", 5)
    assert measure_log(request).frames == 5
    monkeypatch.setattr(sources, "PARQUET_FRAMES", 4)
    found = measure_log(request)
    assert (found.value, found.allowed) == ("5 rows", "a Parquet log may have 4 rows")
    with pytest.raises(BadLog, match="may have 4 rows"):
        list(record_combined(request))
    assert isinstance(record_some(request, frozenset("a"), range(1)), BadLog)


def test_a_log_says_how_many_frames_it_can_have(tmp_path):
    (tmp_path / "a.parquet").write_bytes(parquet_log(SCATTERED))
    (tmp_path / "a.csv").write_bytes(csv_log([16.0]))
    for name, most in (("a.parquet", 5), ("a.csv", 15_000_000)):
        with open_log(LogRequest(tmp_path, name, "frame_ms", "ms", ())) as (blocks, found):
            assert found == most
            assert sum(map(len, blocks)) in (1, 5)


def test_a_long_pass_that_drifts_is_read_again_its_own_rows_alone(tmp_path, monkeypatch):
    monkeypatch.setattr("perfkit.frames.stream.PassReader.__init__.__defaults__", (5_000,))
    times = np.linspace(10.0, 20.0, WHOLE + 1)
    names = np.repeat(["a", "b", "c"], [9, len(times), 9])
    content = {"pass_id": names, "frame_ms": np.concatenate([[99.0] * 9, times, [1.0] * 9])}
    (tmp_path / "x.parquet").write_bytes(parquet_log(content, 100_000))
    request = LogRequest(tmp_path, "x.parquet", "frame_ms", "ms", ())
    (found,) = finish_each(record_some(request, frozenset("b"), range(2)))
    assert found[1].median_ms == np.median(times)


def test_traces_are_the_frames_of_each_pass_in_order(tmp_path):
    rows = [{"pass_id": name} for name in "abc"] + [
        {"pass_id": "d", "log": "d.csv"}, {"pass_id": "e", "avg_fps": 9},
    ]  # fmt: skip
    logs = {"all.parquet": parquet_log(SCATTERED, 2), "d.csv": csv_log([5.0, 7.0])}
    study = make_study(tmp_path, rows, logs, combined="all.parquet")

    def traces(*names):
        return {name: times.tolist() for name, times in read_traces(study, names).items()}

    assert traces("b") == {"b": [20.0, 24.0]}
    assert traces(*"abcde") == {
        "d": [5.0, 7.0], "a": [10.0, 12.0], "b": [20.0, 24.0], "c": [30.0],
    }  # fmt: skip
    assert traces("e", "nobody") == {}
    bad = parquet_log({**SCATTERED, "frame_ms": [1.0, 0.0, 1.0, 1.0, 1.0]})
    (study.path / "all.parquet").write_bytes(bad)
    with pytest.raises(BadLog, match="row 2 of the log"):
        traces("a")
    (study.path / "all.parquet").unlink()
    assert traces("d") == {"d": [5.0, 7.0]}  # the other file is not needed
    typed = make_study(tmp_path / "typed", [{"pass_id": "a", "avg_fps": 9}])
    assert read_traces(typed, ["a"]) == {}
