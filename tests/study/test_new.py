"""The start of a study, with and without logs."""

import datetime
import os
import tomllib

import pandas as pd
import pytest

import perfkit as pk
from perfkit.study.lognames import (
    stated_frame_time,
    stated_size,
    stated_unit,
    stated_workload,
)
from perfkit.study.new import new_study
from perfkit.study.schema import TABLES

DAY = datetime.date(2026, 11, 2)


def test_an_empty_study_has_every_header_and_a_glossary(tmp_path):
    told = new_study(tmp_path / "mine", today=DAY)
    assert told.splitlines() == [
        f"Made {tmp_path}/mine: an empty study. COLUMNS.md in it says what each column means.",
        "Next: fill gpus.csv, systems.csv, workloads.csv and passes.csv, a row each at least.",
        f"Then: perfkit check {tmp_path}/mine",
    ]
    for table in TABLES.values():
        if table.name != "forecasts":
            text = (tmp_path / "mine" / table.file).read_text()
            assert text == ",".join(table.names) + "\n"
    assert not (tmp_path / "mine" / "forecasts.csv").exists()
    glossary = (tmp_path / "mine" / "COLUMNS.md").read_text()
    assert all(column in glossary for table in TABLES.values() for column in table.names)
    with pytest.raises(pk.StudyError, match="4 problems") as caught:
        pk.load_study(tmp_path / "mine")
    assert {problem.allowed for problem in caught.value.problems} == {"at least one row"}


def test_a_study_filled_in_one_row_each_loads(tmp_path):
    new_study(tmp_path / "mine", today=DAY)
    for name, row in {
        "gpus.csv": "g,discrete,8,64,2000" + "," * 9,
        "systems.csv": "s" + "," * 12,
        "workloads.csv": "w" + "," * 6,
        "passes.csv": "p,s,g,w,1920,1080" + "," * 18 + ",60,",
    }.items():
        with (tmp_path / "mine" / name).open("a") as file:
            file.write(row + "\n")
    study = pk.load_study(tmp_path / "mine")
    assert study.settings.price_date == DAY
    assert study.passes["avg_fps"].tolist() == [60.0]


def logs_in(folder, **files):
    folder.mkdir()
    for name, text in files.items():
        path = folder / name.replace("__", ".")
        path.write_text(text)
    return folder


def fill(study, unit="ms", column=None):
    toml = (study / "study.toml").read_text()
    toml = toml.replace('frame_time_unit = ""', f'frame_time_unit = "{unit}"')
    if column:
        toml = toml.replace('frame_time_column = ""', f'frame_time_column = "{column}"')
    (study / "study.toml").write_text(toml)
    gpus = (study / "gpus.csv").read_text().replace("this GPU,,,,,", "this GPU,discrete,8,64,2000,")
    (study / "gpus.csv").write_text(gpus)
    passes = pd.read_csv(study / "passes.csv", dtype=str, keep_default_na=False)
    passes.assign(width=1920, height=1080).to_csv(study / "passes.csv", index=False)


def test_logs_become_passes_and_filling_the_named_cells_makes_a_good_study(tmp_path):
    source = logs_in(tmp_path / "src", a__csv="frame_ms\n16\n", b__csv="frame_ms\n17\n", c__txt="x")
    (source / "deep").mkdir()
    (source / "deep" / "d.csv").write_text("frame_ms\n18\n")
    told = new_study(tmp_path / "mine", source, DAY)
    assert told.splitlines() == [
        f"Made {tmp_path}/mine: 3 passes, one for each log, copied into {tmp_path}/mine/logs.",
        "They stand on one system ('this system') and one GPU ('this GPU'), each as a workload",
        "of its own: give passes that belong together the same workload.",
        "Read from names, to be checked: frame times in 'frame_ms', in ms.",
        "Next: fill kind, compute_units, lanes_per_unit and clock_mhz in gpus.csv;",
        "      width and height in passes.csv.",
        f"Then: perfkit check {tmp_path}/mine",
    ]
    fill(tmp_path / "mine")
    study = pk.load_study(tmp_path / "mine")
    assert study.passes["pass_id"].tolist() == ["a", "b", "deep/d"]
    assert study.passes["log"].tolist() == ["logs/a.csv", "logs/b.csv", "logs/deep/d.csv"]
    assert study.workloads["workload"].tolist() == ["a", "b", "deep/d"]
    assert study.log_format is not None
    assert study.log_format.frame_time_column == "frame_ms"
    assert (tmp_path / "mine/logs/deep/d.csv").read_bytes() == b"frame_ms\n18\n"
    assert pk.summarize_passes(study)["frames"].tolist() == [1, 1, 1]


