"""Each kind of thing that can differ between two reports, told in one text and one sentence."""

import pytest

from perfkit.value.causes import NOT_KEPT, UNTOLD
from perfkit.value.finished_reports import Report
from tests.value.finished import Rows, causes, facts, finished

PASS = {"pass_id": "p1", "driver": "d1", "game_version": "g1", "void_reason": "", "avg_fps": "60"}
SPARE = PASS | {"pass_id": "p9"}
VOID = {"void_reason": "cap left on"}


def told(before: Report, after: Report) -> list[tuple[str, str, str]]:
    return [(each.kind, each.text, each.said) for each in causes(before, after).found]


PASSES_MOVED: dict[str, tuple[Rows, Rows, list[tuple[str, str]]]] = {
    "nothing": ([PASS], [PASS], []),
    "voided": (
        [PASS, SPARE],
        [PASS | VOID, SPARE],
        [("pass voided: p1", "Pass p1 is no longer counted (cap left on).")],
    ),
    "voided, another reason": (
        [PASS | VOID],
        [PASS | {"void_reason": "wrong preset"}],
        [],
    ),
    "counts again": (
        [PASS | VOID],
        [PASS],
        [("pass counts again: p1", "Pass p1 is counted again.")],
    ),
    "two taken out": (
        [PASS, SPARE, PASS | {"pass_id": "p2"}],
        [SPARE],
        [("pass removed: p1, p2", "Passes p1, p2 are taken out.")],
    ),
    "three": (
        [],
        [PASS | {"pass_id": name} for name in "abc"],
        [("pass added: a, b, c", "Passes a, b, c are added.")],
    ),
    "added": ([PASS], [PASS, SPARE], [("pass added: p9", "Pass p9 is added.")]),
    "corrected": (
        [PASS],
        [PASS | {"avg_fps": "61"}],
        [("pass changed: p1", "Pass p1 is corrected.")],
    ),
    "voided and corrected": (
        [PASS],
        [PASS | VOID | {"avg_fps": "61"}],
        [("pass voided: p1", "Pass p1 is no longer counted (cap left on).")],
    ),
    "driver and game, once": (
        [PASS],
        [PASS | {"driver": "d2", "game_version": "g2"}],
        [("version changed: p1", "Pass p1 is now of another driver or game version.")],
    ),
    "a column that came": ([PASS], [PASS | {"state": "warm"}], []),
    "columns that went": ([PASS], [{"pass_id": "p1", "avg_fps": "60"}], []),
}


@pytest.mark.parametrize("name", PASSES_MOVED)
def test_passes(name: str) -> None:
    before, after, expected = PASSES_MOVED[name]
    reports = [finished(passes=rows, inputs=facts()) for rows in (before, after)]
    assert told(*reports) == [("pass", *each) for each in expected]


def test_four_voided_passes_for_two_reasons() -> None:
    rows = [PASS | {"pass_id": f"p{turn}"} for turn in range(4)]
    void = [row | {"void_reason": why} for row, why in zip(rows, "abab", strict=True)]
    [(_, text, said)] = told(finished(passes=rows), finished(passes=void))
    assert text == "pass voided: p0, p1, p2 and 1 more"
    assert said == "Passes p0, p1, p2 and 1 more are no longer counted (a; b)."


def test_another_unit_of_the_logs_corrects_no_pass() -> None:
    logs = [facts(f"setting | logs.unit | is | {unit}") for unit in ("ms", "us")]
    reports = [
        finished(passes=[PASS | {"avg_fps": fps}], inputs=log)
        for fps, log in zip(("60", "61"), logs, strict=True)
    ]
    said = "The setting logs.unit is now us (was ms)."
    assert told(*reports) == [("logs", "setting logs.unit: ms -> us", said)]


