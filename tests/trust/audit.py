"""Known advisories against every pinned name and version.

``python -m tests.trust.audit`` (extra ``audit``) asks the index's advisory service. Its exit status
is 1 where a pin has an advisory that ``ACCEPTED`` gives no reason for. A mirror often serves
packages without advisories; then nothing is known, which is said, and is 1 with ``--required``.
"""

import json
import subprocess
import sys
import tempfile
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

PINS = Path(__file__).resolve().parents[2] / ".constraints.txt"
KNOWN_BAD = "urllib3==1.24.1"
"""CVE-2019-11324: a service that does not know this one knows nothing."""
ACCEPTED: dict[str, str] = {}
"""Advisory to the reason why it does not touch perfkit."""

Answer = Mapping[str, object]


@dataclass(frozen=True, slots=True)
class Verdict:
    """How many pins were judged, and what stands against them."""

    judged: int
    unknown: tuple[str, ...]
    found: tuple[str, ...]


def verdict(answers: Iterable[Answer], accepted: Mapping[str, str]) -> Verdict:
    """Sort the answers of the service.

    An advisory is accepted under its own name or any of its other names.
    """
    judged, unknown, found = 0, [], []
    for answer in answers:
        name = str(answer["name"])
        if "skip_reason" in answer:
            unknown.append(name)
            continue
        judged += 1
        for advisory in answer["vulns"]:  # type: ignore[attr-defined]
            names = {advisory["id"], *advisory.get("aliases", ())}
            if not names & set(accepted):
                mended = ", ".join(advisory.get("fix_versions", ())) or "no version"
                found.append(f"{name} {answer['version']}: {advisory['id']}, mended in {mended}")
    return Verdict(judged, tuple(unknown), tuple(found))


def ask(pins: Path) -> list[Answer] | None:
    """Ask the service; None where none answers."""
    words = ["--no-deps", "--disable-pip", "--progress-spinner", "off", "--timeout", "15"]
    with tempfile.TemporaryDirectory() as place:
        told = Path(place, "told.json")
        subprocess.run(
            [sys.executable, "-m", "pip_audit", "-r", pins, "-f", "json", "-o", told, *words],
            capture_output=True,
            check=False,
        )
        return json.loads(told.read_text())["dependencies"] if told.exists() else None


def service_knows() -> bool:
    """Whether the service tells a version known to be bad."""
    with tempfile.TemporaryDirectory() as place:
        bad = Path(place, "bad.txt")
        bad.write_text(KNOWN_BAD)
        answers = ask(bad)
    return answers is not None and bool(verdict(answers, {}).found)


def main() -> int:
    """Audit the pins."""
    required = 1 if "--required" in sys.argv[1:] else 0
    answers = ask(PINS) if service_knows() else None
    if answers is None:
        print("NOT AUDITED: no advisory service answers here; nothing is known about the pins")
        return required
    told = verdict(answers, ACCEPTED)
    for line in told.found:
        print(line)
    print(f"{told.judged} pins judged, {len(told.found)} advisories without a reason")
    if told.unknown:
        print(f"NOT AUDITED: {len(told.unknown)} pins: {', '.join(told.unknown)}")
    return 1 if told.found or (told.unknown and required) else 0


if __name__ == "__main__":
    sys.exit(main())
