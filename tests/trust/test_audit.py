"""The audit of the pins: what counts as an advisory, as accepted and as not known."""

import pytest

from tests.trust import audit

GOOD = {"name": "a", "version": "1", "vulns": []}
BAD = {
    "name": "b",
    "version": "2",
    "vulns": [{"id": "PYSEC-1", "aliases": ["CVE-1"], "fix_versions": ["3"]}],
}
UNKNOWN = {"name": "c", "skip_reason": "not found"}


def test_answers_are_sorted() -> None:
    told = audit.verdict([GOOD, BAD, UNKNOWN], {})
    assert told == audit.Verdict(2, ("c",), ("b 2: PYSEC-1, mended in 3",))


@pytest.mark.parametrize("name", ["PYSEC-1", "CVE-1"])
def test_an_advisory_with_a_reason_is_accepted(name: str) -> None:
    assert audit.verdict([BAD], {name: "that part is not used"}).found == ()
    assert all(len(reason.split()) > 3 for reason in audit.ACCEPTED.values())


@pytest.mark.parametrize(
    ("service", "required", "status", "said"),
    [
        ([GOOD], False, 0, "1 pins judged, 0 advisories"),
        ([GOOD, BAD], False, 1, "b 2: PYSEC-1"),
        ([GOOD, UNKNOWN], False, 0, "NOT AUDITED: 1 pins: c"),
        ([GOOD, UNKNOWN], True, 1, "NOT AUDITED: 1 pins: c"),
        (None, False, 0, "NOT AUDITED: no advisory service"),
        (None, True, 1, "NOT AUDITED: no advisory service"),
    ],
)
def test_what_is_not_known_is_said(
    service: list | None,
    required: bool,
    status: int,
    said: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    def ask(pins: object) -> list | None:
        return [BAD] if pins != audit.PINS and service is not None else service

    monkeypatch.setattr(audit, "ask", ask)
    monkeypatch.setattr("sys.argv", ["audit", *(["--required"] if required else [])])
    assert audit.main() == status
    assert said in capsys.readouterr().out


def test_a_service_that_skips_all_knows_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(audit, "ask", lambda pins: [UNKNOWN])
    assert not audit.service_knows()