def test_four_cells_are_left_where_names_state_the_rest(tmp_path):
    text = "time_s,frame_ms,gpu_ms\n" + "0,16,15\n" * 20
    source = logs_in(tmp_path / "src")
    for name in ("hill 1920x1080 1.csv", "hill 1280x720 1.csv"):
        (source / name).write_text(text)
    told = new_study(tmp_path / "mine", source, DAY)
    assert told.splitlines()[1:4] == [
        "They stand on one system ('this system') and one GPU ('this GPU').",
        "Read from names, to be checked: "
        "frame times in 'frame_ms', in ms, picture sizes, workloads.",
        "Next: fill kind, compute_units, lanes_per_unit and clock_mhz in gpus.csv.",
    ]
    gpus = tmp_path / "mine" / "gpus.csv"
    gpus.write_text(gpus.read_text().replace("this GPU,,,,,", "this GPU,discrete,8,64,2000,"))
    study = pk.load_study(tmp_path / "mine")
    assert study.passes[["width", "height"]].values.tolist() == [[1280, 720], [1920, 1080]]
    assert study.passes["workload"].tolist() == ["hill", "hill"]
    assert study.workloads["workload"].tolist() == ["hill"]
    assert pk.summarize_passes(study)["avg_fps"].tolist() == pytest.approx([62.5, 62.5])


def test_a_size_stands_only_on_the_passes_that_name_one(tmp_path):
    source = logs_in(tmp_path / "src", a__csv="t\n1\n")
    for name in ("a 1920x1080.csv", "b 1920x1080 to 1280x720.csv", "c 11920x1080x3.csv"):
        (source / name).write_text("t\n1\n")
    told = new_study(tmp_path / "mine", source, DAY)
    assert "      width and height in passes.csv." in told
    passes = pd.read_csv(tmp_path / "mine" / "passes.csv", dtype=str, keep_default_na=False)
    assert passes["width"].tolist() == ["1920", "", "", ""]


def test_a_frame_time_that_some_log_lacks_is_not_written_in(tmp_path):
    source = logs_in(tmp_path / "src", a__csv="time_s,frame_ms\n0,1\n", b__csv="time_s\n0\n")
    told = new_study(tmp_path / "mine", source, DAY)
    assert "Next: fill frame_time_column and frame_time_unit in study.toml;" in told


def test_of_several_columns_none_is_guessed_and_all_are_listed(tmp_path):
    source = logs_in(tmp_path / "src", a__csv="time,length_ms\n0,16\n")
    pd.DataFrame({"time": [0.0], "other us": [1.0]}).to_parquet(source / "b.parquet")
    told = new_study(tmp_path / "mine", source, DAY)
    assert "Next: fill frame_time_column and frame_time_unit in study.toml;" in told
    toml = (tmp_path / "mine" / "study.toml").read_text()
    assert '\n# columns of the logs: "time", "length_ms", "other us"\n' in toml
    assert tomllib.loads(toml)["logs"] == {"frame_time_column": "", "frame_time_unit": ""}


@pytest.mark.parametrize("name", ['a"b', "a\\b", "é😀", "a\x7fb", "# a", "currency"])
def test_a_column_name_of_a_stranger_stays_a_text_in_the_settings(tmp_path, name):
    quoted = '"' + name.replace('"', '""') + '"'
    source = logs_in(tmp_path / "src", a__csv=f"{quoted}\n16\n")
    new_study(tmp_path / "one", source, DAY)
    settings = tomllib.loads((tmp_path / "one" / "study.toml").read_text())
    assert settings["logs"]["frame_time_column"] == name
    (source / "b.csv").write_text('"x\ny = 1"\n')
    new_study(tmp_path / "two", source, DAY)
    settings = tomllib.loads((tmp_path / "two" / "study.toml").read_text())
    assert set(settings) == {"currency", "price_date", "logs"}


