"""Warnings and runs that teach, word by word."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from perfkit.models.advice import collinear, runs_that_teach, warnings_about

TOGETHER = "arithmetic rate and bandwidth rise together over the GPUs measured (correlation "
AGAINST = "move against each other"
NINE = " GPUs measured: ranges are model-based; a distribution-free 90 % range needs 9"


def cells(gpus, rates=None, **columns):
    """One row a GPU; rates as powers of e, without a pattern unless given."""
    count = len(gpus)
    pattern = np.random.default_rng(2).normal(size=(count, 2))
    rates = np.exp(np.array(pattern if rates is None else rates, float))
    frame = pd.DataFrame(
        {
            "gpu": list(gpus),
            "system": "S",
            "workload": "v",
            "arithmetic_tflops": rates[:, 0],
            "bandwidth_gb_s": rates[:, 1],
            "cpu_speed": 1.0,
            "kind": "discrete",
            "drawn_mpx": 2.0,
            "at_least": False,
        }
    )
    return frame.assign(**columns)


@pytest.mark.parametrize(
    ("rates", "said"),
    [
        ([[0, 0], [1, 1]], ""),  # two always lie on a line
        ([[0, 0], [1, 1], [2, 2]], f"{TOGETHER}1.00)"),
        ([[0, 0], [1, -1], [2, -2]], f"{TOGETHER}-1.00)".replace("rise together", AGAINST)),
        ([[0, 0], [1, 1], [2, 0]], ""),
        # Correlation of (0 1 2 3) and (0 1 2 3 + d): 0.9569 and 0.9449.
        ([[0, 0], [1, 1], [2, 2], [3, 5]], f"{TOGETHER}0.96)"),
        ([[0, 0], [1, 1], [2, 2], [3, 6]], ""),
        ([[1, 2]] * 3, "arithmetic rate and bandwidth are the same on every GPU measured: their"),
        ([[1, 2], [1, 3], [1, 4]], "arithmetic rate is the same on every GPU measured: its effect"),
        ([[1, 2], [2, 2], [3, 2]], "bandwidth is the same on every GPU measured: its effect"),
        ([[0, 0], [1e-8, 0.4], [2e-8, 0.1]], ""),
        ([[0, 0], [1, 1], [2, np.nan]], ""),
    ],
)
def test_rates_that_cannot_be_told_apart(rates, said):
    table = cells([f"g{k}" for k in range(len(rates))], rates)
    told = collinear(pd.concat([table, table]))
    assert told.startswith(said)
    assert bool(told) == bool(said)


def seen(table, reasons=(), left_out=()):
    left = pd.DataFrame({"reason": list(left_out)})
    return SimpleNamespace(table=table, reasons=pd.Series(reasons, dtype="str"), left_out=left)


def model(gpus, **more):
    trained = SimpleNamespace(cells=SimpleNamespace(gpus=np.arange(gpus)))
    return SimpleNamespace(trained=trained, **({"bandwidth": False, "cpu_fill": 1.25} | more))


NO_PASSES = pd.DataFrame({"source": [], "driver": [], "game_version": [], "workload": []})


def warned(table, gpus=9, passes=NO_PASSES, reasons=(), **more):
    return list(warnings_about(seen(table, reasons), passes, model(gpus, **more)))


def test_few_gpus_are_told():
    one = ["one GPU only: no other GPU can be predicted from it"]
    assert warned(cells("a"), gpus=1) == one
    assert warned(cells("ab"), gpus=2) == [f"2{NINE}"]
    assert warned(cells("abcdefgh"), gpus=8) == [f"8{NINE}"]
    assert warned(cells("abcdefghi"), gpus=9) == []


def test_a_workload_of_one_gpu_borrows_and_bounds_do_not_count():
    table = cells("ababc", workload=list("vvwww"), at_least=[False] * 3 + [True] * 2)
    assert warned(table)[0] == "run on one GPU only, so slopes are borrowed from other workloads: w"
    table = cells("ababab", workload=list("vvwwxx"), at_least=[False] * 2 + [True] * 4)
    assert warned(table) == ["only ever run at a cap: w, x"]


def test_bandwidth_is_spoken_of_where_it_counts():
    table = cells("abc", [[0, 0], [1, 1], [2, 2]])
    assert warned(table) == []
    assert warned(table, bandwidth=True)[0].startswith(TOGETHER)
    table = cells("aabc", bandwidth_gb_s=[np.nan, np.nan, 100.0, np.nan])
    assert warned(table) == ["memory bandwidth is not known of: a, c"]


def test_an_unknown_processor_matters_beside_another():
    slow = {"cpu_speed": [np.nan, 1.0]}
    assert warned(cells("ab", system=["S", "T"], **slow)) == [
        "processor speed is not known of: S; taken as 1.25"
    ]
    assert warned(cells("ab", system="S", cpu_speed=np.nan)) == []
    assert warned(cells("ab", system=["S", "T"])) == []


def test_passes_of_others_and_under_several_versions():
    passes = pd.DataFrame(
        {
            "source": ["borrowed", "own", "borrowed", "borrowed"],
            "driver": ["1", "2", "1", ""],
            "game_version": ["a", "a", "b", "a"],
            "workload": ["v", "v", "w", "w"],
        }
    )
    ties = "brought together where a bridge ties them, in: "
    said = warned(cells("ab"), passes=passes, reasons=[""] * 4)
    assert said == ["3 passes: measured by others", f"passes under several drivers, {ties}v",
                    f"passes under several game versions, {ties}w"]  # fmt: skip
    said = warned(cells("ab"), passes=passes, reasons=["", "cold", "cold", "cold"])
    assert said == ["1 pass: measured by others"]


def test_without_a_model_each_reason_is_counted():
    nothing = "no pass of this study could be used to fit a model"
    none = warnings_about(
        seen(cells("a"), left_out=["cold", "crashed", "crashed"]), NO_PASSES, None
    )
    assert none == (f"{nothing} (1 pass: cold; 2 passes: crashed)",)
    assert warnings_about(seen(cells("a")), NO_PASSES, None) == (nothing,)


MEMORY = [
    "the same scene with the memory at its default and at its rated speed",
    "the same scene with one memory module and with two",
]
SIZE = "the same scene at a second resolution"
LAST = [
    "one pass at the lowest resolution the game offers: it bounds the processor, which ordinary "
    "runs do not show",
    "one pass of each workload on any second GPU, lent or bought",
]
BALANCE = (
    "run any workload on a GPU with another balance of arithmetic rate and bandwidth, or with "
    "memory at another rate: nothing measured tells the two apart"
)


@pytest.mark.parametrize(
    ("table", "runs"),
    [
        (cells("a"), [SIZE, *LAST]),
        (cells("a", kind="integrated"), [*MEMORY, SIZE, *LAST]),
        (cells("aa", kind="integrated", drawn_mpx=[1.0, 2.0]), LAST),
        (cells("aa", [[0, 1], [0, 1]], kind="integrated", drawn_mpx=[1.0, 2.0]), [*MEMORY, *LAST]),
        (cells(""), [*MEMORY, SIZE, *LAST]),
        (cells("ab"), []),
        (cells("abc", [[0, 0], [1, 1], [2, 2]]), [BALANCE]),
        (
            cells("aabb", workload=list("vwvw"), at_least=[False, True, False, False]),
            ["run w on a second GPU: it has run on one only"],
        ),
        (
            cells("aabb", workload=list("vwvw"), at_least=[False, True, False, True]),
            ["run w without the cap: every pass of it was held"],
        ),
    ],
)
def test_runs_that_teach(table, runs):
    assert list(runs_that_teach(seen(table))) == runs
