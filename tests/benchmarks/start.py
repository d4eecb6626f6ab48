"""Start-up: processor time of ``perfkit --help`` over that of ``python -c pass``, in one run.

Run ``python -m tests.benchmarks.start``. It printed 2.2 to 2.4 (3 at most is the aim). What keeps
it there: `perfkit.cli` loads argparse and nothing else; commands are loaded when one is run.
"""

import resource
import subprocess
import sys

RUNS = 21


def seconds(words: list[str]) -> float:
    """Processor time of one child, in s."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run([sys.executable, *words], check=True, stdout=subprocess.DEVNULL)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main() -> None:
    """Print the ratio of the medians, the runs taken in turn."""
    plain, help_text = (
        ["-c", "pass"],
        ["-c", "import sys\nfrom perfkit.cli import main\nmain(['--help'])"],
    )
    pairs = [(seconds(plain), seconds(help_text)) for _ in range(RUNS + 1)][1:]
    base, ours = (sorted(values)[RUNS // 2] for values in zip(*pairs, strict=True))
    print(f"python -c pass {1000 * base:.1f} ms, perfkit --help {1000 * ours:.1f} ms")
    print(f"start-up: {ours / base:.2f} x an empty Python")


if __name__ == "__main__":
    main()
