"""Everything that one report asks of the disk goes wrong once, one call at a time.

``python -m tests.trust.faults`` does it for the whole demo report: the analysis is made once and
each picture drawn once, then the command writes them again for every call. Each call fails, finds
the disk full from there on, finds no memory, is met by a stop, and is the moment of a kill: over an
old result and where nothing stands, with the pictures written and with those of the old result
taken over. After each, OUT is the old result whole or the new one whole, and the next run works.
"""

import argparse
import contextlib
import functools
import gc
import io
import itertools
import os
import shutil
import signal
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType
from typing import Any
from unittest import mock

import perfkit as pk
from perfkit import cli, commands
from perfkit.models.saved_fit import kept_text
from perfkit.show import earlier, manifest, report, second_process, stills, tables
from perfkit.show.drawing import Job, file_bytes
from perfkit.show.layout import NothingToShow
from perfkit.show.manifest import changed_files
from perfkit.show.sidecar import sidecar
from tests.trust import disk
from tests.trust.disk import Call, Disk, fork

KINDS = ("fails", "full", "no_memory", "stops", "dies")
ROADS = (
    ("over an old result", True, False, KINDS),
    ("over an old result, its pictures taken over", True, True, ("fails", "dies")),
    ("where nothing stands", False, False, ("fails", "dies")),
)
IN_MEMORY = Path("/dev/shm") if Path("/dev/shm").is_dir() else None
"""A file system that syncs at once, so that thousands of reports take minutes."""
STATUS = {"fails": {0, 2}, "full": {0, 2}, "no_memory": {0, 2}, "stops": {130}, "dies": {0}}
MARK = "<!--{}-->"


class Pictures:
    """Pictures that are drawn once, then given again; stands for the second process too."""

    def __init__(self) -> None:
        self._drawn: dict[Job, list[tuple[str, bytes]]] = {}
        self._draw = stills.pictures
        self._lock = threading.Lock()

    def draw(self, job: Job) -> list[tuple[str, bytes]]:
        """Give file names and contents of a job."""
        with self._lock:
            if job not in self._drawn:
                self._drawn[job] = [(name, file_bytes(made)) for name, made in self._draw(job)]
            return self._drawn[job]

    def leave_out(self, model: object) -> None:
        """Work no evidence out; the analysis is made once."""

    def stop(self) -> None:
        """End; there is nothing to end."""

    @contextlib.contextmanager
    def drawer(self) -> Iterator["Pictures"]:
        """Stand for `perfkit.show.second_process.second_drawer`."""
        yield self


class Chart:
    """A chart whose data and JSON are made once."""

    def __init__(self, chart: ModuleType) -> None:
        self.NAME, self.TITLE, self._chart = chart.NAME, chart.TITLE, chart
        self._shown: Any = None
        self._record: dict[str, Any] | None = None

    def data(self, analysis: object) -> Any:
        """Give what the chart draws."""
        try:
            self._shown = self._chart.data(analysis) if self._shown is None else self._shown
        except NothingToShow as nothing:
            self._shown = nothing
        if isinstance(self._shown, NothingToShow):
            raise self._shown
        return self._shown

    def record(self, *words: Any) -> dict[str, Any]:
        """Stand for `perfkit.show.sidecar.sidecar`."""
        self._record = self._record or sidecar(self._chart, *words)
        return self._record


class Reports:
    """The command ``report`` on one study that is analysed once.

    Parameters
    ----------
    study : Path
    place : Path
        Where OUT lies.
    taken_over : bool
        Whether pictures of an old result are taken over instead of written anew.
    """

    def __init__(self, study: Path, place: Path, taken_over: bool = False) -> None:
        self.study, self.place, self.out = study, place, place / "out"
        self._loaded = pk.load_study(study)
        self._analysis = pk.analyse(self._loaded, kept="")
        self._pictures = Pictures()
        self._charts = [Chart(chart) for chart in stills.CHARTS]
        self._versions = manifest.versions()
        self._cell_text = functools.lru_cache(None, typed=True)(tables.cell_text)
        self._kept = ""
        self.page = ""
        self.taken_over = taken_over

    def write(self, mark: str) -> int:
        """Run the command; the page ends with `mark`. Returns its exit status."""
        made = report.report_html

        def page(*words: object) -> str:
            self.page = self.page or made(*words)  # type: ignore[arg-type]
            return self.page + MARK.format(mark)

        quiet = io.StringIO()
        with contextlib.ExitStack() as stack:
            stack.enter_context(signals_interrupt())
            for owner, name, new in (
                ("perfkit.analysis", "analyse", lambda *_, **__: self._analysis),
                (commands, "_load", lambda *_: self._loaded),
                (report, "report_html", page),
                (stills, "pictures", self._pictures.draw),
                (stills, "CHARTS", self._charts),
                (stills, "sidecar", lambda chart, *words: chart.record(*words)),
                (manifest, "versions", lambda: self._versions),
                (tables, "cell_text", self._cell_text),
                (earlier, "kept_text", self._kept_text),
                (second_process, "second_drawer", self._pictures.drawer),
            ):
                owner = sys.modules[owner] if isinstance(owner, str) else owner
                stack.enter_context(mock.patch.object(owner, name, new))
            if not self.taken_over:
                stack.enter_context(
                    mock.patch("perfkit.show.earlier.earlier_report", return_value=None)
                )
            stack.enter_context(contextlib.redirect_stdout(quiet))
            stack.enter_context(contextlib.redirect_stderr(quiet))
            return cli.main(["report", str(self.study), "--out", str(self.out)])

    def _kept_text(self, *words: Any) -> str:
        self._kept = self._kept or kept_text(*words)
        return self._kept

    def mark(self) -> str:
        """Read the mark of the result; it must be whole. "" where there is none."""
        if not self.out.exists():
            return ""
        changed = changed_files(self.out)
        assert not changed, changed
        return (self.out / "report.html").read_text(encoding="utf-8").rpartition("<!--")[2][:-3]


