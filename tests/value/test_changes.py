"""What moved between two reports: every cell, its cause, the flips, and a note; nothing touched."""

import hashlib
import json
from pathlib import Path

import pandas as pd
import pytest

from perfkit.errors import OutputError
from perfkit.value.changes import compare_reports

PASSES = [
    {"pass_id": "p1", "avg_fps": "40", "void_reason": "", "driver": "d1"},
    {"pass_id": "p2", "avg_fps": "41", "void_reason": "", "driver": "d1"},
]
VALUE = [
    {"build": "bare", "price": "350", "fps": "40", "cost_per_frame": "8.75", "on_frontier": "0.9"},
    {"build": "with Alder", "price": "500", "fps": "80", "cost_per_frame": "6.25",
     "on_frontier": "1"},
]  # fmt: skip
PREDICTIONS = [
    {"system": "s", "gpu": "g", "workload": "w", "width": "1920", "height": "1080",
     "render_scale": "1", "fps": "60", "model": "time sum"},
]  # fmt: skip
CLAIMS = [{"claim": "Alder is worth it", "left": "with Alder", "right": "bare",
           "measure": "cost_per_frame", "workload": "", "verdict": "supported"}]  # fmt: skip
UPGRADES = [{"from_build": "bare", "to_build": "with Alder", "added_cost": "150",
             "cost_per_added_frame": "3.75", "break_even_price": "350",
             "goes_together": "yes"}]  # fmt: skip


def report(folder: Path, versions: dict | None = None, **tables: list[dict]) -> Path:
    (folder / "tables").mkdir(parents=True)
    whole = {"passes": PASSES, "value": VALUE, "predictions": PREDICTIONS, "claims": CLAIMS,
             "upgrades": UPGRADES} | tables  # fmt: skip
    files = {}
    for name, rows in whole.items():
        path = folder / "tables" / f"{name}.csv"
        pd.DataFrame(rows).to_csv(path, index=False)
        files[f"tables/{name}.csv"] = {"sha256": hashlib.sha256(path.read_bytes()).hexdigest()}
    manifest = {"made_by": "perfkit", "versions": versions or {"numpy": "2.4.6"}, "files": files}
    (folder / "manifest.json").write_text(json.dumps(manifest), encoding="utf-8")
    return folder


def with_(rows: list[dict], at: int, **new: str) -> list[dict]:
    return [row | new if place == at else row for place, row in enumerate(rows)]


def test_same_report_twice(tmp_path: Path) -> None:
    found = compare_reports(report(tmp_path / "a"), report(tmp_path / "b"))
    assert len(found.rows) == len(found.flips) == 0
    assert str(found) == "nothing changed"
    assert found.note == "Nothing published has changed."


def test_price_edit_is_told_as_price_and_flips_the_cheapest(tmp_path: Path) -> None:
    dearer = with_(VALUE, 1, price="800", cost_per_frame="10")
    upgrades = with_(
        UPGRADES, 0, added_cost="450", cost_per_added_frame="11.25", break_even_price="350"
    )
    claims = with_(CLAIMS, 0, verdict="contradicted")
    found = compare_reports(
        report(tmp_path / "a"),
        report(tmp_path / "b", value=dearer, upgrades=upgrades, claims=claims),
    )
    assert set(found.rows["cause"]) == {"price of with Alder: 500 -> 800"}
    row = found.rows[(found.rows["column"] == "price")].iloc[0]
    assert (row["row"], row["old"], row["new"]) == ("with Alder", "500", "800")
    assert row["change_pct"] == pytest.approx(60, rel=1e-12)
    assert found.flips["verdict"].tolist() == ["lowest cost per frame", "Alder is worth it"]
    assert found.flips["new"].tolist() == ["bare", "contradicted"]
    assert "The price of with Alder is now 800 (was 500)." in found.note
    assert "A frame of with Alder now costs 10 (was 6.25)." in found.note
    assert "Lowest cost per frame: bare (was with Alder)." in found.note


def test_voided_pass_is_named(tmp_path: Path) -> None:
    found = compare_reports(
        report(tmp_path / "a"),
        report(
            tmp_path / "b",
            passes=with_(PASSES, 1, void_reason="wrong preset"),
            value=with_(VALUE, 0, fps="39", cost_per_frame="8.97"),
        ),
    )
    value = found.rows[found.rows["table"] == "value"]
    assert value["cause"].tolist() == ["pass voided: p2"] * 2
    assert "Pass p2 is no longer counted (wrong preset)." in found.note
    assert found.note.endswith("Every verdict stands.")


