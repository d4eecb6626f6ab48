"""The whole result has the same bytes over hash seeds, folders, time zones and locales."""

from pathlib import Path

import pytest

from tests.study.make import write_study
from tests.trust.samebytes import hashes, reports


@pytest.mark.slow
def test_every_file_of_a_report_has_the_same_bytes(tmp_path: Path) -> None:
    study = write_study(tmp_path / "study")
    first, *others = reports(study, tmp_path / "work")
    assert len(others) == 2
    assert others == [first, first]
    assert {"manifest.json", "report.html", "tables/value.csv"} <= set(first)


def test_a_changed_byte_is_noticed(tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "a/x").write_bytes(b"1")
    before = hashes(tmp_path)
    (tmp_path / "a/x").write_bytes(b"2")
    assert list(before) == ["a/x"]
    assert hashes(tmp_path) != before
