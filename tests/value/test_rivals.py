"""Builds against each other, and the settings and memory behind them, by hand."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from perfkit.value import memory
from perfkit.value.contrast import Contrast
from perfkit.value.memory import _between, _bound, _ratio, _same_machine, memory_check, memory_cost
from perfkit.value.render_scales import scale_probabilities, scales_in_use, setting_table
from perfkit.value.rivals import flip_table, rank_table
from perfkit.value.worth import mean_fps, target_shares
from tests.value.market import predictions, speeds_of
from tests.value.test_sittings import table as dated

UP = np.log([0.5, 1.0, 2.0])


def test_means_are_over_the_common_workloads_with_their_weights() -> None:
    """(10^1 x 80^2)^(1/3) = 40; b has half of the numbers, c too few to be compared."""
    nan = np.nan
    speeds = speeds_of(
        [[10, 80, 5, 7], [20, 20, nan, nan], [1, nan, nan, nan]], UP, weights=[1, 2, 3, 4]
    )
    point, drawn = mean_fps(speeds)
    assert speeds.common.tolist() == [True, True, False, False]
    assert_allclose(point, [40, 20, nan], rtol=1e-12)
    assert_allclose(drawn, [[20, 40, 80], [10, 20, 40], [nan] * 3], rtol=1e-12)
    nothing = speeds_of([[10, nan], [nan, 20]])
    assert np.isnan(mean_fps(nothing)[0]).all()


def test_a_target_met_exactly_is_reached() -> None:
    speeds = speeds_of([[30, 60], [29.999, 120], [np.nan, np.nan]], weights=[3, 1])
    found = target_shares(speeds, (30.0, 59.5, 60.0))
    assert list(found) == ["share_30", "share_59.5", "share_60"]
    assert_allclose(found["share_30"], [1, 0.25, np.nan])
    assert_allclose(found["share_60"], [0.25, 0.25, np.nan])
    none = target_shares(speeds_of([[np.nan, np.nan]]), (30.0,))
    assert np.isnan(none["share_30"]).all()


def test_flip_prices_by_hand() -> None:
    """Build a: 200 for 10 FPS, b: 300 for 20; a flips at 300 x 10 / 20, b at 200 x 20 / 10."""
    speeds = speeds_of([[10], [20], [40], [np.nan]], UP)
    found = flip_table(speeds, np.array([200.0, 300.0, np.nan, 9.0]))
    assert found[["build", "rival", "price"]].to_numpy().tolist() == [
        ["a", "b", 200.0], ["b", "a", 300.0],
    ]  # fmt: skip
    assert found.index.tolist() == [0, 1]
    assert_allclose(found["flip_price"], [150, 400], rtol=1e-12)
    # Both have the same draws, so the ratio has no width.
    assert_allclose(found["flip_low"], [150, 400], rtol=1e-9)
    assert_allclose(found["flip_high"], [150, 400], rtol=1e-9)
    assert_allclose(found["change_pct"], [-25, 100 / 3], rtol=1e-12)
    assert found["now"].tolist() == ["dearer per frame", "cheaper per frame"]
    assert flip_table(speeds, np.full(4, np.nan)).columns.tolist() == found.columns.tolist()


def test_flip_prices_have_the_range_of_the_ratio() -> None:
    speeds = speeds_of([[10], [10]], np.zeros(101))
    speeds.log_draws[0, 0] += np.log(np.linspace(1, 2, 101))
    found = flip_table(speeds, np.array([1.0, 100.0])).iloc[0]
    assert_allclose([found["flip_low"], found["flip_high"]], [105.0, 195.0], rtol=1e-9)


def test_ranks_that_are_possible() -> None:
    """Build a is cheaper per frame in one of four draws; c has no price."""
    speeds = speeds_of([[10], [10], [10]], np.zeros(4))
    speeds.log_draws[0, 0] = np.log([9.0, 9.0, 9.0, 11.0])
    found = rank_table(speeds, np.array([1.0, 1.0, np.nan]))
    assert found.to_numpy().tolist() == [
        ["a", 1, 0.25], ["a", 2, 0.75], ["b", 1, 0.75], ["b", 2, 0.25],
    ]  # fmt: skip
    sure = rank_table(speeds, np.array([1.0, 2.0, np.nan]))
    assert sure.to_numpy().tolist() == [["a", 1, 1.0], ["b", 2, 1.0]]


# ---------------------------------------------------------------- memory

SYSTEM = {
    "system": "s", "cpu": "c", "cpu_cores": 4.0, "cpu_threads": np.nan, "cpu_speed": 1.0,
    "ram_mtps": 6000.0, "ram_rated_mtps": 6000.0, "ram_channels": 2.0, "channel_bits": 64.0,
}  # fmt: skip


@pytest.mark.parametrize(
    ("rate", "channels", "verdict", "question"),
    [
        (6000, 2, "at its rate", ""),
        (5940, 2, "at its rate", ""),
        (5939, 2, "below its rate", ""),
        (3301, 2, "below its rate", ""),
        (3300, 2, "not checked", "is ram_mtps the clock?"),
        (2700, 1, "not checked", "is ram_mtps the clock?"),
        (2699, 2, "below its rate", ""),
        (6000, 1, "at its rate", "one channel:"),
        (np.nan, 2, "not checked", ""),
    ],
)
def test_the_rate_of_memory_at_its_edges(
    rate: float, channels: float, verdict: str, question: str
) -> None:
    systems = pd.DataFrame([SYSTEM | {"ram_mtps": rate, "ram_channels": channels}])
    row = memory_check(SimpleNamespace(systems=systems)).iloc[0]
    assert row["verdict"] == verdict
    assert row["question"].startswith(question)
    assert (row["question"] == "") == (question == "")
    assert_allclose(row["ratio"], rate / 6000, rtol=1e-12)
    # MT/s x 8 bytes x channels
    assert_allclose(row["bandwidth_gb_s"], rate * 8 * channels / 1000, rtol=1e-12)
    full = 6000 * 8 * channels / 1000 if rate == rate else np.nan
    assert_allclose(row["rated_bandwidth_gb_s"], full, rtol=1e-12)


def cost_of(*systems: dict[str, object]) -> pd.DataFrame:
    seen = pd.DataFrame({"system": [row["system"] for row in systems], "gpu": "g"})
    gpus = pd.DataFrame({"gpu": ["g", "h"], "kind": ["integrated", "discrete"]})
    study = SimpleNamespace(systems=pd.DataFrame(systems), gpus=gpus)
    more = seen.assign(gpu="h")
    return memory_cost(SimpleNamespace(study=study, counted=seen, book=SimpleNamespace(table=more)))


@pytest.mark.parametrize(("rate", "rows"), [(5940.0, 0), (5939.0, 1)])
def test_only_memory_below_its_rate_costs_frames(rate: float, rows: int) -> None:
    found = cost_of(SYSTEM | {"ram_mtps": rate})
    assert len(found) == rows
    if rows:
        assert found.iloc[0].to_dict() == pytest.approx(
            {
                "gpu": "g", "system": "s", "against": "s at its rated rate",
                "rate_ratio": rate / 6000, "channels": 2.0, "against_channels": 2.0,
                "bandwidth_ratio": rate / 6000, "fps_ratio": np.nan, "fps_low": rate / 6000,
                "fps_high": 1.0, "workloads": 0, "basis": "bound",
                "reason": "no system of the study runs this memory at its rate: between no loss "
                "and the loss of bandwidth",
            },
            nan_ok=True,
        )  # fmt: skip


@pytest.mark.parametrize(
    ("other", "same"),
    [({}, True), ({"cpu": "d"}, False), ({"cpu": ""}, False), ({"cpu_cores": 6.0}, False),
     ({"cpu_threads": 8.0}, False), ({"cpu_speed": np.nan}, False), ({"ram_mtps": 1.0}, True)],
)  # fmt: skip
def test_the_same_machine_with_other_memory(other: dict[str, object], same: bool) -> None:
    assert _same_machine(SYSTEM, SYSTEM | other) is same
    assert not _same_machine(SYSTEM | {"cpu": ""}, SYSTEM | {"cpu": ""})


def test_a_pair_that_was_never_run_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    """4800 on one channel against 6000 on two: two fifths of the bandwidth."""
    unknown = SimpleNamespace(contrast=None, reason="never run")
    monkeypatch.setattr(memory, "compare_sides", lambda *asked: unknown)
    slow = {"system": "t", "ram_mtps": 4800.0, "ram_channels": 1.0}
    found = cost_of(SYSTEM, SYSTEM | slow).iloc[0].to_dict()
    assert found == pytest.approx(
        {
            "gpu": "g", "system": "t", "against": "s", "rate_ratio": 0.8, "channels": 1.0,
            "against_channels": 2.0, "bandwidth_ratio": 0.4, "fps_ratio": np.nan, "fps_low": 0.4,
            "fps_high": 1.0, "workloads": 0, "basis": "bound",
            "reason": "never run: between no loss and the loss of bandwidth",
        },
        nan_ok=True,
    )  # fmt: skip


def test_a_ratio_and_a_bound_in_words() -> None:
    found = SimpleNamespace(
        ratio_range=lambda: (0.7, 0.9), workloads=("A", "A", "B"), basis="measured"
    )
    row = _ratio(found, Contrast(np.log(0.8), 0.1, 3.0, 0.1, ()))
    assert row == pytest.approx(
        {"fps_ratio": 0.8, "fps_low": 0.7, "fps_high": 0.9, "workloads": 2, "basis": "measured",
         "reason": ""}
    )  # fmt: skip
    assert _between(0.5, "why")["reason"] == "why: between no loss and the loss of bandwidth"
    assert _bound("g", SYSTEM | {"ram_mtps": 4500.0})["bandwidth_ratio"] == 0.75


# ---------------------------------------------------------------- settings


def steps(*rows: tuple[str, float, float, str]) -> pd.DataFrame:
    frame = pd.DataFrame(rows, columns=["workload", "render_scale", "probability", "reason"])
    return frame.assign(build="one", goal_fps=60.0, fps=100 / frame["render_scale"], basis="x")


def test_the_largest_scale_that_reaches_the_goal_and_the_one_above() -> None:
    found = setting_table(
        steps(
            ("A", 1.0, 0.9, ""), ("A", 0.5, 0.95, ""),
            ("B", 1.0, 0.2, ""), ("B", 0.8, 0.899, ""), ("B", 0.5, 0.9, ""),
            ("C", 1.0, 0.2, ""), ("C", 0.5, np.nan, "too far"),
            ("D", 1.0, np.nan, ""), ("D", 0.5, np.nan, "too far"),
            ("E", 1.0, np.nan, ""),
        )
    ).set_index("workload")  # fmt: skip
    assert_allclose(found["render_scale"], [1.0, 0.5, np.nan, np.nan, np.nan])
    assert_allclose(found["fps"], [100, 200, np.nan, np.nan, np.nan])
    assert_allclose(found["probability"], [0.9, 0.9, np.nan, np.nan, np.nan])
    assert_allclose(found["next_scale"], [np.nan, 0.8, np.nan, np.nan, np.nan])
    assert_allclose(found["next_probability"], [np.nan, 0.899, np.nan, np.nan, np.nan])
    assert found["basis"].tolist() == ["x", "x", "", "", ""]
    none = "no scale in use reaches the goal"
    assert found["reason"].tolist() == ["", "", none, "too far", "no number"]


def scaled(*scales: float, **more: object) -> pd.DataFrame:
    """Two passes at each scale, 60 FPS and 2 % apart."""
    logs = np.log(60) + np.tile([-0.01, 0.01], len(scales))
    made = dated(logs, np.zeros(len(logs), int), np.zeros(len(logs), int))
    return made.assign(render_scale=np.repeat(scales, 2), width=2, height=3, **more)


def plan(*targets: float) -> SimpleNamespace:
    return SimpleNamespace(
        settings=SimpleNamespace(value_at=(2, 3)),
        targets=pd.DataFrame({"render_scale": targets}, dtype=float),
        builds=pd.DataFrame({"build": ["one", "two"], "system": ["s", ""], "gpu": ["g", "g"]}),
        workloads=pd.DataFrame({"workload": ["w0", "w1"], "goal_fps": [60.0, np.nan]}),
    )


def test_scales_in_use_are_those_drawn_up_to_native() -> None:
    made = pd.concat([scaled(0.5, 1.5), scaled(0.7, generated_per_drawn=1.0)])
    assert scales_in_use(plan(0.6, 2.0), made) == [1.0, 0.6, 0.5]
    assert scales_in_use(plan(), made.iloc[:0]) == [1.0]


def test_the_probability_of_a_goal_measured_and_predicted() -> None:
    """Spread 0.02 / sqrt(2) a pass, two passes; the prediction has 10 and 5 % and 9 dof."""
    made = scaled(1.0).assign(avg_fps=lambda frame: 0.99 * frame["avg_fps"])

    def predict(asked: pd.DataFrame) -> pd.DataFrame:
        assert asked.to_numpy().tolist() == [["s", "g", "w0", 2, 3, 0.5]]
        told = predictions("g", {"w0": 66.0}).drop(columns=asked.columns)
        return pd.concat([asked, told], axis=1)

    found = scale_probabilities(plan(0.5), made, predict)
    assert found["build"].tolist() == ["one", "one"]
    assert found["basis"].tolist() == ["measured", "predicted"]
    assert found["reason"].tolist() == ["", ""]
    fps = 0.99 * 60 * np.cosh(0.01)
    assert_allclose(found["fps"], [fps, 66.0], rtol=1e-12)
    away = np.log(60 / fps) / 0.01, np.log(60 / 66) / np.hypot(0.1, 0.05)
    assert_allclose(found["probability"], stats.t.sf(away, [1, 9]), rtol=1e-9)


def test_what_was_measured_is_not_predicted() -> None:
    def never(asked: pd.DataFrame) -> pd.DataFrame:
        raise AssertionError(asked)

    found = scale_probabilities(plan(), scaled(1.0), never)
    assert found["basis"].tolist() == ["measured"]
    assert found["reason"].tolist() == [""]


def test_what_is_not_known_of_a_scale_says_why() -> None:
    def refuse(asked: pd.DataFrame) -> pd.DataFrame:
        told = predictions("g", {"w0": np.nan}, reason="too far").drop(columns=asked.columns)
        return pd.concat([asked, told], axis=1)

    found = scale_probabilities(plan(0.5), scaled(1.0).iloc[:1], refuse)
    assert found["reason"].tolist() == [
        "no configuration was run twice: spread not known", "too far"
    ]  # fmt: skip
    assert found["probability"].isna().all()
    assert found["basis"].tolist() == ["measured", ""]
