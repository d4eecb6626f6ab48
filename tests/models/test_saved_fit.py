"""What is kept of a fit, and when it is taken up again."""

import json
from dataclasses import replace
from types import SimpleNamespace
from unittest import mock

import pandas as pd
import pytest
from pandas.testing import assert_frame_equal

from perfkit.frames.summary import PassSummary
from perfkit.models.fit import Fit
from perfkit.models.refusals import Known
from perfkit.models.saved_fit import _hash, kept_text, made_from, recall, remember

NOTHING = pd.DataFrame({"x": [1.0]})


class Folder(SimpleNamespace):
    """Stands for a loaded study."""


def study_in(folder, log_format=None, logs=("",)):
    return Folder(
        settings=SimpleNamespace(targets_fps=(30.0, 60.0)),
        passes=pd.DataFrame({"pass_id": [f"p{k}" for k in range(len(logs))], "log": list(logs)}),
        gpus=NOTHING,
        systems=NOTHING,
        workloads=NOTHING,
        log_format=log_format,
        path=folder,
    )


@pytest.mark.parametrize(
    ("log_format", "logs", "moves"),
    [
        (None, ("",), ()),
        (SimpleNamespace(combined=""), ("a.csv", ""), ("a.csv",)),
        (SimpleNamespace(combined="b.csv"), ("a.csv", "a.csv"), ("a.csv", "b.csv")),
    ],
)
def test_a_key_covers_every_log_of_a_study_and_none_else(tmp_path, log_format, logs, moves):
    for name in ("a.csv", "b.csv", "c.csv"):
        (tmp_path / name).write_text("t\n1\n")
    key = made_from(study_in(tmp_path, log_format, logs))
    assert len(key) == 64
    for name in ("a.csv", "b.csv", "c.csv"):
        (tmp_path / name).write_text("t\n2\n")
        moved = made_from(study_in(tmp_path, log_format, logs))
        assert (moved != key) == (name in moves)
        key = moved
    (tmp_path / "a.csv").unlink()
    assert (made_from(study_in(tmp_path, log_format, logs)) == "") == ("a.csv" in moves)


def test_names_that_are_no_text_have_a_key():
    assert _hash(["\udcff"]) != _hash(["\udcfe"])


def written(study, **changed):
    """Write down a fit without models."""
    values = {
        "family": "blend",
        "level": 0.8,
        "seed": 5,
        "left_out": pd.DataFrame({"pass_id": ["p0"], "reason": ["cold"]}),
        "warnings": ("W\u00fcrfel",),
        "runs_that_teach": ("one", "two"),
        "study": study,
        "known": Known(NOTHING, NOTHING["x"], NOTHING["x"], {}, frozenset(), (), frozenset()),
        "models": (),
        "cells": NOTHING,
    }
    return Fit(**(values | changed))


def saved(tmp_path):
    study = study_in(tmp_path)
    study.passes["avg_fps"] = 1.5
    study.passes["diary"] = "secret"
    passes = study.passes.assign(avg_fps=60.25, pacing_ms=0.125, reason="")
    summary = PassSummary(passes, pd.DataFrame({"pass_id": ["p0"], "code": ["cap"]}))
    model = remember(written(study))
    model.answers.update({"terms": pd.DataFrame({"a": [0.1]}), "never asked": NOTHING})
    assert_frame_equal(model.terms, pd.DataFrame({"a": [0.1]}))
    with mock.patch("perfkit.models.saved_fit.Study", Folder):
        return study, summary, kept_text("key", summary, model)


def test_what_is_kept_is_what_was_worked_out_and_asked_for(tmp_path):
    _, _, text = saved(tmp_path)
    told = json.loads(text)
    assert text.isascii()
    assert text.endswith("}\n")
    assert list(told["answers"]) == ["terms"]
    assert "secret" not in text
    assert told["model"]["warnings"] == ["W\u00fcrfel"]


def test_what_was_kept_comes_back(tmp_path):
    study, summary, text = saved(tmp_path)
    found, model = recall(text, "key", study, lambda passes: pytest.fail("fitted"))
    columns = ["avg_fps", "pacing_ms", "reason"]
    assert_frame_equal(found.passes[columns], summary.passes[columns], check_exact=True)
    assert found.passes["diary"].tolist() == ["secret"]
    assert_frame_equal(found.flags, summary.flags)
    assert "index" not in found.passes
    assert (model.family, model.level, model.seed) == ("blend", 0.8, 5)
    assert model.warnings == ("W\u00fcrfel",)
    assert model.runs_that_teach == ("one", "two")
    assert model.terms["a"].tolist() == [0.1]
    assert recall(text, "other", study, None) is None
    assert recall(text.replace('"key":"key"', '"key":""'), "", study, None) is None
    # Passes that were counted from elsewhere keep their places.
    moved = Folder(**(vars(study) | {"passes": study.passes.set_index(pd.Index([7]))}))
    again, _ = recall(text, "key", moved, None)
    assert again.passes.index.tolist() == [0]
    assert again.passes["avg_fps"].tolist() == [60.25]
    assert list(again.passes) == list(found.passes)


def test_a_new_question_is_fitted_for_once(tmp_path):
    study, _, text = saved(tmp_path)
    asked = []

    def fitted(passes):
        asked.append(passes["avg_fps"].tolist())
        return written(None)

    _, model = recall(text, "key", study, fitted)
    with mock.patch.object(Fit, "parts", return_value=NOTHING) as parts:
        assert_frame_equal(model.parts(), NOTHING)
        told = model.parts()
        told["x"] = 9.0
        assert_frame_equal(model.parts(), NOTHING)
    assert parts.call_count == 1
    with mock.patch.object(Fit, "mixed_range", return_value=NOTHING):
        model.mixed_range(NOTHING)
    assert asked == [[60.25]]


def test_evidence_that_is_coming_is_waited_for_and_nothing_else_is(tmp_path):
    told = pd.DataFrame({"from": ["afar"]})
    model = remember(written(study_in(tmp_path)))
    model.answers["terms"] = NOTHING
    model.coming.append(lambda: {"errors": told})
    assert_frame_equal(model.terms, NOTHING)
    assert len(model.coming) == 1
    assert_frame_equal(model.errors, told)
    assert model.coming == []
    model.coming.append(lambda: pytest.fail("waited"))
    assert_frame_equal(model.errors, told)
    replaced = replace(model, coming=[lambda: {}])
    with mock.patch.object(Fit, "comparison", new_callable=mock.PropertyMock, return_value=NOTHING):
        assert_frame_equal(replaced.comparison, NOTHING)
