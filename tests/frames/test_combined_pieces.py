"""A combined file in its pieces: who a row belongs to, where a file is cut, what is refused."""

import io

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from perfkit.frames import combined
from perfkit.frames.combined import (
    Scattered,
    check_columns,
    count_rows,
    cut,
    measure_scattered,
    measure_together,
    read_pieces,
    share_out,
)
from perfkit.frames.logs import BadLog, open_parquet
from perfkit.frames.stream import PassReader


def opened(ids, times=None, groups=1 << 20, names=("pass_id", "frame_ms")):
    """Open a combined file of some ids, its frame times 10, 11, ... ms."""
    ids = pa.array(ids) if isinstance(ids, list) else ids
    times = pa.array([10.0 + n for n in range(len(ids))] if times is None else times)
    buffer = io.BytesIO()
    pq.write_table(pa.Table.from_arrays([ids, times], names), buffer, row_group_size=groups)
    buffer.seek(0)
    return open_parquet(buffer, "pass_id" if pa.types.is_string(ids.type) else "")


@pytest.fixture
def batches_of_three(monkeypatch):
    monkeypatch.setattr(combined, "_BATCH_ROWS", 3)


IDS = [*"aaaab", *"bbc", "a"]


@pytest.mark.usefixtures("batches_of_three")
@pytest.mark.parametrize("groups", [20, 4])
def test_stretches_go_on_over_batches_and_row_groups(groups):
    file = opened(IDS, groups=groups)
    assert count_rows(file) == [("a", 4), ("b", 3), ("c", 1), ("a", 1)]
    pieces = list(read_pieces(file, "frame_ms", "ms", range(file.num_row_groups), 0))
    assert [name for name, times in pieces for _ in times] == IDS
    assert np.concatenate([times for _, times in pieces]).tolist() == [*range(10, 19)]
    assert all(len(times) for _, times in pieces)


@pytest.mark.usefixtures("batches_of_three")
def test_a_pass_that_comes_back_within_a_batch_is_a_stretch_of_its_own():
    file = opened([*"aabbabaaa"])
    assert count_rows(file) == [("a", 2), ("b", 2), ("a", 1), ("b", 1), ("a", 3)]
    pieces = list(read_pieces(file, "frame_ms", "ms", range(1), 0))
    assert [(name, len(times)) for name, times in pieces] == [
        ("a", 2), ("b", 1), ("b", 1), ("a", 1), ("b", 1), ("a", 3),
    ]  # fmt: skip


@pytest.mark.usefixtures("batches_of_three")
def test_only_the_row_groups_asked_for_are_read():
    file = opened(IDS, groups=4)
    pieces = list(read_pieces(file, "frame_ms", "ms", range(1, 2), 4))
    assert [(name, times.tolist()) for name, times in pieces] == [
        ("b", [14.0, 15.0, 16.0]), ("c", [17.0]),
    ]  # fmt: skip


@pytest.mark.usefixtures("batches_of_three")
def test_rows_are_named_from_one_on_in_the_whole_file():
    for ids in ([*"aaaa", None, None], pa.array([7, 7, 7, 7, None, None])):
        with pytest.raises(BadLog, match=r"every row names its pass \(row 5 of the log\)"):
            count_rows(opened(ids))
        with pytest.raises(BadLog, match=r"every row names its pass \(row 105 of the log\)"):
            list(read_pieces(opened(ids), "frame_ms", "ms", range(1), 100))
    times = [10.0, 10.0, 10.0, 10.0, -1.0, -2.0]
    with pytest.raises(BadLog, match=r"row 105 of the log"):
        list(read_pieces(opened([*"aaaaaa"], times), "frame_ms", "ms", range(1), 100))


def test_no_rows_are_no_stretches():
    file = opened(pa.array([], pa.string()), pa.array([], pa.float64()))
    assert count_rows(file) == []
    assert list(combined._stretches(pa.array([], pa.string()), 0)) == []


@pytest.mark.parametrize(
    ("ids", "refused"),
    [
        (pa.array(["a"]), ""),
        (pa.array(["a"], pa.large_string()), ""),
        (pa.array([1], pa.int8()), ""),
        (pa.array([1], pa.uint64()), ""),
        (pa.array(["a"]).dictionary_encode(), ""),
        (pa.array([1.0]), "type double"),
        (pa.array([b"a"]).dictionary_encode(), "type binary"),
        (pa.array([b"a"]), "type binary"),
        (pa.array([True]), "type bool"),
    ],
)
def test_ids_are_texts_or_whole_numbers(ids, refused):
    file = opened(ids)
    if not refused:
        check_columns(file, "frame_ms")
        return
    with pytest.raises(BadLog, match="a pass is named by a text or a whole number") as raised:
        check_columns(file, "frame_ms")
    assert raised.value.value == refused


