"""What a fit shows and promises."""

import dataclasses

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
