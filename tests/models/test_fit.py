"""What a fit shows and promises."""

import dataclasses
from types import SimpleNamespace
from unittest import mock

import numpy as np
import pandas as pd
import pytest
from scipy.stats import t as student

from perfkit.models import Fit, fit
from perfkit.models.family import PARTS
from perfkit.models.left_out_errors import CHOSEN_ANEW, COMPARISON, interval_score
from perfkit.models.workload_slopes import WorkloadSlopes
from tests.models.worlds import World, rows_of, world


@pytest.fixture(scope="module")
def small() -> World:
    return world(3, gpus=6, workloads=3, systems=2)


@pytest.fixture(scope="module")
def model(small) -> Fit:
    return fit(small.study, small.without("G02"))


def test_comparison_shows_winner_losers_and_the_honest_row(model):
    table = model.comparison
    assert tuple(table.columns) == COMPARISON
    assert table.loc[table["chosen"], "family"].tolist() == [model.family]
    assert {"time sum", "power law", CHOSEN_ANEW} <= set(table["family"])
    assert table["coverage"].between(0, 1).all()


def test_errors_are_one_row_per_cell_and_give_the_honest_row(model, small):
    assert len(model.errors) == len(small.truth) * 5 / 6
    error = 100 * np.abs(model.errors["predicted"] / model.errors["fps"] - 1)
    honest = model.comparison.set_index("family").loc[CHOSEN_ANEW]
    assert error.median() == pytest.approx(honest["median_abs_pct"])
    by_workload = model.by_workload()
    assert by_workload["cells"].sum() == len(model.errors)
    assert (by_workload["median_abs_pct"] > 0).all()


def test_parts_of_the_frame_time_name_the_limit(model):
    parts = model.parts()
    columns = [f"{part.replace(' ', '_')}_ms" for part in PARTS]
    largest = parts[columns].to_numpy().argmax(axis=1)
    assert parts["limited_by"].tolist() == [PARTS[k] for k in largest]


def test_prediction_is_one_row_per_target_in_order(model, small):
    targets = small.targets("G02").sample(frac=1.0, random_state=2)
    table = model.predict(targets)
    keys = ["system", "gpu", "workload", "width", "height"]
    pd.testing.assert_frame_equal(table[keys], targets[keys].reset_index(drop=True))
    assert table["level"].eq(0.9).all()
    assert (table["low_1pct_fps"] <= table["fps"]).all()
    assert (table["low_1pct_high"] <= table["pred_high"]).all()
    without_scale = model.predict(targets.drop(columns="render_scale"))
    pd.testing.assert_frame_equal(table, without_scale)


def test_no_target_gives_no_row(model, small):
    assert len(model.predict(small.targets("G02").iloc[:0])) == 0


def test_a_higher_level_is_wider_and_the_median_stays(small):
    targets = small.targets("G02").head(4)
    passes = small.without("G02")
    half, most = (fit(small.study, passes, level=p).predict(targets) for p in (0.5, 0.99))
    np.testing.assert_allclose(half["fps"], most["fps"])
    assert (most["pred_high"] > half["pred_high"]).all()


def test_draws_agree_with_the_table(model, small):
    targets = small.targets("G02").head(3)
    table = model.predict(targets)
    draws = model.draws(targets, n=4000)
    low = np.quantile(draws, 0.05, axis=0)
    np.testing.assert_allclose(low, table["pred_low"], rtol=0.05)
    np.testing.assert_array_equal(draws, model.draws(targets, n=4000, seed=model.seed))


def test_the_result_is_frozen_and_repeatable(model, small):
    with pytest.raises(dataclasses.FrozenInstanceError, match="cannot assign to field 'family'"):
        model.family = "other"
    again = fit(small.study, small.without("G02"))
    pd.testing.assert_frame_equal(again.comparison, model.comparison)
    assert again._repr_html_() == model._repr_html_()


def test_errors_by_family_and_workload_are_those_of_the_comparison(model, small):
    table = model.family_errors
    assert set(table["family"]) == set(model.comparison["family"])
    cells = table.groupby("family")["cells"].sum()
    assert (cells == len(model.errors)).all()
    anew = table[table["family"].eq(CHOSEN_ANEW)].set_index("workload")
    honest = model.by_workload().set_index("workload")
    for column in ("median_abs_pct", "bias_pct"):
        np.testing.assert_allclose(anew[column], honest.loc[anew.index, column], rtol=1e-9)


def test_html_shows_bias_and_limits_at_the_gpus_asked_for(small):
    small.study.targets = small.targets("G02")
    html = fit(small.study, small.without("G02"))._repr_html_()
    for caption in (
        "Signed bias by workload and family",
        "on the GPUs measured",
        "on the GPUs asked for",
    ):
        assert caption in html
    asked = html[html.index("on the GPUs asked for") :]
    assert "G02" in asked
    assert any(part in asked for part in PARTS)


def test_a_mixed_model_has_a_range_for_a_new_gpu(model, small):
    targets = small.targets("G02")
    table = model.mixed_range(targets)
    cells = model.models[0].trained.cells
    fitted = WorkloadSlopes("slopes").fit(cells)
    new = fitted.new_gpu(rows_of(small, targets))
    reach = student.ppf(0.95, new.dof) * np.sqrt(new.line**2 + new.device**2 + new.own**2)
    np.testing.assert_allclose(np.log(table["pred_high"] / table["fps"]), reach, rtol=1e-9)
    assert (table["mean_high"] < table["pred_high"]).all()
    few = fit(small.study, small.passes[small.passes["gpu"].isin(["G00", "G01", "G03"])])
    refused = few.mixed_range(targets)
    assert refused["pred_low"].isna().all()
    assert refused["reason"].str.contains("needs 4 GPUs").all()


