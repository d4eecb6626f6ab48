"""The last value that is allowed is taken, and the first that is not is refused."""

import datetime

import pytest

import perfkit as pk
from perfkit.study.new import new_study
from perfkit.study.price_rules import find_rate
from perfkit.study.settings import MOST_TARGETS
from tests.study.make import LOGS, SETTINGS, write_study
from tests.study.test_refusals import only_problem

TARGETS = ", ".join(str(n + 1) for n in range(MOST_TARGETS))


@pytest.mark.parametrize(
    ("line", "name", "value"),
    [
        ("hours_per_week = 168", "hours_per_week", 168.0),
        ("hours_per_week = 0", "hours_per_week", 0.0),
        ("targets_fps = [100000]", "targets_fps", (100_000.0,)),
        (
            f"targets_fps = [{TARGETS}]",
            "targets_fps",
            tuple(n + 1.0 for n in range(MOST_TARGETS)),
        ),
        ("disclosure = '" + "x" * 10_000 + "'", "disclosure", "x" * 10_000),
    ],
)
def test_the_last_allowed_setting(line, name, value, tmp_path):
    study = pk.load_study(write_study(tmp_path, study__toml=SETTINGS + line + "\n" + LOGS))
    assert getattr(study.settings, name) == value


@pytest.mark.parametrize(
    "line",
    [
        "hours_per_week = 168.001",
        "targets_fps = [100000.5]",
        f"targets_fps = [{TARGETS}, 999]",
        "disclosure = '" + "x" * 10_001 + "'",
    ],
)
def test_the_first_setting_beyond(line, tmp_path):
    found = only_problem(tmp_path, study__toml=SETTINGS + line + "\n" + LOGS)
    assert found[:3] == ("study.toml", 4, line.partition(" ")[0])
    assert len(found[3]) <= 200


@pytest.mark.parametrize("year", [1970, 2200])
def test_the_first_and_the_last_year(year, tmp_path):
    text = SETTINGS.replace("2026", str(year))
    empty = {"prices__csv": None, "rates__csv": None, "builds__csv": None, "claims__csv": None}
    study = pk.load_study(write_study(tmp_path, study__toml=text + LOGS, **empty))
    assert study.settings.price_date.year == year


def test_a_rate_counts_from_its_own_day(tmp_path):
    rates = pk.load_study(write_study(tmp_path)).rates
    day = datetime.date(2026, 10, 30)
    assert find_rate(rates, "EUR", "USD", day).factor == pytest.approx(1.1, rel=1e-15)


@pytest.mark.parametrize("cells", [20, 21])
def test_twenty_cells_of_a_long_row_are_shown(cells, tmp_path):
    row = ",".join(str(n) for n in range(cells))
    found = only_problem(tmp_path, systems__csv=f"system,ram_mtps\nbench,6000\n{row}\n")
    assert found[3] == ",".join(str(n) for n in range(20))


@pytest.mark.parametrize("columns", [1, 2])
def test_columns_of_logs_are_listed_where_there_is_a_choice(columns, tmp_path):
    (tmp_path / "logs").mkdir()
    names = ["frame_ms", "other"][:columns]
    (tmp_path / "logs/a.csv").write_text(",".join(names) + "\n" + ",".join("16" * columns) + "\n")
    new_study(tmp_path / "study", tmp_path / "logs")
    listed = '# columns of the logs: "frame_ms", "other"'
    assert (listed in (tmp_path / "study/study.toml").read_text()) == (columns == 2)
