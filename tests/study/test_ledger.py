"""forecasts.csv: added whole, never changed, and noticed when somebody else changes it."""

import csv
import datetime
import errno
import multiprocessing
import os

import pandas as pd
import pytest

import perfkit as pk
from perfkit.study import ledger
from perfkit.study.ledger import inputs_sha256, keep_forecasts
from perfkit.study.ledger_hashes import follow
from perfkit.study.schema import FORECASTS
from perfkit.study.spreadsheet import plain_text, safe_text
from tests.study.make import SETTINGS, swapped, write_study

DAY = datetime.date(2026, 11, 2)


def predictions(**changed):
    table = {
        "system": ["bench", "bench"],
        "gpu": ["Brazier", "Ember"],
        "workload": ["Velm", "Velm"],
        "width": [2560, 1920],
        "height": [1440, 1080],
        "render_scale": [1.0, 0.5],
        "fps": [100 / 3, 61.25],
        "pred_low": [30.0, 50.0],
        "pred_high": [40.0, 70.0],
        "level": [0.9, 0.9],
        "model": ["time sum", "time sum"],
        "reason": ["", ""],
    }
    return pd.DataFrame({**table, **changed})


def test_what_was_kept_is_read_back_to_the_last_bit(tmp_path):
    study = pk.load_study(write_study(tmp_path))
    assert keep_forecasts(study, predictions(), DAY) == 2
    kept = pk.load_study(tmp_path).forecasts
    keys = ["system", "gpu", "workload", "width", "height", "render_scale", "fps", "pred_low",
            "pred_high", "level", "model"]  # fmt: skip
    pd.testing.assert_frame_equal(
        kept[keys].reset_index(drop=True), predictions()[keys], check_dtype=False, check_exact=True
    )
    assert kept["made_on"].tolist() == [pd.Timestamp(DAY)] * 2
    assert kept["inputs_sha256"].tolist() == [inputs_sha256(study)] * 2
    first = (tmp_path / "forecasts.csv").read_text().splitlines()[1]
    assert ",time sum,bench,Brazier,Velm,2560,1440,1.0,33.333333333333336,30.0,40.0,0.9," in first
    header = (tmp_path / "forecasts.csv").read_text().splitlines()[0].split(",")
    assert header == list(FORECASTS.names)
    assert header[:3] == ["made_on", "inputs_sha256", "model"]


def test_earlier_lines_stay_byte_for_byte(tmp_path):
    study = pk.load_study(write_study(tmp_path))
    keep_forecasts(study, predictions(), DAY)
    before = (tmp_path / "forecasts.csv").read_bytes()
    keep_forecasts(study, predictions(fps=[1.0, 2.0]), DAY)
    after = (tmp_path / "forecasts.csv").read_bytes()
    assert after.startswith(before)
    assert after.count(b"\n") == 5
    assert len(pk.load_study(tmp_path).forecasts) == 4


def test_a_prediction_without_a_number_is_not_kept(tmp_path):
    study = pk.load_study(write_study(tmp_path))
    assert keep_forecasts(study, predictions(fps=[float("nan"), 61.25]), DAY) == 1
    assert keep_forecasts(study, predictions(fps=[float("nan")] * 2), DAY) == 0
    assert pk.load_study(tmp_path).forecasts["gpu"].tolist() == ["Ember"]


HARD = ["=1+1", "+1", "-1", "@x", "'=x", "''=x", "'tis", "\t=x", " =x", "＝x", "a,b", 'a"b', "a\nb"]


def test_names_that_a_spreadsheet_would_run_come_back_exactly(tmp_path):
    study = pk.load_study(write_study(tmp_path))
    table = pd.concat([predictions().iloc[:1]] * len(HARD), ignore_index=True).assign(gpu=HARD)
    keep_forecasts(study, table, DAY)
    assert pk.load_study(tmp_path).forecasts["gpu"].tolist() == HARD
    with (tmp_path / "forecasts.csv").open(newline="") as file:
        cells = [row["gpu"] for row in csv.DictReader(file)]
    assert not [cell for cell in cells if cell.lstrip()[:1] in tuple("=+-@＝")]
    assert [plain_text(safe_text(name)) for name in HARD] == HARD


