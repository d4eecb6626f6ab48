"""The suite under the lowest and the newest dependencies that ``pyproject.toml`` allows.

``python -m tests.trust.dependencies`` (needs ``uv``) makes a fresh environment for each of the two,
and runs the quick tests in it, or what pytest is told after ``--``.
"""

import argparse
import subprocess
import sys
import tempfile
from pathlib import Path

ENDS = ("lowest-direct", "highest")
ROOT = Path(__file__).parents[2]


def main() -> int:
    """Install and run; 1 where one of the two fails."""
    words = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    words.add_argument("--ends", nargs="+", choices=ENDS, default=ENDS)
    words.add_argument("more", nargs="*", help="words for pytest")
    options = words.parse_args()
    tests = options.more or ["-q", "-m", "not slow and not browser"]
    failed = False
    for end in options.ends:
        with tempfile.TemporaryDirectory() as place:
            python = f"{place}/bin/python"
            subprocess.run(["uv", "venv", "--quiet", "--clear", place], check=True)
            install = ["uv", "pip", "install", "--quiet", "--python", python, "--resolution", end]
            subprocess.run([*install, "--editable", ".[test]"], cwd=ROOT, check=True)
            done = subprocess.run([python, "-m", "pytest", *tests], cwd=ROOT, check=False)
            print(f"{end}: {'failed' if done.returncode else 'passed'}", flush=True)
            failed |= done.returncode != 0
    return int(failed)


if __name__ == "__main__":
    sys.exit(main())
