"""Energy, its cost, and the wall.

Sources: SI Brochure (1 kWh = 3.6 MJ); 80 PLUS programme levels, 115 V internal (efficiencies
printed in a public copy of the level table).
"""

import pytest

from perfkit.value.energy import JOULES_PER_KWH, energy_cost, joules_per_frame, wall_watts
from tests.reference import load_json

ENERGY = load_json("energy")
EXACT = 1e-12


@pytest.mark.parametrize("row", ENERGY["kwh"], ids=lambda row: f"{row['watts']} W")
def test_cost_of_running(row: dict[str, float]) -> None:
    found = energy_cost(row["watts"], row["hours"], row["price_per_kWh"])
    assert found == pytest.approx(row["cost"], rel=EXACT)
    assert energy_cost(row["watts"], row["hours"], 1.0) == pytest.approx(row["kWh"], rel=EXACT)


@pytest.mark.parametrize("row", ENERGY["joules_per_frame"], ids=lambda row: f"{row['fps']} FPS")
def test_energy_of_a_frame(row: dict[str, float]) -> None:
    assert joules_per_frame(row["watts"], row["fps"]) == pytest.approx(row["J"], rel=EXACT)
    hour = row["fps"] * 3600 * joules_per_frame(row["watts"], row["fps"]) / JOULES_PER_KWH
    assert hour == pytest.approx(row["watts"] / 1000, rel=EXACT)
    assert ENERGY["J_per_kWh"] == JOULES_PER_KWH


def test_wall_power_of_a_bronze_supply() -> None:
    wall, level = ENERGY["wall_power_bronze"], ENERGY["psu_115V_internal"]["bronze"]
    at_load = (level["p20"], level["p50"], level["p100"])
    for watts, efficiency, expected, heat in zip(
        wall["dc_W"], at_load, wall["wall_W"], wall["heat_W"], strict=True
    ):
        found = wall_watts(watts, efficiency)
        assert found == pytest.approx(expected, rel=EXACT)
        assert found - watts == pytest.approx(heat, rel=EXACT)
