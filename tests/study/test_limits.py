"""The last value that is allowed is taken, and the first that is not is refused."""

import datetime

import pytest

import perfkit as pk
from perfkit.study.new import new_study
from perfkit.study.price_rules import find_rate
from tests.study.make import write_study
from tests.study.test_refusals import only_problem


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
