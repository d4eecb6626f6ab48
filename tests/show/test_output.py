"""OUT is the old result or the new one, whole, whatever happens."""

import contextlib
import errno
import json
import os
import shutil
import signal
import subprocess
import sys
import time

import pytest

from perfkit.errors import OutputError
from perfkit.show import output
from perfkit.show.manifest import changed_files, read_manifest
from perfkit.show.output import whole_file, whole_folder


@pytest.fixture
def study(tmp_path):
    (tmp_path / "study").mkdir()
    (tmp_path / "study/study.toml").write_text("title = 'x'\n")
    return tmp_path / "study"


@pytest.fixture(params=["exchange", "link"])
def file_system(request, monkeypatch):
    """Run on this file system, and on one that cannot exchange folders."""
    if request.param == "link":

        def cannot(one, other):
            raise OSError(errno.EINVAL, "Invalid argument")

        monkeypatch.setattr(output, "exchange", cannot)
    return request.param


def make(out, study, text, **more):
    with whole_folder(out, study, **more) as folder:
        (folder / "tables").mkdir()
        (folder / "tables/a.csv").write_text(text)
        (folder / "report.html").write_text(text)


def is_whole(out, text):
    kept = {(out / name).read_text() for name in ("tables/a.csv", "report.html")}
    return kept == {text} and changed_files(out) == []


def hidden(place):
    return [path.name for path in place.iterdir() if ".perfkit-" in path.name]


def test_new_then_replaced_then_replaced(tmp_path, study, file_system):
    for text in ("one", "two", "three"):
        make(tmp_path / "out", study, text)
        assert is_whole(tmp_path / "out", text)
        assert len(hidden(tmp_path)) == (1 if file_system == "link" else 0)


def test_an_empty_folder_is_taken(tmp_path, study, file_system):
    (tmp_path / "out").mkdir()
    make(tmp_path / "out", study, "one")
    assert is_whole(tmp_path / "out", "one")


def test_missing_parents_are_made(tmp_path, study):
    make(tmp_path / "a/b/out", study, "one")
    assert is_whole(tmp_path / "a/b/out", "one")


def test_the_manifest_has_no_time_and_no_place(tmp_path, study):
    for name in ("a", "b"):
        make(tmp_path / name, study, "same")
    texts = [(tmp_path / name / "manifest.json").read_text() for name in ("a", "b")]
    assert texts[0] == texts[1]
    assert str(tmp_path) not in texts[0]
    content = json.loads(texts[0])
    assert list(content["files"]) == ["report.html", "tables/a.csv"]
    assert content["versions"]["python"] == ".".join(map(str, sys.version_info[:3]))


def test_the_folder_is_readable_by_others(tmp_path, study):
    before = os.umask(0o022)
    try:
        make(tmp_path / "out", study, "one")
    finally:
        os.umask(before)
    assert (tmp_path / "out").stat().st_mode & 0o777 == 0o755


@pytest.mark.parametrize("error", [ValueError("bad"), KeyboardInterrupt()])
def test_a_run_that_ends_early_leaves_the_old_result(tmp_path, study, file_system, error):
    make(tmp_path / "out", study, "one")
    count = len(hidden(tmp_path))

    def half(path):
        path.write_text("half")
        raise error

    with pytest.raises(type(error)), whole_folder(tmp_path / "out", study) as folder:
        half(folder / "half")
    assert is_whole(tmp_path / "out", "one")
    assert len(hidden(tmp_path)) == count


def test_a_run_that_ends_early_leaves_nothing_where_nothing_was(tmp_path, study):
    with pytest.raises(ValueError, match="bad"), whole_folder(tmp_path / "out", study):
        raise ValueError("bad")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["study"]


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP, signal.SIGINT])
def test_every_stop_is_an_interrupt(tmp_path, study, number):
    outside = signal.signal(number, signal.default_int_handler)
    try:
        with pytest.raises(KeyboardInterrupt), whole_folder(tmp_path / "out", study):
            signal.raise_signal(number)
        assert signal.getsignal(number) is signal.default_int_handler
    finally:
        signal.signal(number, outside)
    assert not (tmp_path / "out").exists()


