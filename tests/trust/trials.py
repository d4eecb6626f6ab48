"""Tests run one at a time in forks of a process that has collected them, and what each comes to."""

import builtins
import contextlib
import functools
import gc
import hashlib
import importlib
import json
import os
import resource
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter, defaultdict
from collections.abc import Callable, Generator, Iterable
from pathlib import Path
from types import CodeType, FunctionType
from typing import Any

import pytest

from tests.trust.disk import fork
from tests.trust.mutations import Mutant, marked

QUICK = ["-q", "-s", "-p", "no:cacheprovider", "-p", "no:xdist", "-m", "not slow and not browser",
         "--tb=no", "--no-header", "-o", "tmp_path_retention_policy=none"]  # fmt: skip
BYTES = 6 * 2**30


class Trials:
    """The quick tests of some folders, collected once.

    Parameters
    ----------
    root : Path
        Of the project.
    sources : list of str
        Modules whose statements are watched, from the root.
    kept : Path
        Where it is kept which test comes to which statement; a test file that has not changed
        under the same sources is not asked again.
    until : float
        On the monotonic clock; where not every test has been asked by then, nothing is tried.
    """

    def __init__(self, root: Path, sources: list[str], kept: Path, until: float) -> None:
        self.root, self.sources, self.kept, self.until = root, sources, kept, until
        self.seconds: dict[str, float] = {}
        self._items: dict[str, pytest.Item] = {}
        self._at: dict[str, set[str]] = defaultdict(set)
        self._wide: dict[str, int] = {}
        self._failed: list[str] = []
        self._kills: dict[str, Counter[str]] = defaultdict(Counter)
        self._met: set[str] = set()
        self._used: dict[int, set[str]] = defaultdict(set)
        self._took: dict[int, float] = {}
        self._work: Callable[[], None] = lambda: None

    def during(self, tests: Iterable[str], work: Callable[[], None]) -> None:
        """Collect tests, and work while they are loaded."""
        self._work = work
        if status := pytest.main([*QUICK, *tests], plugins=[self]):
            raise RuntimeError(f"pytest could not collect: {status}")

    def pytest_sessionstart(self) -> None:
        """Let examples be the same in each fork, and none be kept or made smaller."""
        from hypothesis import Phase, settings

        phases = [Phase.explicit, Phase.generate]
        settings.register_profile(
            "trials", database=None, derandomize=True, deadline=None, phases=phases
        )
        settings.load_profile("trials")

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        """Work instead of running every test."""
        self._items = {item.nodeid: item for item in session.items}
        if not self._find_statements():
            return True
        gc.collect()
        gc.freeze()
        self._work()
        gc.unfreeze()
        return True

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """Note a failure."""
        if report.failed:
            self._failed.append(report.nodeid)

    def tests_at(self, statement: str) -> set[str]:
        """Name the tests that come to a statement, such as ``perfkit/value/ratio.py:40``."""
        return self._at[statement]

    def noticed(self, mutant: Mutant, seconds: float) -> str:
        """Name the test that fails on a change; "" where none does, "no end" where one hangs.

        No further test is begun once those that ran take so many CPU seconds without the change.
        """
        told, spent = [], 0.0
        for name in self._ordered(mutant):
            if spent < seconds:
                told.append(name)
                spent += self.seconds[name]
        if not told:
            return ""
        status, said = self._child(lambda: self._first_failure(told, mutant))
        killer = json.loads(said) if status == 0 else "no end"
        if status == 0 and killer:
            self._kills[f"{mutant.file} {mutant.function}"][killer] += 1
            self._kills[mutant.file][killer] += 1
        return killer

    def _ordered(self, mutant: Mutant) -> list[str]:
        """Put fast tests first that come to little else, or that noticed changes nearby."""
        near, far = self._kills[f"{mutant.file} {mutant.function}"], self._kills[mutant.file]
        return sorted(
            self._at[mutant.statement],
            key=lambda t: (self.seconds[t] * self._wide[t] / (1 + 9 * near[t] + far[t]), t),
        )

    def _first_failure(self, names: list[str], mutant: Mutant | None = None) -> str:
        if mutant:
            mutant.put_in()
        items = [self._items[name] for name in names]
        for item, following in zip(items, [*items[1:], None], strict=True):
            allowed = 5 + 8 * self.seconds.get(item.nodeid, 60.0)
            signal.setitimer(signal.ITIMER_PROF, allowed)
            signal.alarm(int(60 + 10 * allowed))
            item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
            if self._failed:
                return self._failed[0]
        return ""

    def _child(self, work: Callable[[], Any]) -> tuple[int, str]:
        """Work in a fork; its exit status, and what it gave as JSON."""
        reading, writing = os.pipe()
        place = tempfile.mkdtemp()
        child = fork()
        if not child:
            status = 1
            with contextlib.suppress(BaseException):
                quiet = os.open(os.devnull, os.O_RDWR)
                for handle in (0, 1, 2):
                    os.dup2(quiet, handle)
                for number in (signal.SIGALRM, signal.SIGPROF):
                    signal.signal(number, signal.SIG_DFL)
                resource.setrlimit(resource.RLIMIT_AS, (BYTES, BYTES))
                tempfile.tempdir = place
                said = json.dumps(work()).encode()
                with open(writing, "wb") as pipe:
                    pipe.write(said)
                status = 0
            os._exit(status)
        os.close(writing)
        with open(reading, "rb") as pipe:
            said = pipe.read()
        status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        shutil.rmtree(place, ignore_errors=True)
        return status, said.decode()

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(self, fixturedef: Any) -> Generator[None, Any, Any]:
        """Note what a fixture comes to; every test that uses it does."""
        outer, start = self._met, time.process_time()
        self._meet(set())
        try:
            return (yield)
        finally:
            inner, self._took[id(fixturedef)] = self._met, time.process_time() - start
            self._used[id(fixturedef)] |= inner
            self._meet(outer)

    def _meet(self, met: set[str]) -> None:
        self._met = met
        builtins.__met__ = met.add  # type: ignore[attr-defined]

    def _find_statements(self) -> bool:
        """Run each test once, with every statement of the sources telling that it was met."""
        kept = json.loads(self.kept.read_text()) if self.kept.exists() else {}
        before = "".join((self.root / name).read_text() for name in self.sources)
        watched = [pair for name in self.sources for pair in marked(self.root, name)]
        files: dict[str, list[str]] = defaultdict(list)
        for name in self._items:
            files[name.partition("::")[0]].append(name)
        for turn, (file, names) in enumerate(files.items()):
            text = (self.root / file).read_text()
            key = hashlib.sha256(f"{file} {text} {before} {len(names)}".encode()).hexdigest()[:16]
            if key not in kept:
                if time.monotonic() > self.until:
                    return False
                print(f"\r{file}: {turn + 1} of {len(files)}", end="", file=sys.stderr, flush=True)
                status, said = self._child(functools.partial(self._met_by, names, watched))
                kept[key] = json.loads(said) if status == 0 else [[], {}]
                self.kept.write_text(json.dumps(kept))
            modules, met = kept[key]
            self._load(modules)
            for name, (seconds, statements) in met.items():
                self.seconds[name], self._wide[name] = seconds, len(statements)
                for statement in statements:
                    self._at[statement].add(name)
        return True

    def _met_by(
        self, names: list[str], watched: list[tuple[FunctionType, CodeType]]
    ) -> tuple[list[str], dict[str, tuple[float, list[str]]]]:
        """Give modules that tests of one file load; CPU seconds of each, and what it comes to."""
        for function, code in watched:
            function.__code__ = code
        before, found = set(sys.modules), {}
        items = [self._items[name] for name in names]
        for item, following in zip(items, [*items[1:], None], strict=True):
            self._meet(set())
            self._failed, start = [], time.process_time()
            item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
            seconds = time.process_time() - start
            if not self._failed:  # what fails without a change notices nothing
                defined = getattr(item, "_fixtureinfo").name2fixturedefs.values()  # noqa: B009
                used = [id(one) for those in defined for one in those]
                met = self._met.union(*(self._used[one] for one in used))
                seconds += sum(self._took.get(one, 0.0) for one in used)
                found[item.nodeid] = (round(seconds, 3), sorted(met))
        return [m for m in set(sys.modules) - before if not m.startswith("tests")], found

    def _load(self, modules: list[str]) -> None:
        """Load what tests load, so that no fork does it again."""
        for name in modules:
            if name not in sys.modules:
                with contextlib.suppress(Exception):
                    importlib.import_module(name)
