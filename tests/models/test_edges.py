"""Poor data: never a confident number, never an exception, always a reason."""

import numpy as np
import pandas as pd
import pytest

from perfkit.models import fit
from perfkit.models.predictions import COLUMNS, NUMBERS
from tests.models.worlds import World, world


def predict(w: World, passes: pd.DataFrame, targets: pd.DataFrame) -> pd.DataFrame:
    table = fit(w.study, passes).predict(targets)
    assert tuple(table.columns) == COLUMNS
    assert len(table) == len(targets)
    unknown = table["fps"].isna()
    assert table.loc[unknown, "reason"].ne("").all()
    assert table.loc[unknown, list(NUMBERS)].isna().all(axis=None)
    told = table[~unknown]
    assert (told["pred_low"] < told["fps"]).all()
    assert (told["fps"] < told["pred_high"]).all()
    assert (told["mean_low"] >= told["pred_low"]).all()
    assert np.isfinite(told[["scale_device", "scale_own", "dof"]]).all(axis=None)
    return table


def test_no_pass_at_all():
    w = world(gpus=3, workloads=2)
    table = predict(w, w.passes.iloc[:0], w.targets("G00"))
    assert table["reason"].eq("no pass of this study could be used to fit a model").all()


def test_one_gpu_says_so_and_names_the_runs_that_teach():
    w = world(gpus=3, workloads=3)
    model = fit(w.study, w.without("G01", "G02"))
    table = model.predict(w.targets("G01"))
    assert table["fps"].isna().all()
    assert table["reason"].str.startswith("only G00 was measured").all()
    assert "one pass at the lowest resolution" in " ".join(model.runs_that_teach)
    assert model.warnings == ("one GPU only: no other GPU can be predicted from it",)
    assert len(model.comparison) == 0


def test_two_gpus_give_very_wide_ranges():
    w = world(gpus=3, workloads=3)
    table = predict(w, w.without("G01"), w.targets("G01"))
    assert table["fps"].notna().all()
    assert table["dof"].eq(1).all()
    assert (table["pred_high"] / table["pred_low"] > 1.2).all()


def test_one_workload_one_size_one_pass():
    w = world(gpus=5, workloads=1, sizes=((1920, 1080),), passes=1)
    table = predict(w, w.without("G02"), w.targets("G02"))
    assert table["fps"].notna().all()


def test_one_workload_on_two_gpus_gets_a_number():
    w = world(gpus=8, workloads=4)
    passes = w.without("G03")
    rare = passes["workload"].eq("W02") & ~passes["gpu"].isin(["G00", "G05"])
    table = predict(w, passes[~rare], w.targets("G03"))
    assert table["fps"].notna().all()


def test_workload_on_one_gpu_borrows_and_says_so():
    w = world(gpus=8, workloads=6)
    passes = w.without("G03")
    rare = passes["workload"].eq("W02") & passes["gpu"].ne("G00")
    model = fit(w.study, passes[~rare])
    table = model.predict(w.targets("G03")).set_index("workload")
    assert table.loc["W02", "basis"].eq("predicted, slopes borrowed").all()
    assert table.loc["W01", "basis"].eq("predicted").all()
    width = np.log(table["pred_high"] / table["pred_low"])
    assert width["W02"].min() > width.drop("W02").max()
    assert "W02" in " ".join(model.warnings)
    assert model.runs_that_teach == ("run W02 on a second GPU: it has run on one only",)


def test_borrowing_without_other_workloads_is_refused():
    w = world(gpus=4, workloads=2)
    passes = w.without("G03")
    rare = passes["workload"].eq("W01") & passes["gpu"].ne("G00")
    table = predict(w, passes[~rare], w.targets("G03")).set_index("workload")
    assert table.loc["W01", "fps"].isna().all()
    assert table.loc["W01", "reason"].str.contains("was run on one GPU only").all()


def test_workload_never_run():
    w = world(gpus=5, workloads=3)
    passes = w.passes[w.passes["workload"].ne("W01")]
    table = predict(w, passes, w.targets("G01")).set_index("workload")
    assert table.loc["W01", "reason"].eq("W01 was never run: nothing says how it scales").all()
    assert table.loc["W00", "fps"].notna().all()


