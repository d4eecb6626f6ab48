"""One thing edited in a study, two reports: every changed cell names that thing and no other."""

import hashlib
import json
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest

import perfkit as pk
from perfkit.cli import main
from perfkit.show.earlier import KEPT, write_kept
from perfkit.show.manifest import write_manifest
from perfkit.show.tables import write_tables
from perfkit.study import Study
from perfkit.value.changes import Changes, compare_reports
from perfkit.value.finished_reports import KEYS
from perfkit.value.inputs import INPUT_COLUMNS, input_table
from tests.value.market import BASE, CARDS, GAMES, GPUS, build, market, measured, priced

Files = dict[str, object]


def files() -> Files:
    """Give a market in which every decision has something to say."""
    return {
        "toml": "budget = 520\ntariff_per_kwh = 0.3\nhours_per_week = 10",
        "gpus": [{"lanes_per_unit": 64, "clock_mhz": 2000, **gpu} for gpu in GPUS],
        "systems": [{"system": "bench", "cpu": "Spindle", "ram_mtps": 6000, "ram_channels": 2}],
        "workloads": [{"workload": game, "goal_fps": 35, "weight": 1} for game in GAMES],
        "passes": [row | {"power_w": 90, "void_reason": "", "driver": "d1"} for row in measured()],
        "prices": [
            row | {"currency": "EUR", "tax_included": "yes", "tax_pct": ""}
            for row in priced(*BASE, *((card, "", price) for card, price in CARDS.items()))
        ],
        "builds": build("bare", "Ember") + build("with Alder", "Alder"),
        "parts": [{"item": "Chest", "role": "case", "room_mm": 320}],
        "claims": [
            {"claim": "c", "left": "with Alder", "measure": "cost_per_frame", "relation": "below",
             "right": "bare", "margin_pct": 5},
            {"claim": "d", "left": "Alder", "measure": "average", "relation": "above",
             "right": "Ember", "margin_pct": ""},
        ],
    }  # fmt: skip


def write_report(study: Study, folder: Path, kept: str = "") -> Path:
    analysis = pk.analyse(study, kept=kept)
    write_tables(analysis, folder / "tables")
    write_kept(analysis, folder)
    write_manifest(folder, "report")
    return folder


def put(name: str, at: int, **new: object) -> Callable[[Files], None]:
    def edit(told: Files) -> None:
        rows = list(told[name])  # type: ignore[call-overload]
        rows[at] = rows[at] | new
        told[name] = rows

    return edit


def setting(old: str, new: str) -> Callable[[Files], None]:
    def edit(told: Files) -> None:
        assert old in str(told["toml"])
        told["toml"] = str(told["toml"]).replace(old, new)

    return edit


