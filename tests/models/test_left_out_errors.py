"""Errors on GPUs left out, on numbers worked by hand."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from perfkit.models.left_out_errors import (
    BY_WORKLOAD,
    COMPARISON,
    by_workload,
    error_rows,
    errors_by_workload,
    evidence,
    interval_score,
    summary,
)
from perfkit.models.registry import RECIPE
from perfkit.models.train import Nested
from tests.models.worlds import cells_of, world
from tests.outside import as_cells

NAN = np.nan


def seven():
    """Cells of 100 FPS, the last one held by a cap; v five times, w twice."""
    cells = as_cells(np.full(7, np.log(100.0)), np.zeros(7), list("abcdeab"), list("vvvvvww"))
    return replace(cells, at_least=np.arange(7) == 6)


def nested(predicted, low, high):
    return Nested(np.log(predicted), np.array(low), np.array(high), tuple("pqrstuv"))


SAID = nested(
    [110.0, 90.0, 105.0, 98.0, NAN, 125.0, 300.0],
    [80.0, 60.0, 100.0, NAN, NAN, 110.0, 1.0],
    [120.0, 90.0, 130.0, NAN, NAN, 130.0, 2.0],
)


def test_a_summary_counts_what_was_measured_and_predicted():
    found = summary("one", seven(), SAID, 0.9)
    # Errors +10, -10, +5, -2 and +25 %; nine in ten between the fourth and the fifth, 0.6 of it.
    assert found["median_abs_pct"] == pytest.approx(10.0)
    assert found["p90_abs_pct"] == pytest.approx(10.0 + 0.6 * 15.0)
    mean = np.log([1.1, 0.9, 1.05, 0.98, 1.25]).mean()
    assert found["bias_pct"] == pytest.approx(100 * (np.exp(mean) - 1))
    # Of four ranges the first holds 100, and the third begins there.
    assert found["coverage"] == 0.5
    widths = np.log([120 / 80, 90 / 60, 130 / 100, 130 / 110])
    misses = np.log([1.0, 100 / 90, 1.0, 110 / 100])
    assert found["interval_score"] == pytest.approx((widths + 20 * misses).mean())
    assert set(found) == set(COMPARISON[:-1])


def test_a_range_that_ends_at_what_was_measured_holds_it():
    ends = nested([100.0] * 7, [100.0, 90.0, 101.0, 80.0, NAN, NAN, NAN], [110.0, 100.0] * 3 + [1])
    found = summary("one", seven(), replace(ends, low=ends.low, high=ends.high), 0.8)
    assert found["coverage"] == 0.75


def test_without_prediction_or_range_nothing_is_summed_up():
    nothing = nested([NAN] * 6 + [90.0], [NAN] * 7, [NAN] * 7)
    found = summary("one", seven(), nothing, 0.9)
    assert found.pop("family") == "one"
    assert list(found) == list(COMPARISON[1:-1])
    assert np.isnan(list(found.values())).all()
    plain = summary("one", seven(), nested([110.0] * 7, [NAN] * 7, [NAN] * 7), 0.9)
    assert plain["median_abs_pct"] == pytest.approx(10.0)
    assert np.isnan([plain["coverage"], plain["interval_score"]]).all()


def test_score_is_the_width_and_twenty_times_the_miss_at_nine_tenths():
    # Gneiting and Raftery (2007), equation 43: 2 / 0.1 = 20; 2 / 0.5 = 4.
    seen, low, high = np.array([3.0, 1.0, -2.0, 2.0, 0.0]), np.zeros(5), np.full(5, 2.0)
    expected = np.array([22.0, 2.0, 42.0, 2.0, 2.0])
    np.testing.assert_allclose(interval_score(seen, low, high, 0.9), expected)
    np.testing.assert_allclose(interval_score(seen, low, high, 0.5)[[0, 2]], [6.0, 10.0])


def test_errors_of_candidates_by_workload():
    worse = nested([120.0] * 7, [1.0] * 7, [1.0] * 7)
    table = by_workload(["one", "other"], seven(), [SAID, worse])
    assert tuple(table.columns) == BY_WORKLOAD
    assert table["family"].tolist() == ["one", "one", "other", "other"]
    assert table["workload"].tolist() == ["v", "w", "v", "w"]
    assert table["cells"].tolist() == [4, 1, 5, 1]
    np.testing.assert_allclose(table["median_abs_pct"], [7.5, 25.0, 20.0, 20.0])
    bias = 100 * (np.exp(np.log([1.1, 0.9, 1.05, 0.98]).mean()) - 1)
    np.testing.assert_allclose(table["bias_pct"], [bias, 25.0, 20.0, 20.0])


def test_honest_errors_by_workload():
    errors = pd.DataFrame(
        {
            "workload": list("wwwv"),
            "fps": [100.0, 100.0, 50.0, 80.0],
            "predicted": [110.0, 80.0, NAN, 80.0],
            "pred_low": [100.0, 50.0, 1.0, 60.0],
            "pred_high": [120.0, 99.0, 99.0, 80.0],
        }
    )
    table = errors_by_workload(errors)
    assert table["workload"].tolist() == ["v", "w"]
    assert table["cells"].tolist() == [1, 2]
    np.testing.assert_allclose(table["median_abs_pct"], [0.0, 15.0], atol=1e-12)
    np.testing.assert_allclose(table["bias_pct"], [0.0, 100 * (np.sqrt(0.88) - 1)], atol=1e-12)
    assert table["coverage"].tolist() == [1.0, 0.5]


def test_rows_tell_what_was_measured_in_passes_and_sizes_that_hold_as_many_pixels_apart():
    cells = as_cells(np.log([50.0, 60.0, 70.0, 80.0]), np.zeros(4), list("abaa"), list("vvvw"))
    shift = np.log([1.25, 1.0, 1.0, 1.0])
    cells = replace(cells, load_shift=shift, at_least=np.arange(4) == 3)
    table = pd.DataFrame(
        {
            "gpu": list("abaa"),
            "system": "system",
            "workload": list("vvvw"),
            "width": [1920, 1920, 1080, 640],
            "height": [1080, 1080, 1920, 480],
            "render_scale": 1.0,
            "at_least": [False, False, False, True],
            "drawn_mpx": 1.0,
            "output_mpx": 1.0,
        }
    )
    said = Nested(np.log([55.0, 66.0, 7.0, 8.0]), np.full(4, 5.0), np.full(4, 100.0), tuple("pqrs"))
    found = error_rows(table, cells, said)
    assert found["gpu"].tolist() == ["a", "b", "a"]
    assert found["width"].tolist() == [1920, 1920, 1080]
    assert found["family"].tolist() == ["p", "q", "r"]
    # The first passes saw a quarter more load than a whole round has.
    np.testing.assert_allclose(found["fps"], [40.0, 60.0, 70.0])
    np.testing.assert_allclose(found["predicted"], [44.0, 66.0, 7.0])
    np.testing.assert_allclose(found["pred_low"], [4.0, 5.0, 5.0])
    np.testing.assert_allclose(found["pred_high"], [80.0, 100.0, 100.0])


def test_evidence_needs_two_gpus_and_two_are_enough():
    w = world(1, gpus=2, workloads=2, sizes=((1920, 1080),), passes=1)
    cells = cells_of(w)
    table = w.truth.assign(at_least=False, drawn_mpx=1920 * 1080 / 1e6, output_mpx=2.0736)
    two = evidence(cells, RECIPE, "time sum", table, 0.9)
    comparison = two[0].set_index("family")
    assert comparison.index[comparison["chosen"]].tolist() == ["time sum"]
    assert len(two[1]) == 4
    nothing = evidence(cells.take(cells.rows.gpu == 0), RECIPE, "time sum", table, 0.9)
    assert [len(each) for each in nothing] == [0, 0, 0]
    for empty, full in zip(nothing, two, strict=True):
        assert empty.columns.tolist() == full.columns.tolist()
    assert nothing[1].dtypes.astype(str)["width"] == "int64"


def test_a_mixture_is_a_candidate_from_its_number_of_gpus_on():
    w = world(1, gpus=6, workloads=1, sizes=((1920, 1080),), passes=1)
    table = w.truth.assign(at_least=False, drawn_mpx=2.0736, output_mpx=2.0736)
    cells = cells_of(w)
    for count, told in ((6, True), (5, False)):
        some = cells.take(cells.rows.gpu < count)
        found = evidence(some, RECIPE, "stack", table, 0.9)[0]
        assert ("stack" in set(found["family"])) == told
