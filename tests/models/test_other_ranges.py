"""Ranges of the mixed model and without a distribution: what is told, and why nothing is."""

from types import SimpleNamespace
from unittest import mock

import numpy as np
import pandas as pd
import pytest

from perfkit.models.cycles import Cycles
from perfkit.models.jackknife import FreeRange
from perfkit.models.new_group import NewGpu
from perfkit.models.observations import names_of
from perfkit.models.other_ranges import (
    NO_RATE,
    NOTHING_FITTED,
    TOO_FEW,
    free_table,
    heaviest,
    mixed_table,
)
from perfkit.models.rates import attach_rates
from tests.models.worlds import world

LN = np.log(2.0)
STUDY = world(gpus=3, workloads=1).study


def model(gpus=9, bandwidth=True, shift=0.0):
    """Two families of which the second weighs more, and a cycle that shifts every row."""
    rows = SimpleNamespace(names=names_of(STUDY))
    line = SimpleNamespace(log_fps=lambda asked: np.full(len(asked), np.log(40.0)))
    families = (SimpleNamespace(name="light"), SimpleNamespace(name="heavy"))
    weights = SimpleNamespace(shares=lambda names: dict(zip(names, (0.4, 0.6), strict=True)))
    trained = SimpleNamespace(
        cells=SimpleNamespace(rows=rows, gpus=np.arange(gpus)),
        recipe=SimpleNamespace(families=families),
        fitted=(None, line),
        settled=SimpleNamespace(choice=SimpleNamespace(weights=weights)),
    )
    cycle = SimpleNamespace(expected_shift=lambda log_ms, seconds: np.full(len(log_ms), shift))
    cycles = Cycles({"W00": (cycle, SimpleNamespace(seconds=lambda log_ms: log_ms))})
    return SimpleNamespace(trained=trained, bandwidth=bandwidth, cpu_fill=1.0, cycles=cycles)


def rates(**columns):
    table = pd.DataFrame({"system": "S0", "gpu": ["G00", "G01"], "workload": "W00"})
    table = table.assign(width=1920, height=1080, render_scale=1.0)
    return attach_rates(STUDY, table).assign(**columns)


def told(*reasons):
    return pd.Series(list(reasons), dtype="str")


def mixed(made, device=0.6 * LN, level=0.5, shift=0.0, **columns):
    """Ask a mixed model that says 80 FPS; upper quartile of its t at one scale."""
    new = NewGpu(np.full(2, 0.8 * LN), device, 0.0, 1.0)
    fitted = SimpleNamespace(
        new_gpu=lambda rows: NewGpu(new.line[: len(rows)], device, 0.0, 1.0),
        log_fps=lambda rows: np.full(len(rows), np.log(80.0)),
    )
    with mock.patch("perfkit.models.workload_slopes.WorkloadSlopes.fit", return_value=fitted):
        return mixed_table(made, rates(**columns), told("", ""), level)


def test_a_mixed_range_is_that_of_the_t():
    found = mixed(model())
    np.testing.assert_allclose(found["fps"], 80.0)
    np.testing.assert_allclose(found["pred_low"], 40.0)
    np.testing.assert_allclose(found["pred_high"], 160.0)
    np.testing.assert_allclose(found["mean_low"], 40.0)
    np.testing.assert_allclose(found["mean_high"], 160.0)
    np.testing.assert_allclose(
        found[["sd_line", "sd_gpu", "sd_pass", "dof"]], [[0.8 * LN, 0.6 * LN, 0, 1]] * 2
    )
    assert found["reason"].tolist() == ["", ""]
    # A round of load that passes see only the heavy part of.
    heavy = mixed(model(shift=LN))
    np.testing.assert_allclose(heavy["fps"], 40.0)
    np.testing.assert_allclose(heavy["pred_high"], 80.0)
    # At 80 % the t of one degree ends at tan(0.4 pi).
    wide = mixed(model(), level=0.8)
    np.testing.assert_allclose(wide["pred_high"], 80.0 * 2 ** np.tan(0.4 * np.pi))
    np.testing.assert_allclose(wide["mean_low"], 80.0 * 2 ** -np.tan(0.4 * np.pi))


def test_why_a_mixed_model_tells_nothing():
    few = mixed(model(), device=np.nan)
    assert few["reason"].tolist() == [TOO_FEW] * 2
    np.testing.assert_allclose(few["fps"], 80.0)
    assert few["pred_low"].isna().all()
    assert (few["dof"] == 0).all()
    unknown = mixed(model(), bandwidth_gb_s=[100.0, np.nan])
    assert unknown["reason"].tolist() == ["", NO_RATE]
    assert np.isnan(unknown["fps"][1])
    plain = mixed(model(bandwidth=False), bandwidth_gb_s=[100.0, np.nan])
    assert plain["reason"].tolist() == ["", ""]
    assert (
        mixed(model(bandwidth=False), arithmetic_tflops=np.nan)["reason"].tolist() == [NO_RATE] * 2
    )
    refused = mixed_table(model(), rates(), told("no", "no"), 0.9)
    assert refused["reason"].tolist() == ["no", "no"]
    nothing = mixed_table(None, rates(), told("no", ""), 0.9)
    assert nothing["reason"].tolist() == ["no", NOTHING_FITTED]
    assert nothing["fps"].isna().all()


def free(made, level=0.9, low=(3.0, -np.inf), reasons=("", "")):
    found = FreeRange(np.array(low), np.array([4.0, np.inf]), np.array([9, 8]), 0.8)
    with mock.patch("perfkit.models.other_ranges.free_range", return_value=found) as asked:
        return free_table(made, rates(), told(*reasons), level), asked


def test_a_free_range_is_of_the_heaviest_family():
    made = model()
    assert heaviest(made.trained).name == "heavy"
    found, asked = free(made)
    assert asked.call_args.args[0].name == "heavy"
    assert found["family"].tolist() == ["heavy", "heavy"]
    assert list(found)[6] == "family"
    np.testing.assert_allclose(found["fps"], 40.0)
    np.testing.assert_allclose(found["pred_low"], [np.exp(3.0), np.nan])
    np.testing.assert_allclose(found["pred_high"], [np.exp(4.0), np.nan])
    np.testing.assert_allclose(found["guaranteed"], [0.8, np.nan])
    assert found["gpus"].tolist() == [9, 8]
    shifted, _ = free(model(shift=LN))
    np.testing.assert_allclose(shifted["fps"], 20.0)
    np.testing.assert_allclose(shifted["pred_high"], [np.exp(4.0) / 2, np.nan])


@pytest.mark.parametrize(
    ("level", "text"),
    [(0.9, "at 90% {} 9 "), (0.5, "at 50% {} 1 "), (0.8, "at 80% {} 4 "), (0.95, "at 95% {} 19 ")],
)
def test_why_there_is_no_free_range(level, text):
    found, _ = free(model(), level)
    assert found["reason"][0] == ""
    assert text.format("without a distribution needs") in found["reason"][1]
    one, _ = free(model(gpus=1), level)
    assert one["reason"].tolist() == ["one GPU was measured, and none can be left out"] * 2
    two, _ = free(model(gpus=2), level)
    assert two["reason"][0] == ""
    none, _ = free(None, level, reasons=("no", ""))
    assert none["reason"].tolist() == ["no", NOTHING_FITTED]
    assert none["family"].tolist() == ["", ""]
