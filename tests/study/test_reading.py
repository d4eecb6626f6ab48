"""A good study: what comes out of it, exactly."""

import datetime

import pandas as pd
import pytest

import perfkit as pk
from perfkit.study.schema import TABLES
from perfkit.study.study import inspect_study, stale_notice
from tests.study.make import FILES, LOGS, SETTINGS, swapped, write_study


def test_the_good_study_is_read_as_written(tmp_path):
    study = pk.load_study(write_study(tmp_path))
    assert study.path == tmp_path
    assert study.settings.title == "Two cards"
    assert study.settings.price_date == datetime.date(2026, 11, 1)
    assert study.settings.targets_fps == (30.0, 60.0, 120.0)
    assert (study.settings.budget, study.settings.disclosure) == (None, "")
    assert study.log_format is not None
    assert (study.log_format.frame_time_column, study.log_format.counts) == ("frame_ms", "drawn")
    assert study.gpus["gpu"].to_dict() == {2: "Ember", 3: "Brazier"}
    assert study.passes["avg_fps"].dropna().to_dict() == {3: 31.5, 4: 144.25}
    assert study.notices == ()
    assert repr(study) == (
        "<Study 'Two cards': 2 gpus, 1 systems, 2 workloads, 4 passes, 3 prices, 1 rates, 5 builds,"
        " 1 targets, 2 claims>"
    )


@pytest.mark.parametrize("name", TABLES)
def test_every_frame_has_its_columns_types_and_lines(tmp_path, name):
    frame = getattr(pk.load_study(write_study(tmp_path)), name)
    dtypes = {"number": "float64", "integer": "float64", "pixels": "int64", "date": "datetime64[s]"}
    assert list(frame.columns) == list(TABLES[name].names)
    assert frame.index.name == "line"
    assert frame.index.dtype == "int64"
    for column in TABLES[name].columns:
        assert frame[column.name].dtype == dtypes.get(column.kind, "str"), column.name


def test_empty_cells_take_the_defaults_of_the_format_and_no_others(tmp_path):
    study = pk.load_study(write_study(tmp_path))
    first = study.passes.loc[2]
    assert (first["render_scale"], first["generated_per_drawn"]) == (1.0, 0.0)
    assert (first["source"], study.passes.loc[3, "outcome"]) == ("own", "ran")
    assert (first["driver"], first["state"]) == ("", "")
    assert pd.isna(first["cap_fps"])
    assert pd.isna(first["date"])
    assert study.systems["channel_bits"].tolist() == [64.0]
    assert study.prices["condition"].tolist() == ["new"] * 3
    assert study.prices["currency"].tolist() == ["USD", "USD", "EUR"]
    assert study.builds["obtained"].tolist() == ["bought", "", "bought", "bought", "lent"]


HARD = ["NA", "nan", "None", "null", "True", "007", "1.0", "inf", "1e5", "2026-11-01", "-", "#N/A"]


@pytest.mark.parametrize(
    "name", [*HARD, " Velm", "velm", "'=1+1", "Ünïcode ‮x", 'a "b", c', "a\nb", "a\r\nb"]
)
def test_names_survive_exactly(tmp_path, name):
    quoted = '"' + name.replace('"', '""') + '"'
    changed = {
        file: FILES[file].replace("Orrery", quoted) for file in ("workloads.csv", "passes.csv")
    }
    study = pk.load_study(
        write_study(tmp_path, **{k.replace(".", "__"): v for k, v in changed.items()})
    )
    assert study.workloads["workload"].tolist() == ["Velm", name]
    assert study.passes["workload"].tolist() == ["Velm", name, "Velm", name]


@pytest.mark.parametrize(
    "number", ["0.1", "1e-3", "+2.5", ".5", "3.", "1E2", "0.30000000000000004"]
)
def test_numbers_are_read_to_the_last_bit(tmp_path, number):
    study = pk.load_study(write_study(tmp_path, **swapped("passes.csv", "144.25", number)))
    assert study.passes.loc[4, "avg_fps"] == float(number)


