"""Whether the tests would notice: small wrong changes to the arithmetic, one at a time.

``python -m tests.trust.mutants --room value`` changes every function of a room (or of ``--files``),
and runs for each change the quick tests that import its module, in a fork that has everything
loaded. What was found is kept in ``.mutants/``: a second run goes on where the first
stopped and tries survivors again. ``--changed`` takes the functions that the last commit changed.
Exit status 1 where less than 95 % of what was run was noticed; survivors listed in
``tests/trust/survivors.txt`` have a reason there and count as noticed.
"""

import argparse
import contextlib
import gc
import json
import os
import re
import resource
import signal
import subprocess
import sys
import time
from collections import Counter, defaultdict
from pathlib import Path

import pytest

from tests.trust.disk import fork
from tests.trust.mutations import Mutant, mutants

ROOT = Path(__file__).parents[2]
KEPT = ROOT / ".mutants"
ROOMS = ("study", "frames", "models", "value")
NOTICED = 0.95
SECONDS = 60
QUICK = ["-q", "-p", "no:cacheprovider", "-p", "no:xdist", "-m", "not slow and not browser"]


def files_of(room: str) -> list[str]:
    """Name the modules of a room."""
    here = ROOT / "perfkit" / room
    return [path.relative_to(ROOT).as_posix() for path in sorted(here.glob("*.py"))]


def tests_of(file: str) -> list[str]:
    """Name the test files that speak of a module, and the module with its examples."""
    room, stem = Path(file).parent.name, Path(file).stem
    names = re.compile(rf"\bperfkit\.{room}\.{stem}\b|\bperfkit\.{room} import [^\n]*\b{stem}\b")
    tests = sorted((ROOT / "tests" / room).glob("test_*.py"))
    speak = [test.relative_to(ROOT).as_posix() for test in tests if names.search(test.read_text())]
    return [*speak, file]


def noticed(mutant: Mutant, tests: list[str]) -> bool:
    """Run tests on a change; whether one of them fails, or does not end."""
    child = fork()
    if not child:
        quiet = os.open(os.devnull, os.O_RDWR)
        for handle in (0, 1, 2):
            os.dup2(quiet, handle)
        signal.signal(signal.SIGALRM, signal.SIG_DFL)
        signal.alarm(SECONDS)
        resource.setrlimit(resource.RLIMIT_AS, (8 * 2**30, 8 * 2**30))
        status = 1
        with contextlib.suppress(BaseException):
            mutant.put_in()
            status = int(pytest.main([*QUICK, "-x", "--tb=no", "--no-header", *tests]))
        os._exit(status)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) != 0


def changed_lines() -> dict[str, set[int]] | None:
    """Lines of each file that the last commit changed; None where it has no parent here."""
    words = ["git", "diff", "-U0", "HEAD~1", "HEAD", "--", "perfkit"]
    told = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=False)
    if told.returncode:
        return None
    found: dict[str, set[int]] = defaultdict(set)
    file = ""
    for line in told.stdout.splitlines():
        if line.startswith("+++ b/"):
            file = line[6:]
        if at := re.match(r"@@ -\S+ \+(\d+)(?:,(\d+))? @@", line):
            first, count = int(at[1]), int(at[2] or 1)
            found[file].update(range(first, first + max(count, 1)))
    return found


def reasons() -> dict[str, str]:
    """Survivors that are known, by key, with the reason."""
    lines = (Path(__file__).parent / "survivors.txt").read_text(encoding="utf-8").splitlines()
    told = [line.partition(" ") for line in lines if line and not line.startswith("#")]
    return {key: reason.strip() for key, _, reason in told}


def run_room(
    room: str, files: list[str], changed: dict[str, set[int]] | None, options: argparse.Namespace
) -> Counter[str]:
    """Try the changes of a room; how many there are, were run, were noticed, have a reason."""
    made = [mutant for file in files for mutant in mutants(ROOT, file)]
    if changed is not None:
        made = [m for m in made if changed[m.file] & set(range(m.first, m.last + 1))]
    found = Counter(made=len(made))
    if not made:
        return found
    KEPT.mkdir(exist_ok=True)
    store, known = KEPT / f"{room}.json", reasons()
    kept = json.loads(store.read_text()) if store.exists() else {}
    gc.freeze()
    for turn, mutant in enumerate(made):
        if not kept.get(mutant.key) and time.monotonic() < options.until:
            kept[mutant.key] = noticed(mutant, tests_of(mutant.file))
            store.write_text(json.dumps(kept))
            print(f"\r{room}: {turn + 1} of {len(made)}", end="", file=sys.stderr, flush=True)
        if mutant.key in kept:
            found["run"] += 1
            found["noticed"] += kept[mutant.key]
            if not kept[mutant.key]:
                found["with a reason"] += mutant.key in known
                where = f"{mutant.file}:{mutant.line} {mutant.function}"
                reason = known.get(mutant.key, "no test fails")
                print(f"\r{mutant.key} {where}: {mutant.change} ({reason})", flush=True)
    gc.unfreeze()
    return found


def main() -> int:
    """Try the changes asked for and say how many were noticed."""
    words = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    words.add_argument("--room", choices=ROOMS, nargs="+", default=list(ROOMS))
    words.add_argument("--files", nargs="+", help="modules of the rooms, such as ratio.py")
    words.add_argument("--changed", action="store_true", help="what the last commit changed")
    words.add_argument("--minutes", type=float, default=1e6, help="stop after so long")
    options = words.parse_args()
    options.until = time.monotonic() + 60 * options.minutes
    changed = changed_lines() if options.changed else None
    if options.changed and changed is None:
        print("the last commit has no parent here: nothing to compare with")
        return 0
    total = Counter[str]()
    for room in options.room:
        files = [f for f in files_of(room) if not options.files or Path(f).name in options.files]
        found = run_room(room, files, changed, options)
        total += found
        print(f"\r{room}: {dict(found)}", flush=True)
    good = total["noticed"] + total["with a reason"]
    return 0 if good >= NOTICED * total["run"] else 1


if __name__ == "__main__":
    sys.exit(main())
