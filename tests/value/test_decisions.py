"""All decisions in one call, on a full market and on studies that lack almost everything."""

from pathlib import Path
from types import SimpleNamespace

import pandas as pd
import pytest

from perfkit.study import Study
from perfkit.value import decision_tables
from tests.value.market import (
    booked,
    build,
    market,
    measured,
    no_predictions,
    predictions,
    runs,
    summary,
)

BIRCH = {"Fen": 60.0, "Moor": 120.0, "Tarn": 240.0}


def nobody_knows(targets: pd.DataFrame) -> pd.DataFrame:
    made = pd.concat([no_predictions(), targets], ignore_index=True)
    text = dict.fromkeys(["limited_by", "reason"], "str")
    return made.astype(text).assign(limited_by="", reason="only one GPU was measured")


def decide(study: Study, table: pd.DataFrame) -> dict[str, pd.DataFrame]:
    model = SimpleNamespace(predict=nobody_knows)
    return decision_tables(study, summary(study), model, booked(study, table))


def test_full_market(tmp_path: Path) -> None:
    study = market(
        tmp_path,
        toml="tariff_per_kwh = 0.3",
        workloads=[{"workload": game, "goal_fps": 30} for game in BIRCH],
        passes=[row | {"power_w": 90, "sitting": "day 1"} for row in measured()],
        builds=build("bare", "Ember") + build("with Alder", "Alder") + build("Birch", "Birch"),
        claims=[{"claim": "c", "left": "Alder", "measure": "average", "relation": "above",
                 "right": "Ember"}],
    )  # fmt: skip
    found = decide(study, predictions("Birch", BIRCH))
    assert set(found) == {
        "goes_together", "ranks", "flip_prices", "upgrade_games", "upgrade_rivals", "goals",
        "goal_games", "last_money", "give_up_first", "memory", "settings", "setting_steps",
        "claims", "next_runs", "sittings", "energy", "inputs", "cautions",
    }  # fmt: skip
    games = found["upgrade_games"].set_index(["from_build", "to_build", "workload"])
    assert games.loc[("bare", "Birch", "Fen"), "stopped_by"] == "arithmetic"
    assert games.loc[("bare", "Birch", "Fen"), "reaches_goal"] == "yes"
    assert games.loc[("bare", "with Alder", "Moor"), "added_pct"] == pytest.approx(100, rel=1e-9)


def test_tables_hold_no_lists_and_no_objects_but_text(tmp_path: Path) -> None:
    for name, frame in decide(market(tmp_path), predictions("Birch", BIRCH)).items():
        assert frame.columns.is_unique, name
        for column in frame:
            kinds = {type(value).__name__ for value in frame[column]}
            assert not kinds & {"list", "tuple", "dict", "ndarray", "Verdict"}, (name, column)


@pytest.mark.parametrize(
    "files",
    [
        {"builds": [], "prices": []},
        {"builds": [], "prices": [], "passes": runs("Ember", {"Fen": [20.0]})},
        {"builds": build("shell", ""), "passes": runs("Ember", {"Fen": [20.0]})},
        {"passes": runs("Ember", {"Fen": [60.0]}, cap_fps=60)},
        {"passes": runs("Ember", {"Fen": [60.0]}, void_reason="wrong")},
        {
            "workloads": [
                {"workload": game, "weight": 0.0 if game != "Fen" else 1} for game in BIRCH
            ]
        },
    ],
    ids=["no builds", "one pass", "no machine", "capped", "void", "weights of zero"],
)
def test_studies_that_lack_almost_everything(tmp_path: Path, files: dict) -> None:
    found = decide(market(tmp_path, **files), no_predictions())
    assert all(len(frame) for frame in found.values())
    assert "energy" not in found
    assert "claims" not in found