def test_a_ledger_from_elsewhere_is_continued_with_its_own_columns(tmp_path):
    own = (
        "made_on,inputs_sha256,model,system,gpu,workload,width,height,render_scale,fps,pred_low,"
        "pred_high,level,why\n2026-10-01,00,mine,bench,Gone,Velm,1920,1080,,50,40,60,0.9,a guess"
    )
    study = pk.load_study(write_study(tmp_path, forecasts__csv=own))
    keep_forecasts(study, predictions(), DAY)
    text = (tmp_path / "forecasts.csv").read_text()
    assert text.startswith(own + "\n")
    assert text.splitlines()[2].endswith(",0.9,")
    assert pk.load_study(tmp_path).forecasts["gpu"].tolist() == ["Gone", "Brazier", "Ember"]


@pytest.mark.parametrize(
    ("spoil", "line"),
    [
        (lambda lines: [*lines[:2], lines[2].replace("61.25", "61.5"), *lines[3:]], 3),
        (lambda lines: [*lines[:2], *lines[3:]], 3),
        (lambda lines: [lines[0], *lines[2:]], 2),
        (lambda lines: [*lines[:3], lines[2], *lines[3:]], 4),
        (lambda lines: [lines[0], lines[2], lines[1], *lines[3:]], 2),
        (lambda lines: [*lines[:-1], lines[-1].replace("2026-11-02", "2026-11-03")], 5),
        (lambda lines: [*lines[:-1], lines[-1].rpartition(",")[0] + ","], 5),
        (lambda lines: [*lines, lines[-1]], 6),
    ],
    ids=["changed", "removed", "first removed", "doubled", "swapped", "last", "no hash", "added"],
)
def test_a_line_changed_by_hand_is_refused_by_name(tmp_path, spoil, line):
    study = pk.load_study(write_study(tmp_path))
    keep_forecasts(study, predictions(), DAY)
    keep_forecasts(study, predictions(), DAY)
    path = tmp_path / "forecasts.csv"
    path.write_text("\n".join(spoil(path.read_text().splitlines())) + "\n")
    spoilt = path.read_bytes()
    with pytest.raises(pk.StudyError, match="was changed by hand") as caught:
        pk.load_study(tmp_path)
    (problem,) = caught.value.problems
    assert (problem.file, problem.line, problem.column) == ("forecasts.csv", line, "chain_sha256")
    with pytest.raises(pk.StudyError, match="was changed by hand"):
        keep_forecasts(study, predictions(), DAY)
    assert path.read_bytes() == spoilt


def test_other_line_ends_and_notes_to_the_right_change_nothing(tmp_path):
    study = pk.load_study(write_study(tmp_path))
    keep_forecasts(study, predictions(), DAY)
    path = tmp_path / "forecasts.csv"
    lines = path.read_text().splitlines()
    path.write_bytes("\r\n".join([lines[0] + ",note", *(f"{x},ok" for x in lines[1:])]).encode())
    assert follow(path.read_bytes())[1] is None
    keep_forecasts(study, predictions(), DAY)
    assert len(pk.load_study(tmp_path).forecasts) == 4


def test_the_hash_of_the_inputs_moves_with_logs_and_passes_but_not_with_prices(tmp_path):
    first = inputs_sha256(pk.load_study(write_study(tmp_path / "a")))
    same = write_study(tmp_path / "b", **swapped("prices.csv", "250", "260"))
    assert inputs_sha256(pk.load_study(same)) == first
    log = write_study(tmp_path / "c")
    (log / "logs" / "p1.csv").write_text("frame_ms\n17\n")
    passes = write_study(tmp_path / "d", **swapped("passes.csv", "144.25", "144.5"))
    unit = write_study(tmp_path / "e", **swapped("study.toml", '"ms"', '"us"'))
    others = {inputs_sha256(pk.load_study(folder)) for folder in (log, passes, unit)}
    assert len(others | {first}) == 4


@pytest.mark.parametrize("call", ["open", "fsync", "rename", "fchmod"])
def test_a_write_that_fails_leaves_the_file_as_it_was(tmp_path, monkeypatch, call):
    study = pk.load_study(write_study(tmp_path))
    keep_forecasts(study, predictions(), DAY)
    before = (tmp_path / "forecasts.csv").read_bytes()
    real_open = os.open

    def fail(*args, **kwargs):
        if call == "open" and not str(args[0]).endswith("unfinished"):
            return real_open(*args, **kwargs)
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(ledger.os, call, fail)
    with pytest.raises(pk.OutputError, match=r"cannot be written \(No space left on device\)"):
        keep_forecasts(study, predictions(), DAY)
    monkeypatch.undo()
    assert (tmp_path / "forecasts.csv").read_bytes() == before
    assert not [path.name for path in tmp_path.iterdir() if path.name.startswith(".")]
    assert keep_forecasts(study, predictions(), DAY) == 2


