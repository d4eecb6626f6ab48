"""Each call to the disk in the writing of a report fails once: OUT stays old or becomes new."""

import contextlib
import errno
import os
import resource
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import perfkit as pk
from perfkit.errors import OutputError
from perfkit.show import output, report
from perfkit.show.manifest import changed_files
from perfkit.show.output import whole_folder
from perfkit.show.report import write_report
from perfkit.show.tables import write_tables
from tests.show.hostile import hostile_study

EVENTS = {
    "open", "os.mkdir", "os.rename", "os.rmdir", "os.remove", "os.symlink", "os.listdir",
    "os.scandir", "os.truncate",
}  # fmt: skip


class Faults:
    """Count what is asked of the disk below a folder, and let one of these calls fail."""

    def __init__(self):
        self.below, self.count, self.fail = "", 0, -1
        sys.addaudithook(self.hook)  # stays for the process; does nothing without `below`

    def hook(self, event, details):
        if self.below and event in EVENTS and str(details[0]).startswith(self.below):
            self.step()

    def step(self):
        if not self.below:
            return
        self.count += 1
        if self.count == self.fail:
            raise OSError(errno.EIO, "planted")

    @contextlib.contextmanager
    def at(self, below, fail):
        self.below, self.count, self.fail = str(below), 0, fail
        try:
            yield
        finally:
            self.below = ""


@pytest.fixture(scope="module")
def faults():
    return Faults()


@pytest.fixture
def make(tmp_path_factory, monkeypatch, faults):
    """Write the tables and the page of a small study, marked with a number."""
    study = tmp_path_factory.mktemp("faults") / "study"
    analysis = pk.analyse(hostile_study(study))
    page = report.report_html(analysis, [], study)
    sync, swap = os.fsync, output.exchange

    def failing(call):
        def counted(*arguments):
            faults.step()
            return call(*arguments)

        return counted

    monkeypatch.setattr(os, "fsync", failing(sync))
    monkeypatch.setattr(output, "exchange", failing(swap))

    def write(out, mark):
        monkeypatch.setattr(report, "report_html", lambda *_: f"{page}<!--{mark}-->")
        with whole_folder(out, study) as folder:
            write_tables(analysis, folder / "tables")
            write_report(analysis, [], folder / "report.html")

    return write


def mark_of(out):
    assert changed_files(out) == []
    return (out / "report.html").read_text(encoding="utf-8")[-8:-3].strip("!-<")


@pytest.mark.slow
def test_every_call_of_one_report_fails_once(make, faults, tmp_path):
    seen, fail, more = set(), 0, True
    while more:
        fail += 1
        place = tmp_path / "place"
        place.mkdir()
        make(place / "out", "old")
        with faults.at(place, fail):
            try:
                make(place / "out", "new")
                seen.add("done")
            except OutputError as error:
                seen.add("refused" if "planted" in str(error) else str(error))
        more = faults.count >= fail
        seen.add(mark_of(place / "out"))
        make(place / "out", "next")
        assert mark_of(place / "out") == "next"
        assert [path.name for path in place.iterdir()] == ["out"]
        shutil.rmtree(place)
    assert fail > 60
    assert seen == {"refused", "done", "old", "new"}


LIMITED = """
import resource, sys
from pathlib import Path
from perfkit.errors import OutputError
from perfkit.show.output import whole_folder
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[3]), resource.RLIM_INFINITY))
try:
    with whole_folder(sys.argv[1], sys.argv[2]) as folder:
        (folder / "report.html").write_text("x" * 100_000)
except OutputError as error:
    sys.exit(str(error))
"""


@pytest.mark.parametrize("limit", [0, 1, 4096, 99_999, 100_000, 2_000_000])
def test_a_disk_that_fills_up_leaves_the_old_result(tmp_path, limit):
    (tmp_path / "study").mkdir()
    words = [sys.executable, "-c", LIMITED, tmp_path / "out", tmp_path / "study"]
    subprocess.run([*words, str(resource.RLIM_INFINITY)], check=True)
    before = {path: path.read_bytes() for path in Path(tmp_path / "out").iterdir()}
    done = subprocess.run([*words, str(limit)], capture_output=True, text=True, check=False)
    assert changed_files(tmp_path / "out") == []
    assert {path: path.read_bytes() for path in Path(tmp_path / "out").iterdir()} == before
    assert sorted(path.name for path in tmp_path.iterdir()) == ["out", "study"]
    assert done.returncode == (0 if limit >= 100_000 else 1)
    if done.returncode:
        assert "could not be written (File too large); nothing half-written is left" in done.stderr