PRICED = (
    "price | Alder (new) | price | 150",
    "price | Alder (new) | date | 2026-10-20",
    "price | Alder (new) | listing | shop",
)
ABROAD = ("price | Alder (new) | typed price | 166", "price | Alder (new) | typed currency | USD")
TAXED = ("price | Alder (new) | typed price | 125", "price | Alder (new) | typed tax_pct | 20")
BUNDLED = (
    "bundle | kit: Loom (used) | price | 40",
    "bundle | kit: Loom (used) | date | 2026-10-20",
)
BUILT = (
    "build | bare: Loom | role | memory",
    "build | bare | system | bench",
    "build | bare | gpu | Ember",
    "build | bare: Loom | quantity | 1",
    "build | bare: Loom | price | 40",
)

INPUTS_MOVED: dict[str, tuple[tuple[str, ...], dict[str, str], list[tuple[str, str, str]]]] = {
    "price": (
        PRICED,
        {"| price | 150": "| price | 200"},
        [("price", "price of Alder (new): 150 -> 200",
          "The price of Alder (new) is now 200 (was 150).")],
    ),
    "price no longer known": (
        PRICED,
        dict.fromkeys(PRICED, ""),
        [("price", "price of Alder (new): 150 -> none",
          "The price of Alder (new) is now not known (was 150).")],
    ),
    "price first known": (
        ("setting | title | is | x",),
        {"setting | title | is | x": "\n".join(("setting | title | is | x", *PRICED))},
        [("price", "price of Alder (new): none -> 150",
          "The price of Alder (new) is now 150 (was not known).")],
    ),
    "day": (
        PRICED,
        {"2026-10-20": "2026-10-01"},
        [("price", "price date of Alder (new): 2026-10-20 -> 2026-10-01",
          "The price of Alder (new) is now of 2026-10-01 (was of 2026-10-20), "
          "the amount is the same.")],
    ),
    "listing": (
        PRICED,
        {"| shop": "| stall"},
        [("price", "price listing of Alder (new): shop -> stall",
          "The price of Alder (new) is now of stall (was of shop), the amount is the same.")],
    ),
    "tax": (
        (*PRICED, *TAXED),
        {"| price | 150": "| price | 160", "tax_pct | 20": "tax_pct | 28"},
        [("price", "tax of Alder (new): 150 -> 160",
          "The price of Alder (new) with tax is now 160 (was 150).")],
    ),
    "price before tax, too": (
        (*PRICED, *TAXED),
        {"| price | 150": "| price | 140.8", "tax_pct | 20": "tax_pct | 28", "| 125": "| 110"},
        [("price", "price of Alder (new): 150 -> 140.8",
          "The price of Alder (new) is now 140.8 (was 150).")],
    ),
    "rate": (
        (*PRICED, *ABROAD, "rate | USD to EUR | rate | 0.9036", "rate | USD to EUR | date | d1"),
        {"| price | 150": "| price | 166", "0.9036": "1"},
        [("rate", "exchange rate USD to EUR: 0.9036 -> 1",
          "The exchange rate of USD to EUR is now 1 (was 0.9036).")],
    ),
    "day of a rate": (
        ("rate | USD to EUR | rate | 0.9", "rate | USD to EUR | date | d1"),
        {"d1": "d2"},
        [("rate", "exchange date USD to EUR: d1 -> d2",
          "The exchange date of USD to EUR is now d2 (was d1).")],
    ),
    "price abroad": (
        (*PRICED, *ABROAD),
        {"| price | 150": "| price | 160", "typed price | 166": "typed price | 177"},
        [("price", "price of Alder (new): 150 -> 160",
          "The price of Alder (new) is now 160 (was 150).")],
    ),
    "bundle": (
        BUNDLED,
        {"| price | 40": "| price | 45"},
        [("price", "price of Loom (used), in bundle kit: 40 -> 45",
          "The price of Loom (used), in bundle kit is now 45 (was 40).")],
    ),
    "currency hides what it moves": (
        (*PRICED, "rate | USD to EUR | rate | 0.9", "setting | currency | is | EUR"),
        {"| price | 150": "| price | 166", "| 0.9": "| 1", "is | EUR": "is | USD"},
        [("currency", "setting currency: EUR -> USD",
          "The setting currency is now USD (was EUR).")],
    ),
    "budget taken out": (
        ("setting | budget | is | 500",),
        {"setting | budget | is | 500": ""},
        [("budget", "setting budget: 500 -> none",
          "The setting budget is now not set (was 500).")],
    ),
    "title": (
        ("setting | title | is | one",),
        {"is | one": "is | two"},
        [("words", "setting title: one -> two", "The setting title is now two (was one).")],
    ),
    "specification": (
        ("GPU | Alder | clock_mhz | 2000", "GPU | Alder | compute_units | 20"),
        {"2000": "2500", "| 20": "| 24"},
        [("specification", "GPU Alder: clock_mhz 2000 -> 2500, compute_units 20 -> 24",
          "The GPU Alder was corrected: clock_mhz 2000 -> 2500, compute_units 20 -> 24.")],
    ),
    "system": (
        ("system | bench | ram_mtps | 6000",),
        {"6000": "5200"},
        [("specification", "system bench: ram_mtps 6000 -> 5200",
          "The system bench was corrected: ram_mtps 6000 -> 5200.")],
    ),
    "part": (
        ("part | Chest | room_mm | 320",),
        {"320": "150"},
        [("part", "part Chest: room_mm 320 -> 150",
          "The part Chest was corrected: room_mm 320 -> 150.")],
    ),
    "goal": (
        ("workload | Moor | goal_fps | 35", "workload | Moor | floor_fps | 30"),
        {"35": "50", "| 30": "| 25"},
        [("goal", "workload Moor: goal_fps 35 -> 50, floor_fps 30 -> 25",
          "The workload Moor was corrected: goal_fps 35 -> 50, floor_fps 30 -> 25.")],
    ),
    "goal and weight": (
        ("workload | Moor | goal_fps | 35", "workload | Moor | weight | 1"),
        {"35": "50", "weight | 1": "weight | 2"},
        [("weight", "workload Moor: goal_fps 35 -> 50, weight 1 -> 2",
          "The workload Moor was corrected: goal_fps 35 -> 50, weight 1 -> 2.")],
    ),
    "another fact of a workload": (
        ("workload | Moor | goal_fps | 35", "workload | Moor | preset | low"),
        {"35": "50", "| low": "| high"},
        [("workload", "workload Moor: goal_fps 35 -> 50, preset low -> high",
          "The workload Moor was corrected: goal_fps 35 -> 50, preset low -> high.")],
    ),
    "pieces": (
        BUILT,
        {"quantity | 1": "quantity | 2"},
        [("build", "parts of bare: Loom quantity 1 -> 2",
          "The parts of bare: Loom quantity 1 -> 2.")],
    ),
    "a part that left": (
        BUILT,
        dict.fromkeys(BUILT[:1] + BUILT[3:], ""),
        [("build", "parts of bare: Loom quantity 1 -> none",
          "The parts of bare: Loom quantity 1 -> none.")],
    ),
    "another role, and more of it": (
        BUILT,
        {"| memory": "| disk", "quantity | 1": "quantity | 2"},
        [("build", "parts of bare: Loom role memory -> disk",
          "The parts of bare: Loom role memory -> disk.")],
    ),
    "a part named as a build is": (
        (*BUILT, "build | bare: Loom | gpu | Alder"),
        {"quantity | 1": "quantity | 2"},
        [("build", "parts of bare: Loom quantity 1 -> 2",
          "The parts of bare: Loom quantity 1 -> 2.")],
    ),
    "another price before tax, the same with it": (
        (*PRICED, *TAXED),
        {"tax_pct | 20": "tax_pct | 25", "| 125": "| 120"},
        [],
    ),
    "the price of a part is told as a price": (BUILT, {"price | 40": "price | 44"}, []),
    "another machine": (
        BUILT,
        {"gpu | Ember": "gpu | Alder", "system | bench": "system | tower"},
        [("machine", "build bare: system bench -> tower; gpu Ember -> Alder",
          "The build bare is another machine: system bench -> tower; gpu Ember -> Alder.")],
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", INPUTS_MOVED)
def test_facts(name: str) -> None:
    before, edits, expected = INPUTS_MOVED[name]
    after = "\n".join(before)
    for old, new in edits.items():
        assert old in after
        after = after.replace(old, new)
    lines = [line for line in after.splitlines() if line]
    found = told(finished(inputs=facts(*before)), finished(inputs=facts(*lines)))
    assert found == expected


def test_what_a_price_and_a_part_touch() -> None:
    before = (*PRICED, *BUILT, "build | big: Alder | quantity | 1", "build | big | gpu | Alder",
              "build | big: Loom | quantity | 1")  # fmt: skip
    after = tuple(
        line.replace("| price | 150", "| price | 160").replace(
            "bare: Loom | quantity | 1", "bare: Loom | quantity | 2"
        )
        for line in before
    )
    found = causes(finished(inputs=facts(*before)), finished(inputs=facts(*after))).found
    assert [each.names for each in found] == [{"Alder", "big"}, {"bare"}]
    named = tuple(line.replace("build | bare |", "build | with: Alder |") for line in before)
    dearer = tuple(line.replace("| price | 150", "| price | 160") for line in named)
    found = causes(finished(inputs=facts(*named)), finished(inputs=facts(*dearer))).found
    assert [each.names for each in found] == [{"Alder", "big"}]


VALUE = {"build": "bare", "price": "350", "basis": "measured"}
STEP = {"from_build": "bare", "to_build": "big", "added_cost": "150"}


def test_older_reports_tell_prices_by_what_they_cost() -> None:
    dearer = VALUE | {"price": "360"}
    step = (
        finished(value=[VALUE], upgrades=[STEP]),
        finished(value=[VALUE], upgrades=[STEP | {"added_cost": "160"}]),
    )
    assert told(*step) == [
        ("price", "price of the step bare | big", "The cost of the step bare | big changed.")
    ]
    both = finished(value=[dearer], upgrades=[STEP | {"added_cost": "140"}])
    assert told(step[0], both) == [
        ("price", "price of bare: 350 -> 360", "The price of bare is now 360 (was 350).")
    ]
    assert causes(step[0], both).found[0].names == {"bare"}
    assert causes(*step).found[0].names == {"bare", "big"}


def test_nobody_tells_what_an_older_report_did_not_keep() -> None:
    old, new = finished(value=[VALUE]), finished(value=[VALUE], inputs=facts(*PRICED))
    assert causes(old, old).of("value", "bare", "price") == NOT_KEPT
    assert causes(old, new).of("value", "bare", "price") == NOT_KEPT
    assert causes(new, new).of("value", "bare", "price") == UNTOLD


PREDICTED = {"system": "s", "gpu": "g", "workload": "w", "model": "time sum"}


def test_models_versions_code_and_sentences() -> None:
    one = finished({"numpy": "1", "same": "1"}, "a", predictions=[PREDICTED], inputs=facts())
    other = finished(
        {"numpy": "2", "same": "1"}, "b", predictions=[PREDICTED | {"model": ""}], inputs=facts()
    )
    assert told(one, other) == [
        ("model", "model: time sum -> none",
         "Predictions are now made by the model none (was time sum)."),
        ("version", "version: numpy 1 -> 2", "The report was made with numpy 2 (was 1)."),
    ]  # fmt: skip
    assert told(finished({"numpy": "1"}), finished({"numpy": "1", "scipy": "3"})) == [
        ("version", "version: scipy none -> 3", "The report was made with scipy 3 (was none).")
    ]
    more = finished(
        {"numpy": "1", "same": "1"},
        "b",
        predictions=[PREDICTED, PREDICTED | {"gpu": "h", "model": "other"}],
        inputs=facts(),
    )
    code = ("code", "perfkit itself: other code of the same version",
            "The report was made by another state of perfkit.")  # fmt: skip
    asked = ("target", "configurations asked for came or went", "1 configurations came or went.")
    assert told(one, more) == [asked, code]
    unknown = finished({"numpy": "1", "same": "1"}, predictions=[PREDICTED], inputs=facts())
    assert told(one, unknown) == []
    claim = {"claim": "c", "left": "a", "relation": "above", "margin_pct": "5", "verdict": "open"}
    for edit, expected in (
        ({"relation": "below"}, ["sentences changed: c"]),
        ({"margin_pct": "6"}, ["sentences changed: c"]),
        ({"left": "b"}, ["sentences changed: c, c"]),
        ({"verdict": "supported"}, []),
    ):
        found = told(finished(claims=[claim]), finished(claims=[claim | edit]))
        assert [text for _, text, _ in found] == expected


def test_a_cell_names_what_it_hangs_on() -> None:
    bare = VALUE | {"fps": "60", "best_value": "0.4"}
    predicted = VALUE | {"build": "big", "basis": "predicted"}
    before = (*PRICED, *BUILT, "build | big: Alder | quantity | 1", "build | big | gpu | Alder",
              "GPU | Alder | clock_mhz | 2000")  # fmt: skip
    after = [line.replace("| 150", "| 160").replace("2000", "2100") for line in before]
    found = causes(
        finished(value=[bare, predicted], inputs=facts(*before)),
        finished(value=[bare, predicted], inputs=facts(*after)),
    )
    price, clock = "price of Alder (new): 150 -> 160", "GPU Alder: clock_mhz 2000 -> 2100"
    assert found.of("value", "big", "price") == price
    assert found.of("value", "big", "fps") == clock
    assert found.of("value", "big", "cost_per_frame") == f"{price}; {clock}"
    assert found.of("value", "bare", "price") == UNTOLD
    assert found.of("value", "bare", "fps") == UNTOLD  # measured: no specification moves it
    assert found.of("value", "bare", "best_value") == f"{price}; {clock}"
    assert found.of("value", "", "price") == price
    assert found.of("a table of tomorrow", "bare", "x") == clock


def test_a_step_speaks_of_all_it_buys_and_leaves() -> None:
    step = STEP | {"bought": "Loom; Hinge", "leaves": "Strut", "stopped_by": ""}
    before = [f"price | {item} (new) | price | 10" for item in ("Loom", "Hinge", "Strut", "Other")]
    for turn, line in enumerate(before):
        after = [*before]
        after[turn] = line.replace("| 10", "| 11")
        found = causes(
            finished(upgrades=[step], inputs=facts(*before)),
            finished(upgrades=[step], inputs=facts(*after)),
        ).of("upgrades", "bare | big", "added_cost")
        item = line.split(" | ")[1]
        assert found == (UNTOLD if "Other" in item else f"price of {item}: 10 -> 11")


def test_seven_causes_are_six_and_a_count() -> None:
    before = [f"GPU | G{turn} | clock_mhz | 1000" for turn in range(7)]
    after = [line.replace("1000", "1100") for line in before]
    texts = [f"GPU G{turn}: clock_mhz 1000 -> 1100" for turn in range(7)]
    for count, expected in ((6, "; ".join(texts[:6])), (7, "; ".join([*texts[:6], "1 more"]))):
        found = causes(
            finished(inputs=facts(*before[:count])), finished(inputs=facts(*after[:count]))
        )
        assert found.of("sittings", "", "spread") == expected


def test_other_code_is_named_only_where_nothing_else_is() -> None:
    gpu = "GPU | Alder | clock_mhz | 2000"
    one = finished({"a": "1"}, "x", inputs=facts(gpu))
    other = finished({"a": "1"}, "y", inputs=facts(gpu.replace("2000", "2100")))
    found = causes(one, other)
    assert found.of("sittings", "", "spread") == "GPU Alder: clock_mhz 2000 -> 2100"
    assert found.of("value", "", "price") == "perfkit itself: other code of the same version"
