"""Coverage-guided fuzzing of the readers.

``python -m tests.trust.fuzz`` makes a million executions and prints what came of them; ``--runs``
makes fewer, ``--keep`` stores the inputs that reached new code in ``tests/trust/seeds``. Needs the
extra ``fuzz``.
"""

import argparse
import contextlib
import hashlib
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from types import FrameType

SEEDS = Path(__file__).with_name("seeds")
SHARES = {"settings": 0.3, "text": 0.45, "table": 0.03, "log": 0.15, "parquet": 0.07}
LIMITS = ["-timeout=20", "-rss_limit_mb=4096", "-max_len=8192"]
SEED = 20261101


def _fuzz(reader: str, words: list[str]) -> None:
    """Run one reader under libFuzzer in this process, which it ends."""
    import atheris

    with atheris.instrument_imports(include=["perfkit", "tomllib", "gzip"]):
        from tests.trust.readers import READERS
    run = READERS[reader]
    room = Path(tempfile.mkdtemp(dir=_memory_disk()))

    def one(data: bytes) -> None:
        run(data, room)

    atheris.Setup([sys.argv[0], *words], one)
    atheris.Fuzz()


def _memory_disk() -> str | None:
    return "/dev/shm" if Path("/dev/shm").is_dir() else None


def fuzz(reader: str, runs: int, work: Path, keep: bool) -> str | None:
    """Run one reader `runs` times; what went wrong, or None."""
    from tests.trust.readers import first_seeds

    corpus = work / reader
    corpus.mkdir(parents=True)
    for number, seed in enumerate(first_seeds(reader)):
        (corpus / f"first-{number}").write_bytes(seed)
    kept = SEEDS / reader
    kept.mkdir(parents=True, exist_ok=True)
    found = work / f"{reader}-"
    words = [f"-runs={runs}", f"-seed={SEED}", f"-artifact_prefix={found}", *LIMITS]
    child = [sys.executable, "-m", __spec__.name if __spec__ else __name__, "--reader", reader]
    start = time.monotonic()
    done = subprocess.run(
        [*child, *words, str(corpus), str(kept)], capture_output=True, text=True, check=False
    )
    spent = time.monotonic() - start
    counts = re.findall(r"^#(\d+)\s+\w+.*?cov: (\d+)", done.stdout + done.stderr, re.MULTILINE)
    last = counts[-1] if counts else ("0", "0")
    print(f"{reader}: {last[0]} executions, {last[1]} branches reached, {spent:.0f} s", flush=True)
    if done.returncode:
        crashes = sorted(work.glob(f"{reader}-*"))
        shown = [f"{path}: {path.read_bytes()[:200]!r}" for path in crashes]
        said = re.sub(r"(?m)^(INFO: |#).*\n", "", done.stdout + done.stderr)
        return "\n".join([f"{reader} failed", said[-6000:], *shown])
    if keep:
        _keep_few(reader, corpus, kept)
    return None


def _keep_few(reader: str, corpus: Path, kept: Path) -> None:
    """Keep the smallest inputs that together take every way taken through our own lines."""
    from tests.trust.readers import READERS

    taken: set[tuple[str, int, int]] = set()
    room = Path(tempfile.mkdtemp(dir=_memory_disk()))
    for path in sorted([*corpus.iterdir(), *kept.iterdir()], key=lambda path: path.stat().st_size):
        data = path.read_bytes()
        ways = _ways(lambda data=data: READERS[reader](data, room))
        if ways - taken:
            taken |= ways
            (kept / hashlib.sha256(data).hexdigest()[:16]).write_bytes(data)
    shutil.rmtree(room)


def _ways(run: Callable[[], None]) -> set[tuple[str, int, int]]:
    """Pairs of lines of perfkit that follow one another while `run` runs."""
    found: set[tuple[str, int, int]] = set()

    def enter(frame: FrameType, event: str, _: object) -> Callable[..., object] | None:
        file, last = frame.f_code.co_filename, [0]
        if "/perfkit/" not in file:
            return None

        def step(frame: FrameType, event: str, _: object) -> Callable[..., object]:
            found.add((file, last[0], frame.f_lineno))
            last[0] = frame.f_lineno
            return step

        return step

    sys.settrace(enter)
    try:
        run()
    finally:
        sys.settrace(None)
    return found


def main() -> int:
    """Read the words of the command line and run the readers one after the other."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--runs", type=int, default=1_000_000, help="executions in all")
    words.add_argument("--keep", action="store_true", help="store what reached new code")
    words.add_argument("--only", choices=list(SHARES), help="one reader alone")
    words.add_argument("--reader", choices=list(SHARES), help=argparse.SUPPRESS)
    options, rest = words.parse_known_args()
    if options.reader:
        _fuzz(options.reader, rest)
    failures = []
    with contextlib.ExitStack() as stack:
        work = Path(stack.enter_context(tempfile.TemporaryDirectory(dir=_memory_disk())))
        for reader, share in SHARES.items():
            if options.only in (None, reader):
                failures.append(fuzz(reader, int(options.runs * share), work, options.keep))
    failed = [failure for failure in failures if failure]
    print("\n".join(failed) or "no uncaught error, no broken promise")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