def test_names_that_differ_only_in_their_ending_are_kept_apart(tmp_path):
    source = logs_in(tmp_path / "src", a__csv="t\n1\n", a__csv__gz="no gzip")
    new_study(tmp_path / "mine", source, DAY)
    passes = pd.read_csv(tmp_path / "mine" / "passes.csv")
    assert passes["pass_id"].tolist() == ["a.csv", "a.csv.gz"]


def test_a_log_named_like_a_formula_is_made_harmless(tmp_path):
    source = logs_in(tmp_path / "src")
    (source / "=1+1.csv").write_text("t\n1\n")
    new_study(tmp_path / "mine", source, DAY)
    passes = pd.read_csv(tmp_path / "mine" / "passes.csv", dtype=str)
    assert passes[["pass_id", "workload", "log"]].values.tolist() == [
        ["'=1+1", "'=1+1", "logs/=1+1.csv"]
    ]


def test_links_and_pipes_among_the_logs_are_left_alone(tmp_path):
    source = logs_in(tmp_path / "src", a__csv="t\n1\n")
    (tmp_path / "secret.csv").write_text("t\n1\n")
    (source / "link.csv").symlink_to(tmp_path / "secret.csv")
    (source / "linked").symlink_to(tmp_path)
    os.mkfifo(source / "pipe.csv")
    new_study(tmp_path / "mine", source, DAY)
    assert os.listdir(tmp_path / "mine" / "logs") == ["a.csv"]


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda p: (p / "mine").mkdir() or (p / "mine" / "x").write_text(""), "is in use; name a"),
        (lambda p: (p / "mine").write_text(""), "is in use; name a folder that does not exist"),
        (lambda p: (p / "src").mkdir(), r"holds no \.csv, \.csv\.gz, \.parquet file; export"),
        (lambda p: None, "is no folder; name the folder that holds the logs"),
    ],
)
def test_a_wrong_place_is_refused_and_nothing_made(tmp_path, make, says):
    make(tmp_path)
    before = sorted(tmp_path.rglob("*"))
    with pytest.raises(pk.OutputError, match=says):
        new_study(tmp_path / "mine", tmp_path / "src", DAY)
    assert sorted(tmp_path.rglob("*")) == before


def test_a_study_inside_its_logs_is_refused(tmp_path):
    logs_in(tmp_path / "src", a__csv="t\n1\n")
    with pytest.raises(pk.OutputError, match="the study would lie inside"):
        new_study(tmp_path / "src" / "mine", tmp_path / "src", DAY)
    assert os.listdir(tmp_path / "src") == ["a.csv"]


def test_an_empty_folder_is_filled_and_a_failure_leaves_no_litter(tmp_path, monkeypatch):
    (tmp_path / "mine").mkdir()
    source = logs_in(tmp_path / "src", a__csv="t\n1\n")

    def full(*args):
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr("perfkit.study.new.shutil.copyfileobj", full)
        with pytest.raises(pk.OutputError, match=r"cannot be made \(No space left on device\)"):
            new_study(tmp_path / "mine", source, DAY)
    assert sorted(os.listdir(tmp_path)) == ["mine", "src"]
    assert os.listdir(tmp_path / "mine") == []
    new_study(tmp_path / "mine", source, DAY)
    assert (tmp_path / "mine" / "study.toml").is_file()


def test_a_study_is_made_in_folders_that_are_not_there_and_may_be_read_as_the_mask_says(tmp_path):
    source = tmp_path / "src"
    (source / "deep" / "er").mkdir(parents=True)
    (source / "deep" / "er" / "a.csv").write_text("t\n1\n")
    before = os.umask(0o027)
    try:
        new_study(tmp_path / "far" / "away" / "mine", source, DAY)
        assert os.umask(0o027) == 0o027
    finally:
        os.umask(before)
    mine = tmp_path / "far" / "away" / "mine"
    assert mine.stat().st_mode & 0o777 == 0o750
    assert (mine / "logs" / "deep" / "er" / "a.csv").read_bytes() == b"t\n1\n"


@pytest.mark.parametrize(("count", "shown"), [(2, ""), (30, ""), (31, " and 1 more")])
def test_thirty_columns_of_the_logs_are_listed(tmp_path, count, shown):
    names = [f"c{at}" for at in range(count)]
    source = logs_in(tmp_path / "src", a__csv=",".join(names) + "\n" + "1," * count + "\n")
    new_study(tmp_path / "mine", source, DAY)
    listed = ", ".join(f'"{name}"' for name in names[:30])
    toml = (tmp_path / "mine" / "study.toml").read_text()
    assert f"\n# columns of the logs: {listed}{shown}\n" in toml