@pytest.fixture(scope="module")
def old(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("old")
    return write_report(market(folder / "study", **files()), folder / "out")  # type: ignore[arg-type]


def changed(old: Path, folder: Path, edit: Callable[[Files], None]) -> Changes:
    told = files()
    edit(told)
    study = market(folder / "study", **told)  # type: ignore[arg-type]
    kept = (old / KEPT).read_text("utf-8")
    return compare_reports(old, write_report(study, folder / "out", kept))


EDITS = {
    "price": (put("prices", 5, price=200), "price of Alder (new): 150 -> 200"),
    "price date": (
        put("prices", 5, date="2026-10-01"),
        "price date of Alder (new): 2026-10-20 -> 2026-10-01",
    ),
    "tax": (
        put("prices", 5, tax_included="no", tax_pct=20),
        "tax of Alder (new): 150 -> 180",
    ),
    "voided pass": (put("passes", 9, void_reason="wrong preset"), "pass voided: Alder Fen 0 0[]"),
    "driver": (put("passes", 9, driver="d2"), "version changed: Alder Fen 0 0[]"),
    "budget": (setting("budget = 520", "budget = 400"), "setting budget: 520 -> 400"),
    "tariff": (
        setting("tariff_per_kwh = 0.3", "tariff_per_kwh = 0.4"),
        "setting tariff_per_kwh: 0.3 -> 0.4",
    ),
    "specification": (put("gpus", 1, clock_mhz=2500), "GPU Alder: clock_mhz 2000 -> 2500"),
    "goal": (put("workloads", 1, goal_fps=50), "workload Moor: goal_fps 35 -> 50"),
    "weight": (put("workloads", 1, weight=3), "workload Moor: weight 1 -> 3"),
    "part": (put("parts", 0, room_mm=150), "part Chest: room_mm 320 -> 150"),
    "piece": (put("builds", 2, quantity=2), "parts of bare: Loom quantity 1 -> 2"),
    "margin": (put("claims", 0, margin_pct=60), "sentences changed: c"),
}


@pytest.mark.parametrize("name", EDITS)
def test_one_edit_is_the_one_cause(old: Path, tmp_path: Path, name: str) -> None:
    edit, cause = EDITS[name]
    found = changed(old, tmp_path, edit)
    assert cause in found.causes
    assert len(found.rows) > 0
    others = set(found.rows["cause"]) - {cause}
    assert not {text for text in others if cause not in text and "model: " not in text}
    assert not found.rows["cause"].str.contains("not told").any()


def test_price_touches_only_what_hangs_on_it(old: Path, tmp_path: Path) -> None:
    found = changed(old, tmp_path, EDITS["price"][0]).rows
    assert not set(found["table"]) & {"passes", "predictions", "upgrade_games", "goal_games"}
    value = found[found["table"] == "value"].set_index(["row", "column"])
    assert list(value.loc[("with Alder", "price"), ["old", "new"]]) == ["500", "550"]
    assert ("bare", "cost_per_frame") not in value.index
    assert not {column for _, column in value.index if column.startswith("fps")}


def test_energy_hangs_on_the_tariff_alone(old: Path, tmp_path: Path) -> None:
    assert set(changed(old, tmp_path, EDITS["tariff"][0]).rows["table"]) == {"energy"}


def test_targets_and_currency(old: Path, tmp_path: Path) -> None:
    told = files()
    told["currency"] = "USD"
    told["prices"] = [row | {"currency": "USD"} for row in told["prices"]]  # type: ignore[attr-defined]
    found = compare_reports(
        old,
        write_report(market(tmp_path / "s", **told), tmp_path / "out"),  # type: ignore[arg-type]
    )
    assert found.causes == ("setting currency: EUR -> USD",)
    assert set(found.rows["column"]) == {"currency"}


def test_verdict_that_flips_names_its_cause(old: Path, tmp_path: Path) -> None:
    found = changed(old, tmp_path, put("prices", 5, price=900))
    turned = found.flips.set_index("verdict")
    assert list(turned.loc["c", ["old", "new"]]) == ["supported", "contradicted"]
    assert set(turned["cause"]) == {"price of Alder (new): 150 -> 900"}
    assert "The price of Alder (new) is now 900 (was 150)." in found.note


def test_two_edits_are_told_apart(old: Path, tmp_path: Path) -> None:
    def both(told: Files) -> None:
        EDITS["price"][0](told)
        EDITS["tariff"][0](told)

    found = changed(old, tmp_path, both)
    by_table = found.rows.groupby("table")["cause"].agg(set)
    assert by_table["energy"] == {EDITS["tariff"][1]}
    assert by_table["value"] == {EDITS["price"][1]}


def test_other_code_is_blamed_only_where_nothing_else_is(old: Path, tmp_path: Path) -> None:
    copy = write_report(market(tmp_path / "s", **files()), tmp_path / "out")  # type: ignore[arg-type]
    table = copy / "tables/value.csv"
    table.write_text(table.read_text().replace(",350,", ",351,"))
    manifest = json.loads((copy / "manifest.json").read_text())
    digest = hashlib.sha256(table.read_bytes()).hexdigest()
    manifest["files"]["tables/value.csv"] = {"sha256": digest}
    manifest["code"] = "other"
    (copy / "manifest.json").write_text(json.dumps(manifest))
    found = compare_reports(old, copy)
    assert set(found.rows["cause"]) == {"perfkit itself: other code of the same version"}


def test_every_published_table_is_compared(old: Path) -> None:
    published = {path.stem for path in (old / "tables").glob("*.csv")}
    assert published <= set(KEYS)


def test_every_changed_cell_as_a_file(
    old: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    told = files()
    EDITS["price"][0](told)
    new = write_report(market(tmp_path / "s", **told), tmp_path / "out")  # type: ignore[arg-type]
    before = {path: path.read_bytes() for path in sorted(old.rglob("*.csv"))}
    words = ["changes", str(old), str(new), "--out"]
    assert main([*words, str(tmp_path / "moved.csv")]) == 0
    assert "price of Alder (new): 150 -> 200" in capsys.readouterr().out
    cells = pd.read_csv(tmp_path / "moved.csv")
    assert len(cells) == len(compare_reports(old, new).rows)
    assert main([*words, str(old / "moved.csv")]) == 2
    assert "lies inside a report" in capsys.readouterr().err
    assert before == {path: path.read_bytes() for path in sorted(old.rglob("*.csv"))}


def test_inputs_are_one_fact_a_row(tmp_path: Path) -> None:
    rows = [
        *priced(*BASE, *((card, "", price) for card, price in CARDS.items())),
        {"item": "Alder", "date": "2026-10-25", "price": 100, "currency": "USD", "listing": "shop"},
        {"item": "Alder", "date": "2026-11-20", "price": 90, "listing": "shop"},
    ]
    rates = [{"date": "2026-10-01", "from": "USD", "to": "EUR", "rate": 0.9}]
    found = input_table(market(tmp_path, prices=rows, rates=rates))
    assert tuple(found.columns) == INPUT_COLUMNS
    assert not found.duplicated(["kind", "name", "fact"]).any()
    told = found.set_index(["kind", "name", "fact"])["value"].sort_index()
    assert told["price", "Alder (new)"].to_dict() == {
        "price": "90", "date": "2026-10-25", "listing": "shop",
        "typed price": "100", "typed currency": "USD",
    }  # fmt: skip
    assert told["rate", "USD to EUR"].to_dict() == {"rate": "0.9", "date": "2026-10-01"}
    assert told["build", "with Alder: Alder", "price"] == "90"
    assert told["GPU", "Birch", "compute_units"] == "40"
