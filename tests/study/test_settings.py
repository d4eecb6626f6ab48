"""study.toml: what is read, refused, and on which line."""

import datetime

import pytest

import perfkit as pk
from perfkit.study.settings import KEYS, LOG_KEYS, read_settings
from tests.study.make import LOGS, SETTINGS, write_study
from tests.study.test_refusals import only_problem, problems_of

WHOLE = """\
title = "All keys"
currency = "EUR"
price_date = 2026-11-01
targets_fps = [120, 30, 59.94]
value_at = [2560, 1440]
budget = 600
tariff_per_kwh = 0.17
hours_per_week = 10
disclosure = "Lent by nobody."

[logs]
frame_time_column = "a time"
frame_time_unit = "us"
counts = "shown"
combined = "logs/p1.csv"
"""


def test_every_key_is_read(tmp_path):
    study = pk.load_study(
        write_study(
            tmp_path, study__toml=WHOLE, prices__csv=None, builds__csv=None, claims__csv=None
        )
    )
    settings = study.settings
    assert (settings.title, settings.currency, settings.disclosure) == (
        "All keys", "EUR", "Lent by nobody."
    )  # fmt: skip
    assert settings.price_date == datetime.date(2026, 11, 1)
    assert settings.targets_fps == (30.0, 59.94, 120.0)
    assert settings.value_at == (2560, 1440)
    assert (settings.budget, settings.tariff_per_kwh, settings.hours_per_week) == (
        600.0,
        0.17,
        10.0,
    )
    form = study.log_format
    assert form is not None
    assert (form.frame_time_column, form.frame_time_unit) == ("a time", "us")
    assert (form.counts, form.combined) == ("shown", "logs/p1.csv")
    assert study.notices == ()


@pytest.mark.parametrize(
    ("key", "value", "read"),
    [
        ("title", '"' + "x" * 10_000 + '"', "x" * 10_000),
        ("price_date", "1970-01-01", datetime.date(1970, 1, 1)),
        ("price_date", "2200-12-31", datetime.date(2200, 12, 31)),
        ("targets_fps", "[100000]", (100_000.0,)),
        ("targets_fps", str(list(range(1, 21))), tuple(map(float, range(1, 21)))),
        ("value_at", "[65536, 1]", (65_536, 1)),
        ("value_at", "[1, 65536]", (1, 65_536)),
        ("budget", "1e12", 1e12),
        ("budget", "0.01", 0.01),
        ("tariff_per_kwh", "0", 0.0),
        ("tariff_per_kwh", "1000000000", 1e9),
        ("hours_per_week", "0", 0.0),
        ("hours_per_week", "168", 168.0),
    ],
)
def test_a_value_at_its_bound_is_read(tmp_path, key, value, read):
    others = {"currency": '"USD"', "price_date": "2026-11-01"} | {key: value}
    toml = "\n".join(f"{name} = {text}" for name, text in others.items())
    (tmp_path / "study.toml").write_text(toml)
    found = read_settings(tmp_path)
    assert (found.problems, found.keys[key]) == ([], read)
    assert (found.logs, found.no_logs) == (None, True)


BAD = [
    ("title", "3"),
    ("title", '"' + "x" * 10_001 + '"'),
    ("price_date", "1969-12-31"),
    ("price_date", "2201-01-01"),
    ("value_at", "[65537, 1]"),
    ("value_at", "[1, 65537]"),
    ("value_at", "[0, 1]"),
    ("value_at", "[1, 1, 1]"),
    ("targets_fps", "[100000.5]"),
    ("targets_fps", str(list(range(1, 22)))),
    ("budget", "1e12" + "1"),
    ("budget", "-1"),
    ("tariff_per_kwh", "1000000001"),
    ("hours_per_week", "-1"),
    ("currency", '"usd"'),
    ("currency", '"EURO"'),
    ("currency", "978"),
    ("price_date", '"2026-11-01"'),
    ("price_date", "2026-11-01T00:00:00"),
    ("price_date", "1066-10-14"),
    ("targets_fps", "[]"),
    ("targets_fps", "[30, 0]"),
    ("targets_fps", "[30, 30.0]"),
    ("targets_fps", "[30, true]"),
    ("targets_fps", "[nan]"),
    ("targets_fps", '["30"]'),
    ("targets_fps", "30"),
    ("value_at", "[1920]"),
    ("value_at", "[1920, 1080.0]"),
    ("value_at", "[1920, 0]"),
    ("value_at", "[true, true]"),
    ("value_at", '"1920x1080"'),
    ("budget", "0"),
    ("budget", "inf"),
    ("budget", "nan"),
    ("budget", "true"),
    ("budget", '"600"'),
    ("tariff_per_kwh", "-0.1"),
    ("hours_per_week", "168.5"),
    ("disclosure", "[]"),
]


