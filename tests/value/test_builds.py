"""Machines of builds, cards that can be bought, and what is still to be predicted."""

import pytest

from perfkit.frames.usable import CONFIGURATION
from perfkit.study import Study
from perfkit.value.builds import compared_configurations, machines, needed_targets, priced_cards
from tests.value.market import BASE, build, market, priced, runs, summary


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    """Two machines, and builds that name half of one or nothing; Birch has a price, Cedar none."""
    half = [row | {"gpu": ""} for row in build("no card", "Ember")]
    other = [row | {"system": ""} for row in build("no system", "Ember")]
    bare = [row | {"system": "", "gpu": ""} for row in build("parts", "Ember")]
    return market(
        tmp_path_factory.mktemp("builds"),
        systems=[{"system": "bench", "cpu": "Spindle"}, {"system": "den", "cpu": "Bobbin"}],
        gpus=[
            {"gpu": name, "kind": kind, "compute_units": 8, "lanes_per_unit": 64, "clock_mhz": 2000}
            for name, kind in (("Ember", "integrated"), ("Alder", "discrete"),
                               ("Cedar", "discrete"), ("Birch", "discrete"))
        ],
        workloads=[{"workload": "Fen"}, {"workload": "Moor"}],
        builds=[*half, *build("bare", "Ember"), *other, *bare],
        prices=priced(*BASE, ("Birch", "", 300), ("Ember", "", 9)),
        passes=[
            *runs("Ember", {"Fen": [20.0]}),
            *runs("Ember", {"Moor": [20.0]}, width=1280),
            *runs("Ember", {"Moor": [20.0]}, render_scale=0.5),
            *runs("Birch", {"Fen": [60.0]}, void_reason="wrong preset"),
            *runs("Birch", {"Moor": [60.0]}, system="den"),
        ],
    )  # fmt: skip


def test_a_build_that_names_half_a_machine_has_none(study: Study) -> None:
    assert machines(study).to_numpy().tolist() == [
        ["no card", "", "", "builds.csv names no GPU for this build"],
        ["bare", "bench", "Ember", ""],
        ["no system", "", "", "builds.csv names no system for this build"],
        ["parts", "", "", "builds.csv names no system and GPU for this build"],
    ]


def test_machines_and_cards_are_compared_on_every_workload(study: Study) -> None:
    """An integrated GPU is no card, one without a price cannot be bought."""
    assert priced_cards(study) == ["Birch"]
    rest = [1920, 1080, 1.0]
    pairs = [(gpu, game) for gpu in ("Ember", "Birch") for game in ("Fen", "Moor")]
    found = compared_configurations(study)
    assert found.to_numpy().tolist() == [["bench", *pair, *rest] for pair in pairs]


def test_only_what_nobody_measured_is_needed(study: Study) -> None:
    """A pass of another size, scale or system measures nothing here, nor does a void one."""
    found = needed_targets(study, summary(study))
    assert found[["gpu", "workload"]].to_numpy().tolist() == [
        ["Ember", "Moor"], ["Birch", "Fen"], ["Birch", "Moor"],
    ]  # fmt: skip
    assert found.index.tolist() == [0, 1, 2]
    assert found.columns.tolist() == CONFIGURATION