def test_an_ignored_hangup_stays_ignored(tmp_path, study):
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        with whole_folder(tmp_path / "out", study) as folder:
            signal.raise_signal(signal.SIGHUP)
            (folder / "a").write_text("a")
    finally:
        signal.signal(signal.SIGHUP, before)
    assert (tmp_path / "out/a").exists()


def test_a_stop_during_the_last_step_waits_for_it(tmp_path, study, monkeypatch):
    make(tmp_path / "out", study, "one")
    swap = output.exchange

    def stopped(one, other):
        if other == tmp_path / "out":
            signal.raise_signal(signal.SIGTERM)
        swap(one, other)

    monkeypatch.setattr(output, "exchange", stopped)
    with pytest.raises(KeyboardInterrupt):
        make(tmp_path / "out", study, "two")
    assert is_whole(tmp_path / "out", "two")
    assert hidden(tmp_path) == []


@pytest.mark.parametrize(
    ("out", "message"),
    [
        ("study", "is the study itself"),
        ("study/out", "lies inside the study"),
        (".", "holds the study"),
        ("..", "holds the study"),
        ("file", "is not a folder"),
        ("dangling", "is not a folder|lies inside"),
        ("link", "is the study itself"),
    ],
)
def test_places_that_are_refused(tmp_path, study, out, message):
    (tmp_path / "file").write_text("x")
    (tmp_path / "link").symlink_to("study")
    (tmp_path / "dangling").symlink_to("study/none")
    before = sorted(os.walk(tmp_path))
    with pytest.raises(OutputError, match=message):
        make(tmp_path / out, study, "x")
    assert sorted(os.walk(tmp_path)) == before


def test_the_folder_one_stands_in_is_refused(tmp_path, study, monkeypatch):
    (tmp_path / "here/below").mkdir(parents=True)
    monkeypatch.chdir(tmp_path / "here/below")
    with pytest.raises(OutputError, match="is where you are; go to another folder"):
        make("..", study, "x")


def test_a_folder_of_others_is_refused(tmp_path, study):
    (tmp_path / "out").mkdir()
    (tmp_path / "out/letter.txt").write_text("mine")
    with pytest.raises(OutputError, match="holds files that perfkit did not make; name a new"):
        make(tmp_path / "out", study, "x")
    assert (tmp_path / "out/letter.txt").read_text() == "mine"


@pytest.mark.parametrize("manifest", ["{", "[]", "{}", '{"made_by": "perfkit"}', "[" * 100_000])
def test_a_manifest_of_others_proves_nothing(tmp_path, study, manifest):
    (tmp_path / "out").mkdir()
    (tmp_path / "out/manifest.json").write_text(manifest)
    with pytest.raises(OutputError, match="holds files that perfkit did not make"):
        make(tmp_path / "out", study, "x")


def test_a_file_put_into_an_old_result_is_not_lost(tmp_path, study, file_system):
    make(tmp_path / "out", study, "one")
    (tmp_path / "out/tables/notes.txt").write_text("mine")
    (tmp_path / "out/more.txt").write_text("mine")
    with pytest.raises(OutputError, match=r"holds 'more.txt' and 1 more, which perfkit did not"):
        make(tmp_path / "out", study, "two")
    assert (tmp_path / "out/tables/notes.txt").read_text() == "mine"


def test_a_file_put_there_while_the_run_works_is_not_lost(tmp_path, study):
    make(tmp_path / "out", study, "one")
    with (
        pytest.raises(OutputError, match=r"holds 'late.txt', which perfkit did not make"),
        whole_folder(tmp_path / "out", study),
    ):
        (tmp_path / "out/late.txt").write_text("mine")
    assert (tmp_path / "out/late.txt").read_text() == "mine"
    assert hidden(tmp_path) == []


def test_what_browsers_leave_behind_does_not_count(tmp_path, study):
    make(tmp_path / "out", study, "one")
    (tmp_path / "out/.DS_Store").write_text("x")
    (tmp_path / "out/tables/.ipynb_checkpoints").mkdir()
    (tmp_path / "out/tables/.ipynb_checkpoints/a.csv").write_text("x")
    make(tmp_path / "out", study, "two")
    assert is_whole(tmp_path / "out", "two")


