"""How what moved is told: counts at their edges, verdicts at theirs, words for rows and numbers."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from perfkit.value.changes import Changes, _fastest, compare_reports, row_words, shown
from perfkit.value.finished_reports import moved_cells
from tests.value.finished import finished
from tests.value.test_changes import UPGRADES, VALUE, report, with_


def compared(folder: Path, before: dict, after: dict) -> Changes:
    return compare_reports(report(folder / "a", **before), report(folder / "b", **after))


def builds(count: int, **facts: str) -> list[dict]:
    return [VALUE[0] | {"build": f"b{turn:02}"} | facts for turn in range(count)]


@pytest.mark.parametrize(("old", "new", "moved"), [
    ("100", "100.00000009", False), ("100", "100.0000002", True), ("100", "99.99999991", False),
    ("0", "0.0", True), ("", "1", True), ("yes", "no", True), ("7", "7", False),
])  # fmt: skip
def test_a_billionth_is_no_change(old: str, new: str, moved: bool) -> None:
    one, other = (finished(value=[{"build": "b", "x": cell}]) for cell in (old, new))
    assert len(moved_cells(one, other, "value")) == moved


def test_the_change_of_a_cell_is_in_per_cent_of_the_old() -> None:
    cells = [("50", "60"), ("0", "3"), ("0", "-3"), ("-4", "-2"), ("a", "b")]
    one, other = (
        finished(value=[{"build": str(n), "x": pair[side]} for n, pair in enumerate(cells)])
        for side in (0, 1)
    )
    found = moved_cells(one, other, "value")["change_pct"]
    assert_allclose(found, [20.0, np.nan, np.nan, -50.0, np.nan], rtol=1e-12)


def test_rows_of_one_name_are_numbered_from_the_second_on() -> None:
    report = finished(value=[{"build": "b"}, {"build": "b"}, {"build": "c"}, {"build": "b"}])
    assert list(report.tables["value"].index) == ["b", "b | no. 2", "c", "b | no. 3"]


def test_a_table_only_one_report_has() -> None:
    one, other = finished(value=[]), finished(value=[], energy=[{"build": "b", "workload": "w"}])
    columns = ["row", "column", "old", "new"]
    assert moved_cells(one, other, "energy")[columns].to_numpy().tolist() == [
        ["b | w", "", "", "new"]
    ]
    assert moved_cells(other, one, "energy")[columns].to_numpy().tolist() == [
        ["b | w", "", "there", "gone"]
    ]
    assert moved_cells(one, other, "memory").empty


@pytest.mark.parametrize(("cell", "verdict"), [
    ("0.5", "likely"), ("0.4999", "unlikely"), ("1", "likely"), ("", "not known"),
])  # fmt: skip
def test_half_is_likely(tmp_path: Path, cell: str, verdict: str) -> None:
    first = "unlikely" if verdict == "likely" else "likely"
    old = with_(VALUE, 0, on_frontier="0" if first == "unlikely" else "1")
    found = compared(tmp_path, {"value": old}, {"value": with_(VALUE, 0, on_frontier=cell)})
    assert found.flips[["verdict", "old", "new"]].to_numpy().tolist() == [
        ["on the frontier: bare", first, verdict]
    ]


@pytest.mark.parametrize(("other", "flips"), [
    ({"cost_per_added_frame": "3", "goes_together": "yes"}, True),
    ({"cost_per_added_frame": "3", "goes_together": "no"}, False),
    ({"cost_per_added_frame": "", "goes_together": "yes"}, False),
    ({"cost_per_added_frame": "4", "goes_together": "yes"}, False),
])  # fmt: skip
def test_the_cheapest_added_frame_goes_together(
    tmp_path: Path, other: dict[str, str], flips: bool
) -> None:
    dear = UPGRADES[0] | {"to_build": "with Birch", "cost_per_added_frame": "9"}
    before = {"upgrades": [*UPGRADES, dear]}
    found = compared(tmp_path, before, {"upgrades": [*UPGRADES, dear | other]}).flips
    cheapest = found[found["verdict"] == "cheapest added frame"]
    expected = [["bare to with Alder", "bare to with Birch"]] if flips else []
    assert cheapest[["old", "new"]].to_numpy().tolist() == expected


def test_the_fastest_for_the_budget(tmp_path: Path) -> None:
    one, other = ([{"build": name, "gain_pct": "3"}] for name in ("bare", "big"))
    found = compared(tmp_path, {"last_money": one}, {"last_money": other}).flips
    assert found[["verdict", "old", "new"]].to_numpy().tolist() == [
        ["fastest for the budget", "bare", "big"]
    ]
    assert compared(tmp_path / "c", {}, {"last_money": other}).flips.empty


def test_no_machine_for_the_budget() -> None:
    assert _fastest(pd.DataFrame({"build": []})) == ""
    assert _fastest(pd.DataFrame({"gain_pct": ["3"]})) == ""


def test_tables_and_verdicts_stand_in_the_order_of_the_report(tmp_path: Path) -> None:
    old = [VALUE[0] | {"build": name} for name in ("z", "a")]
    new = [row | {"on_frontier": "0"} for row in old]
    step = with_(UPGRADES, 0, break_even_price="360")
    found = compared(tmp_path, {"value": old}, {"value": new, "upgrades": step})
    assert found.flips["verdict"].tolist() == ["on the frontier: z", "on the frontier: a"]
    assert found.rows.index.tolist() == [0, 1, 2]
    assert "3 published cells changed\n  value: 2\n  upgrades: 1\n" in str(found)


def test_a_verdict_that_is_not_given_is_none(tmp_path: Path) -> None:
    rows = [[{"build": "b", "workload": "w", "render_scale": scale}] for scale in ("0.5", "")]
    found = compared(tmp_path, {"settings": rows[0]}, {"settings": rows[1]})
    assert found.flips[["verdict", "old", "new"]].to_numpy().tolist() == [
        ["render scale for b, w", "0.5", "none"]
    ]
    assert "Render scale for b, w: none (was 0.5). All other verdicts stand." in found.note


@pytest.mark.parametrize(("count", "told"), [(5, False), (6, True)])
def test_five_causes_and_five_costs_are_said(tmp_path: Path, count: int, told: bool) -> None:
    old, new = builds(count), builds(count, price="360", cost_per_frame="9")
    note = compared(tmp_path, {"value": old}, {"value": new}).note
    assert note.startswith(f"Correction: {2 * count} published numbers changed. The price of b00 ")
    assert note.count("The price of") == note.count("A frame of") == 5
    assert ("1 more things that went in differ." in note) == told
    assert ("So do frames of 1 more builds, by other amounts." in note) == told
    assert "0 more" not in note
    assert note.endswith("Every verdict stands.")


@pytest.mark.parametrize(("count", "told"), [(8, False), (9, True)])
def test_eight_verdicts_are_said(tmp_path: Path, count: int, told: bool) -> None:
    found = compared(tmp_path, {"value": builds(count)}, {"value": builds(count, on_frontier="0")})
    assert found.note.count("On the frontier: ") == 8
    assert ("1 more verdicts turned." in found.note) == told
    assert "0 more" not in found.note
    assert found.note.endswith("All other verdicts stand.")


@pytest.mark.parametrize("count", [1, 2, 12, 13])
def test_twelve_numbers_of_a_column_are_shown(tmp_path: Path, count: int) -> None:
    old, new = builds(count), builds(count, price="360")
    said = str(compared(tmp_path, {"value": old}, {"value": new})).splitlines()
    start = next(place for place, line in enumerate(said) if line.startswith("value, price"))
    lines = said[start + 1 : said.index(f"{count} published cells changed")]
    if count == 1:
        assert said[start] == "value, price, by price of b00: 350 -> 360:"
        assert lines == ["  b00: 350 -> 360"]
    else:
        assert said[start] == "value, price:"
        assert lines[0] == "  b00: 350 -> 360 (price of b00: 350 -> 360)"
        assert len(lines) == min(count, 12) + (count > 12)
        assert (lines[-1] == "  and 1 more") == (count > 12)
    assert f"  value: {count}" in said
    assert "no verdict flips" in said


def test_a_number_that_shows_the_same_digits_is_only_counted(tmp_path: Path) -> None:
    new = with_(VALUE, 0, cost_per_frame="8.7500001")
    found = compared(tmp_path, {"value": VALUE}, {"value": new})
    assert "A frame of" not in found.note
    assert "value, cost_per_frame" not in str(found)
    assert "1 published cells changed" in str(found)
    assert str(found).startswith("what went in and differs: not told by the two reports\n")


@pytest.mark.parametrize(("cell", "said"), [
    ("12.345", "12.345"), ("12.3456", "12.35"), ("1234567", "1234567"), ("1234567.0", "1234567.0"),
    ("likely yes", "likely yes"),
])  # fmt: skip
def test_digits_of_a_sentence(cell: str, said: str) -> None:
    assert shown(cell) == said


def test_rows_in_words() -> None:
    assert row_words("claims", "worth it | a | b | average | ") == "worth it"
    assert row_words("goal_games", "bare |  | Fen") == "bare, Fen"
