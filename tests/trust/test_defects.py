"""Each bad study gets all of its problems in one listing, and nothing else happens."""

import os
from pathlib import Path

import pytest

from perfkit.cli import main
from tests.study.make import write_study
from tests.trust.checking import MOST_MIB, MOST_SECONDS, run_each
from tests.trust.defects import ALL
from tests.trust.huge import HUGE

LISTINGS: dict[str, list[str]] = {}
for _line in Path(__file__).with_name("listings.txt").read_text(encoding="utf-8").splitlines():
    if _line.startswith("  "):
        LISTINGS[_name].append(_line)  # noqa: F821
    else:
        _name = _line
        LISTINGS[_name] = []

QUICK = [
    "100,000 good passes",
    "100,000 rows of another width",
    "a table of 63 MiB of quotes",
]


def everything_below(place):
    found = {}
    for here, folders, files in os.walk(place):
        for name in [*folders, *files]:
            status = os.lstat(os.path.join(here, name))
            found[os.path.join(here, name)] = (status.st_mode, status.st_size, status.st_mtime_ns)
    return found


def test_every_defect_has_one_listing():
    assert list(LISTINGS) == [case.name for case in ALL]
    assert all(LISTINGS.values())


@pytest.mark.parametrize("case", ALL, ids=lambda case: case.name)
def test_the_listing_is_whole_and_nothing_is_written(case, tmp_path, monkeypatch, capfd):
    case.write(tmp_path / "study")
    monkeypatch.chdir(tmp_path)
    before = everything_below(tmp_path)
    assert main(["check", "study"]) == 1
    out, said = capfd.readouterr()
    count, *listed = said.split("reading study\n", 1)[1].split("\n")[:-1]
    listed = [line for line in [count, *listed] if not line.startswith("notice: ")]
    plural = "" if len(LISTINGS[case.name]) == 1 else "s"
    assert out == ""
    if listed[0].startswith("reading the frame times"):
        listed = listed[1:]
    assert listed[0] == f"{len(LISTINGS[case.name])} problem{plural} in this study"
    assert listed[1:] == LISTINGS[case.name]
    assert all(line.isprintable() for line in listed)
    assert everything_below(tmp_path) == before


@pytest.mark.slow
def test_time_and_memory_are_bounded(tmp_path):
    studies = [write_study(tmp_path / str(n), **HUGE[name]()) for n, name in enumerate(QUICK)]
    runs = run_each((["check", str(study)] for study in studies), tmp_path)
    for name, run in zip(QUICK, runs, strict=True):
        assert "Traceback" not in run.text, name
        assert run.status == (0 if "good" in name else 1), name
        assert run.seconds < MOST_SECONDS, name
        assert run.mib < MOST_MIB, name