def test_the_output_of_another_command_is_kept(tmp_path, study):
    make(tmp_path / "out", study, "one")
    with pytest.raises(OutputError, match=r"what 'perfkit report' made; name another folder"):
        make(tmp_path / "out", study, "two", kind="notebooks")
    assert is_whole(tmp_path / "out", "one")


def test_a_link_of_the_user_is_followed(tmp_path, study):
    (tmp_path / "far").mkdir()
    (tmp_path / "out").symlink_to("far")
    for text in ("one", "two"):
        make(tmp_path / "out", study, text)
        assert is_whole(tmp_path / "far", text)
    assert (tmp_path / "out").is_symlink()


def test_a_result_moved_to_a_lesser_file_system_is_not_torn(tmp_path, study, monkeypatch):
    make(tmp_path / "out", study, "one")

    def cannot(one, other):
        raise OSError(errno.EINVAL, "Invalid argument")

    monkeypatch.setattr(output, "exchange", cannot)
    with pytest.raises(OutputError, match="cannot be replaced in one step on this file system"):
        make(tmp_path / "out", study, "two")
    assert is_whole(tmp_path / "out", "one")


def test_leftovers_go_but_a_running_run_stays(tmp_path, study):
    litter = tmp_path / ".out.perfkit-0123abcd"
    litter.mkdir()
    (litter / "half").write_text("half")
    other = tmp_path / ".outer.perfkit-0123abcd"
    other.mkdir()
    with whole_folder(tmp_path / "out", study) as first:
        (first / "a").write_text("first")
        assert not litter.exists()
        make(tmp_path / "out", study, "second")
        assert (first / "a").read_text() == "first"
        assert is_whole(tmp_path / "out", "second")
    assert (tmp_path / "out/a").read_text() == "first"
    assert hidden(tmp_path) == [other.name]


def test_two_runs_at_once_leave_one_whole_result(tmp_path, study, file_system):
    with whole_folder(tmp_path / "out", study) as one:
        (one / "a").write_text("1")
        with whole_folder(tmp_path / "out", study) as two:
            (two / "a").write_text("2")
        assert (tmp_path / "out/a").read_text() == "2"
        assert changed_files(tmp_path / "out") == []
    assert (tmp_path / "out/a").read_text() == "1"
    assert changed_files(tmp_path / "out") == []
    assert len(hidden(tmp_path)) == (1 if file_system == "link" else 0)


def test_a_full_disk_is_said_in_words(tmp_path, study):
    make(tmp_path / "out", study, "one")
    with (
        pytest.raises(OutputError, match=r"could not be written \(No space left on device\)"),
        whole_folder(tmp_path / "out", study),
    ):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
    assert is_whole(tmp_path / "out", "one")


@pytest.mark.parametrize("one_file", [False, True])
def test_a_disk_that_does_not_confirm_the_swap_is_said_so(
    tmp_path, study, file_system, monkeypatch, one_file
):
    """The new result stands there: the message must not say that nothing was written."""
    real, out = os.fsync, tmp_path / "out"

    def refusing(handle):
        if os.readlink(f"/proc/self/fd/{handle}") == str(tmp_path):
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        real(handle)

    for text in ("one", "two"):
        monkeypatch.setattr(os, "fsync", refusing if text == "two" else real)
        told = (
            pytest.raises(
                OutputError,
                match=rf"^{out} holds the new result, whole, but the disk did not confirm "
                r"\(Input/output error\); look at the disk, and run again$",
            )
            if text == "two"
            else contextlib.nullcontext()
        )
        with told:
            if one_file:
                with whole_file(out, study) as path:
                    path.write_text(text)
            else:
                make(out, study, text)
    assert out.read_text() == "two" if one_file else is_whole(out, "two")
    assert len(hidden(tmp_path)) == (1 if file_system == "link" and not one_file else 0)


def test_an_error_of_the_study_stays_its_own(tmp_path, study):
    with pytest.raises(FileNotFoundError, match="gone"), whole_folder(tmp_path / "out", study):
        raise FileNotFoundError(errno.ENOENT, "gone", str(study / "passes.csv"))


