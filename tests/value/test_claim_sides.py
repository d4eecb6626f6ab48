"""What a name in a sentence stands for, and which passes sentences are held against."""

import math
from dataclasses import replace

import pandas as pd
import pytest
from numpy.testing import assert_allclose

from perfkit.value.claim_sides import Record, find_side, record_of, strata
from tests.value.market import BASE, GAMES, booked, build, market, measured, priced, runs, summary


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Record:
    """Alder is a build, a GPU and an item, Birch a GPU with a used price, 60 a priced number."""
    prices = [
        *priced(*BASE, ("Alder", "", 150), ("60", "", 7)),
        *priced(("Alder", "", 90), ("Birch", "", 200), ("Lamp", "", 5), condition="used"),
    ]
    study = market(
        tmp_path_factory.mktemp("sides"),
        builds=build("bare", "Ember") + build("Alder", "Alder"),
        prices=prices,
        passes=[
            *measured(),
            *runs("Ember", {"Fen": [30.0]}, width=1280),
            *runs("Ember", {"Fen": [30.0]}, height=720),
            *runs("Ember", {"Fen": [30.0]}, render_scale=0.5),
            *runs("Ember", {"Fen": [30.0]}, void_reason="wrong preset"),
        ],
    )
    return record_of(study, summary(study), booked(study))


@pytest.mark.parametrize(
    ("name", "system", "gpu", "price", "number"),
    [
        ("bare", "bench", "Ember", 350, None), ("Alder", "bench", "Alder", 500, None),
        ("Ember", "", "Ember", None, None), ("Birch", "", "Birch", 200, None),
        ("Lamp", "", "", 5, None), ("Plank", "", "", 80, None), ("60", "", "", 7, None),
        ("61.5", "", "", None, 61.5), ("nobody", "", "", None, None),
    ],
)  # fmt: skip
def test_a_build_goes_before_a_gpu_a_gpu_before_an_item(
    record: Record, name: str, system: str, gpu: str, price: float | None, number: float | None
) -> None:
    found = find_side(record, name)
    assert (found.name, found.system, found.gpu) == (name, system, gpu)
    for value, expected in ((found.price, price), (found.number, number)):
        assert math.isnan(value) if expected is None else value == expected


def test_a_new_price_goes_before_a_used_one(record: Record) -> None:
    found = find_side(replace(record, builds={}), "Alder")
    assert (found.system, found.gpu, found.price) == ("", "Alder", 150.0)


def test_passes_of_another_size_or_void_are_not_held_against(record: Record) -> None:
    assert len(record.counted) == 2 * len(GAMES) * 3
    assert not (record.counted["avg_fps"] == 30.0).any()


def test_the_spread_is_that_of_all_repeated_passes(record: Record) -> None:
    """Logs -0.01, 0 and 0.01 in six cells; a lone pass adds nothing."""
    spread, freedom = record.spreads["avg_fps"]
    assert freedom == 12
    assert spread == pytest.approx(0.01, rel=1e-9)


def test_passes_of_a_stratum_make_one_row() -> None:
    """Logs -1 and 1 have variance 2; equal and lone passes take the study's, 0.5 with 9 dof."""
    logs = {"b": (-1.0, 1.0), "a": (3.0,), "c": (2.0, 2.0), "d": (0.0, 1e-8)}
    rows = pd.DataFrame(
        [(name, math.exp(log), "own", 0.25) for name, told in logs.items() for log in told],
        columns=["name", "avg_fps", "source", "se_log_version_shift"],
    )
    rows.loc[len(rows)] = ["b", math.nan, "borrowed", 0.75]
    found = strata(rows, "avg_fps", ["name"], (0.5, 9))
    assert found.index.tolist() == ["b", "a", "c", "d"]
    assert_allclose(found["mean"], [0, 3, 2, 0.5e-8], atol=1e-12)
    assert_allclose(found["variance"], [2, 0.25, 0.25, 0.5e-16], rtol=1e-6)
    assert found["dof"].tolist() == [1, 9, 9, 1]
    assert found["passes"].tolist() == [2, 1, 2, 2]
    assert found["shift"].tolist() == [0.25] * 4
    assert set(found["basis"]) == {"measured"}
    rows.loc[1, "source"] = "borrowed"
    lent = strata(rows.drop(columns="se_log_version_shift"), "avg_fps", ["name"], (0.5, 9))
    assert lent["basis"].tolist() == ["borrowed", "measured", "measured", "measured"]
    assert lent["shift"].tolist() == [0.0] * 4