def test_a_byte_order_mark_and_windows_line_ends_change_nothing(tmp_path):
    plain = pk.load_study(write_study(tmp_path / "a"))
    changed = {
        name.replace(".", "__"): b"\xef\xbb\xbf" + FILES[name].replace("\n", "\r\n").encode()
        for name in ("gpus.csv", "passes.csv", "builds.csv", "study.toml")
    }
    other = pk.load_study(write_study(tmp_path / "b", **changed))
    assert other.settings == plain.settings
    for name in TABLES:
        pd.testing.assert_frame_equal(getattr(plain, name), getattr(other, name))


def test_a_row_is_named_by_the_line_it_starts_on(tmp_path):
    gpus = FILES["gpus.csv"].replace("Brazier", '"Bra\nzier"') + "\n\nThird,discrete,4,64,1000"
    passes = FILES["passes.csv"].replace("Brazier", '"Bra\nzier"')
    rest = {"builds__csv": None, "claims__csv": None, "targets__csv": None, "prices__csv": None}
    study = pk.load_study(write_study(tmp_path, gpus__csv=gpus, passes__csv=passes, **rest))
    assert study.gpus.index.tolist() == [2, 3, 7]
    assert study.passes.index.tolist() == [2, 3, 4, 6]


def test_unknown_columns_are_kept_to_the_right_as_text_and_noticed(tmp_path):
    gpus = "colour,gpu,kind,compute_units,lanes_per_unit,clock_mhz,clock_mzh\n007,Ember,integrated"
    gpus += ",8,64,2200,\n1.0,Brazier,discrete,28,64,2400,3"
    study = pk.load_study(write_study(tmp_path, gpus__csv=gpus))
    assert study.gpus.columns[-2:].tolist() == ["colour", "clock_mzh"]
    assert study.gpus["colour"].tolist() == ["007", "1.0"]
    assert study.notices == (
        "gpus.csv: column 'colour' is kept but not used",
        "gpus.csv: column 'clock_mzh' is kept but not used; is it clock_mhz?",
    )


def test_unknown_settings_are_noticed(tmp_path):
    text = 'bugdet = 600\ncolour = "red"\n' + SETTINGS + LOGS + "unit = 1\n"
    study = pk.load_study(write_study(tmp_path, study__toml=text))
    assert study.notices == (
        "study.toml: key 'bugdet' is not known and not used; is it budget?",
        "study.toml: key 'colour' is not known and not used",
        "study.toml: key 'logs.unit' is not known and not used",
    )


def test_names_that_look_alike_are_noticed_and_kept_apart(tmp_path):
    changed = swapped("gpus.csv", "Brazier,", "Brazier,").copy()
    changed["gpus__csv"] += "brazier ,discrete,28,64,2400\n"
    study = pk.load_study(write_study(tmp_path, **changed))
    assert len(study.gpus) == 3
    assert study.notices == (
        "gpus.csv: 'Brazier', 'brazier ' differ only by case, spaces or hyphens and are kept apart",
    )


def test_optional_files_may_be_absent_or_hold_only_a_header(tmp_path):
    optional = [table.file for table in TABLES.values() if not table.required]
    absent = {name.replace(".", "__"): None for name in optional}
    empty = {
        table.file.replace(".", "__"): ",".join(table.names) + "\n"
        for table in TABLES.values()
        if not table.required
    }
    one = pk.load_study(write_study(tmp_path / "a", **absent))
    two = pk.load_study(write_study(tmp_path / "b", **empty))
    for name in TABLES:
        pd.testing.assert_frame_equal(getattr(one, name), getattr(two, name))
    assert len(one.prices) == 0


def test_a_combined_file_stands_for_all_logs(tmp_path):
    passes = FILES["passes.csv"].replace("logs/p1.csv", "").replace("31.5", "")
    toml = SETTINGS + LOGS + 'combined = "frames.parquet"\ncounts = "shown"\n'
    folder = write_study(tmp_path, passes__csv=passes, study__toml=toml)
    (folder / "frames.parquet").write_bytes(b"not read here")
    study = pk.load_study(folder)
    assert study.log_format is not None
    assert (study.log_format.combined, study.log_format.counts) == ("frames.parquet", "shown")