@pytest.mark.parametrize(
    ("changed", "cause"),
    [
        ({"predictions": with_(PREDICTIONS, 0, fps="66", model="stack")},
         "model: time sum -> stack"),
        ({"predictions": with_(PREDICTIONS, 0, fps="66"), "versions": {"numpy": "2.5.0"}},
         "version: numpy 2.4.6 -> 2.5.0"),
        ({"predictions": with_(PREDICTIONS, 0, fps="66")},
         "settings, specifications or prices, which an older report did not keep"),
        ({"passes": [*PASSES, PASSES[0] | {"pass_id": "p3"}],
          "predictions": with_(PREDICTIONS, 0, fps="66")}, "pass added: p3"),
        ({"passes": PASSES[:1], "predictions": with_(PREDICTIONS, 0, fps="66")},
         "pass removed: p2"),
        ({"passes": with_(PASSES, 0, avg_fps="50"),
          "predictions": with_(PREDICTIONS, 0, fps="66")}, "pass changed: p1"),
        ({"passes": with_(PASSES, 0, driver="d2"),
          "predictions": with_(PREDICTIONS, 0, fps="66")}, "version changed: p1"),
    ],
)  # fmt: skip
def test_causes(tmp_path: Path, changed: dict, cause: str) -> None:
    found = compare_reports(report(tmp_path / "a"), report(tmp_path / "b", **changed))
    rows = found.rows[(found.rows["table"] == "predictions") & (found.rows["column"] == "fps")]
    assert rows["cause"].tolist() == [cause]


def test_determinable_or_not_is_a_verdict(tmp_path: Path) -> None:
    found = compare_reports(
        report(tmp_path / "a"),
        report(tmp_path / "b", upgrades=with_(UPGRADES, 0, cost_per_added_frame="")),
    )
    assert found.flips[["old", "new"]].to_numpy().tolist() == [["told", "not determinable"]]


def test_rounding_in_the_last_digit_is_no_change(tmp_path: Path) -> None:
    found = compare_reports(
        report(tmp_path / "a"), report(tmp_path / "b", value=with_(VALUE, 0, fps="40.00000001"))
    )
    assert len(found.rows) == 0


def test_a_row_that_came_or_went_is_one_change(tmp_path: Path) -> None:
    found = compare_reports(report(tmp_path / "a"), report(tmp_path / "b", value=VALUE[:1]))
    assert found.rows[["row", "column", "new"]].to_numpy().tolist() == [["with Alder", "", "gone"]]


def test_a_column_that_came_or_went_is_one_change(tmp_path: Path) -> None:
    more = [row | {"share_90": "1"} for row in VALUE]
    found = compare_reports(report(tmp_path / "a"), report(tmp_path / "b", value=more))
    assert found.rows[["row", "column", "new"]].to_numpy().tolist() == [["", "share_90", "new"]]


def test_neither_report_is_touched(tmp_path: Path) -> None:
    folders = [report(tmp_path / "a"), report(tmp_path / "b", value=VALUE[::-1])]
    before = {path: path.read_bytes() for path in sorted(tmp_path.rglob("*")) if path.is_file()}
    found = compare_reports(*folders)
    after = {path: path.read_bytes() for path in sorted(tmp_path.rglob("*")) if path.is_file()}
    assert before == after
    assert len(found.rows) == 0


def test_table_edited_by_hand_is_told(tmp_path: Path) -> None:
    edited = report(tmp_path / "b")
    path = edited / "tables" / "value.csv"
    path.write_text(path.read_text().replace("8.75", "5.00"))
    found = compare_reports(report(tmp_path / "a"), edited)
    assert "Beware: tables/value.csv in b was edited after it was made." in found.note


@pytest.mark.parametrize("manifest", [
    None, "{", "[]", '{"made_by": "other", "files": {"tables/value.csv": {}}}',
    '{"made_by": "perfkit", "files": {}}', '{"made_by": "perfkit", "files": "tables/value.csv"}',
])  # fmt: skip
def test_what_is_no_report_is_refused(tmp_path: Path, manifest: str | None) -> None:
    folder = tmp_path / "x"
    folder.mkdir()
    if manifest is not None:
        (folder / "manifest.json").write_text(manifest)
    message = "x is no report of perfkit; name the OUT of a perfkit report"
    with pytest.raises(OutputError, match=message):
        compare_reports(report(tmp_path / "a"), folder)
