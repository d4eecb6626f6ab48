"""What an upgrade adds in each game: exact gains, goals met exactly, and what stops more."""

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from perfkit.study import Study
from perfkit.value.upgrade_games import _limits, upgrade_games
from perfkit.value.upgrade_paths import Candidate
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


def test_what_limits_a_game_is_asked_only_where_no_table_says_it() -> None:
    """Of two machines and two games at the size, three are told; the fourth is predicted once."""
    study = SimpleNamespace(
        settings=SimpleNamespace(value_at=(2, 3)),
        workloads=pd.DataFrame({"workload": ["A", "B"]}),
    )
    told = pd.DataFrame(
        [("s", "g", "A", 2, 3, 1.0, "cap"), ("s", "g", "B", 2, 3, 1.0, "memory"),
         ("s", "h", "A", 2, 3, 1.0, "arithmetic"), ("s", "h", "B", 3, 3, 1.0, "wrong"),
         ("s", "h", "B", 2, 2, 1.0, "wrong"), ("s", "h", "B", 2, 3, 0.5, "wrong")],
        columns=["system", "gpu", "workload", "width", "height", "render_scale", "limited_by"],
    )  # fmt: skip
    asked: list[list[object]] = []

    def predict(targets: pd.DataFrame) -> pd.DataFrame:
        asked.extend(targets.to_numpy().tolist())
        return targets.assign(limited_by="processor")

    steps = [Candidate("a", "b", "card", "s", gpu, (), (), (), 1.0, 0.0, 1.0, "") for gpu in "ghg"]
    found = _limits(study, steps, told, predict)
    assert asked == [["s", "h", "B", 2, 3, 1.0]]
    assert found == {
        ("s", "g", "A"): "cap", ("s", "g", "B"): "memory", ("s", "h", "A"): "arithmetic",
        ("s", "h", "B"): "processor",
    }  # fmt: skip
    asked.clear()
    assert len(_limits(study, steps[:1], told, predict)) == 3
    assert asked == []


def test_a_narrow_slot_is_among_what_stops_a_card(tmp_path: Path) -> None:
    parts = [{"item": "Plank", "role": "board", "slot_generation": 4, "slot_lanes": 8}]
    gpus = [
        {"gpu": gpu, "kind": kind, "compute_units": 8, "lanes_per_unit": 64, "clock_mhz": 2000,
         "slot_generation": 4, "slot_lanes": lanes}
        for gpu, kind, lanes in (("Ember", "integrated", ""), ("Alder", "discrete", 16),
                                 ("Birch", "discrete", 8))
    ]  # fmt: skip
    study = market(tmp_path, parts=parts, gpus=gpus)
    found = games_of(study, predictions("Birch", {"Fen": 1.0, "Moor": 2.0, "Tarn": 3.0}))
    stops = found["stopped_by"].to_dict()
    assert stops[("with Alder", "Fen")] == "slot link (50% of what Alder can use)"
    assert stops[("bare + Birch", "Fen")] == "arithmetic"