def test_a_killed_write_leaves_nothing_that_hinders_the_next(tmp_path):
    study = pk.load_study(write_study(tmp_path))
    (tmp_path / ".forecasts.csv.unfinished").write_text("half a li")
    assert keep_forecasts(study, predictions(), DAY) == 2
    assert not (tmp_path / ".forecasts.csv.unfinished").exists()


def test_a_link_in_place_of_the_file_is_refused(tmp_path):
    study = pk.load_study(write_study(tmp_path / "study"))
    (tmp_path / "study" / "forecasts.csv").symlink_to(tmp_path / "elsewhere.csv")
    with pytest.raises(pk.OutputError, match=r"forecasts\.csv is a link; put the file itself"):
        keep_forecasts(study, predictions(), DAY)
    assert not (tmp_path / "elsewhere.csv").exists()


def keep_many(folder):
    study = pk.load_study(folder)
    for _ in range(5):
        keep_forecasts(study, predictions(), DAY)


def test_two_processes_at_once_lose_no_line(tmp_path):
    write_study(tmp_path)
    context = multiprocessing.get_context("spawn")
    workers = [context.Process(target=keep_many, args=(tmp_path,)) for _ in range(2)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join(120)
    assert [worker.exitcode for worker in workers] == [0, 0]
    assert len(pk.load_study(tmp_path).forecasts) == 20


def test_lines_before_the_first_hash_are_taken_as_they_are_and_none_after_it(tmp_path):
    study = pk.load_study(write_study(tmp_path))
    keep_forecasts(study, predictions(), DAY)
    path = tmp_path / "forecasts.csv"
    header, first, second = path.read_text().splitlines()
    plain = first.rpartition(",")[0] + ","
    assert follow("\n".join([header, plain, plain]).encode())[1] is None
    assert follow("\n".join([header, first, second, plain]).encode())[1] == 4
    path.write_text("\n".join([header, plain]) + "\n")
    keep_forecasts(study, predictions(), DAY)
    assert follow(path.read_bytes())[1] is None
    lines = path.read_text().splitlines()
    path.write_text("\n".join([lines[0], lines[1].replace("33.3", "43.3"), *lines[2:]]) + "\n")
    assert follow(path.read_bytes())[1] == 3


def test_an_empty_file_and_one_without_a_last_line_end_are_gone_on_with(tmp_path):
    study = pk.load_study(write_study(tmp_path))
    path = tmp_path / "forecasts.csv"
    path.write_text("\n \n")
    assert keep_forecasts(study, predictions(), DAY) == 2
    assert path.read_text().splitlines()[0] == ",".join(FORECASTS.names)
    path.write_bytes(path.read_bytes().removesuffix(b"\n"))
    assert keep_forecasts(study, predictions(), DAY) == 2
    assert path.read_bytes().count(b"\n") == 5
    assert len(pk.load_study(tmp_path).forecasts) == 4


def test_the_file_keeps_who_may_read_it(tmp_path):
    study = pk.load_study(write_study(tmp_path))
    keep_forecasts(study, predictions(), DAY)
    path = tmp_path / "forecasts.csv"
    before = os.umask(0o027)
    os.umask(before)
    assert path.stat().st_mode & 0o777 == 0o666 & ~before
    path.chmod(0o640)
    keep_forecasts(study, predictions(), DAY)
    assert path.stat().st_mode & 0o777 == 0o640


def test_the_inputs_hold_the_combined_file_too(tmp_path):
    logs = '\n[logs]\nframe_time_column = "frame_ms"\nframe_time_unit = "ms"\n'
    folder = write_study(tmp_path, study__toml=SETTINGS + logs + 'combined = "all.csv"\n')
    (folder / "all.csv").write_text("pass_id,frame_ms\n")
    study = pk.load_study(folder)
    first = inputs_sha256(study)
    (folder / "all.csv").write_text("pass_id,frame_ms\np2,1\n")
    assert inputs_sha256(study) != first
    (folder / "all.csv").unlink()
    with pytest.raises(pk.StudyError, match=r"all\.csv: the file is not there"):
        inputs_sha256(study)
