"""The table of predictions, from written models: parts, ranges left, words."""

from dataclasses import replace
from types import SimpleNamespace
from unittest import mock

import numpy as np
import pandas as pd
import pytest

from perfkit.models.borrowing import Borrowed
from perfkit.models.cycles import Cycles
from perfkit.models.intervals import Scales
from perfkit.models.observations import names_of, to_rows
from perfkit.models.outside_seen import outside
from perfkit.models.predictions import (
    Model,
    _numbers,
    believed_parts,
    frame_time_parts,
    left_range,
    limiting_part,
    predict_table,
)
from perfkit.models.rates import attach_rates
from perfkit.models.train import Predicted
from tests.models.test_refusals import known
from tests.models.worlds import World, world
from tests.outside import as_cells

NAN = np.nan
LN = np.log(2.0)


def trained(rows, families):
    """Written families: name, weight, parts of each row."""
    names = [name for name, _, _ in families]
    shares = {name: weight for name, weight, _ in families}

    def parts_of(parts):
        table = np.array(parts, float)
        return SimpleNamespace(parts=lambda asked: table[asked.workload])

    weights = SimpleNamespace(shares=lambda asked: {name: shares[name] for name in asked})
    return SimpleNamespace(
        cells=SimpleNamespace(rows=rows, gpus=np.unique(rows.gpu)),
        recipe=SimpleNamespace(families=[SimpleNamespace(name=name) for name in names]),
        fitted=[parts_of(parts) for _, _, parts in families],
        settled=SimpleNamespace(
            choice=SimpleNamespace(weights=weights, combination=SimpleNamespace(name="mix"))
        ),
    )


def test_parts_are_of_the_heaviest_family_that_tells_them():
    rows = as_cells(np.zeros(3), np.zeros(3), None, list("vwx")).rows
    light = [[1.0, 2.0, 3.0, 4.0], [9.0, 1.0, 1.0, 1.0], [NAN] * 4]
    heavy = [[4.0, 5.0, 6.0, 7.0], [NAN] * 4, [NAN] * 4]
    idle = [[0.0] * 4] * 3
    model = trained(rows, [("light", 0.3, light), ("heavy", 0.7, heavy)])
    np.testing.assert_array_equal(
        believed_parts(model, rows), [heavy[0], light[1], [NAN, NAN, NAN, NAN]]
    )
    assert limiting_part(model, rows).tolist() == ["fixed cost", "arithmetic", ""]
    assert limiting_part(trained(rows, [("idle", 1.0, idle)]), rows).tolist() == ["", "", ""]
    small = trained(rows, [("small", 1.0, [[0.1, 0.2, 0.0, 0.0]] * 3)])
    assert limiting_part(small, rows).tolist() == ["memory"] * 3


def test_frame_times_are_split_cell_by_cell_in_order():
    columns = np.zeros((3, 4))
    columns[:, 2] = np.log([4.0, 1.0, 2.0])
    rows = as_cells(np.zeros(3), columns, list("baa"), list("vvw")).rows
    parts = [[1.0, 2.0, 3.0, 4.0], [9.0, 1.0, 1.0, 1.0]]
    model = SimpleNamespace(trained=trained(rows, [("one", 1.0, parts)]))
    found = frame_time_parts(model)
    assert found["workload"].tolist() == ["v", "v", "w"]
    assert found.index.tolist() == [0, 1, 2]
    assert found["drawn_mpx"].tolist() == pytest.approx([1.0, 4.0, 2.0])
    assert found["gpu"].tolist() == ["a", "b", "a"]
    assert found["memory_ms"].tolist() == [2.0, 2.0, 1.0]
    assert found["fixed_cost_ms"].tolist() == [4.0, 4.0, 1.0]
    assert found["limited_by"].tolist() == ["fixed cost", "fixed cost", "arithmetic"]


def market() -> World:
    w = world(gpus=3, workloads=2, systems=2)
    w.study.gpus["compute_units"] = [10.0, 20.0, 80.0]
    w.study.gpus["bandwidth_gb_s"] = [100.0, 200.0, NAN]
    w.study.gpus["memory_gib"] = [8.0, 8.0, 6.0]
    w.study.gpus["kind"] = ["discrete", "discrete", ""]
    w.study.gpus["family"] = ["", "", "new"]
    w.study.systems["cpu_speed"] = [1.0, NAN]
    return w