@pytest.mark.parametrize(("key", "value"), BAD)
def test_a_bad_value_is_refused_on_its_line(tmp_path, key, value):
    lines = [line for line in SETTINGS.splitlines() if not line.startswith(f"{key} ")]
    toml = "\n".join([*lines, "# here", f"{key} = {value}", LOGS])
    problem = only_problem(tmp_path, study__toml=toml)
    assert problem[:3] == ("study.toml", len(lines) + 2, key)
    assert problem[3] != "" or value == "[]"
    assert len(problem[3]) <= 200
    assert problem[4:] == (KEYS[key].allowed, "mend the value")


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("frame_time_column", '""'),
        ("frame_time_column", "3"),
        ("frame_time_unit", '"minutes"'),
        ("frame_time_unit", "[]"),
        ("counts", '"both"'),
    ],
)
def test_a_bad_value_of_the_logs_is_refused_on_its_line(tmp_path, key, value):
    lines = [line for line in LOGS.splitlines() if not line.startswith(key)]
    toml = SETTINGS + "\n".join([*lines, f"{key} = {value}"])
    problem = only_problem(tmp_path, study__toml=toml)
    assert problem[:3] == ("study.toml", toml.count("\n") + 1, f"logs.{key}")
    assert problem[4:] == (LOG_KEYS[key].allowed, "mend the value")


@pytest.mark.parametrize(
    ("value", "allowed"),
    [
        ("../x.csv", "only files inside the study are opened"),
        ("none.parquet", "the file is not there"),
        (".", "only .csv, .csv.gz, .parquet files are read"),
    ],
)
def test_a_combined_file_that_cannot_be_opened_is_refused(tmp_path, value, allowed):
    toml = SETTINGS + LOGS + f'combined = "{value}"\n'
    problem = only_problem(tmp_path, study__toml=toml)
    assert (problem[2], problem[3], problem[4]) == ("logs.combined", value, allowed)


@pytest.mark.parametrize("key", ["currency", "price_date"])
def test_a_missing_key_is_named(tmp_path, key):
    lines = [line for line in SETTINGS.splitlines() if not line.startswith(key)]
    problem = only_problem(tmp_path, study__toml="\n".join([*lines, LOGS]))
    assert problem == ("study.toml", None, key, "", KEYS[key].allowed, "add the key")


def test_a_missing_key_of_the_logs_is_named_at_the_section(tmp_path):
    problem = only_problem(tmp_path, study__toml=SETTINGS + '[logs]\nframe_time_unit = "ms"\n')
    assert problem[:3] == ("study.toml", 4, "logs.frame_time_column")


def test_logs_that_are_no_section_are_refused(tmp_path):
    problem = only_problem(tmp_path, study__toml="logs = 3\n" + SETTINGS)
    assert problem[:5] == ("study.toml", 1, "logs", "3", "a section")


