"""Every kind of defect is refused by file, line and column, with what is allowed and to do."""

import os
import time

import pytest

import perfkit as pk
from perfkit.study.csvtext import MOST_COLUMNS
from perfkit.study.schema import TABLES
from perfkit.study.study import inspect_study
from tests.study.make import FILES, LOGS, SETTINGS, swapped, write_study


def problems_of(folder, **changed):
    with pytest.raises(pk.StudyError, match="in this study") as caught:
        pk.load_study(write_study(folder, **changed))
    return [(p.file, p.line, p.column, p.value, p.allowed, p.action) for p in caught.value.problems]


def only_problem(folder, **changed):
    (problem,) = problems_of(folder, **changed)
    return problem


NOT_UTF8 = "save the file as CSV in UTF-8"
ONE_CELL = [
    # file, old, new, line, column, value, part of allowed, action
    ("gpus.csv", "discrete", "Discrete", 3, "kind", "Discrete", "one of integrated, discrete",
     "write discrete"),
    ("gpus.csv", "discrete", "card", 3, "kind", "card", "one of integrated, discrete",
     "write one of them"),
    ("gpus.csv", "discrete", "", 3, "kind", "", "one of integrated, discrete, the cell is empty",
     "fill it"),
    ("gpus.csv", "2400", "2400.5", None, "", "", "", ""),
    ("gpus.csv", "28", "28.5", 3, "compute_units", "28.5", "a whole number from 1 to 100000",
     "write a whole number"),
    ("gpus.csv", "28", "0", 3, "compute_units", "0", "a whole number from 1 to 100000",
     "mend the number, or check its unit"),
    ("gpus.csv", "28", "100001", 3, "compute_units", "100001", "a whole number from 1 to 100000",
     "mend the number, or check its unit"),
    ("gpus.csv", "2400", "0", 3, "clock_mhz", "0", "a number above 0, at most 100000",
     "mend the number, or check its unit"),
    ("gpus.csv", "2400", "-1", 3, "clock_mhz", "-1", "a number above 0, at most 100000",
     "mend the number, or check its unit"),
    ("gpus.csv", "2400", "1e999", 3, "clock_mhz", "1e999", "a number above 0",
     "mend the number, or check its unit"),
    ("gpus.csv", "2400", "nan", 3, "clock_mhz", "nan", "a number above 0",
     "leave the cell empty if it is not known"),
    ("gpus.csv", "2400", "-Infinity", 3, "clock_mhz", "-Infinity", "a number above 0",
     "leave the cell empty if it is not known"),
    ("gpus.csv", "2400", "N/A", 3, "clock_mhz", "N/A", "a number above 0",
     "leave the cell empty if it is not known"),
    ("gpus.csv", "2400", "2_400", 3, "clock_mhz", "2_400", "a number above 0",
     "write a decimal point and no thousands sign"),
    ("gpus.csv", "2400", '"2,4"', 3, "clock_mhz", "2,4", "a number above 0",
     "write a decimal point and no thousands sign"),
    ("gpus.csv", "2400", '"2,400.0"', 3, "clock_mhz", "2,400.0", "a number above 0",
     "write a decimal point and no thousands sign"),
    ("gpus.csv", "2400", "2 400", 3, "clock_mhz", "2 400", "a number above 0",
     "write a decimal point and no thousands sign"),
    ("gpus.csv", "2400", " 2400", 3, "clock_mhz", " 2400", "a number above 0",
     "remove the space around the number"),
    ("gpus.csv", "2400", "2400 MHz", 3, "clock_mhz", "2400 MHz", "a number above 0",
     "write the number alone, its unit is in the column's name"),
    ("gpus.csv", "2400", "fast", 3, "clock_mhz", "fast", "a number above 0", "write a number"),
    ("gpus.csv", "2400", "٣", 3, "clock_mhz", "٣", "a number above 0",
     "write a decimal point and no thousands sign"),
    ("gpus.csv", "2400", "0x10", 3, "clock_mhz", "0x10", "a number above 0",
     "write the number alone, its unit is in the column's name"),
    ("workloads.csv", "2,30", "-2,30", 3, "weight", "-2", "a number from 0 to 1000000",
     "mend the number, or check its unit"),
    ("passes.csv", "p3,bench", "p3,Bench", 4, "system", "Bench", "a name from systems.csv",
     "is it 'bench'? Mend it"),
    ("passes.csv", "p3,bench,Brazier", "p3,bench,Brasier", 4, "gpu", "Brasier",
     "a name from gpus.csv", "is it 'Brazier'? Mend it"),
    ("passes.csv", "Brazier,Orrery", "Brazier,Elsewhere", 5, "workload", "Elsewhere",
     "a name from workloads.csv", "add it to workloads.csv, or mend it"),
    ("passes.csv", "p3,", "p1,", 4, "pass_id", "p1", "each pass_id once; line 2 has it already",
     "rename or remove one of the two"),
    ("passes.csv", "p3,", ",", 4, "pass_id", "", "text, the cell is empty", "fill it"),
    ("passes.csv", ",,31.5", ",,", 3, "log", "", "frame times or an average for each pass that ran",
     "name its log or fill avg_fps; set outcome or void_reason if it does not count"),
    ("targets.csv", "2560", "", 2, "width", "",
     "a whole number from 1 to 65536, the cell is empty", "fill it"),
    ("targets.csv", "2560", "2560.5", 2, "width", "2560.5", "a whole number from 1 to 65536",
     "write a whole number"),
    ("prices.csv", "2026-10-20", "46315", 3, "date", "46315", "a day as 2026-11-01",
     "this is a spreadsheet's day number: format the column as text and write the day"),
    ("prices.csv", "2026-10-20", "20/10/2026", 3, "date", "20/10/2026", "a day as 2026-11-01",
     "write year, month and day with hyphens"),
    ("prices.csv", "2026-10-20", "2026-02-30", 3, "date", "2026-02-30", "a day as 2026-11-01",
     "there is no such day, mend it"),
    ("prices.csv", "2026-10-20", "0026-10-20", 3, "date", "0026-10-20",
     "a day as 2026-11-01, from 1970-01-01 to 2200-12-31", "mend the year"),
    ("prices.csv", "250", "0", 3, "price", "0", "a number above 0",
     "mend the number, or check its unit"),
    ("prices.csv", "250", "-5", 3, "price", "-5", "a number above 0",
     "mend the number, or check its unit"),
    ("prices.csv", "250,USD", "250,usd", 3, "currency", "usd",
     "a currency as three capitals, USD", "write the currency's three-letter code"),
    ("prices.csv", "50,EUR", "50,CHF", 4, "currency", "CHF",
     "USD, or a currency with a rate on or before 2026-11-01",
     "add 1 CHF = rate USD to rates.csv"),
    ("prices.csv", "USD,new,shop", "USD,new,auction", 3, "listing", "auction",
     "one of shop, asked, sold", "write one of them"),
    ("rates.csv", "EUR,USD", "EUR,EUR", None, "", "", "", ""),
    ("builds.csv", "Plain,Case,case,1", "Plain,Cast,case,1", 3, "item", "Cast",
     "a name from prices.csv", "is it 'Case'? Mend it"),
    ("builds.csv", "Plain,Case,case,1,new,,", "Plain,Case,case,1,new,,Brazier", 3, "gpu", "Brazier",
     "one gpu for a build; this one has 'Ember' above",
     "write the same gpu, or leave the cell empty"),
    ("builds.csv", "Carded,Brazier,card,1", "Carded,Case,card,1", 6, "build", "Carded",
     "each build + item + condition once; line 5 has it already",
     "rename or remove one of the two"),
    ("builds.csv", "Carded,Brazier,card,1", "Carded,Brazier,card,1.5", 6, "quantity", "1.5",
     "a whole number from 1 to 10000 (1 where empty)", "write a whole number"),
    ("claims.csv", "Ember,5", "Amber,5", 2, "right", "Amber", "a name from builds.csv or gpus.csv",
     "is it 'Ember'? Mend it"),
    ("claims.csv", "500,,", "5OO,,", 3, "right", "5OO",
     "a name from builds.csv or gpus.csv or prices.csv",
     "add it to builds.csv or gpus.csv or prices.csv, or mend it"),
    ("claims.csv", "5,Velm", "5,Vellum", 2, "workload", "Vellum", "a name from workloads.csv",
     "is it 'Velm'? Mend it"),
    ("claims.csv", "average", "mean", 2, "measure", "mean",
     "one of average, low_1pct, cost_per_frame, price", "write one of them"),
]  # fmt: skip