def asked(w: World, gpus, systems=("S0",), bandwidth=True, workload="W00"):
    table = pd.DataFrame({"gpu": list(gpus)}).assign(
        system=systems[0], workload=workload, width=1920, height=1080, render_scale=1.0
    )
    if len(systems) > 1:
        table["system"] = list(systems)
    table = attach_rates(w.study, table)
    return table, to_rows(names_of(w.study), table, bandwidth=bandwidth, cpu_fill=1.0)


def model_of(rows, bandwidth=True):
    return SimpleNamespace(trained=trained(rows, []), bandwidth=bandwidth)


def test_what_left_which_range_is_said():
    w = market()
    _, seen = asked(w, ["G00", "G01"])
    table, rows = asked(w, ["G00", "G02", "G01"], bandwidth=False)
    rows = replace(rows, bandwidth_gb_s=np.array([100.0, 400.0, 200.0]))
    said = left_range(model_of(seen), rows, outside(seen, rows), table)
    assert said == [
        "",
        "arithmetic rate 20.5 TFLOP/s outside 2.56 to 5.12; bandwidth 400 GB/s outside 100 to 200; "
        "memory 6 GiB below 8 GiB; never run on family new",
        "",
    ]
    table, rows = asked(w, ["G01"])
    other = replace(rows, integrated=np.array([True]), family=rows.family + 1)
    table.loc[0, ["kind", "family"]] = ""
    said = left_range(model_of(seen), other, outside(seen, other), table)
    assert said == ["never run on this kind of GPU; never run on family not stated"]


def test_a_rate_that_is_not_known_is_said_where_the_fit_uses_it():
    w = market()
    table, rows = asked(w, ["G00", "G02"], ["S0", "S1"], bandwidth=False)
    rows = replace(rows, family=np.zeros(2, int), memory_gib=np.full(2, 8.0))
    rows = replace(rows, arithmetic_tflops=np.ones(2))
    two_speeds = replace(rows, cpu_speed=np.array([1.0, 2.0]))
    for bandwidth, seen, said in (
        (False, two_speeds, "bandwidth not known; processor speed not known"),
        (True, two_speeds, "processor speed not known"),
        (True, rows, ""),
    ):
        left = left_range(model_of(seen, bandwidth), rows, outside(seen, rows), table)
        assert left == ["", said]


def written(rows, borrows=False, cycles=None, low=-LN):
    """Say 100 FPS of every row, the upper quartile at twice and the lower at half of it."""

    def said(asked):
        one = np.ones(len(asked))
        scales = Scales(0 * one, LN * one, LN / 2 * one, one)
        return Predicted(np.log(100.0) * one, scales, low * one, 0.1 * one)

    home = np.array([5 if borrows else -1, -1])
    borrowed = Borrowed(None, None, home, np.array([1.0, NAN]), np.array([3.0, 0.0]))
    own = SimpleNamespace(predict=said, **vars(trained(rows, [])))
    return Model(own, True, 1.0, borrowed, cycles or Cycles())


def test_numbers_follow_from_the_t():
    w = market()
    _, rows = asked(w, ["G00"])
    found = _numbers(written(rows), rows, 0.5).iloc[0]
    assert found["fps"] == pytest.approx(100.0)
    assert found["pred_low"] == pytest.approx(50.0)
    assert found["pred_high"] == pytest.approx(200.0)
    assert found["mean_high"] == pytest.approx(100.0 * 2**0.5)
    assert found["mean_low"] == pytest.approx(100.0 / 2**0.5)
    assert found["low_1pct_fps"] == pytest.approx(50.0)
    assert found["low_1pct_low"] == pytest.approx(50.0 * np.exp(-0.1))
    assert found["low_1pct_high"] == pytest.approx(50.0 * np.exp(0.1))
    assert (found["scale_device"], found["dof"], found["borrows"]) == (0.0, 1.0, False)
    cycle = SimpleNamespace(expected_shift=lambda log_ms, seconds: np.full(len(log_ms), LN))
    length = SimpleNamespace(seconds=lambda log_ms: log_ms)
    slow = _numbers(written(rows, cycles=Cycles({"W00": (cycle, length)})), rows, 0.5).iloc[0]
    # Passes that see the heavy half of a round: half the FPS.
    assert slow["fps"] == pytest.approx(50.0)
    assert slow["pred_high"] == pytest.approx(100.0)