@pytest.mark.parametrize(
    ("toml", "line", "says"),
    [
        (SETTINGS + 'a = "open\n', 4, "TOML (Illegal character"),
        (SETTINGS + "budget = 6_\n", 4, "TOML ("),
        (SETTINGS + "budget = 600,50\n", 4, "TOML ("),
        (SETTINGS + 'currency = "USD"\n', 4, "TOML (Cannot overwrite a value"),
        (SETTINGS + "[logs\n", 4, "TOML ("),
        (SETTINGS + "a = " + "9" * 5000, None, "TOML (Exceeds the limit"),
        (SETTINGS + "a = " + "[" * 50_000, None, "TOML (nested too deeply)"),
        ("title = \0", 1, "TOML ("),
    ],
)
def test_what_is_no_toml_is_one_problem_with_its_line(tmp_path, toml, line, says):
    problem = only_problem(tmp_path, study__toml=toml)
    assert problem[:3] == ("study.toml", line, "")
    assert problem[4].startswith(says)
    assert problem[5] == "mend the line; texts need quotes"


def test_settings_in_another_encoding_or_too_large_are_refused(tmp_path):
    latin = SETTINGS.replace("Two", "Zweié").encode("latin-1")
    assert only_problem(tmp_path / "a", study__toml=latin)[1:] == (
        1, "", "", "UTF-8 text", "save the file as UTF-8"
    )  # fmt: skip
    large = SETTINGS + "#" * 300_000
    assert only_problem(tmp_path / "b", study__toml=large)[4] == "the file may have 262,144 bytes"
    found = problems_of(tmp_path / "c", study__toml=None)
    assert found == [
        ("study.toml", None, "", "", "the file is not there", "add it, or mend its name")
    ]


def test_a_key_on_an_unusual_line_is_still_refused(tmp_path):
    (tmp_path / "study.toml").write_text('"currency" = 3\nprice_date = 2026-11-01\nlogs.counts = 3')
    read = read_settings(tmp_path)
    assert [(problem.line, problem.column) for problem in read.problems] == [
        (1, "currency"),
        (None, "logs.frame_time_column"),
        (None, "logs.frame_time_unit"),
        (None, "logs.counts"),
    ]


@pytest.mark.parametrize(
    ("data", "line", "allowed"),
    [
        (b"\n\xe9", 2, "UTF-8 text"),
        (b"\n\n# \xe9", 3, "UTF-8 text"),
        (b"\n" + b"a." * 40 + b"a = 1", 2, "keys of a few parts"),
        (b"a = 1\n\nb =", 3, "TOML (Invalid value (at end of"),
    ],
)  # fmt: skip
def test_lines_are_counted_from_the_first(tmp_path, data, line, allowed):
    (tmp_path / "study.toml").write_bytes(data)
    read = read_settings(tmp_path)
    (problem,) = read.problems
    assert (problem.line, problem.allowed[: len(allowed)]) == (line, allowed)
    assert (set(read.keys), set(read.keys.values())) == (set(KEYS), {None})
    assert (read.logs, read.no_logs) == (None, False)


def test_a_key_is_looked_for_in_its_own_section(tmp_path):
    toml = SETTINGS + '[other]\nframe_time_unit = 1\n[logs]\nfrmae_time_column = "a"\ntitle = 1\n'
    (tmp_path / "study.toml").write_text(toml + "counts = 3\n[counts]\nframe_time_unit = 3\n")
    read = read_settings(tmp_path)
    assert [(p.line, p.column, p.value) for p in read.problems] == [
        (6, "logs.frame_time_column", ""),
        (6, "logs.frame_time_unit", ""),
        (9, "logs.counts", "3"),
    ]
    unknown = "study.toml: key {!r} is not known and not used"
    assert read.notices == [
        unknown.format("other"),
        unknown.format("counts"),
        unknown.format("logs.frmae_time_column") + "; is it frame_time_column?",
        unknown.format("logs.title"),
    ]


# ---------------------------------------------------------------- value_at

PASSES = "pass_id,system,gpu,workload,width,height,render_scale,generated_per_drawn,"
PASSES += "outcome,void_reason,avg_fps\n"


