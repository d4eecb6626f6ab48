"""Whether the tests would notice: small wrong changes to the arithmetic, one at a time.

``python -m tests.trust.mutants --room value`` changes every function of a room (or of ``--files``),
and runs for each change the quick tests that come to the changed statement, in a fork that has
everything loaded, until one fails. What was found is kept in ``.mutants/``: a second run goes on
where the first stopped, and tries survivors again at its end. ``--sample`` takes so many changes of
each room by chance (``--seed``), ``--changed`` the functions that the last commit changed and the
tests that speak of their modules. Exit status 1 where less than ``--least`` (95) per cent of what
was run was noticed; survivors listed in ``tests/trust/survivors.txt`` have a reason there and count
as noticed.
"""

import argparse
import json
import random
import re
import subprocess
import sys
import time
from collections import Counter, defaultdict
from collections.abc import Iterable
from pathlib import Path

from scipy import stats

from tests.trust.mutations import Mutant, mutants
from tests.trust.trials import Trials

ROOT = Path(__file__).parents[2]
KEPT = ROOT / ".mutants"
ROOMS = ("value", "frames", "models", "study")
NUMBERS = "tests/trust/test_numbers.py"
FEW = 20
"""Fewer changes than this say nothing about a share."""


def files_of(room: str) -> list[str]:
    """Name the modules of a room."""
    here = ROOT / "perfkit" / room
    return [path.relative_to(ROOT).as_posix() for path in sorted(here.glob("*.py"))]


def tests_of(file: str) -> list[str]:
    """Name the test files that speak of a module, and the module with its examples."""
    room, stem = Path(file).parent.name, Path(file).stem
    names = re.compile(rf"\bperfkit\.{room}\.{stem}\b|\bperfkit\.{room} import [^\n]*\b{stem}\b")
    folders = (ROOT / "tests" / room, ROOT / "tests" / "outside")
    tests = sorted(test for folder in folders for test in folder.glob("test_*.py"))
    speak = [
        test.relative_to(ROOT).as_posix()
        for test in tests
        if test.stem == f"test_{stem}" or names.search(test.read_text())
    ]
    return [*speak, NUMBERS, file]


def changed_lines(since: str) -> dict[str, set[int]] | None:
    """Lines of each file that changed since a commit; None where that is not here."""
    words = ["git", "diff", "-U0", since, "HEAD", "--", "perfkit"]
    try:
        told = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=True)
    except (OSError, subprocess.CalledProcessError):
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


class Room:
    """The changes of one room, and what is known of them.

    Parameters
    ----------
    name : str
    made : list of Mutant
        In the order in which they are tried.
    until : float
        On the monotonic clock.
    """

    def __init__(self, name: str, made: list[Mutant], until: float) -> None:
        KEPT.mkdir(exist_ok=True)
        self.name, self.made, self.until = name, made, until
        self._store = KEPT / f"{name}.json"
        text = self._store.read_text() if self._store.exists() else "{}"
        self.killers: dict[str, str] = json.loads(text)

    def run(self, tests: Iterable[str], seconds: float) -> None:
        """Try what has not been tried, then the survivors again, with tests of so many seconds."""
        kept = KEPT / f"{self.name}-tests.json"
        trials = Trials(ROOT, files_of(self.name), kept, self.until)
        new = [mutant for mutant in self.made if mutant.key not in self.killers]
        known = reasons()
        again = [m for m in self.made if self.killers.get(m.key) == "" and m.key not in known]

        def work() -> None:
            for turn, mutant in enumerate([*new, *again]):
                if time.monotonic() > self.until:
                    break
                self.killers[mutant.key] = trials.noticed(mutant, seconds)
                self._store.write_text(json.dumps(self.killers))
                said = f"\r{self.name}: {turn + 1} of {len(new)} and {len(again)} again "
                print(said, end="", file=sys.stderr, flush=True)

        if new or again:
            trials.during(tests, work)

    def listing(self) -> Counter[str]:
        """Print the survivors; how many were made, run, noticed, have a reason."""
        found, known = Counter(made=len(self.made)), reasons()
        for mutant in sorted(self.made, key=lambda m: (m.file, m.line)):
            if mutant.key not in self.killers:
                continue
            found["run"] += 1
            found["noticed"] += bool(self.killers[mutant.key])
            if not self.killers[mutant.key]:
                found["with a reason"] += mutant.key in known
                where = f"{mutant.file}:{mutant.line} {mutant.function}"
                reason = known.get(mutant.key, "no test fails")
                print(f"\r{mutant.key} {where}: {mutant.change} ({reason})", flush=True)
        return found


def share(found: Counter[str]) -> str:
    """Say which share was noticed, with its exact 95 % interval where not all were run."""
    good, run = found["noticed"] + found["with a reason"], found["run"]
    if not run:
        return "none run"
    said = f"{good} of {run} noticed or with a reason, {100 * good / run:.1f} %"
    if run < found["made"]:
        low, high = stats.binomtest(good, run).proportion_ci(method="exact")
        said += f" ({100 * low:.1f} to {100 * high:.1f} % of all {found['made']})"
    return said


def main() -> int:
    """Try the changes asked for and say how many were noticed."""
    words = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    words.add_argument("--room", choices=ROOMS, nargs="+", default=list(ROOMS))
    words.add_argument("--files", nargs="+", help="modules of the rooms, such as ratio.py")
    words.add_argument(
        "--changed",
        nargs="?",
        const="HEAD~1",
        metavar="COMMIT",
        help="what changed since a commit, by default the last but one",
    )
    words.add_argument("--sample", type=int, help="so many changes of each room, by chance")
    words.add_argument("--seed", type=int, default=1, help="of the order of changes")
    words.add_argument("--minutes", type=float, default=1e6, help="stop after so long")
    words.add_argument("--seconds", type=float, default=1e6, help="of tests for each change")
    words.add_argument("--least", type=float, default=95, help="per cent that must be noticed")
    words.add_argument("--list", action="store_true", help="say what is known, run nothing")
    options = words.parse_args()
    until = time.monotonic() + 60 * options.minutes
    changed = changed_lines(options.changed) if options.changed else None
    if options.changed and changed is None:
        print(f"{options.changed} is not here: nothing to compare with")
        return 0
    total, keys = Counter[str](), set[str]()
    for name in options.room:
        files = [f for f in files_of(name) if not options.files or Path(f).name in options.files]
        files = [f for f in files if changed is None or changed[f]]
        made = [mutant for file in files for mutant in mutants(ROOT, file)]
        keys |= {mutant.key for mutant in made}
        if changed is not None:
            made = [m for m in made if changed[m.file] & set(range(m.first, m.last + 1))]
        random.Random(options.seed).shuffle(made)
        room = Room(name, made[: options.sample], until)
        if made and not options.list:
            all_tests = [f"tests/{name}", f"perfkit/{name}", "tests/outside", NUMBERS]
            near = sorted({test for file in files for test in tests_of(file)})
            room.run(near if options.changed or options.files else all_tests, options.seconds)
        found = room.listing()
        found["made"] = len(made)
        total += found
        print(f"\r{name}: {share(found)}", flush=True)
    print(f"all: {share(total)}")
    if set(options.room) == set(ROOMS) and not options.files and changed is None:
        print(*(f"{key}: a reason for no change" for key in reasons() if key not in keys), sep="\n")
    good = total["noticed"] + total["with a reason"]
    return 0 if total["run"] < FEW or good >= options.least / 100 * total["run"] else 1


if __name__ == "__main__":
    sys.exit(main())