def test_a_range_without_a_distribution_needs_nine_gpus(model):
    w = world(4, gpus=11, workloads=2, sizes=((1920, 1080),))
    found = fit(w.study, w.without("G05")).free_range(w.targets("G05"))
    assert found["gpus"].eq(10).all()
    assert (found["pred_low"] < found["fps"]).all()
    assert (found["fps"] < found["pred_high"]).all()
    assert found["guaranteed"].round(9).eq(0.8).all()
    few = model.free_range(w.targets("G02").assign(workload="W00").head(1))
    assert few["pred_low"].isna().all()
    assert few["reason"].str.contains("needs 9 GPUs").all()
    unknown = model.free_range(w.targets("G02").assign(workload="never run").head(1))
    assert unknown["fps"].isna().all()
    assert unknown["reason"].ne("").all()


def test_html_escapes_every_name():
    w = world(3, gpus=4, workloads=2, sizes=((1920, 1080),))
    for frame in (w.study.workloads, w.passes):
        frame["workload"] = frame["workload"].replace("W01", "<script>alert(1)</script>")
    html = fit(w.study, w.passes)._repr_html_()
    assert "<script>" not in html
    assert "&lt;script&gt;" in html
    assert "more FPS" in html


def test_interval_score_is_that_of_the_paper():
    # Gneiting and Raftery (2007), equation 43: (u - l) + 2/alpha (l - x) below, by hand
    score = interval_score(np.array([0.0, 1.5]), np.array([1.0, 1.0]), np.array([2.0, 2.0]), 0.9)
    np.testing.assert_allclose(score, [1.0 + 20.0, 1.0])


def written_fit(models=(), **changed) -> Fit:
    """Fit whose models are names."""
    study = world(gpus=2, workloads=1).study
    values = {"family": "blend", "level": 0.8, "seed": 5, "left_out": None, "warnings": ("<w>",),
              "runs_that_teach": (), "study": study, "known": None, "models": models,
              "cells": None}  # fmt: skip
    return Fit(**(values | changed))


def test_the_first_model_is_asked_and_evidence_told_apart():
    first = SimpleNamespace(trained=SimpleNamespace(cells="cells", recipe="recipe"))
    model = written_fit((first, None), cells="table")
    frames = [pd.DataFrame({"family": [name]}) for name in "abc"]
    with mock.patch("perfkit.models.fit.evidence", return_value=tuple(frames)) as asked:
        assert model.comparison is frames[0]
        assert model.errors is frames[1]
        assert model.family_errors is frames[2]
    asked.assert_called_once_with("cells", "recipe", "blend", "table", 0.8)
    with (
        mock.patch("perfkit.models.fit.terms_of", side_effect=lambda trained: trained),
        mock.patch("perfkit.models.fit.frame_time_parts", side_effect=lambda given: given),
    ):
        assert model.terms is first.trained
        assert model.parts() is first
        none = written_fit()
        assert none.terms is None
        assert len(none.parts()) == 0
        assert len(none.comparison) == len(none.errors) == len(none.family_errors) == 0


def test_configurations_are_completed_and_their_places_counted_anew():
    model = written_fit(("first", "second"))
    asked = model.study.gpus[["gpu"]].assign(
        system="S0", workload="W00", width=1920, height=1080, note="x"
    )
    asked.index = [7, 3]
    plain = model._rated(asked)
    assert plain.index.tolist() == [0, 1]
    assert "note" not in plain
    assert "index" not in plain
    assert plain["render_scale"].tolist() == [1.0, 1.0]
    scaled = model._rated(asked.assign(render_scale=[0.5, np.nan]))
    assert scaled["render_scale"].tolist() == [0.5, 1.0]
    assert scaled["drawn_mpx"].tolist() == [2.0736 / 4, 2.0736]
    said = pd.DataFrame({"fps": [60.0, np.nan], "reason": ["a remark", "why not"]})
    with mock.patch.object(Fit, "predict", return_value=said):
        main, rates, refused = model._told(asked)
        assert main == "first"
        assert refused.tolist() == ["", "why not"]
        pd.testing.assert_frame_equal(rates, plain)
        assert written_fit()._told(asked)[0] is None


def test_draws_take_the_fits_seed_unless_told_another():
    model = written_fit()
    with (
        mock.patch.object(Fit, "predict", return_value="table"),
        mock.patch("perfkit.models.fit.draw_fps") as draw,
    ):
        model.draws("targets", n=7)
        model.draws("targets", n=7, seed=0)
    assert [call.args for call in draw.call_args_list] == [("table", 7, 5), ("table", 7, 0)]


def test_a_page_part_shows_each_limit_once_and_says_where_there_is_no_model():
    parts = pd.DataFrame({"workload": "v", "gpu": ["g", "g", "h"], "system": "S",
                          "drawn_mpx": [1.5, 2.5, 3.5]})  # fmt: skip
    nothing = pd.DataFrame({"family": [], "workload": [], "median_abs_pct": [], "bias_pct": []})
    told = (nothing, nothing, nothing)
    with (
        mock.patch.object(Fit, "parts", return_value=parts),
        mock.patch.object(Fit, "by_workload", return_value=nothing),
        mock.patch("perfkit.models.fit.no_evidence", return_value=told),
    ):
        page = written_fit()._repr_html_()
        assert page.startswith("<section><h3>Model: blend</h3>")
        assert written_fit(family="")._repr_html_().startswith("<section><h3>No model</h3>")
    assert "<td>1.5</td>" in page
    assert "<td>2.5</td>" not in page
    assert "<td>3.5</td>" in page
    assert "&lt;w&gt;" in page
    assert "GPUs asked for" not in page
