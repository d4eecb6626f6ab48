"""One file for all passes: contiguous, scattered, cut anywhere, or wrong."""

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from perfkit.frames import log_problems, summarize, summarize_passes
from perfkit.frames.combined import cut, share_out
from tests.frames.make import clean_pass, csv_log, make_study, parquet_log

LENGTHS = {"a": 1500, "b": 40, "007": 20_000, "NA": 1}


def frames_of_all():
    rng = np.random.default_rng(0)
    return {name: clean_pass(rng, count) for name, count in LENGTHS.items()}


def columns(order=None, ids=None):
    times = frames_of_all()
    names = np.repeat(list(times), list(LENGTHS.values()))
    values = np.concatenate(list(times.values()))
    if order is not None:
        names, values = names[order], values[order]
    return {"pass_id": ids(names) if ids else names.tolist(), "frame_ms": values}


def study_of(folder, content, rows=None):
    rows = rows or [{"pass_id": name} for name in LENGTHS]
    return make_study(folder, rows, {"all.parquet": content}, combined="all.parquet")


@pytest.fixture
def separate(tmp_path):
    logs = {f"{i}.csv": csv_log(times) for i, times in enumerate(frames_of_all().values())}
    rows = [{"pass_id": n, "log": log} for n, log in zip(LENGTHS, logs, strict=True)]
    passes = summarize_passes(make_study(tmp_path / "separate", rows, logs))
    return passes.drop(columns="log")


def interleaved():
    """Rows of all passes mixed, each pass in its own order."""
    names = np.repeat(np.arange(len(LENGTHS)), list(LENGTHS.values()))
    mixed = np.random.default_rng(1).permutation(names)
    return np.argsort(np.argsort(mixed, kind="stable"), kind="stable")


@pytest.mark.parametrize(
    ("order", "groups", "ids"),
    [
        (None, 1 << 20, None),
        (None, 1000, None),
        (None, 7001, lambda names: pa.array(names.tolist()).dictionary_encode()),
        ("interleaved", 1 << 20, None),
        ("interleaved", 3000, None),
    ],
)
def test_a_combined_file_equals_single_logs_to_the_bit(tmp_path, separate, order, groups, ids):
    content = parquet_log(columns(interleaved() if order else None, ids), groups)
    passes = summarize_passes(study_of(tmp_path, content)).drop(columns="log")
    pd.testing.assert_frame_equal(passes, separate, check_exact=True)


def test_whole_numbers_name_passes_as_their_text(tmp_path):
    content = parquet_log(
        {"pass_id": pa.array([7, 7, 8], pa.int32()), "frame_ms": [10.0, 10.0, 20.0]}
    )
    rows = [{"pass_id": "7"}, {"pass_id": "8"}]
    assert summarize_passes(study_of(tmp_path, content, rows))["avg_fps"].tolist() == [100.0, 50.0]


BAD = {
    "nested ids": (
        {"pass_id": [["a"]], "frame_ms": [1.0]},
        "pass_id",
        "type list<element: string>",
    ),
    "no ids": ({"frame_ms": [1.0]}, "pass_id", "columns frame_ms"),
    "ids of another type": ({"pass_id": [1.5], "frame_ms": [1.0]}, "pass_id", "type double"),
    "a row without id": ({"pass_id": ["a", None], "frame_ms": [1.0, 1.0]}, "pass_id", "nothing"),
    "ids that are not UTF-8": (
        {
            "pass_id": pa.StringArray.from_buffers(1, *pa.array([b"\x97"]).buffers()[1:]),
            "frame_ms": [1],
        },
        "pass_id",
        "bytes that are not UTF-8",
    ),
    "a bad frame": ({"pass_id": ["a", "a"], "frame_ms": [1.0, -1.0]}, "frame_ms", "-1.0"),
    "an unknown pass": ({"pass_id": ["a", "zz"], "frame_ms": [1.0, 1.0]}, "pass_id", "zz"),
}


@pytest.mark.parametrize("case", BAD)
def test_bad_combined_files_are_refused(case, tmp_path):
    content, column, value = BAD[case]
    study = study_of(tmp_path, parquet_log(content), [{"pass_id": "a"}])
    (problem,) = log_problems(study.path, study.log_format, study.passes)
    assert (problem.file, problem.column, problem.value) == ("all.parquet", column, value)


def test_frame_times_in_two_places_are_refused(tmp_path):
    rows = [{"pass_id": "a", "log": "a.csv"}]
    logs = {
        "a.csv": csv_log([1.0]),
        "all.parquet": parquet_log({"pass_id": ["a"], "frame_ms": [1.0]}),
    }
    study = make_study(tmp_path, rows, logs, combined="all.parquet")
    (problem,) = log_problems(study.path, study.log_format, study.passes)
    assert problem.allowed == "a pass has its frame times in one place"


def test_a_pass_without_any_number_is_refused(tmp_path):
    content = parquet_log({"pass_id": ["a"], "frame_ms": [1.0]})
    study = study_of(tmp_path, content, [{"pass_id": "a"}, {"pass_id": "b"}])
    (problem,) = log_problems(study.path, study.log_format, study.passes)
    assert (problem.file, problem.line, problem.column) == ("passes.csv", 3, "avg_fps")
    crashed = [{"pass_id": "a"}, {"pass_id": "b", "outcome": "crashed"}]
    study = study_of(tmp_path / "crashed", content, crashed)
    assert summarize(study).passes["reason"].tolist()[1] == "no frame times and no average"


def test_tasks_read_each_row_group_that_holds_their_passes():
    stretches = [("a", 3), ("b", 6), ("c", 1), ("d", 2)]
    assert cut(stretches, [4, 8, 12]) == [
        (frozenset({"a", "b"}), range(0, 3)),
        (frozenset({"c", "d"}), range(2, 3)),
    ]
    assert cut([("a", 2), ("b", 1), ("a", 1)], [2, 4]) == [(frozenset({"a", "b"}), range(0, 2))]


def test_scattered_passes_share_memory_in_groups():
    stretches = [(f"p{i}", 100_000) for i in range(100)]
    groups = share_out(stretches)
    assert sorted(name for group in groups for name in group) == sorted(n for n, _ in stretches)
    assert max(len(group) for group in groups) == 41
