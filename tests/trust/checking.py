"""Many runs of ``perfkit check``, each in a process of its own, timed and weighed."""

import json
import os
import subprocess
import sys
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from tests.study.make import write_study

MOST_SECONDS, MOST_MIB = 20, 1536

# The parent has loaded everything and started no thread, so that a fork costs milliseconds.
FORKER = """
import contextlib, gc, io, json, os, signal, sys
import perfkit.frames
from perfkit.cli import main
from perfkit.study import inspect_study
inspect_study(sys.argv[1])
gc.freeze()
for line in sys.stdin:
    words = json.loads(line)
    reading, writing = os.pipe()
    child = os.fork()
    if not child:
        os.close(reading)
        signal.alarm(120)
        os.dup2(writing, 1)
        os.dup2(writing, 2)
        try:
            code = main(words)
        except BaseException:
            import traceback
            traceback.print_exc()
            code = 99
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)
    os.close(writing)
    with open(reading, "rb") as said:
        text = said.read().decode(errors="backslashreplace")
    _, status, used = os.wait4(child, 0)
    seconds = used.ru_utime + used.ru_stime
    code = os.waitstatus_to_exitcode(status)
    print(json.dumps([code, text, seconds, used.ru_maxrss / 1024]), flush=True)
"""


@dataclass(frozen=True, slots=True)
class Run:
    """What one command said, its processor time and how much memory it held at most."""

    status: int
    text: str
    seconds: float
    mib: float

    @property
    def listed(self) -> list[str]:
        """The problems, one a line, as listed after their number."""
        lines = self.text.split("in this study\n")[-1].splitlines()
        return [line.removeprefix("  ") for line in lines if line.startswith("  ")]


def run_each(commands: Iterable[list[str]], where: Path) -> Iterator[Run]:
    """Run commands one after the other in `where`."""
    tree = Path(__file__).resolve().parents[2]
    paths = [str(tree), os.environ.get("PYTHONPATH", "")]
    forker = subprocess.Popen(
        [sys.executable, "-c", FORKER, str(write_study(where / "warm"))],
        cwd=where,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, paths))},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    with forker:
        for words in commands:
            print(json.dumps(words), file=forker.stdin, flush=True)
            yield Run(*json.loads(forker.stdout.readline()))
        forker.stdin.close()
