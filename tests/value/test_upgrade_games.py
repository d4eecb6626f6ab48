"""What an upgrade adds in each game: exact gains, goals met exactly, and what stops more."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from perfkit.study import Study
from perfkit.value.upgrade_games import upgrade_games
from tests.value.market import booked, build, market, no_predictions, predictions, runs

GOALS = {"Fen": 60.0, "Moor": 80.0, "Tarn": np.nan}
BIRCH = {"Fen": 59.0, "Moor": np.nan, "Tarn": 90.0}


def games_of(study: Study, table: pd.DataFrame) -> pd.DataFrame:
    found = upgrade_games(study, booked(study, table), lambda asked: table.iloc[:0])
    return found[found["from_build"] == "bare"].set_index(["to_build", "workload"])


@pytest.fixture
def games(tmp_path: Path) -> pd.DataFrame:
    """Ember at 30, 40 and 50; Alder twice that; Birch predicted, too little memory for Moor."""
    slow = {"Fen": [30.0, 30.3], "Moor": [40.0], "Tarn": [50.0]}
    fast = {"Fen": [60.0], "Moor": [79.9], "Tarn": [100.0]}
    study = market(
        tmp_path,
        workloads=[
            {"workload": name, "goal_fps": "" if np.isnan(goal) else goal}
            for name, goal in GOALS.items()
        ],
        passes=runs("Ember", slow) + runs("Alder", fast),
        builds=build("bare", "Ember") + build("with Alder", "Alder") + build("Birch", "Birch"),
    )
    table = predictions("Birch", BIRCH)
    table.loc[table["workload"] == "Moor", "reason"] = "needs 9 GiB, the card has 8"
    return games_of(study, table)


def test_a_goal_met_exactly_is_reached(games: pd.DataFrame) -> None:
    assert games.loc["with Alder", "reaches_goal"].to_dict() == {
        "Fen": "yes", "Moor": "no", "Tarn": "",
    }  # fmt: skip
    assert games.loc["Birch", "reaches_goal"].to_dict() == {"Fen": "no", "Moor": "", "Tarn": ""}


def test_gains_in_per_cent(games: pd.DataFrame) -> None:
    added = games.loc["with Alder"]
    start = added["fps_from"].to_numpy()
    assert_allclose(start, [30.15, 40, 50], rtol=1e-9)
    assert_allclose(added["fps_to"], [60, 79.9, 100], rtol=1e-12)
    assert_allclose(added["added_pct"], 100 * (np.array([60, 79.9, 100]) / start - 1), rtol=1e-9)
    assert (added["added_low_pct"] < added["added_pct"]).all()
    assert (added["added_pct"] < added["added_high_pct"]).all()


def test_the_weaker_basis_and_what_stops_more(games: pd.DataFrame) -> None:
    assert set(games.loc["with Alder", "basis"]) == {"measured"}
    assert games.loc["Birch", "basis"].to_dict() == {
        "Fen": "predicted", "Moor": "", "Tarn": "predicted",
    }  # fmt: skip
    assert games.loc["Birch", "stopped_by"].to_dict() == {
        "Fen": "arithmetic", "Moor": "memory capacity", "Tarn": "arithmetic",
    }  # fmt: skip
    assert games.loc[("Birch", "Moor"), "reason"] == "needs 9 GiB, the card has 8"


def test_without_a_step_there_is_no_row_and_every_column(tmp_path: Path) -> None:
    study = market(tmp_path, builds=[], prices=[])
    found = upgrade_games(study, booked(study), lambda asked: no_predictions())
    assert found.empty
    assert list(found.columns[:3]) == ["from_build", "to_build", "workload"]
