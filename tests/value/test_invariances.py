"""What must not matter does not: currency, unit, order of rows, a build that competes with none."""

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from pandas.testing import assert_frame_equal

from perfkit.study import Study, load_study
from perfkit.value import decision_tables, upgrade_table, value_table
from tests.value.market import (
    BASE,
    CARDS,
    GAMES,
    TOML,
    booked,
    build,
    market,
    measured,
    no_predictions,
    predictions,
    priced,
    summary,
    write_csv,
)

BIRCH = {"Fen": 60.0, "Moor": 120.0, "Tarn": 240.0}
ITEMS = [*BASE, *((card, "", price) for card, price in CARDS.items())]
KEYS = {
    "upgrade_rivals": ["from_build", "to_build", "rival"],
    "flip_prices": ["build", "rival"],
    "goals": ["build"],
    "goal_games": ["build", "workload"],
    "settings": ["build", "workload"],
    "give_up_first": ["build", "way"],
    "claims": ["claim"],
}
MONEY = ("price", "budget", "spent", "overtakes_", "flip_", "to_save", "saves")


def decide(study: Study) -> dict[str, pd.DataFrame]:
    def nobody_knows(targets: pd.DataFrame) -> pd.DataFrame:
        made = pd.concat([no_predictions(), targets], ignore_index=True)
        text = dict.fromkeys(["limited_by", "reason"], "str")
        return made.astype(text).assign(limited_by="", reason="not asked")

    model = SimpleNamespace(predict=nobody_knows)
    book = booked(study, predictions("Birch", BIRCH))
    return decision_tables(study, summary(study), model, book)


def files() -> dict[str, list[dict]]:
    return {
        "workloads": [{"workload": game, "goal_fps": 35} for game in GAMES],
        "builds": build("bare", "Ember") + build("with Alder", "Alder") + build("Birch", "Birch"),
        "prices": priced(*ITEMS),
        "claims": [{"claim": "c", "left": "with Alder", "measure": "cost_per_frame",
                    "relation": "below", "right": "bare"}],
    }  # fmt: skip


def keyed(tables: dict[str, pd.DataFrame], name: str) -> pd.DataFrame:
    return tables[name].set_index(KEYS[name]).sort_index()


@pytest.mark.parametrize("factor", [0.01, 100.0])
def test_unit_of_money_scales_money_and_nothing_else(tmp_path: Path, factor: float) -> None:
    told = files()
    one = decide(market(tmp_path / "a", toml="budget = 600", **told))
    told["prices"] = priced(*((item, role, price * factor) for item, role, price in ITEMS))
    other = decide(market(tmp_path / "b", toml=f"budget = {600 * factor}", **told))
    for name in KEYS:
        before, after = keyed(one, name), keyed(other, name)
        scaled = [column for column in before if column.startswith(MONEY)]
        before[scaled] = before[scaled] * factor
        if name == "give_up_first":
            before["lost_per_100"] /= factor
        assert_frame_equal(before, after, rtol=1e-9)
    assert_frame_equal(one["ranks"], other["ranks"])


def test_order_of_rows_changes_no_decision(tmp_path: Path) -> None:
    told = files()
    one = decide(market(tmp_path / "a", **told))
    turned = {name: rows[::-1] for name, rows in told.items()}
    other = decide(market(tmp_path / "b", passes=measured()[::-1], **turned))
    for name in KEYS:
        before, after = keyed(one, name), keyed(other, name)
        left_out = [name for name in ("order", "turned_by", "hardest") if name in before]
        assert_frame_equal(before.drop(columns=left_out), after.drop(columns=left_out), rtol=1e-9)


def test_build_that_competes_with_none_changes_no_decision_about_others(tmp_path: Path) -> None:
    told = files()
    one = decide(market(tmp_path / "a", toml="budget = 600", **told))
    gold = {"build": "gold", "item": "Gold", "role": "case", "system": "bench", "gpu": "Ember"}
    told["builds"] = told["builds"] + [gold]
    told["prices"] = [*told["prices"], {"item": "Gold", "date": "2026-10-20", "price": 9000}]
    other = decide(market(tmp_path / "b", toml="budget = 600", **told))
    for name in KEYS:
        before, after = keyed(one, name), keyed(other, name)
        assert_frame_equal(before, after.loc[before.index], rtol=1e-9)


def test_unit_of_frame_times_changes_nothing(tmp_path: Path) -> None:
    """The same frame times in ms and in s; one parse differs from the other by a rounding."""
    rng = np.random.default_rng(7)
    logs = {
        f"{gpu} {game} {number}": (gpu, game, rng.lognormal(np.log(level), 0.1, 300))
        for gpu, level in (("Ember", 25.0), ("Alder", 12.5))
        for game in GAMES
        for number in range(2)
    }
    found = []
    for unit, factor in (("ms", 1.0), ("s", 1e-3)):
        folder = tmp_path / unit
        market(folder)
        section = f'[logs]\nframe_time_column = "t"\nframe_time_unit = "{unit}"'
        (folder / "study.toml").write_text(TOML.format(currency="EUR", more=section), "utf-8")
        rows = []
        for name, (gpu, game, times) in logs.items():
            write_csv(folder / f"{name}.csv", [{"t": repr(float(t * factor))} for t in times])
            rows.append({"pass_id": name, "system": "bench", "gpu": gpu, "workload": game,
                         "width": 1920, "height": 1080, "log": f"{name}.csv"})  # fmt: skip
        write_csv(folder / "passes.csv", rows)
        study = load_study(folder)
        passes = summary(study)
        found.append(
            [make(study, passes, no_predictions()) for make in (value_table, upgrade_table)]
        )
    for one, other in zip(*found, strict=True):
        assert len(one) > 0
        assert_frame_equal(one, other, rtol=1e-9)
