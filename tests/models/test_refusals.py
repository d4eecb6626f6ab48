"""Why no number is given, word by word."""

from types import SimpleNamespace

import numpy as np
import pandas as pd

from perfkit.models.observations import gather
from perfkit.models.rates import attach_rates
from perfkit.models.refusals import Known, at_cap, memory_notes, refuse, what_is_known
from tests.models.worlds import pass_frame, world


def known(**changed):
    nothing = pd.Series(dtype=float)
    needs = pd.DataFrame({"workload": [], "mpx": [], "memory_used_gib": []})
    values = {
        "needs": needs,
        "bounds": nothing,
        "caps": nothing,
        "tried": {},
        "crashed": frozenset(),
        "gpus": ("G00",),
        "workloads": frozenset({"W00", "W01"}),
    }
    return Known(**(values | changed))


STUDY = world(gpus=3, workloads=6).study


def asked(*workloads, **columns):
    frame = pd.DataFrame({"system": "S0", "gpu": "G00", "workload": list(workloads)})
    frame = frame.assign(**({"width": 1920, "height": 1080, "render_scale": 1.0} | columns))
    return attach_rates(STUDY, frame)


def reasons(study, told, rows):
    return refuse(study, told, rows, memory_notes(study, told, rows)[0])


def passes():
    """W00 ran free and at a cap; W01 only at caps; W02 was cold or void; W03 crashed; W05 both."""
    table = [
        ("W00", "G00", 80.0, np.nan, "ran", "warm"),
        ("W00", "G01", 59.9, 60.0, "ran", "warm"),
        ("W01", "G00", 59.9, 60.0, "ran", "warm"),
        ("W01", "G01", 89.5, 90.0, "ran", "warm"),
        ("W01", "G02", 30.0, 30.0, "crashed", "warm"),
        ("W02", "G00", 50.0, np.nan, "ran", "cold"),
        ("W02", "G01", 51.0, np.nan, "ran", "cold"),
        ("W03", "G02", np.nan, np.nan, "crashed", "warm"),
        ("W05", "G00", 50.0, np.nan, "ran", "warm"),
        ("W05", "G00", np.nan, np.nan, "crashed", "warm"),
        ("W05", "G01", np.nan, np.nan, "crashed", "warm"),
    ]
    names = ["workload", "gpu", "avg_fps", "cap_fps", "outcome", "state"]
    rows = pd.DataFrame(table, columns=names).assign(system="S0", width=1920, height=1080)
    return pass_frame(rows)


def test_what_refusals_look_at():
    frame = passes()
    found = what_is_known(gather(STUDY, frame), frame)
    assert found.gpus == ("G00",)
    assert found.workloads == {"W00", "W05"}
    np.testing.assert_allclose(found.bounds["W01"], 89.5)
    assert found.bounds.index.tolist() == ["W01"]
    # The lowest cap of passes that ran; W00 also ran free.
    assert found.caps.to_dict() == {"W01": 60.0}
    assert found.tried == {"W02": "cold: caches were still filling", "W03": "crashed"}
    assert found.crashed == {
        ("G02", "W01", 2.0736), ("G02", "W03", 2.0736), ("G01", "W05", 2.0736),
    }  # fmt: skip


def test_each_refusal_has_its_reason():
    mpx = 2.0736
    told = known(
        bounds=pd.Series({"W01": 89.46}),
        tried={"W02": "cold", "W01": "?"},
        crashed=frozenset({("G00", "W04", mpx)}),
        workloads=frozenset({"W00", "W04"}),
    )
    rows = asked("W00", "W01", "W02", "W03", "W04", "W04", height=[1080] * 5 + [720])
    assert reasons(STUDY, told, rows).tolist() == [
        "",
        "every pass of W01 was held by a cap: at least 89.46 FPS is all that is known; run it "
        "without the cap",
        "no pass of W02 could be used (cold)",
        "W03 was never run: nothing says how it scales",
        "W04 crashed on G00 at this size",
        "",
    ]


def test_without_any_gpu_only_workloads_heard_of_have_a_reason_of_their_own():
    none = known(
        gpus=(), workloads=frozenset(), tried={"W02": "cold"}, bounds=pd.Series({"W01": 9.0})
    )
    said = reasons(STUDY, none, asked("W00", "W01", "W02")).tolist()
    assert said[0] == "no pass of this study could be used to fit a model"
    assert said[1].startswith("every pass of W01 was held by a cap: at least 9 FPS")
    assert said[2] == "no pass of W02 could be used (cold)"
    one = known(workloads=frozenset({"W00"}))
    assert reasons(STUDY, one, asked("W01")).tolist() == [
        "W01 was never run: nothing says how it scales"
    ]


def test_unknown_names_and_rates_are_told():
    rows = asked("W00", "nothing", "W00", "W00", gpu=["nobody", "G00", "G00", "G01"])
    rows["system"] = ["S0", "S0", "nowhere", "S0"]
    rows.loc[3, "arithmetic_tflops"] = np.nan
    assert reasons(STUDY, known(), rows).tolist() == [
        "gpu 'nobody' is not in gpus.csv",
        "workload 'nothing' is not in workloads.csv",
        "system 'nowhere' is not in systems.csv",
        "the arithmetic rate of G01 is not known",
    ]


def needs():
    return pd.DataFrame(
        {"workload": ["W00", "W00"], "mpx": [1.0, 3.0], "memory_used_gib": [4.0, 7.25]}
    )


def test_memory_is_compared_with_what_was_in_use_at_the_size_and_beyond():
    rows = asked(*["W00"] * 6, "W01", height=[1080] * 5 + [2160, 1080])
    rows["memory_gib"] = [3.9, 4.0, 7.0, 7.25, np.nan, 7.0, np.nan]
    refusal, remark = memory_notes(STUDY, known(needs=needs()), rows)
    in_use = "may use {} GiB, and W00 was seen to use {} GiB"
    assert refusal.tolist() == [
        "G00 " + in_use.format("3.9", "4"), "", "", "", "", "G00 " + in_use.format("7", "7.25"), "",
    ]  # fmt: skip
    larger = "G00 may use {} GiB, less than the 7.25 GiB seen in use at a larger size"
    unknown = "memory of G00 is not known: not checked against the 4 GiB seen in use"
    assert remark.tolist() == [
        larger.format("3.9"), larger.format("4"), larger.format("7"), "", unknown,
        larger.format("7"), "",
    ]  # fmt: skip
    assert reasons(STUDY, known(needs=needs()), rows).tolist() == refusal.tolist()


def test_a_cap_is_reached_from_97_per_cent_on():
    capped = known(caps=pd.Series({"W00": 100.0}))
    rows = asked("W00", "W00", "W00", "W01")
    fps = pd.Series([97.0, 96.99, 150.0, 150.0])
    assert at_cap(capped, rows, fps).tolist() == [True, False, True, False]


def test_names_are_looked_up_in_the_study_asked():
    rows = asked("W00")
    empty = SimpleNamespace(
        gpus=STUDY.gpus, systems=STUDY.systems, workloads=STUDY.workloads.iloc[1:]
    )
    assert reasons(empty, known(), rows).tolist() == ["workload 'W00' is not in workloads.csv"]