def test_borrowed_numbers_take_the_place_of_the_models():
    w = market()
    _, rows = asked(w, ["G00"])
    with mock.patch.object(Borrowed, "predict", return_value=(np.log([40.0]), np.array([LN]))):
        found = _numbers(written(rows, borrows=True), rows, 0.5).iloc[0]
    assert found["fps"] == pytest.approx(40.0)
    assert (found["dof"], found["borrows"]) == (3.0, True)
    assert found["scale_own"] == pytest.approx(LN)


def test_the_first_model_that_can_answers_and_remarks_follow():
    w = market()
    table, _ = asked(w, ["G00", "G02", "G01"])
    table.loc[2, "workload"] = "nothing"
    _, measured = asked(w, ["G00", "G01"])
    first, second = written(measured), replace(written(measured), bandwidth=False)
    caps = pd.Series({"W00": 90.0})
    full = predict_table(w.study, known(caps=caps), (first, second), table, 0.5)
    assert full["reason"].tolist() == [
        "without the cap: every pass of it was held to at most 90 FPS",
        "without the cap: every pass of it was held to at most 90 FPS",
        "workload 'nothing' is not in workloads.csv",
    ]
    assert full["limited_by"].tolist() == ["cap", "cap", ""]
    assert full["inside_range"].tolist() == [True, False, False]
    assert full["model"].tolist() == ["mix", "mix", ""]
    assert full["basis"].tolist() == ["predicted", "predicted", ""]
    np.testing.assert_allclose(full["fps"], [100.0, 100.0, NAN])
    alone = predict_table(w.study, known(), (first,), table.iloc[:2], 0.5)
    assert alone["reason"].tolist() == ["", "the memory bandwidth of G02 in S0 is not known"]
    assert alone["limited_by"].tolist() == ["", ""]


def test_a_model_answers_for_workloads_that_it_saw():
    w = market()
    table, _ = asked(w, ["G00", "G00"])
    table["workload"] = ["W00", "W01"]
    _, measured = asked(w, ["G00", "G01"])
    bounds = known(bounds=pd.Series({"W01": 60.0}), workloads=frozenset({"W00"}))
    found = predict_table(w.study, bounds, (written(measured),), table, 0.5)
    assert found["limited_by"].tolist() == ["", "cap"]
    assert found["reason"][1].startswith("every pass of W01 was held by a cap: at least 60 FPS")
    assert np.isnan(found["fps"][1])


def test_one_gpu_and_one_gpu_of_a_workload_are_said():
    w = market()
    table, _ = asked(w, ["G01"])
    _, one = asked(w, ["G00"])
    found = predict_table(w.study, known(), (written(one),), table, 0.5)
    assert found["reason"][0].startswith("only G00 was measured: nothing says how another GPU")
    assert np.isnan(found["fps"][0])
    _, two = asked(w, ["G00", "G01"])
    with mock.patch.object(Borrowed, "predict", return_value=(np.log([40.0]), np.array([NAN]))):
        found = predict_table(w.study, known(), (written(two, borrows=True),), table, 0.5)
    assert found["reason"][0].startswith("W00 was run on one GPU only, and too few other workloads")
    assert found["basis"][0] == ""


def test_memory_and_unknown_lows_are_remarked():
    w = market()
    table, _ = asked(w, ["G00"])
    _, measured = asked(w, ["G00", "G01"])
    needs = pd.DataFrame({"workload": ["W00"], "mpx": [9.0], "memory_used_gib": [10.0]})
    model = written(measured, low=NAN)
    found = predict_table(w.study, known(needs=needs), (model,), table, 0.5)
    assert found["reason"][0] == (
        "G00 may use 8 GiB, less than the 10 GiB seen in use at a larger size; "
        "1 % low not known: no pass of W00 has frames enough"
    )
    assert found["fps"][0] == pytest.approx(100.0)
