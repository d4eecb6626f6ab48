"""A full disk, no memory, kills, two at once: OUT stays the old result or becomes the new one."""

import ctypes
import os
import resource
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from perfkit import cli
from perfkit.show.manifest import changed_files
from tests.study.make import write_study
from tests.trust.disk import fork
from tests.trust.faults import IN_MEMORY
from tests.trust.kills import ended, killed, left_alone, mark, start, title


@pytest.mark.slow
def test_killed_at_twenty_moments(tmp_path):
    (tmp_path / "place").mkdir()
    found = killed(write_study(tmp_path / "study"), tmp_path / "place", 20)
    assert found["old"] + found["new"] == 20
    assert found["new"] > 0
    assert found["old"] > 0


@pytest.mark.slow
def test_two_reports_at_once_on_one_out(tmp_path):
    (tmp_path / "place").mkdir()
    out, studies = tmp_path / "place/out", [tmp_path / "a", tmp_path / "b"]
    for study in studies:
        title(write_study(study), study.name)
    assert [ended(child) for child in [start(study, out) for study in studies]] == [0, 0]
    assert mark(out) in ("a", "b")
    assert os.listdir(tmp_path / "place") == ["out"]


@pytest.mark.slow
def test_another_file_system_than_the_study(tmp_path):
    with tempfile.TemporaryDirectory(dir=IN_MEMORY) as place:
        for turn in range(2):
            left_alone(write_study(tmp_path / "study"), Path(place), f"turn {turn}")


def limited(study, out, limits):
    """Report in a process that may use no more than that; returns its exit status, 0 to 255."""
    child = fork()
    if child:
        return ended(child)
    for kind, most in limits.items():
        resource.setrlimit(kind, (most, resource.RLIM_INFINITY))
    os._exit(ended(start(study, out)) & 0xFF)


def in_use():
    """Count the bytes that this process has asked for."""
    return int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()


def reports_without_memory(study, place):
    """Report with ever more room; a library that waits for a thread is ended by `fork`."""
    left_alone(study, place, "old")
    seen, old = set(), "old"
    for room in (0, 8, 24, 72, 3000):
        title(study, f"{room} MiB")
        status = limited(study, place / "out", {resource.RLIMIT_AS: in_use() + room * 2**20})
        assert mark(place / "out") == (old if status else f"{room} MiB")
        seen.add(status == 0)
    assert seen == {True, False}
    left_alone(study, place, "next")


ANEW = """
import sys
from pathlib import Path
import perfkit.analysis, perfkit.show.report, perfkit.show.stills
from tests.show.test_output_faults import reports_without_memory
reports_without_memory(*map(Path, sys.argv[1:]))
"""


@pytest.mark.slow
@pytest.mark.timeout(1200)
def test_out_of_memory(tmp_path):
    """In a new Python: one that ran many tests holds freed memory enough for a whole report."""
    study, place = write_study(tmp_path / "study"), tmp_path / "place"
    place.mkdir()
    subprocess.run([sys.executable, "-c", ANEW, study, place], check=True)


REMOUNT = 32


def mount(place, size, flags=0):
    """Mount memory as a file system of that many bytes, where the machine lets us."""
    words = [b"tmpfs", os.fsencode(place), b"tmpfs", flags, b"size=%d" % size]
    return ctypes.CDLL(None, use_errno=True).mount(*words) == 0


@pytest.mark.slow
def test_a_file_system_that_is_full(tmp_path):
    """One of its own with room for one result and a half; without the right to mount, a limit."""
    study, place = write_study(tmp_path / "study"), tmp_path / "place"
    place.mkdir()
    left_alone(study, place, "old")
    size = sum(path.stat().st_size for path in place.rglob("*"))
    (tmp_path / "small").mkdir()
    mounted = mount(tmp_path / "small", int(1.5 * size))
    small = tmp_path / "small" if mounted else place
    try:
        left_alone(study, small, "old")
        title(study, "new")
        limits = {} if mounted else {resource.RLIMIT_FSIZE: 30_000}
        assert limited(study, small / "out", limits) == cli.WRONG_USE
        assert mark(small / "out") == "old"
        assert os.listdir(small) == ["out"]
        assert not mounted or mount(small, 3 * size, REMOUNT)
        left_alone(study, small, "next")
    finally:
        assert not mounted or ctypes.CDLL(None).umount(os.fsencode(small)) == 0


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