@pytest.mark.parametrize("case", [c for c in ONE_CELL if c[3]], ids=lambda c: f"{c[0]}: {c[2]}")
def test_one_bad_cell_is_the_one_problem(tmp_path, case):
    file, old, new, line, column, value, allowed, action = case
    problem = only_problem(tmp_path, **swapped(file, old, new))
    assert problem[:4] == (file, line, column, value)
    assert problem[4].startswith(allowed)
    assert problem[5] == action


WHOLE_FILE = [
    # file, content, line, column, part of allowed, action
    ("gpus.csv", None, None, "", "the file is not there", "add it, or mend its name"),
    ("gpus.csv", "", 1, "", "names of the columns in the first line", "write the header in line 1"),
    ("gpus.csv", "\n" + FILES["gpus.csv"], 1, "", "names of the columns in the first line",
     "write the header in line 1"),
    ("gpus.csv", FILES["gpus.csv"].encode("utf-16"), 1, "", "UTF-8 text; this is UTF-16", NOT_UTF8),
    ("gpus.csv", FILES["gpus.csv"].encode("utf-16-le"), 1, "", "text without NUL bytes", NOT_UTF8),
    ("gpus.csv", FILES["gpus.csv"] + "a\0b", 4, "", "text without NUL bytes", NOT_UTF8),
    ("gpus.csv", FILES["gpus.csv"].replace(",", ";"), 1, "", "columns separated by commas",
     "save the file as comma-separated CSV"),
    ("gpus.csv", FILES["gpus.csv"].replace(",", "\t"), 1, "", "columns separated by commas",
     "save the file as comma-separated CSV"),
    ("gpus.csv", ",".join(map(str, range(MOST_COLUMNS + 1))), 1, "", "at most 1,000 columns",
     "keep the columns you need"),
    ("gpus.csv", FILES["gpus.csv"] + 'x,"open,1,1,1\n', 4, "",
     "double quotes around a whole cell, those inside it doubled", None),
    ("gpus.csv", FILES["gpus.csv"] + "x" * 200_000 + ",discrete,1,1,1\n", 4, "",
     "cells of at most 131,072 characters", "shorten the cell, or close its quote"),
    ("passes.csv", FILES["passes.csv"].splitlines()[0], None, "", "at least one row", "add a row"),
    ("prices.csv", ",".join(TABLES["prices"].names), None, "", "prices of the items in builds.csv",
     "add a price for each item, or remove the rows of builds.csv"),
    ("prices.csv", None, None, "", "prices of the items in builds.csv",
     "add a price for each item, or remove the rows of builds.csv"),
]  # fmt: skip