def test_where_some_names_state_a_workload_the_others_are_counted(tmp_path):
    source = logs_in(tmp_path / "src", b__csv="frame\n1\n")
    (source / "hill 1920x1080 1.csv").write_text("frame\n1\n")
    (source / "hill 1920x1080 2.csv").write_text("frame\n1\n")
    told = new_study(tmp_path / "mine", source, DAY).splitlines()
    assert told[1:6] == [
        "They stand on one system ('this system') and one GPU ('this GPU'), 1 of them each as a "
        "workload",
        "of its own: give passes that belong together the same workload.",
        "Read from names, to be checked: frame times in 'frame', picture sizes, workloads.",
        "Next: fill frame_time_unit in study.toml;",
        "      kind, compute_units, lanes_per_unit and clock_mhz in gpus.csv;",
    ]
    assert told[6] == "      width and height in passes.csv."
    passes = pd.read_csv(tmp_path / "mine" / "passes.csv", dtype=str, keep_default_na=False)
    assert passes[["pass_id", "workload", "width", "height"]].values.tolist() == [
        ["b", "b", "", ""],
        ["hill 1920x1080 1", "hill", "1920", "1080"],
        ["hill 1920x1080 2", "hill", "1920", "1080"],
    ]


def test_without_logs_every_setting_but_the_required_is_off(tmp_path):
    new_study(tmp_path / "mine", today=DAY)
    lines = (tmp_path / "mine" / "study.toml").read_text().splitlines()
    on = [line.partition("   # ")[0] for line in lines if line and not line.startswith("#")]
    assert on == ['currency = "USD"', "price_date = 2026-11-02"]
    off = [line.partition("   # ")[0] for line in lines if line.startswith("# ")]
    assert "# budget = 600" in off
    assert "# [logs]" in off
    assert '# frame_time_column = ""' in off
    assert '# combined = "frames.parquet"' in off


@pytest.mark.parametrize(
    ("column", "unit"),
    [("frame_ms", "ms"), ("Frame time (us)", "us"), ("t_s", "s"), ("frames", ""), ("ms s", "")],
)
def test_a_unit_is_read_only_where_one_stands_alone(column, unit):
    assert stated_unit(column) == unit


@pytest.mark.parametrize(
    ("headers", "column"),
    [
        ([["a"]], "a"),
        ([["a"], ["a"]], "a"),
        ([["time_s", "frame_ms", "gpu_ms"], ["frame_ms"]], "frame_ms"),
        ([["FrameTime ms", "x"]], "FrameTime ms"),
        ([["frame_ms", "frame_us"]], ""),
        ([["frame", "x"]], ""),
        ([["gpu_ms", "x"]], ""),
        ([["frame_ms", "x"], ["x"]], ""),
        ([[]], ""),
        ([], ""),
    ],
)
def test_a_frame_time_is_the_only_column_or_the_only_one_that_says_so(headers, column):
    assert stated_frame_time(headers) == column


@pytest.mark.parametrize(
    ("name", "size", "workload"),
    [
        ("hill 1920x1080 2", ("1920", "1080"), "hill"),
        ("hill_800x600", ("800", "600"), "hill"),
        ("hill top - 65536x99999_123", ("65536", "99999"), "hill top"),
        ("hill 99x100", ("", ""), ""),
        ("hill 100x99", ("", ""), ""),
        ("hill 100x100", ("100", "100"), "hill"),
        ("hill 100000x100", ("", ""), ""),
        ("hill 0100x100", ("", ""), ""),
        ("hill 1920x1080 1234", ("1920", "1080"), ""),
        ("hill 1920x1080 low", ("1920", "1080"), ""),
        ("1920x1080 2", ("1920", "1080"), ""),
        ("a 800x600 1920x1080", ("", ""), ""),
        ("a 800x600 800x600", ("800", "600"), "a 800x600"),
        ("hill1920x1080", ("", ""), ""),
    ],
)
def test_sizes_and_workloads_stand_in_names_as_words(name, size, workload):
    assert stated_size(name) == size
    assert stated_workload(name) == workload