def test_no_bandwidth_anywhere():
    w = world(gpus=6, workloads=3)
    w.study.gpus["bandwidth_gb_s"] = np.nan
    table = predict(w, w.without("G01"), w.targets("G01"))
    assert table["fps"].notna().all()
    assert table["left_range"].str.contains("bandwidth not known").all()
    assert not table["inside_range"].any()


def test_bandwidth_of_the_asked_gpu_not_known():
    w = world(gpus=8, workloads=3)
    w.study.gpus.loc[1, "bandwidth_gb_s"] = np.nan
    targets = pd.concat([w.targets("G01"), w.targets("G02")])
    table = predict(w, w.without("G01"), targets).set_index("gpu")
    assert table.loc["G01", "left_range"].str.contains("bandwidth not known").all()
    assert table.loc["G02", "inside_range"].all()


def test_collinear_rates_warn():
    w = world(gpus=6, workloads=3)
    gpus = w.study.gpus
    gpus["bandwidth_gb_s"] = 20.0 * gpus["compute_units"]
    model = fit(w.study, w.without("G01"))
    assert any("rise together" in text for text in model.warnings)
    assert any("another balance" in run for run in model.runs_that_teach)
    assert model.predict(w.targets("G01"))["fps"].notna().all()


def test_identical_specifications():
    w = world(gpus=4, workloads=3)
    w.study.gpus[["compute_units", "bandwidth_gb_s"]] = [30.0, 300.0]
    model = fit(w.study, w.without("G01"))
    table = model.predict(w.targets("G01"))
    assert table["fps"].notna().all()
    same = "arithmetic rate and bandwidth are the same on every GPU measured"
    assert any(text.startswith(same) for text in model.warnings)
    assert any("another balance" in run for run in model.runs_that_teach)


def test_all_capped():
    w = world(gpus=4, workloads=2)
    passes = w.without("G01").assign(cap_fps=30.0, avg_fps=30.0)
    model = fit(w.study, passes)
    table = model.predict(w.targets("G01"))
    assert table["reason"].str.contains("at least 30 FPS is all that is known").all()
    assert table["fps"].isna().all()
    assert model.runs_that_teach[:2] == tuple(
        f"run {name} without the cap: every pass of it was held" for name in ("W00", "W01")
    )


@pytest.mark.parametrize(
    ("column", "value", "reason"),
    [
        ("outcome", "crashed", "crashed"),
        ("void_reason", "wrong preset", "void: wrong preset"),
        ("state", "cold", "cold"),
        ("generated_per_drawn", 1.0, "generated"),
    ],
)
def test_nothing_but_passes_that_do_not_count(column, value, reason):
    w = world(gpus=4, workloads=2)
    passes = w.without("G01").assign(**{column: value})
    model = fit(w.study, passes)
    table = model.predict(w.targets("G01"))
    assert table["fps"].isna().all()
    assert table["reason"].str.contains(reason).all()
    assert len(model.left_out) == len(passes)
    assert f"{len(passes)} passes: " in model.warnings[0]
    assert reason in model.warnings[0]
    assert any("any second GPU" in run for run in model.runs_that_teach)


def test_one_workload_capped_says_at_least():
    w = world(gpus=5, workloads=3)
    held = w.passes["workload"].eq("W01")
    passes = w.passes.assign(
        cap_fps=np.where(held, 30.0, np.nan), avg_fps=w.passes["avg_fps"].mask(held, 30.0)
    )
    model = fit(w.study, passes)
    table = model.predict(w.targets("G01")).set_index("workload")
    assert table.loc["W01", "limited_by"].eq("cap").all()
    assert table.loc["W01", "reason"].str.contains("at least 30 FPS is all that is known").all()
    assert model.left_out["reason"].eq("held by a cap: counts as at least 30").sum() == held.sum()