def test_changed_files_are_named(tmp_path, study):
    make(tmp_path / "out", study, "one")
    (tmp_path / "out/report.html").write_text("two")
    (tmp_path / "out/tables/a.csv").unlink()
    (tmp_path / "out/new").write_text("x")
    assert changed_files(tmp_path / "out") == ["new", "report.html", "tables/a.csv"]
    with pytest.raises(OutputError, match=r"holds no manifest.json of perfkit"):
        changed_files(study)


KILLS = int(os.environ.get("PERFKIT_KILLS", "10"))
"""Kills by each signal; set it to 100 for the long run of 200."""

CHILD = """
import sys, time
from pathlib import Path
from perfkit.show.output import whole_folder
print("ready", flush=True)
for turn in range(10**6):
    with whole_folder(sys.argv[1], sys.argv[2]) as folder:
        (folder / "tables").mkdir()
        (folder / "tables/a.csv").write_text(str(turn))
        (folder / "report.html").write_text(str(turn))
"""


@pytest.mark.slow
@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGTERM])
def test_stopped_at_any_moment_the_result_is_whole(tmp_path, study, number):
    out, seen = tmp_path / "out", set()
    make(out, study, "first")
    for turn in range(KILLS):
        child = subprocess.Popen(
            [sys.executable, "-c", CHILD, out, study],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        assert child.stdout.readline() == b"ready\n"
        time.sleep(0.03 + 0.023 * (turn % 10) + 0.0017 * (turn // 10))
        child.send_signal(number)
        child.communicate(timeout=20)
        assert changed_files(out) == []
        seen.add((out / "report.html").read_text())
        assert (out / "report.html").read_text() == (out / "tables/a.csv").read_text()
        if number == signal.SIGTERM:
            assert hidden(tmp_path) == []
    assert len(seen - {"first"}) > 1
    make(out, study, "last")
    assert is_whole(out, "last")
    assert hidden(tmp_path) == []


def test_every_call_to_the_disk_may_fail_once(tmp_path, study, file_system, monkeypatch):
    """Make each open, mkdir, rename, link, lock and sync of one run fail, one at a time."""
    names = ["open", "mkdir", "rename", "replace", "symlink", "fsync", "rmdir", "unlink"]
    originals = {name: getattr(os, name) for name in names} | {"exchange": output.exchange}
    state = {"count": 0, "fail": -1}

    def shim(name):
        def call(*args, **more):
            state["count"] += 1
            if state["count"] == state["fail"]:
                raise OSError(errno.EIO, "planted")
            return originals[name](*args, **more)

        return call

    outcomes, fail = set(), 0
    while True:
        fail += 1
        place = tmp_path / f"p{fail}"
        place.mkdir()
        make(place / "out", study, "one")
        state.update(count=0, fail=fail)
        with monkeypatch.context() as patch:
            for name in names:
                patch.setattr(os, name, shim(name))
            patch.setattr(output, "exchange", shim("exchange"))
            try:
                make(place / "out", study, "two")
            except OutputError as error:
                outcomes.add("refused" if "planted" in str(error) else str(error))
            else:
                outcomes.add("done")
        text = (place / "out/report.html").read_text()
        assert is_whole(place / "out", text)
        assert text in ("one", "two")
        outcomes.add(text)
        make(place / "out", study, "three")
        assert is_whole(place / "out", "three")
        assert len(hidden(place)) == (1 if file_system == "link" else 0)
        shutil.rmtree(place)
        if state["count"] < fail:
            break
    assert fail > 20
    assert outcomes == {"refused", "done", "one", "two"}


def test_a_file_is_whole_too(tmp_path, study):
    with whole_file(tmp_path / "p.csv", study) as path:
        path.write_text("one")
    with pytest.raises(ValueError, match="two"), whole_file(tmp_path / "p.csv", study) as path:
        int(f"two{path.write_text('tw')}")
    assert (tmp_path / "p.csv").read_text() == "one"
    assert hidden(tmp_path) == []


@pytest.mark.parametrize(
    ("out", "message"), [("study/p.csv", "lies inside the study"), ("study", "is a folder")]
)
def test_a_file_has_its_place(tmp_path, study, out, message):
    with pytest.raises(OutputError, match=message), whole_file(tmp_path / out, study):
        pass


def test_no_manifest_without_a_folder(tmp_path):
    assert read_manifest(tmp_path / "none") is None
