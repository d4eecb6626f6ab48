"""Draws: the stated distribution, streams by name, one device term."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import t as student

from perfkit.models.draws import draw_fps


def table(rows: int = 3, **columns: object) -> pd.DataFrame:
    frame = pd.DataFrame(
        {
            "system": "S",
            "gpu": "G",
            "workload": [f"W{i}" for i in range(rows)],
            "width": 1920,
            "height": 1080,
            "render_scale": 1.0,
            "fps": 60.0,
            "scale_device": 0.1,
            "scale_own": 0.1,
            "dof": 7.0,
        }
    )
    return frame.assign(**columns)


def test_same_seed_same_draws_and_another_seed_others():
    np.testing.assert_array_equal(draw_fps(table(), 50, 1), draw_fps(table(), 50, 1))
    assert not np.array_equal(draw_fps(table(), 50, 1), draw_fps(table(), 50, 2))


def test_further_and_reordered_rows_leave_the_others_alone():
    few, many = table(3), table(6)
    np.testing.assert_array_equal(draw_fps(few, 20, 1), draw_fps(many, 20, 1)[:, :3])
    turned = few.iloc[::-1]
    np.testing.assert_array_equal(draw_fps(few, 20, 1)[:, ::-1], draw_fps(turned, 20, 1))


@pytest.mark.parametrize("dof", [2.0, 7.0, 30.0])
def test_quantiles_are_those_of_the_stated_t(dof):
    draws = np.log(draw_fps(table(1, dof=dof), 200_000, 3)[:, 0] / 60.0) / np.hypot(0.1, 0.1)
    for probability in (0.05, 0.5, 0.95):
        share = np.mean(draws <= student.ppf(probability, dof))
        assert share == pytest.approx(probability, abs=4 * np.sqrt(0.25 / 200_000))


def test_rows_that_differ_in_one_word_have_streams_of_their_own():
    frame = table(7, workload="W", scale_device=0.0)
    frame.loc[1, "system"] = "T"
    frame.loc[2, "workload"] = "V"
    frame.loc[3, "width"] = 1280
    frame.loc[4, "height"] = 720
    frame.loc[5, "render_scale"] = 0.5
    drawn = draw_fps(frame, n=50, seed=1)
    assert len({tuple(column) for column in drawn.T}) == 6
    np.testing.assert_array_equal(drawn[:, 0], drawn[:, 6])


def test_rows_of_a_device_share_its_term():
    draws = np.log(draw_fps(table(2, dof=1e6), 100_000, 4))
    assert np.corrcoef(draws.T)[0, 1] == pytest.approx(0.5, abs=0.02)
    apart = table(2, gpu=["G", "H"], dof=1e6)
    assert np.corrcoef(np.log(draw_fps(apart, 100_000, 4)).T)[0, 1] == pytest.approx(0, abs=0.02)


def test_independent_draws_would_make_a_mean_far_too_sure():
    # Equal shared and own variance, twelve games: sqrt(1/2 + 1/24) against sqrt(1/12).
    shared = np.log(draw_fps(table(12, dof=1e6), 50_000, 5)).mean(axis=1).std()
    apart = table(12, gpu=[f"G{i}" for i in range(12)], dof=1e6)
    independent = np.log(draw_fps(apart, 50_000, 5)).mean(axis=1).std()
    assert shared / independent == pytest.approx(2.55, rel=0.03)


def test_unknown_rows_stay_unknown():
    draws = draw_fps(table(3, fps=[60.0, np.nan, 60.0]), 10, 1)
    assert np.isnan(draws[:, 1]).all()
    assert np.isfinite(draws[:, [0, 2]]).all()


def test_one_degree_of_freedom_does_not_overflow():
    assert np.isfinite(draw_fps(table(1, dof=1.0, scale_device=3.0), 100_000, 1)).all()
