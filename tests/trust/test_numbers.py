"""Numbers of rich studies move only when somebody means it: `python -m tests.trust.numbers`."""

import json

import pandas as pd
import pytest

import perfkit as pk
from perfkit.frames import PassSummary, summarize
from tests.trust.numbers import (
    KEPT,
    STUDIES,
    Seen,
    column,
    moved,
    same,
    seen_of_frames,
    seen_of_made,
    seen_of_value,
)


@pytest.fixture(scope="module", params=STUDIES)
def of(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture(scope="module")
def study(of: str, tmp_path_factory: pytest.TempPathFactory) -> pk.Study:
    return STUDIES[of](tmp_path_factory.mktemp("rich") / "study")


@pytest.fixture(scope="module")
def summary(study: pk.Study) -> PassSummary:
    return summarize(study)


KEPT_NOW = json.loads(KEPT.read_text())


def test_no_number_of_made_passes_moved_unnoticed() -> None:
    assert moved(seen_of_made(), KEPT_NOW) == []


def test_no_measured_number_moved_unnoticed(of: str, summary: PassSummary) -> None:
    assert moved(seen_of_frames(of, summary), KEPT_NOW) == []


def test_no_decided_number_moved_unnoticed(of: str, study: pk.Study, summary: PassSummary) -> None:
    assert moved(seen_of_value(of, study, summary), KEPT_NOW) == []


@pytest.mark.parametrize(
    "other", [[1.0, 2.0, 3.001], [1.0, 3.0, 2.0], [1.0, 2.0, float("nan")], [1.0, 2.0]]
)
def test_a_moved_number_is_seen(other: list[float]) -> None:
    kept = column(pd.Series([1.0, 2.0, 3.0]))
    assert same(kept, kept)
    assert not same(column(pd.Series(other)), kept)


def test_a_moved_text_is_seen_and_another_word_is_not() -> None:
    kept = column(pd.Series(["a", "", "b", "b"]))
    assert same(column(pd.Series(["c", "", "d", "d"])), kept)
    assert not same(column(pd.Series(["a", "", "b", "a"])), kept)
    assert not same(column(pd.Series(["a", "b", "b", ""])), kept)
    now: Seen = {"value/demo/goals": {"build": [1.0, 1.0, 1.0, 1.0]}}
    assert [line.partition(":")[0] for line in moved(now, {})] == ["value/demo/goals build"]
    assert [line.partition(":")[0] for line in moved({"value/demo/x": {}}, now)] == [
        "value/demo/goals build"
    ]
