"""Which models a fit is made of: with bandwidth where it is known, without it elsewhere."""

import numpy as np
import pytest

from perfkit.models import Fit, fit
from perfkit.models.local_width import LocalT
from perfkit.models.power_law import PowerLaw
from perfkit.models.selection import OneFamily
from perfkit.models.train import Recipe
from tests.models.worlds import World, world

QUICK = Recipe(
    families=(PowerLaw("power law"), PowerLaw("second")),
    combinations=(OneFamily("power law", least_gpus=1),),
    width=LocalT(laws=()),
)
AS_SAID = {"level": 0.8, "recipe": QUICK}


def small(unknown: int = 0, *, systems: int = 1, measured: int = 4) -> World:
    """Four GPUs, of which the first so many have no known bandwidth, and the first were run."""
    made = world(3, gpus=4, workloads=2, passes=1, systems=systems)
    made.study.gpus.loc[: unknown - 1, "bandwidth_gb_s"] = np.nan
    gone = made.study.gpus["gpu"].iloc[measured:]
    return World(made.study, made.without(*gone), made.law, made.parameters, made.truth)


def quick(made: World) -> Fit:
    return fit(made.study, made.passes, **AS_SAID)


@pytest.mark.parametrize(("unknown", "models"), [
    # Known everywhere: one model. Known for half of the GPUs or more: one with, and one without.
    (0, [(True, 4)]), (1, [(True, 3), (False, 4)]), (2, [(True, 2), (False, 4)]),
    (3, [(False, 4)]), (4, [(False, 4)]),
])  # fmt: skip
def test_bandwidth_counts_where_half_of_the_gpus_have_one(
    unknown: int, models: list[tuple[bool, int]]
) -> None:
    found = quick(small(unknown)).models
    told = [(each.bandwidth, len(each.trained.cells.gpus)) for each in found]
    assert told == models
    for each in found:
        rates = each.trained.cells.rows.bandwidth_gb_s
        assert (rates > 1).all() == each.bandwidth
        assert (rates == 1).all() != each.bandwidth


def test_a_gpu_that_was_not_run_and_has_no_bandwidth_asks_for_a_model_without() -> None:
    made = small(measured=3)
    assert [each.bandwidth for each in quick(made).models] == [True]
    made.study.gpus.loc[3, "bandwidth_gb_s"] = np.nan
    assert [each.bandwidth for each in quick(made).models] == [True, False]


def test_a_processor_without_a_speed_is_taken_for_the_middle_one() -> None:
    made = small(systems=3)
    made.study.systems["cpu_speed"] = [np.nan, 1.5, 1.5]
    found = quick(made).models[0]
    assert found.cpu_fill == 1.5
    assert (found.trained.cells.rows.cpu_speed == 1.5).all()
    made.study.systems["cpu_speed"] = np.nan
    assert quick(made).models[0].cpu_fill == 1.0


def test_a_fit_says_what_it_was_asked_and_what_it_chose() -> None:
    made = small()
    shuffled = made.passes.set_index("pass_id", drop=False).iloc[::-1]
    found = fit(made.study, shuffled, seed=5, **AS_SAID)
    assert (found.family, found.level, found.seed) == ("power law", 0.8, 5)
    assert found.left_out.empty
    # No pass, no model, and nothing is raised.
    nothing = fit(made.study, made.passes.head(0), **AS_SAID)
    assert (nothing.family, nothing.models) == ("", ())


def test_a_cap_is_a_lower_bound_and_no_measurement() -> None:
    made = small()
    passes = made.passes.copy()
    capped = passes["gpu"].eq("G00")
    passes.loc[capped, "cap_fps"] = passes.loc[capped, "avg_fps"]
    held = fit(made.study, passes, **AS_SAID)
    without = fit(made.study, made.without("G00"), **AS_SAID)
    cells = held.models[0].trained.cells
    measured = cells.take(~cells.at_least)
    assert len(measured) == len(without.models[0].trained.cells) == 18
    assert set(held.left_out["reason"].str.split(":").str[0]) == {"held by a cap"}
    # Bounds alone teach nothing.
    alone = fit(made.study, passes[capped], **AS_SAID)
    assert alone.models == ()


def test_bounds_are_taken_where_the_first_family_falls_under_them(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    asked: list[str] = []
    own = PowerLaw.fit
    monkeypatch.setattr(PowerLaw, "fit", lambda f, cells: asked.append(f.name) or own(f, cells))
    made = small()
    passes = made.passes.copy()
    passes.loc[passes["gpu"].eq("G00"), "cap_fps"] = passes["avg_fps"]
    fit(made.study, passes, **AS_SAID)
    assert asked[0] == "power law"


@pytest.mark.parametrize("level", [0.0, 1.0, -0.1, 1.1, float("nan")])
def test_a_level_that_covers_nothing_or_everything_is_refused(level: float) -> None:
    made = small()
    with pytest.raises(ValueError, match="level must lie between 0 and 1, got"):
        fit(made.study, made.passes, level=level, recipe=QUICK)
