"""Parts that go together: each verdict from its number, and empty is never yes."""

import dataclasses
import math
from pathlib import Path

import pytest
from numpy.testing import assert_allclose

from perfkit.value.parts import Part
from perfkit.value.together import (
    CAUTIONS,
    CHECKS,
    Verdict,
    check_parts,
    link_gb_s,
    overall,
    together_table,
)
from tests.reference import load_json
from tests.value.market import BASE, build, market

GOOD = {
    "board": Part("Plank", "board", 1, "S1", "D5", 4, 16, draw_w=30),
    "processor": Part("Spindle", "processor", 1, "S1", draw_w=70),
    "memory": Part("Loom", "memory", 1, memory_type="D5", draw_w=10),
    "supply": Part("Bellow", "supply", 1, supply_w=500, plugs_6pin=1, plugs_8pin=2),
    "case": Part("Chest", "case", 1, room_mm=280),
    "card": Part(
        "Alder", "card", 1, "", "", 3, 16, length_mm=250, draw_w=190, plugs_6pin=0, plugs_8pin=2
    ),
}


def checked(*, discrete: bool = True, **changes: dict[str, object]) -> dict[str, Verdict]:
    parts = GOOD | {role: dataclasses.replace(GOOD[role], **new) for role, new in changes.items()}
    return {found.check: found for found in check_parts(list(parts.values()), discrete=discrete)}


def test_all_known_all_fits() -> None:
    found = checked()
    assert list(found) == [check for check in CHECKS if check != "cooler"]
    assert {each.verdict for each in found.values()} == {"yes"}
    assert found["room for the card"].number == 30
    assert found["power plugs"].number == 0
    assert_allclose(found["supply"].number, 1 - 300 / 500)
    assert_allclose(found["slot link"].number, 15.753846153846155, rtol=1e-12)


@pytest.mark.parametrize(
    ("check", "changes", "verdict", "number"),
    [
        ("socket", {"processor": {"socket": "S2"}}, "no", math.nan),
        ("socket", {"processor": {"socket": ""}}, "not checked", math.nan),
        ("socket", {"board": {"socket": ""}}, "not checked", math.nan),
        ("memory type", {"memory": {"memory_type": "D4"}}, "no", math.nan),
        ("memory type", {"memory": {"memory_type": ""}}, "not checked", math.nan),
        ("room for the card", {"card": {"length_mm": 281}}, "no", -1),
        ("room for the card", {"card": {"length_mm": 280}}, "yes", 0),
        ("room for the card", {"card": {"length_mm": math.nan}}, "not checked", math.nan),
        ("room for the card", {"case": {"room_mm": math.nan}}, "not checked", math.nan),
        ("power plugs", {"card": {"plugs_8pin": 3}}, "no", -1),
        ("power plugs", {"card": {"plugs_8pin": 1, "plugs_6pin": 2}}, "not checked", -1),
        ("power plugs", {"card": {"plugs_8pin": 2, "plugs_6pin": 2}}, "no", -1),
        ("power plugs", {"card": {"plugs_8pin": 2, "plugs_6pin": 1}}, "yes", 0),
        ("power plugs", {"card": {"plugs_8pin": 1, "plugs_6pin": 1}}, "yes", 0),
        ("power plugs", {"card": {"plugs_8pin": 1, "plugs_6pin": 3}}, "no", -2),
        ("power plugs", {"card": {"plugs_8pin": 3, "plugs_6pin": 2}}, "no", -1),
        ("power plugs", {"card": {"quantity": 2, "plugs_8pin": 1, "plugs_6pin": 1}}, "no", -1),
        ("supply", {"memory": {"quantity": 10}, "card": {"draw_w": 200}}, "yes", 0.2),
        ("supply", {"memory": {"quantity": 10}, "card": {"draw_w": 200.5}}, "no", 0.199),
        ("supply", {"supply": {"quantity": 2}}, "yes", 0.7),
        ("supply", {"case": {"draw_w": 0.0}}, "yes", 0.4),
        ("slot link", {"card": {"slot_lanes": 8}}, "yes", 15.753846153846155 / 2),
        ("slot link", {"board": {"slot_generation": 2}}, "yes", 8.0),
        ("slot link", {"board": {"slot_lanes": 0}}, "not checked", math.nan),
        ("power plugs", {"card": {"plugs_6pin": math.nan}}, "not checked", math.nan),
        ("power plugs", {"supply": {"plugs_8pin": math.nan}}, "not checked", math.nan),
        ("supply", {"card": {"draw_w": 290}}, "yes", 0.2),
        ("supply", {"card": {"draw_w": 291}}, "no", 1 - 401 / 500),
        ("supply", {"card": {"draw_w": math.nan}}, "not checked", math.nan),
        ("supply", {"supply": {"supply_w": math.nan}}, "not checked", math.nan),
        ("supply", {"memory": {"draw_w": math.nan}, "card": {"draw_w": 400}}, "no", 0.0),
        ("slot link", {"board": {"slot_lanes": 8}}, "yes", 15.753846153846155 / 2),
        ("slot link", {"board": {"slot_generation": math.nan}}, "not checked", math.nan),
        ("slot link", {"board": {"slot_generation": 9}, "card": {"slot_generation": 9}},
         "not checked", math.nan),
    ],
)  # fmt: skip
def test_each_check(check: str, changes: dict, verdict: str, number: float) -> None:
    found = checked(**changes)[check]
    assert found.verdict == verdict
    assert_allclose(found.number, number, rtol=1e-12, atol=1e-12)
    if verdict == "not checked":
        assert found.sentence.startswith("not checked: ")