def value_at(folder, rows, builds="build,item,system,gpu\nOne,Board,bench,Ember\n"):
    text = PASSES + "".join(f"p{n},bench,{row},60\n" for n, row in enumerate(rows))
    study = pk.load_study(
        write_study(
            folder, passes__csv=text, study__toml=SETTINGS, builds__csv=builds, claims__csv=None
        )
    )
    return study.settings.value_at


BOTH = ["Ember,Velm,1280,720,,,,", "Ember,Orrery,1280,720,,,,"]
ONE = "Ember,Velm,1920,1080,,,,"


@pytest.mark.parametrize(
    ("rows", "size"),
    [
        ([ONE, *BOTH], (1280, 720)),
        ([ONE, BOTH[0]], (1920, 1080)),
        ([ONE, "Ember,Velm,1080,1920,,,,"], (1920, 1080)),
        (["Ember,Velm,1080,1920,,,,", ONE], (1920, 1080)),
        ([ONE, BOTH[0], BOTH[0]], (1920, 1080)),
        ([ONE, BOTH[0], "Ember,Orrery,1280,720,0.5,,,"], (1920, 1080)),
        ([ONE, BOTH[0], "Ember,Orrery,1280,720,,1,,"], (1920, 1080)),
        ([ONE, BOTH[0], "Ember,Orrery,1280,720,,,crashed,"], (1920, 1080)),
        ([ONE, BOTH[0], "Ember,Orrery,1280,720,,,,wrong preset"], (1920, 1080)),
        ([BOTH[0], "Brazier,Velm,1920,1080,,,,", "Brazier,Orrery,1920,1080,,,,"], (1280, 720)),
        (["Brazier,Velm,800,600,,,,"], (800, 600)),
        (["Ember,Velm,1280,720,0.5,,,"], (1920, 1080)),
    ],
    ids=["most pairs", "more pixels", "wider", "wider again", "repeats", "scaled", "generated",
         "crashed", "void", "not built", "no build measured", "nothing native"],
)  # fmt: skip
def test_the_size_of_most_workload_build_pairs_is_taken(tmp_path, rows, size):
    assert value_at(tmp_path, rows) == size


def test_two_builds_of_one_machine_make_two_pairs(tmp_path):
    builds = "build,item,system,gpu\nOne,Board,bench,Ember\nTwo,Board,bench,\nTwo,Case,,Ember\n"
    builds += "Three,Case,bench,Brazier\n"
    rows = ["Brazier,Velm,1920,1080,,,,", "Ember,Velm,1280,720,,,,"]
    assert value_at(tmp_path, rows, builds) == (1280, 720)


def test_without_builds_pairs_of_workload_and_machine_count(tmp_path):
    rows = [
        *BOTH,
        "Ember,Velm,1920,1080,,,,",
        "Brazier,Velm,1920,1080,,,,",
        *["Brazier,Orrery,1920,1080,,,,"] * 2,
    ]
    assert value_at(tmp_path, rows, "build,item\n") == (1920, 1080)


@pytest.mark.parametrize("part", ["a", '"a b"', "'x'"])
def test_a_key_of_very_many_parts_is_refused_before_it_costs_time(tmp_path, part):
    toml = SETTINGS + ".".join([part] * 20_000) + " = 1\n"
    problem = only_problem(tmp_path, study__toml=toml)
    assert problem == ("study.toml", 4, "", "", "keys of a few parts", "shorten the key")


def test_a_text_of_many_sentences_is_no_long_key(tmp_path):
    toml = SETTINGS + LOGS.replace(
        "[logs]", 'disclosure = "' + "One. Two words. " * 90 + '"\n[logs]'
    )
    assert pk.load_study(write_study(tmp_path, study__toml=toml)).settings.disclosure


def test_a_nested_value_is_shown_shortly(tmp_path):
    toml = SETTINGS.replace('currency = "USD"', "currency" + ".a" * 20 + " = 1")
    problem = only_problem(tmp_path, study__toml=toml + LOGS)
    assert problem[2] == "currency"
    assert len(problem[3]) < 100