@contextlib.contextmanager
def signals_interrupt() -> Iterator[None]:
    """Let both signals of `disk.stops` interrupt, as on a terminal; a job behind it ignores one."""
    before = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)}
    for number in before:
        signal.signal(number, signal.default_int_handler)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def every_call(write: Callable[[str], int], place: Path, shim: Disk) -> list[Call]:
    """List the calls of a run that goes well."""
    with shim.watching(place):
        assert write("listed") == 0
    return sorted(set(shim.calls))


def one_fault(write: Callable[[], int], place: Path, shim: Disk, call: Call, kind: str) -> int:
    """Write while one call goes wrong; returns the exit status, or less than 0 for a signal."""
    trouble = getattr(disk, kind, disk.fails)
    if kind != "dies":
        with shim.watching(place, call, trouble, full=kind == "full"):
            return write()
    child = fork()
    if not child:
        with contextlib.suppress(BaseException), shim.watching(place, call, trouble):
            write()
        os._exit(0)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def try_all(made: Reports, *kinds: str, over_old: bool, show: bool = False) -> Counter[str]:
    """Let each call of one report go wrong once; of several kinds each call takes the next.

    Returns
    -------
    Counter
        How often the old or the new result stood there afterwards, by "old" and "new", and how
        many calls there were, by "calls".
    """
    shim, found = Disk(), Counter[str]()
    place = made.place
    if over_old:
        assert made.write("first") == 0
    else:
        shutil.rmtree(made.out, ignore_errors=True)
    calls = every_call(made.write, place, shim)
    gc.freeze()
    for turn, (call, kind) in enumerate(zip(calls, itertools.cycle(kinds), strict=False)):
        if not over_old:
            shutil.rmtree(made.out, ignore_errors=True)
        old = made.mark()
        status = one_fault(lambda turn=turn: made.write(f"n{turn}"), place, shim, call, kind)
        now = made.mark()
        assert now in (old, f"n{turn}"), (call, now)
        allowed = STATUS[kind] if kind != "dies" else {-signal.SIGKILL}
        assert status in allowed, (call, status)
        assert shim.met or kind == "dies", call
        found["old" if now == old else "new"] += 1
        found[f"exit {status}"] += 1
        if sorted(os.listdir(place)) not in ([], ["out"]):
            found["cleaned by the next run"] += 1
            assert made.write("next") == 0, call
            assert made.mark() == "next", call
            assert os.listdir(place) == ["out"], call
        if show and turn % 50 == 0:
            print(f"\r  {turn}/{len(calls)}", end="", file=sys.stderr, flush=True)
    gc.unfreeze()
    assert made.write("last") == 0
    assert made.mark() == "last"
    assert os.listdir(place) == ["out"]
    found["calls"] = len(calls)
    return found


def main() -> int:
    """Try every kind on a whole report and print what came of it."""
    words = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    words.add_argument("--study", type=Path, default=Path("data/demo"))
    words.add_argument("--kinds", nargs="+", choices=KINDS)
    words.add_argument("--place", type=Path, default=IN_MEMORY, help="folder to write to")
    options = words.parse_args()
    total, start = 0, time.perf_counter()
    with tempfile.TemporaryDirectory(dir=options.place) as place:
        made = Reports(options.study, Path(place))
        for where, over_old, made.taken_over, kinds in ROADS:
            for kind in kinds if options.kinds is None else options.kinds:
                found = try_all(made, kind, over_old=over_old, show=True)
                total += found["calls"]
                counts = ", ".join(f"{name}: {count}" for name, count in sorted(found.items()))
                print(f"\r{kind} {where}: {counts}", flush=True)
    print(f"{total} faults in {time.perf_counter() - start:.0f} s, OUT whole after each")
    return 0


if __name__ == "__main__":
    sys.exit(main())