def test_one_column_has_the_name_of_the_ids():
    both = opened(["a"], ["b"], names=("pass_id", "pass_id"))
    with pytest.raises(BadLog, match="one column is named 'frame_ms'"):
        check_columns(both, "frame_ms")
    table = pa.Table.from_arrays([pa.array(["a"])] * 2 + [pa.array([1.0])], ["pass_id"] * 2 + ["t"])
    buffer = io.BytesIO()
    pq.write_table(table, buffer)
    with pytest.raises(BadLog, match="one column is named 'pass_id'") as raised:
        check_columns(open_parquet(buffer), "t")
    assert raised.value.value == "columns pass_id, pass_id, t"


def test_a_code_outside_its_dictionary_is_damage():
    names = pa.array(["x", "y"])
    assert [combined._name(names, code) for code in (0, 1)] == ["x", "y"]
    for code in (-1, 2):
        with pytest.raises(BadLog, match="a whole, readable Parquet log"):
            combined._name(names, code)


def test_the_longest_name_is_that_of_a_cell():
    names = pa.array(["x" * 524_288, "é" * 262_144, "x" * 524_289])
    assert [len(combined._name(names, code)) for code in (0, 1)] == [524_288, 262_144]
    with pytest.raises(BadLog, match="at most 524,288 bytes"):
        combined._name(names, 2)
    assert combined._name(pa.array([2**63 - 1, -7]), 0) == "9223372036854775807"
    assert combined._name(pa.array([2**63 - 1, -7]), 1) == "-7"


def records(function, pieces, *args):
    found = function(iter(pieces), *args, lambda: PassReader((), 99), lambda _: iter(()))
    return {name: (record.frames, record.total_ms) for name, record in found}


PIECES = [("b", [1.0, 2.0]), ("a", [4.0]), ("a", [8.0, 16.0]), ("b", [32.0])]
PIECES = [(name, np.array(times)) for name, times in PIECES]


def test_passes_that_stand_together_are_measured_one_by_one():
    assert records(measure_together, PIECES[:3]) == {"b": (2, 3.0), "a": (3, 28.0)}
    with pytest.raises(Scattered):
        records(measure_together, PIECES)


def test_wanted_passes_are_measured_wherever_they_stand():
    both = frozenset({"a", "b"})
    assert records(measure_scattered, PIECES, both) == {"b": (3, 35.0), "a": (3, 28.0)}
    assert records(measure_scattered, PIECES, frozenset({"a", "z"})) == {"a": (3, 28.0)}


def test_groups_hold_as_many_frames_as_fit_and_of_a_long_pass_only_what_waits(monkeypatch):
    monkeypatch.setattr(combined, "_HELD_FRAMES", 10)
    monkeypatch.setattr(combined, "WHOLE", 6)
    for rows, groups in [
        ([5, 5], ["ab"]),  # just full
        ([5, 6], ["a", "b"]),
        ([5, 5, 1], ["ab", "c"]),
        ([99, 4, 1], ["ab", "c"]),  # of 99 frames six are held
        ([6, 5, 5], ["a", "bc"]),
        ([1, 9], ["ab"]),
        ([], []),
    ]:
        stretches = [(name, count) for name, count in zip("abc", rows, strict=False)]
        assert share_out(stretches) == [frozenset(group) for group in groups]
    assert share_out([("a", 3), ("b", 6), ("a", 2), ("c", 1)]) == [
        frozenset("a"), frozenset("bc"),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("stretches", "ends", "tasks"),
    [
        # Passes that begin and end with their row groups.
        ([("a", 4), ("b", 4)], [4, 8], [("a", 0, 1), ("b", 1, 2)]),
        ([("a", 3), ("b", 1), ("c", 4)], [4, 8], [("ab", 0, 1), ("c", 1, 2)]),
        # One row over.
        ([("a", 5), ("b", 3)], [4, 8], [("a", 0, 2), ("b", 1, 2)]),
        ([("a", 3), ("b", 2), ("c", 3)], [4, 8], [("ab", 0, 2), ("c", 1, 2)]),
        ([("a", 1), ("b", 11)], [4, 8, 12], [("ab", 0, 3)]),
        ([("a", 12)], [4, 8, 12], [("a", 0, 3)]),
        ([("a", 2), ("b", 3), ("c", 1)], [4, 6, 6], [("ab", 0, 2), ("c", 1, 2)]),
        ([], [], []),
        # Scattered: all row groups.
        ([("a", 1), ("b", 1), ("a", 10)], [4, 8, 12], [("ab", 0, 3)]),
    ],
)
def test_a_task_reads_from_where_its_passes_begin_to_where_the_last_one_ends(
    stretches, ends, tasks
):
    assert cut(stretches, ends) == [(frozenset(n), range(a, b)) for n, a, b in tasks]
