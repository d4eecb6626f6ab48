"""The same study in the same bytes, wherever, whenever and under whatever hash seed.

``python -m tests.trust.samebytes [STUDY]`` writes three reports, of the demo market where no study
is named, and prints how many files they have and which differ.
"""

import hashlib
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

TREE = Path(__file__).resolve().parents[2]
WAYS = (
    {"PYTHONHASHSEED": "0", "TZ": "UTC", "LC_ALL": "C"},
    {"PYTHONHASHSEED": "1", "TZ": "Pacific/Kiritimati", "LC_ALL": "C.UTF-8"},
    {"PYTHONHASHSEED": "4242", "TZ": "America/St_Johns", "LC_ALL": "tr_TR.UTF-8"},
)
PLACES = ("a", "another place/with spaces, and é/b", "c")


def hashes(out: Path) -> dict[str, str]:
    """Hash every file below a folder."""
    return {
        str(path.relative_to(out)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(out.rglob("*"))
        if path.is_file()
    }


def reports(study: Path, work: Path) -> Iterator[dict[str, str]]:
    """Report on copies of the study in other folders, zones, locales and hash seeds."""
    for way, place in zip(WAYS, PLACES, strict=True):
        here = work / place
        shutil.copytree(study, here / "study")
        paths = os.pathsep.join(filter(None, [str(TREE), os.environ.get("PYTHONPATH", "")]))
        subprocess.run(
            [sys.executable, "-m", "perfkit", "report", "study", "--out", "result"],
            cwd=here,
            env={**os.environ, **way, "PYTHONPATH": paths},
            check=True,
            stdout=subprocess.DEVNULL,
        )
        yield hashes(here / "result")


def main() -> int:
    """Compare; 1 where any file differs or is missing."""
    study = Path(sys.argv[1]) if len(sys.argv) > 1 else TREE / "data/demo"
    with tempfile.TemporaryDirectory() as work:
        first, *others = reports(study, Path(work))
    names = set(first).union(*others)
    differ = {name for name in names if any(first.get(name) != other.get(name) for other in others)}
    for name in sorted(differ):
        print(f"differs: {name}")
    print(f"{len(names)} files, {len(differ)} differ between {len(WAYS)} reports")
    return 1 if differ else 0


if __name__ == "__main__":
    sys.exit(main())