@pytest.mark.parametrize("case", WHOLE_FILE, ids=lambda c: f"{c[0]}: {c[4]}")
def test_a_file_that_is_no_table_is_one_problem_and_accuses_no_other(tmp_path, case):
    file, content, line, column, allowed, action = case
    claims = {"claims__csv": None} if file == "prices.csv" else {}
    problem = only_problem(tmp_path, **{file.replace(".", "__"): content}, **claims)
    assert problem[:3] == (file, line, column)
    assert problem[4] == allowed
    assert action is None or problem[5] == action


def test_latin_1_is_refused_by_line_and_the_rest_still_checked(tmp_path):
    gpus = FILES["gpus.csv"].replace("Brazier,discrete", "Brazier,é").encode("latin-1")
    found = problems_of(tmp_path, gpus__csv=gpus)
    assert found[0][:5] == ("gpus.csv", 3, "", "é", "UTF-8 text")
    assert found[1][:3] == ("gpus.csv", 3, "kind")
    assert len(found) == 2


@pytest.mark.parametrize(
    ("old", "new", "value", "action"),
    [
        ("compute_units", "compute units", "compute units", "rename the column 'compute units'"),
        ("compute_units", "Compute_Units", "Compute_Units", "rename the column 'Compute_Units'"),
        ("compute_units", "size", "", "add the column"),
    ],
)
def test_a_missing_column_is_named_with_its_near_match(tmp_path, old, new, value, action):
    problem = only_problem(tmp_path, **swapped("gpus.csv", old, new))
    assert problem == (
        "gpus.csv", 1, "compute_units", value, "the column compute_units is required", action
    )  # fmt: skip


