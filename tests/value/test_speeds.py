"""How fast machines are: what is taken from where, and draws that stand for what is not known."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from perfkit.value.measured import measured_cells
from perfkit.value.speeds import SpeedBook, configuration_speeds, key_generator, speed_book
from tests.value.market import no_predictions, predictions
from tests.value.test_sittings import table as dated

NOISE = np.array([-0.02, 0.0, 0.02])
DRAWS = 2000


def study(weights: dict[str, float] | None = None) -> SimpleNamespace:
    weight = pd.Series(weights or {"w0": 1.0, "w1": 2.0})
    workloads = pd.DataFrame({"workload": weight.index, "weight": weight.to_numpy()})
    return SimpleNamespace(settings=SimpleNamespace(value_at=(2, 3)), workloads=workloads)


def passes(*more: dict[str, object]) -> pd.DataFrame:
    """Three passes of w0 on g at the size of the study, 60 FPS and 2 % apart, lows at 45 FPS."""
    frame = dated(np.log(60) + NOISE, np.zeros(3, int), np.zeros(3, int)).assign(width=2, height=3)
    frame["low_1pct_fps"] = 45 * np.exp(NOISE / 2)
    return pd.concat([frame, *(frame.assign(**one) for one in more)], ignore_index=True)


def asked(*games: str, said: float = 50.0, **more: object) -> pd.DataFrame:
    here = {"system": "s", "width": 2, "height": 3} | more
    return predictions("g", dict.fromkeys(games, said), **here)


def rows_of(made: pd.DataFrame, table: pd.DataFrame) -> pd.DataFrame:
    found = configuration_speeds(study(), made, table)
    assert found.index.tolist() == list(range(len(found)))
    return found.set_index(["gpu", "workload"])


def test_measured_before_predicted_and_only_at_the_size_and_native() -> None:
    made = passes({"width": 3, "workload": "x1"}, {"height": 2, "workload": "x2"},
                  {"render_scale": 0.5, "workload": "x3"})  # fmt: skip
    table = pd.concat(
        [asked("w0", "w1"), asked("w1", said=9.0), asked("x1", width=3), asked("x2", height=2),
         asked("x3", render_scale=0.5), asked("x4", said=np.nan, reason="too far")]
    )  # fmt: skip
    found = rows_of(made, table)
    assert found.index.tolist() == [("g", "w0"), ("g", "w1"), ("g", "x4")]
    assert found["predicted_row"].tolist() == [-1, 1, 6]
    assert found["basis"].tolist() == ["measured", "predicted", "predicted"]
    assert_allclose(found["fps"][:2], [60 * np.exp(NOISE).mean(), 50.0], rtol=1e-12)
    assert found["passes"].tolist() == [3, 0, 0]
    assert found["reason"].tolist() == ["", "", "too far"]


def test_scales_of_the_measured_and_of_the_predicted() -> None:
    found = rows_of(passes(), asked("w1", level=0.8))
    # sd of -2 %, 0, 2 % is 2 %, of the lows 1 %; over three passes.
    measured, predicted = found.loc[("g", "w0")], found.loc[("g", "w1")]
    assert_allclose(measured["log_scale"], 0.02 / np.sqrt(3), rtol=1e-9)
    assert_allclose(measured["low_log_scale"], 0.01 / np.sqrt(3), rtol=1e-9)
    assert (measured["scale_device"], measured["dof"]) == (0.0, 2.0)
    assert_allclose(measured["scale_own"], measured["log_scale"], rtol=1e-12)
    assert_allclose(predicted["log_scale"], np.hypot(0.10, 0.05), rtol=1e-12)
    # Half of log(0.8 / 0.6) is the t quantile at 90 % with 9 degrees of freedom times the scale.
    quantile = stats.t.ppf(0.90, 9)
    assert_allclose(predicted["low_log_scale"], np.log(0.8 / 0.6) / 2 / quantile, rtol=1e-12)


def test_cells_keep_the_order_in_which_they_were_run() -> None:
    later = {"workload": "a", "seconds": 20.0, "source": "borrowed"}
    found = measured_cells(passes(later, {"workload": "b", "seconds": 30.0}))
    assert found["workload"].tolist() == ["w0", "a", "b"]
    assert found["seconds"].tolist() == [60.0, 20.0, 30.0]
    assert found["basis"].tolist() == ["measured", "borrowed", "measured"]


def test_lows_are_as_sure_as_the_passes_that_have_one() -> None:
    """Three passes with a low, one, none: 1 % over the roots of 3 and 1, and not known."""
    made = passes({"workload": "a"}, {"workload": "b"})
    made.loc[[3, 4, 6, 7, 8], "low_1pct_fps"] = np.nan
    found = measured_cells(made)["low_log_scale"]
    assert_allclose(found, [0.01 / np.sqrt(3), 0.01, np.nan], rtol=1e-9)


def test_shifts_between_versions_stand_beside_their_cells() -> None:
    made = passes({"workload": "a"}).assign(
        version_use=["shifted", "", "shifted", "", "", ""],
        version_note=["over d1", "not this", "over d1, d2", "", "", ""],
        log_version_shift=0.0,
        se_log_version_shift=[0.03] * 3 + [0.0] * 3,
    )
    found = measured_cells(made)
    assert found["shift_of"].tolist() == ["over d1, d2", ""]
    assert found["shift_log_scale"].tolist() == pytest.approx([0.03, 0.0])
    own = 0.02 / np.sqrt(3)
    assert_allclose(found["log_scale"], [np.hypot(own, 0.03), own], rtol=1e-9)
    assert_allclose(found["low_log_scale"], [np.hypot(own / 2, 0.03), own / 2], rtol=1e-9)


def test_one_pass_alone_has_no_spread_and_says_so() -> None:
    found = rows_of(passes().iloc[:1], asked("w1"))
    assert found["reason"].tolist() == ["no configuration was run twice: spread not known", ""]
    assert np.isnan(found["log_scale"].iloc[0])


def book(made: pd.DataFrame, table: pd.DataFrame, **weights: float) -> SpeedBook:
    return speed_book(study(weights or None), made, table, draws=DRAWS, seed=4)


def machine(*gpus: str) -> pd.DataFrame:
    return pd.DataFrame({"name": [f"with {g}" for g in gpus], "system": "s", "gpu": list(gpus)})


def test_a_workload_without_weight_does_not_count() -> None:
    made = book(passes(), asked("w1"), w0=1.0, w1=0.0, w2=1e-9)
    assert made.workloads["workload"].tolist() == ["w0", "w2"]


@pytest.mark.parametrize(
    ("weights", "compared"),
    [({"w0": 1, "w1": 1}, True), ({"w0": 1, "x": 1, "w1": 1}, True), ({"w0": 1, "x": 1}, True),
     ({"w0": 1, "x": 1, "y": 1}, False), ({"x": 1}, False)],
)  # fmt: skip
def test_a_machine_with_half_of_the_numbers_is_compared(
    weights: dict[str, float], compared: bool
) -> None:
    found = book(passes(), asked("w1"), **weights).speeds(machine("g"))
    assert found.compared.tolist() == [compared]
    has = [name in ("w0", "w1") for name in weights]
    assert found.common.tolist() == [compared and one for one in has]
    assert found.missing(0) == [name for name in weights if name not in ("w0", "w1")]


def test_what_nobody_knows_holds_nothing() -> None:
    made = book(passes(), asked("w1"), w0=1, w1=1)
    found = made.speeds(machine("none", "g"))
    assert found.names == ("with none", "with g")
    assert np.isnan(found.fps[0]).all()
    assert np.isnan(found.log_draws[0]).all()
    assert found.basis.tolist() == [["", ""], ["measured", "predicted"]]
    assert found.reason.tolist() == [["never run and not predicted"] * 2, ["", ""]]
    assert found.passes.tolist() == [[0, 0], [3, 0]]
    assert found.compared.tolist() == [False, True]
    assert found.common.tolist() == [True, True]
    assert [found.weakest_basis(at) for at in (0, 1)] == ["", "predicted"]
    alone = made.speeds(machine("none"))
    assert not alone.common.any()
    # Asked alone or beside others, a machine has the same draws.
    assert_allclose(made.speeds(machine("g")).log_draws[0], found.log_draws[1], rtol=0)


@pytest.mark.parametrize(
    ("games", "basis"), [(("w0",), "measured"), (("w1",), "predicted"), (("w2",), "borrowed")]
)
def test_the_weakest_basis_of_the_common_workloads(games: tuple[str, ...], basis: str) -> None:
    made = book(
        passes({"workload": "w2", "source": "borrowed"}), asked("w1"), **dict.fromkeys(games, 1.0)
    )
    assert made.speeds(machine("g")).weakest_basis(0) == basis


def test_draws_of_the_measured_share_the_error_of_their_spread() -> None:
    made = book(passes({"workload": "w1"}, {"gpu": "h"}), no_predictions())
    found = made.speeds(machine("g", "h"))
    shared = np.sqrt(6 / key_generator(4, "measured spread").chisquare(6, DRAWS))
    for gpu, names in ((0, ("s", "g", "w0")), (1, ("s", "h", "w0"))):
        own = key_generator(4, "measured", *names).standard_normal(DRAWS)
        away = 0.02 / np.sqrt(3) * own * shared
        assert_allclose(found.log_draws[gpu, 0] - np.log(found.fps[gpu, 0]), away, atol=1e-12)


def test_draws_of_lows_lie_as_far_from_their_middle_and_never_above_the_average() -> None:
    found = book(passes(), asked("w1")).speeds(machine("g"))
    lows = found.low_log_draws()
    away = (found.log_draws[0, 0] - np.log(found.fps[0, 0])) / (0.02 / np.sqrt(3))
    free = np.log(45) + 0.01 / np.sqrt(3) * away
    assert_allclose(lows[0, 0], np.minimum(free, found.log_draws[0, 0]), rtol=1e-9)
    assert (free > found.log_draws[0, 0]).any()


def test_a_shift_between_versions_is_one_error_for_all_it_moved() -> None:
    cells = measured_cells(passes({"workload": "w1"}, {"workload": "w2"}))
    rows = configuration_speeds(
        study(), passes({"workload": "w1"}, {"workload": "w2"}), no_predictions()
    )
    assert len(cells) == 3
    moved = rows.assign(
        shift_of=["a -> b", "", "a -> b"], scale_device=[0.05, 0.0, 0.1], scale_own=0.0
    )
    workloads = study({"w0": 1, "w1": 1, "w2": 1}).workloads
    found = SpeedBook(moved, no_predictions(), workloads, DRAWS, 4).speeds(machine("g"))
    away = found.log_draws[0] - np.log(found.fps[0])[:, None]
    shared = np.sqrt(6 / key_generator(4, "measured spread").chisquare(6, DRAWS))
    common = key_generator(4, "version shift", "a -> b").standard_normal(DRAWS)
    assert_allclose(away[0], 0.05 * common * shared, atol=1e-12)
    assert_allclose(away[1], 0.0, atol=1e-12)
    assert_allclose(away[2], 2 * away[0], atol=1e-12)


def test_a_measured_cell_without_spread_has_no_draws_beside_one_that_is_predicted() -> None:
    found = book(passes().iloc[:1], asked("w1")).speeds(machine("g"))
    assert np.isnan(found.log_draws[0, 0]).all()
    assert np.isfinite(found.log_draws[0, 1]).all()
    assert_allclose(np.median(found.log_draws[0, 1]), np.log(50.0), atol=0.02)
