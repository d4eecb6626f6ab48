"""Studies that cannot be written to, or that change while they are read."""

import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from perfkit import frames
from perfkit.cli import main
from perfkit.errors import StudyError
from perfkit.study import inspect_study
from tests.frames.make import parquet_log
from tests.study.make import FILES, write_study
from tests.trust.test_defects import everything_below

MANY = parquet_log({"frame_ms": [16.0 + n % 7 for n in range(300_000)]})
CHANGES: dict[str, Callable[[Path], object]] = {
    "removed": os.remove,
    "cut": lambda path: os.truncate(path, path.stat().st_size // 2),
    "emptied": lambda path: os.truncate(path, 0),
    "now a folder": lambda path: (path.unlink(), path.mkdir()),
    "now a pipe": lambda path: (path.unlink(), os.mkfifo(path)),
    "now a link outside": lambda path: (path.unlink(), path.symlink_to("/etc/hostname")),
    "now bytes of another kind": lambda path: path.write_bytes(os.urandom(5_000)),
}


@pytest.mark.parametrize("change", CHANGES)
@pytest.mark.parametrize("name", ["p1.csv", "p1.csv.gz", "p1.parquet"])
def test_a_log_that_changes_after_the_tables_were_read(
    name: str, change: str, tmp_path: Path
) -> None:
    study = write_study(
        tmp_path / "study",
        passes__csv=FILES["passes.csv"].replace("logs/p1.csv", name),
    )
    content = MANY if name.endswith("t") else b"frame_ms\n" + b"16.5\n" * 2_000
    if name.endswith(".gz"):
        import gzip

        content = gzip.compress(content)
    (study / name).write_bytes(content)
    read = inspect_study(study)
    assert read.study is not None
    CHANGES[change](study / name)
    problems = frames.log_problems(read.path, read.log_format, read.passes)
    if (name, change) == ("p1.csv", "cut"):
        assert problems == []  # half a text is a text
    else:
        (problem,) = problems
        assert problem.file == name
        with pytest.raises(StudyError, match="1 problem"):
            frames.summarize_passes(read.study)


@pytest.mark.parametrize("share", [0.0, 0.01, 0.5, 0.99])
def test_a_log_cut_between_two_blocks_is_told(
    share: float, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The file loses its end after the first block of frames was taken from it."""
    study = write_study(
        tmp_path / "study", passes__csv=FILES["passes.csv"].replace("logs/p1.csv", "p1.parquet")
    )
    (study / "p1.parquet").write_bytes(MANY)
    read = inspect_study(study)
    from perfkit.frames import logs

    whole, cut = logs.as_frame_times, []

    def cutting(*args: object) -> object:
        if not cut:
            os.truncate(study / "p1.parquet", int(share * len(MANY)))
            cut.append(True)
        return whole(*args)

    monkeypatch.setattr(logs, "as_frame_times", cutting)
    problems = frames.log_problems(read.path, read.log_format, read.passes)
    assert cut
    assert [problem.file for problem in problems] in ([], ["p1.parquet"])


@pytest.mark.parametrize("change", CHANGES)
def test_a_table_that_changes_while_the_tables_are_read(
    change: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    study = write_study(tmp_path / "study")
    from perfkit.study import folder

    real = folder.find_inside

    def changing(root: Path, name: str) -> Path:
        found = real(root, name)
        if name == "systems.csv":
            CHANGES[change](found)
        return found

    monkeypatch.setattr(folder, "find_inside", changing)
    assert main(["check", str(study)]) == 1
    said = capfd.readouterr().err
    assert "systems.csv" in said
    assert "Traceback" not in said


def test_a_study_without_leave_to_write_is_checked_and_left_as_it_was(tmp_path: Path) -> None:
    study = write_study(tmp_path / "study")
    for path in [*study.rglob("*"), study]:
        path.chmod(0o555 if path.is_dir() else 0o444)
    before = everything_below(study)
    assert main(["check", str(study)]) == 0
    assert main(["report", str(study), "--out", str(tmp_path / "out")]) == 0
    assert everything_below(study) == before
    assert (tmp_path / "out/report.html").is_file()
    study.chmod(0o755)
    shutil.rmtree(tmp_path / "out")