def test_each_sentence_names_its_numbers() -> None:
    found = {check: each.sentence for check, each in checked().items()}
    assert found == {
        "socket": "Spindle: S1; Plank: S1",
        "memory type": "Loom: D5; Plank: D5",
        "room for the card": "Alder is 250 mm long, Chest has room for 280 mm",
        "power plugs": "Alder needs 0 6-pin and 2 8-pin, Bellow has 1 and 2",
        "supply": "the parts draw 300 W of 500 W",
        "slot link": "16 lanes of generation 3",
    }
    draws = {"memory": {"draw_w": math.nan}, "board": {"draw_w": math.nan}}
    assert checked(**draws)["supply"].sentence == (
        "not checked: draw of Plank, Loom not known; the parts draw at least 260 W of 500 W"
    )
    splits = checked(card={"plugs_8pin": 1, "plugs_6pin": 2})["power plugs"].sentence
    assert splits == (
        "not checked: Alder needs 2 6-pin and 1 8-pin, Bellow has 1 and 2; whether an 8-pin plug "
        "splits to 6 pins is in the supply's manual"
    )


def test_of_several_parts_of_a_role_the_worst_counts() -> None:
    long, short = (
        dataclasses.replace(GOOD["card"], item=name, length_mm=length, slot_lanes=lanes)
        for name, length, lanes in (("Long", 270, 4), ("Short", 100, 16))
    )
    rest = [part for role, part in GOOD.items() if role != "card"]
    found = {each.check: each for each in check_parts([*rest, long, short], discrete=True)}
    assert found["room for the card"].number == 10
    assert found["room for the card"].sentence.startswith("Long, Short is 270 mm long")
    assert_allclose(found["slot link"].number, 15.753846153846155 / 4, rtol=1e-12)
    unknown = dataclasses.replace(short, length_mm=math.nan)
    found = {each.check: each for each in check_parts([*rest, long, unknown], discrete=True)}
    assert found["room for the card"].verdict == "not checked"


def test_narrow_link_is_told_as_a_share_of_the_cards_own() -> None:
    assert checked(board={"slot_lanes": 4})["slot link"].sentence == (
        "4 lanes of generation 3: 25% of what Alder can use"
    )