def test_links_inside_the_study_are_followed(tmp_path):
    folder = write_study(tmp_path)
    (folder / "logs" / "p1.csv").rename(folder / "first.csv")
    (folder / "logs" / "p1.csv").symlink_to("../first.csv")
    assert len(pk.load_study(folder).passes) == 4


def test_a_study_behind_a_link_is_read(tmp_path):
    write_study(tmp_path / "real")
    (tmp_path / "link").symlink_to("real")
    assert len(pk.load_study(tmp_path / "link").passes) == 4


def test_an_inspection_of_a_good_study_holds_it(tmp_path):
    inspection = inspect_study(write_study(tmp_path))
    assert inspection.problems == ()
    assert inspection.study is not None
    assert len(inspection.passes) == 4


def test_an_inspection_keeps_what_the_logs_can_be_checked_with(tmp_path):
    inspection = inspect_study(
        write_study(tmp_path, **swapped("passes.csv", "p3,bench", "p3,bunch"))
    )
    assert inspection.study is None
    assert inspection.passes.index.tolist() == [2, 3, 5]
    assert inspection.log_format is not None


@pytest.mark.parametrize(
    ("today", "notice"),
    [
        (datetime.date(2026, 10, 31), "price_date 2026-11-01 is still to come"),
        (datetime.date(2026, 12, 1), None),
        (
            datetime.date(2026, 12, 2),
            "price_date 2026-11-01 is 31 days ago: prices may have moved; add today's to "
            "prices.csv and set price_date",
        ),
    ],
)
def test_only_a_price_date_more_than_30_days_behind_is_noticed(tmp_path, today, notice):
    assert stale_notice(pk.load_study(write_study(tmp_path)), today) == notice


@pytest.mark.parametrize(
    ("logs", "form"),
    [
        (LOGS, ("frame_ms", "ms", "drawn", None)),
        (LOGS + 'counts = "shown"\n', ("frame_ms", "ms", "shown", None)),
        (LOGS + 'combined = "logs/p1.csv"\n', ("frame_ms", "ms", "drawn", "logs/p1.csv")),
        (LOGS + 'combined = "none.csv"\n', ("frame_ms", "ms", "drawn", None)),
        (LOGS.replace('"ms"', '"h"'), None),
        (LOGS.replace('"frame_ms"', '""'), None),
        ("", None),
    ],
)
def test_how_logs_are_read_as_far_as_it_is_known(tmp_path, logs, form):
    inspection = inspect_study(
        write_study(tmp_path, study__toml=SETTINGS + logs, **swapped("gpus.csv", "discrete", "x"))
    )
    assert [problem.file for problem in inspection.problems][-1] == "gpus.csv"
    found = inspection.log_format
    told = found and (found.frame_time_column, found.frame_time_unit, found.counts, found.combined)
    assert told == form


def test_names_that_look_alike_in_every_file_and_by_the_name_of_the_row(tmp_path):
    gpus = FILES["gpus.csv"] + "".join(
        f"{name},discrete,8,64,2000\n"
        for name in ("Zed", "EMBER", "em-ber", "z ed", "em_ber", "Ash", "ash ")
    )
    builds = FILES["builds.csv"] + "plain,Case,case,1,new,,,\nplain,Board,board,1,new,,,\n"
    study = pk.load_study(write_study(tmp_path, gpus__csv=gpus, builds__csv=builds))
    apart = "differ only by case, spaces or hyphens and are kept apart"
    assert study.notices == (
        f"gpus.csv: 'Ember', 'EMBER', 'em-ber' {apart}",
        f"gpus.csv: 'Zed', 'z ed' {apart}",
        f"gpus.csv: 'Ash', 'ash ' {apart}",
        f"builds.csv: 'Plain', 'plain' {apart}",
    )