def test_a_column_twice_and_a_column_without_a_name_are_refused(tmp_path):
    gpus = "gpu,kind,compute_units,lanes_per_unit,clock_mhz,kind,\n"
    gpus += "Ember,integrated,8,64,2200,x,\nBrazier,discrete,28,64,2400,y,\n"
    assert problems_of(tmp_path, gpus__csv=gpus) == [
        ("gpus.csv", 1, "kind", "kind", "each column once", "rename or remove one of them"),
        (
            "gpus.csv", 1, "", "", "a name for each column",
            "name column 7, or remove it with its commas",
        ),
    ]  # fmt: skip


@pytest.mark.parametrize("row", ["Third,discrete,4,64", "Third,discrete,4,64,1000,"])
def test_a_row_of_another_width_is_refused_once(tmp_path, row):
    problem = only_problem(tmp_path, gpus__csv=FILES["gpus.csv"] + row + "\n")
    cells = row.count(",") + 1
    assert problem == (
        "gpus.csv", 4, "", row, f"5 cells as in the header, here are {cells}",
        "add or remove commas; put a text that holds a comma in double quotes",
    )  # fmt: skip


def test_a_row_of_commas_is_refused_once(tmp_path):
    problem = only_problem(tmp_path, gpus__csv=FILES["gpus.csv"] + ",,,,\n")
    assert problem[1:] == (
        4, "", "", "a row with at least one filled cell", "delete the line"
    )  # fmt: skip


def test_all_problems_of_all_files_come_at_once_in_order(tmp_path):
    changed = {
        **swapped("gpus.csv", "discrete", "card"),
        **swapped("passes.csv", "p3,bench", "p3,bunch"),
        **swapped("prices.csv", "250", "x"),
        "systems__csv": None,
        "study__toml": 'currency = "usd"',
    }
    found = problems_of(tmp_path, **changed)
    assert [place[:3] for place in found] == [
        ("study.toml", None, "price_date"),
        ("study.toml", None, "logs"),
        ("study.toml", 1, "currency"),
        ("gpus.csv", 3, "kind"),
        ("systems.csv", None, ""),
        ("prices.csv", 3, "price"),
    ]


def test_problems_of_a_whole_file_come_before_those_of_its_first_line(tmp_path):
    workloads = "workload,weight,weight\nVelm,0,1\nOrrery,0,1\n"
    found = problems_of(tmp_path, workloads__csv=workloads)
    assert [problem[:3] for problem in found] == [
        ("workloads.csv", None, "weight"),
        ("workloads.csv", 1, "weight"),
    ]


def test_a_folder_that_is_not_there_is_one_problem(tmp_path):
    with pytest.raises(pk.StudyError, match="there is none, make one with: perfkit new FOLDER"):
        pk.load_study(tmp_path / "nowhere")
    (tmp_path / "file").write_text("x")
    with pytest.raises(pk.StudyError, match="the folder of a study"):
        pk.load_study(tmp_path / "file")


# ---------------------------------------------------------------- logs

OUTSIDE = "only files inside the study are opened"


@pytest.mark.parametrize(
    ("name", "allowed", "action"),
    [
        ("logs/none.csv", "the file is not there", "add it, or mend its name"),
        ("../x.csv", OUTSIDE, "write the path without .."),
        ("logs/../../x.csv", OUTSIDE, "write the path without .."),
        ("/etc/x.csv", OUTSIDE, "copy the file into the study and write the path from there"),
        ("logs\\p1.csv", "a path uses forward slashes", "write it as logs/first.csv"),
        ("logs/p1.txt", "only .csv, .csv.gz, .parquet files are read",
         "export the file in one of these formats"),
        ("logs", "only .csv, .csv.gz, .parquet files are read",
         "export the file in one of these formats"),
        ("folder.csv", "a regular file is needed, this is a folder",
         "name a file that holds the data"),
        ("pipe.csv", "a regular file is needed, this is a pipe", "name a file that holds the data"),
        ("device.csv", "the link leads outside the study", "copy the file into the study"),
        ("out.csv", "the link leads outside the study", "copy the file into the study"),
        ("outer/x.csv", "the link leads outside the study", "copy the file into the study"),
        ("loop.csv", "the file cannot be reached (Too many levels of symbolic links)",
         "mend its name"),
        ("broken.csv", "the file is not there", "add it, or mend its name"),
        ("p1.csv/x.csv", "the file is not there", "add it, or mend its name"),
        ("x" * 300 + ".csv", "the file cannot be reached (File name too long)", "mend its name"),
    ],
)  # fmt: skip
def test_a_log_that_cannot_be_opened_safely_is_refused_without_waiting(
    tmp_path, name, allowed, action
):
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "x.csv").write_text("frame_ms\n1\n")
    study = write_study(tmp_path / "study", **swapped("passes.csv", "logs/p1.csv", name))
    (study / "folder.csv").mkdir()
    os.mkfifo(study / "pipe.csv")
    (study / "device.csv").symlink_to("/dev/zero")
    (study / "out.csv").symlink_to(outside / "x.csv")
    (study / "outer").symlink_to(outside)
    (study / "loop.csv").symlink_to("loop.csv")
    (study / "broken.csv").symlink_to("nothing.csv")
    started = time.monotonic()
    (problem,) = inspect_study(study).problems
    assert time.monotonic() - started < 10
    assert (problem.file, problem.line, problem.column) == ("passes.csv", 2, "log")
    assert (problem.value, problem.allowed, problem.action) == (name, allowed, action)


