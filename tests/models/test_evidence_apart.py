"""The evidence for a fit is the same to the bit wherever it is worked out."""

import json
import sys
from dataclasses import replace

import pandas as pd
import pytest
from pandas.testing import assert_frame_equal

from perfkit.models import Fit, fit
from perfkit.models.evidence_apart import (
    EVIDENCE,
    evidence_answer,
    evidence_question,
    evidence_tables,
)
from perfkit.models.left_out_errors import evidence
from perfkit.models.registry import RECIPE
from perfkit.models.saved_fit import remember
from perfkit.show import second_process
from perfkit.show.second_process import second_drawer
from tests.models.worlds import world

WORLD = world(3, gpus=6, workloads=3, systems=2)


@pytest.fixture(scope="module")
def model() -> Fit:
    return fit(WORLD.study, WORLD.passes)


def assert_same_evidence(found: Fit, model: Fit) -> None:
    for name in EVIDENCE:
        assert_frame_equal(getattr(found, name), getattr(model, name), check_exact=True)


def test_an_answer_is_the_fits_own_evidence(model: Fit) -> None:
    question = json.loads(json.dumps(evidence_question(model)))
    tables = evidence_tables(evidence_answer(question))
    assert tuple(tables) == EVIDENCE
    for name in EVIDENCE:
        assert_frame_equal(tables[name], getattr(model, name), check_exact=True)


def test_only_the_recipe_that_another_process_knows_is_asked_about(model: Fit) -> None:
    other = fit(WORLD.study, WORLD.passes, recipe=replace(RECIPE))
    assert evidence_question(other) is None
    assert evidence_question(fit(WORLD.study, WORLD.passes.head(0))) is None


def test_evidence_is_waited_for_when_it_is_first_asked_for(model: Fit) -> None:
    asked: list[str] = []
    told = {name: pd.DataFrame({"from": [name]}) for name in EVIDENCE}
    waiting = remember(model)
    waiting.coming.append(lambda: asked.append("once") or told)
    waiting.predict(WORLD.truth.head(2))
    assert asked == []
    assert [getattr(waiting, name)["from"].item() for name in EVIDENCE] == list(EVIDENCE)
    assert asked == ["once"]


def test_without_an_answer_the_evidence_is_worked_out_here(model: Fit) -> None:
    waiting = remember(model)
    waiting.coming.append(lambda: evidence_tables(None))
    assert_same_evidence(waiting, model)


def test_evidence_is_worked_out_once(model: Fit, monkeypatch: pytest.MonkeyPatch) -> None:
    made: list[int] = []
    module = sys.modules["perfkit.models.fit"]
    monkeypatch.setattr(module, "evidence", lambda *each: made.append(1) or evidence(*each))
    fresh = replace(model)
    assert_same_evidence(remember(fresh), fresh)
    assert made == [1]


@pytest.mark.parametrize("how", ["whole", "gone before", "gone meanwhile", "cut short"])
def test_a_second_process_gives_the_same_evidence(
    how: str, model: Fit, monkeypatch: pytest.MonkeyPatch
) -> None:
    scripts = {
        "gone before": "",
        "gone meanwhile": "input()",
        "cut short": "input(); print('[[\"errors\", 9]]'); print('x', end='')",
    }
    if how in scripts:
        monkeypatch.setattr(second_process, "COMMAND", ("-c", scripts[how]))
    waiting = remember(model)
    with second_drawer() as helper:
        assert helper is not None
        helper.leave_out(waiting)
        (collect,) = waiting.coming
        assert set(collect()) == (set(EVIDENCE) if how == "whole" else set())
        assert_same_evidence(waiting, model)