@pytest.mark.parametrize("role", ["board", "processor", "memory", "supply", "case", "card"])
def test_an_empty_part_is_never_yes(role: str) -> None:
    """Blank every fact of one part: no check that reads it may say yes."""
    blank = {f.name: f.default for f in dataclasses.fields(Part) if f.name not in ("item", "role")}
    before, after = checked(), checked(**{role: blank})
    changed = [check for check in before if before[check] != after[check]]
    assert changed
    assert {after[check].verdict for check in changed} == {"not checked"}


def test_a_missing_part_is_never_yes() -> None:
    for left_out in GOOD:
        parts = [part for role, part in GOOD.items() if role != left_out]
        found = check_parts(parts, discrete=True)
        named = [f for f in found if f.verdict == "not checked"]
        assert named or left_out == "case", left_out
        assert overall(f.verdict for f in found) == "not checked"


def test_without_a_card_nothing_about_cards_is_asked() -> None:
    parts = [part for role, part in GOOD.items() if role != "card"]
    assert [f.check for f in check_parts(parts, discrete=False)] == [
        "socket",
        "memory type",
        "supply",
    ]


@pytest.mark.parametrize(
    ("sockets", "verdict"), [("S1", "yes"), ("S0; S1", "yes"), ("S0; S2", "no"), ("", None)]
)
def test_cooler(sockets: str, verdict: str | None) -> None:
    parts = [*GOOD.values(), Part("Draught", "cooler", 1, sockets, draw_w=2)]
    found = [f.verdict for f in check_parts(parts, discrete=True) if f.check == "cooler"]
    assert found == ([] if verdict is None else [verdict])


def test_slot_links_are_the_published_ones() -> None:
    """PCI-SIG, PCI Express Base Specification 1.0 to 5.0 (1e-9)."""
    for row in load_json("hardware_arithmetic")["pcie_GBps_per_direction"]:
        assert_allclose(link_gb_s(row["gen"], row["lanes"]), row["GBps"], rtol=1e-12)
    assert math.isnan(link_gb_s(6, 16))
    assert math.isnan(link_gb_s(math.nan, 16))
    assert math.isnan(link_gb_s(3, math.nan))


def test_study_fills_a_cards_facts_from_gpus_and_the_supply_from_systems(tmp_path: Path) -> None:
    parts = [
        {"item": "Plank", "role": "board", "slot_generation": 4, "slot_lanes": 16, "draw_w": 30},
        {"item": "Spindle", "draw_w": 70},
        {"item": "Loom", "draw_w": 10},
        {"item": "Chest", "room_mm": 190},
    ]
    gpus = [
        {"gpu": "Ember", "kind": "integrated", "compute_units": 8},
        {"gpu": "Alder", "kind": "discrete", "compute_units": 20, "length_mm": 200,
         "board_power_w": 190, "slot_generation": 4, "slot_lanes": 8},
    ]  # fmt: skip
    study = market(
        tmp_path,
        parts=parts,
        systems=[{"system": "bench", "psu_w": 600}],
        gpus=[{"lanes_per_unit": 64, "clock_mhz": 2000, **gpu} for gpu in gpus],
        builds=build("with Alder", "Alder", [row for row in BASE if row[1] != "supply"]),
    )
    found = together_table(study).set_index("check")
    assert found.loc["room for the card", ["verdict", "number"]].tolist() == ["no", -10.0]
    assert found.loc["supply", "verdict"] == "yes"
    assert_allclose(found.loc["supply", "number"], 0.5)
    assert_allclose(found.loc["slot link", "number"], link_gb_s(4, 8))
    assert found.loc["power plugs", "verdict"] == "not checked"


def test_without_parts_nothing_is_checked(tmp_path: Path) -> None:
    assert set(together_table(market(tmp_path))["verdict"]) == {"not checked"}


def test_cautions_name_the_dangers() -> None:
    text = " ".join(CAUTIONS).lower()
    for danger in ("mains", "power supply", "static", "lift", "manual", "licensed"):
        assert danger in text