def test_zero_residuals():
    w = world(gpus=5, workloads=3, device_sd=0.0, own_sd=0.0, pass_sd=0.0)
    table = fit(w.study, w.without("G01")).predict(w.targets("G01"))
    assert table["fps"].notna().all()
    assert (table["pred_high"] >= table["fps"]).all()


def test_unknown_names():
    w = world(gpus=4, workloads=2)
    targets = w.targets("G01").head(3).copy()
    targets["gpu"] = ["nobody", "G01", "G01"]
    targets["system"] = ["S0", "nowhere", "S0"]
    targets["workload"] = ["W00", "W00", "nothing"]
    table = predict(w, w.passes, targets)
    assert table["reason"].tolist() == [
        "gpu 'nobody' is not in gpus.csv",
        "system 'nowhere' is not in systems.csv",
        "workload 'nothing' is not in workloads.csv",
    ]


def test_less_memory_than_the_workload_was_seen_to_use():
    w = world(gpus=5, workloads=2)
    w.study.gpus.loc[1, "memory_gib"] = 4.0
    used = np.where(w.passes["workload"].eq("W01"), 6.5, np.nan)
    passes = w.without("G01").assign(memory_used_gib=used[w.passes["gpu"].ne("G01")])
    table = predict(w, passes, w.targets("G01")).set_index("workload")
    assert (
        table.loc["W01", "reason"].tolist()
        == ["G01 may use 4 GiB, and W01 was seen to use 6.5 GiB"] * 3
    )
    assert table.loc["W00", "fps"].notna().all()


def test_passes_short_of_memory_do_not_teach():
    w = world(gpus=5, workloads=2)
    w.study.gpus.loc[1, "memory_gib"] = 4.0
    passes = w.passes.assign(memory_used_gib=np.where(w.passes["gpu"].eq("G02"), 6.5, np.nan))
    left = fit(w.study, passes).left_out
    assert left["reason"].unique().tolist() == [
        "the card has 4 GiB, the workload was seen to use 6.5 GiB"
    ]
    assert len(left) == passes["gpu"].eq("G01").sum()


def test_memory_used_only_at_a_larger_size_is_a_remark():
    w = world(gpus=5, workloads=1)
    w.study.gpus.loc[1, "memory_gib"] = 4.0
    used = np.where(w.passes["height"].eq(1440), 6.5, np.nan)
    passes = w.passes.assign(memory_used_gib=used)[w.passes["gpu"].ne("G01")]
    table = predict(w, passes, w.targets("G01")).set_index("height")
    assert np.isnan(table.loc[1440, "fps"])
    assert table.loc[1080, "fps"] > 0
    assert "less than the 6.5 GiB seen in use at a larger size" in table.loc[1080, "reason"]


def test_crashed_configuration():
    w = world(gpus=5, workloads=2)
    gone = w.passes["gpu"].eq("G01") & w.passes["workload"].eq("W01")
    passes = w.passes.assign(outcome=np.where(gone, "crashed", "ran"))
    passes.loc[gone, "avg_fps"] = np.nan
    table = predict(w, passes, w.targets("G01")).set_index("workload")
    assert table.loc["W01", "reason"].eq("W01 crashed on G01 at this size").all()
    assert table.loc["W00", "fps"].notna().all()


@pytest.mark.parametrize("level", [0.0, 1.0, 90])
def test_level_must_be_a_share(level):
    w = world(gpus=3, workloads=1)
    with pytest.raises(
        ValueError, match=rf"level must lie between 0 and 1, got {level}; 0\.9 covers 90 %"
    ):
        fit(w.study, w.passes, level=level)


@pytest.mark.parametrize("gpus", [2, 3, 5, 6, 7])
def test_evidence_is_told_for_any_number_of_gpus(gpus):
    w = world(gpus=gpus, workloads=2, sizes=((1920, 1080),))
    comparison = fit(w.study, w.passes).comparison
    stack = comparison.set_index("family")["median_abs_pct"].get("stack", np.nan)
    assert np.isfinite(stack) == (gpus > 6)
    assert comparison["median_abs_pct"].notna().any()
