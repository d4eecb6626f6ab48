"""A report killed at moments spread over its whole run.

``python -m tests.trust.kills`` kills 200 reports on a small study, or on the one of ``--study``.
Each starts over the result of the one before, with another title in its settings, and is killed a
little later than that one, the last of them just after its result took the place of the old one.
After each kill OUT is the old result whole or the new one whole, and a run that is left alone
cleans up.
"""

import argparse
import contextlib
import os
import re
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from perfkit import cli
from perfkit.show.manifest import changed_files
from tests.study.make import write_study
from tests.trust.disk import fork

ENDED = os.WEXITED | os.WNOHANG | os.WNOWAIT
TITLE = re.compile(r"^title = .*$", re.MULTILINE)


def start(study: Path, out: Path) -> int:
    """Report in a process of its own, which has loaded everything; returns its id."""
    child = fork()
    if child:
        return child
    quiet = os.open(os.devnull, os.O_WRONLY)
    os.dup2(quiet, 1)
    os.dup2(quiet, 2)
    with contextlib.suppress(BaseException):
        os._exit(cli.main(["report", str(study), "--out", str(out)]))
    os._exit(99)


def ended(child: int) -> int:
    """Wait for a process; returns its exit status, or less than 0 for the signal that ended it."""
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def title(study: Path, mark: str) -> None:
    """Put a mark into the settings of a study."""
    path = study / "study.toml"
    path.write_text(TITLE.sub(f'title = "{mark}"', path.read_text(encoding="utf-8"), count=1))


def mark(out: Path) -> str:
    """Read the mark of a result, which must be whole."""
    changed = changed_files(out)
    assert not changed, changed
    found = re.search("<title>([^<]*)</title>", (out / "report.html").read_text(encoding="utf-8"))
    assert found
    return found[1]


def left_alone(study: Path, place: Path, text: str) -> float:
    """Report without a kill: done, marked, nothing beside it. Returns the seconds it took."""
    title(study, text)
    begun = time.perf_counter()
    status = ended(start(study, place / "out"))
    seconds = time.perf_counter() - begun
    assert status == 0, status
    assert mark(place / "out") == text
    assert os.listdir(place) == ["out"]
    return seconds


def wait_for_the_swap(out: Path, child: int) -> None:
    """Wait until another folder stands at OUT, or the process has ended."""
    before = out.stat().st_ino
    while out.stat().st_ino == before and os.waitid(os.P_PID, child, ENDED) is None:
        time.sleep(0.001)


def killed(study: Path, place: Path, kills: int, number: int = signal.SIGKILL) -> Counter[str]:
    """Kill reports at moments spread over a run.

    Parameters
    ----------
    study : Path
        Changed: each run has a title of its own.
    place : Path
        Empty; OUT is made in it.
    kills : int
    number : int
        The signal.

    Returns
    -------
    Counter
        How often the old and the new result were there afterwards.
    """
    left_alone(study, place, "first")
    seconds = max(left_alone(study, place, f"run {turn}") for turn in range(2))
    old, found = mark(place / "out"), Counter[str]()
    for turn in range(kills):
        title(study, f"kill {turn}")
        child = start(study, place / "out")
        if turn == kills - 1:
            wait_for_the_swap(place / "out", child)
        else:
            time.sleep(1.1 * seconds * (turn + 0.5) / kills)
        os.kill(child, number)
        status = ended(child)
        now = mark(place / "out")
        assert now in (old, f"kill {turn}"), now
        assert status in (0, 130, -number), status
        found["old" if now == old else "new"] += 1
        found["ended before"] += status == 0
        old = now
    left_alone(study, place, "last")
    return found


def main() -> int:
    """Kill, and say how often the old and the new result were there."""
    words = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    words.add_argument("--study", type=Path, help="a study; a small one by default")
    words.add_argument("--kills", type=int, default=200)
    words.add_argument("--place", type=Path, help="a folder on the file system to write to")
    options = words.parse_args()
    with tempfile.TemporaryDirectory(dir=options.place) as folder:
        study, place = Path(folder, "study"), Path(folder, "place")
        place.mkdir()
        if options.study:
            shutil.copytree(options.study, study)
        else:
            write_study(study)
        found = killed(study, place, options.kills)
    print(f"{options.kills} kills, OUT whole after each: {dict(found)}")
    return 0 if found["new"] and found["old"] else 1


if __name__ == "__main__":
    sys.exit(main())
