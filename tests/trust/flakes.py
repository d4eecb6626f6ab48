"""Runs of the suite again and again, its files in another order each time.

``python -m tests.trust.flakes --runs 10`` stops at the first run that fails and says its seed;
``--first-seed`` goes on from there. ``--of`` names files or folders; words after ``--`` go to
pytest.
"""

import argparse
import random
import subprocess
import sys
from pathlib import Path


def main() -> int:
    """Run; 1 where a run failed."""
    words = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    words.add_argument("--runs", type=int, default=10)
    words.add_argument("--first-seed", type=int, default=1)
    words.add_argument("--of", nargs="+", default=["tests"], help="folders or files")
    words.add_argument("more", nargs="*", help="words for pytest")
    options = words.parse_args()
    files = sorted(
        str(file)
        for name in options.of
        for file in (Path(name).rglob("test_*.py") if Path(name).is_dir() else [Path(name)])
    )
    for seed in range(options.first_seed, options.first_seed + options.runs):
        order = random.Random(seed).sample(files, len(files))
        command = [sys.executable, "-m", "pytest", "-q", *options.more, *order]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        last = done.stdout.splitlines()[-1] if done.stdout else done.stderr
        print(f"seed {seed}: {last}", flush=True)
        if done.returncode:
            print(done.stdout)
            return 1
    print(f"{options.runs} runs of {len(files)} files, none failed")
    return 0


if __name__ == "__main__":
    sys.exit(main())