@pytest.mark.parametrize("file", ["gpus.csv", "study.toml", "prices.csv"])
def test_a_table_that_is_a_pipe_or_leads_outside_is_refused(tmp_path, file):
    study = write_study(tmp_path / "study", claims__csv=None, builds__csv=None)
    (study / file).rename(tmp_path / file)
    os.mkfifo(study / file)
    assert inspect_study(study).problems[0].allowed == "a regular file is needed, this is a pipe"
    (study / file).unlink()
    (study / file).symlink_to(tmp_path / file)
    assert inspect_study(study).problems[0].allowed == "the link leads outside the study"


def test_one_log_for_two_passes_is_refused(tmp_path):
    passes = FILES["passes.csv"].replace(",,31.5", ",logs/./p1.csv,31.5")
    problem = only_problem(tmp_path, passes__csv=passes)
    assert problem == (
        "passes.csv", 3, "log", "logs/./p1.csv", "each log once; line 2 names it already",
        "name this pass's own log",
    )  # fmt: skip


def test_a_void_or_crashed_pass_needs_no_frame_times(tmp_path):
    passes = FILES["passes.csv"].replace("pass_id", "void_reason,pass_id")
    passes = passes.replace("\np", "\n,p").replace(",p2", "wrong preset,p2").replace("31.5", "")
    assert len(pk.load_study(write_study(tmp_path, passes__csv=passes)).passes) == 4


def test_named_logs_need_the_section_that_says_how_to_read_them(tmp_path):
    assert only_problem(tmp_path, study__toml=SETTINGS) == (
        "study.toml", None, "logs", "", "a [logs] section, since passes.csv names logs",
        "add [logs] with frame_time_column, frame_time_unit",
    )  # fmt: skip


def test_generated_frames_need_to_know_what_a_row_counts(tmp_path):
    passes = FILES["passes.csv"].replace("pass_id", "generated_per_drawn,pass_id")
    passes = passes.replace("\np", "\n1,p")
    problem = only_problem(tmp_path, passes__csv=passes)
    assert problem[2:4] == ("logs.counts", "")
    assert problem[4:] == (
        "one of drawn, shown in quotes",
        "passes.csv has generated frames: say what one row of a log is",
    )
    toml = SETTINGS + LOGS + 'counts = "drawn"\n'
    assert len(pk.load_study(write_study(tmp_path, passes__csv=passes, study__toml=toml)).passes)


def test_weights_that_are_all_zero_are_refused(tmp_path):
    workloads = FILES["workloads.csv"].replace(",1,", ",0,").replace(",2,", ",0,")
    assert only_problem(tmp_path, workloads__csv=workloads)[2:] == (
        "weight", "0", "a weight above 0 for at least one workload", "raise one of them"
    )  # fmt: skip


def test_a_given_or_priceless_item_need_not_be_priced(tmp_path):
    builds = FILES["builds.csv"] + "Plain,Fan,other,1,new,,,given\nPlain,Desk,other,1,new,,,lent\n"
    study = pk.load_study(write_study(tmp_path, builds__csv=builds))
    assert len(study.builds) == 7


def test_an_item_known_only_as_a_part_need_not_be_priced(tmp_path):
    builds = FILES["builds.csv"] + "Plain,Fan,other,1,new,,,bought\n"
    study = write_study(tmp_path, builds__csv=builds, parts__csv="item,room_mm\nFan,\n")
    assert len(pk.load_study(study).builds) == 6
