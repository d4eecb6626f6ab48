"""Arithmetic of hardware.

Sources: PCI-SIG, PCI Express Base Specification 1.0 to 5.0; frame sizes of ITU-R BT.709-6 and
BT.2020-2 (from memory, well known); S. Williams, A. Waterman and D. Patterson (2009), Roofline,
CACM 52(4):65-76.
"""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from perfkit.models.laws import MOST_SHARPNESS, Law, form_of, take
from perfkit.models.rates import attach_rates
from perfkit.value.together import link_gb_s
from tests.outside import as_cells
from tests.reference import load_json

HARDWARE = load_json("hardware_arithmetic")
EXACT = 1e-12


def case(row: dict[str, object]) -> str:
    return str(row.get("name") or f"{row.get('gen')}x{row.get('lanes')}")


def test_slot_link_against_a_printed_table() -> None:
    # The public table rounds loosely in generation 3 (0.99 for 0.985, 15.7 for 15.754).
    for lanes, column in HARDWARE["pcie_printed_2dp"].items():
        if lanes == "note":
            continue
        for generation, printed in column.items():
            found = link_gb_s(int(generation), int(lanes[1:]))
            assert found == pytest.approx(printed, rel=6e-3)


def rates(units: float, lanes: float, clock_mhz: float, width: int, height: int) -> pd.Series:
    """Return what perfkit makes of one discrete GPU."""
    gpus = pd.DataFrame(
        {
            "gpu": ["G"],
            "kind": ["discrete"],
            "family": [""],
            "compute_units": [units],
            "lanes_per_unit": [lanes],
            "clock_mhz": [clock_mhz],
            "bus_width_bits": [np.nan],
            "memory_mtps": [np.nan],
            "bandwidth_gb_s": [15.0],
            "memory_gib": [8.0],
        }
    )
    system = {"system": "S", "cpu_speed": 1.0, "channel_bits": 64.0}
    unknown = {
        "ram_mtps": np.nan,
        "ram_channels": np.nan,
        "ram_gib": np.nan,
        "reserved_gib": np.nan,
    }
    study = SimpleNamespace(gpus=gpus, systems=pd.DataFrame([system | unknown]), workloads=None)
    rows = pd.DataFrame({"system": ["S"], "gpu": ["G"], "width": [width], "height": [height]})
    return attach_rates(study, rows).iloc[0]


@pytest.mark.parametrize("row", HARDWARE["flops"], ids=lambda row: str(row["lanes"]))
def test_arithmetic_rate(row: dict[str, float]) -> None:
    found = rates(row["lanes"] / 64, 64, row["clock_GHz"] * 1000, 1920, 1080)
    assert found["arithmetic_tflops"] == pytest.approx(row["fp32_TFLOPs"], rel=EXACT)


@pytest.mark.parametrize("row", HARDWARE["resolutions"], ids=case)
def test_pixels(row: dict[str, int]) -> None:
    found = rates(1, 64, 1000, row["w"], row["h"])
    assert found["output_mpx"] == pytest.approx(row["pixels"] / 1e6, rel=EXACT)
    assert found["drawn_mpx"] == pytest.approx(row["pixels"] / 1e6, rel=EXACT)


def test_pixel_ratios() -> None:
    size = {row["name"]: rates(1, 64, 1000, row["w"], row["h"]) for row in HARDWARE["resolutions"]}
    for pair, expected in HARDWARE["pixel_ratios"].items():
        above, below = pair.split("/")
        found = size[above]["drawn_mpx"] / size[below]["drawn_mpx"]
        assert found == pytest.approx(expected, rel=EXACT)


@pytest.mark.parametrize("point", HARDWARE["roofline"]["points"], ids=lambda p: str(p["intensity"]))
def test_roofline(point: dict[str, float]) -> None:
    """Work of I operations a byte takes the larger of two times; attainable = work / time.

    The law rounds the corner: at its sharpest q the two limits together cost a factor 2^(1/q).
    """
    roof = HARDWARE["roofline"]
    logs = [[np.log(roof["peak_GFlops"]), np.log(roof["bandwidth_GBps"]), 0.0, 0.0]]
    rows = as_cells([0.0], logs).rows
    form = form_of(Law(("k1", "k2"), competes=True, share_sd=1.0), rows)
    theta = np.array([[np.log(point["intensity"]), 0.0, MOST_SHARPNESS, 0.0]])
    time = float(np.exp(take(form, theta, *form.features(rows)).log_ms[0, 0]))
    corner = 2 ** (1 / np.exp(MOST_SHARPNESS)) - 1
    assert point["intensity"] / time == pytest.approx(point["attainable"], rel=corner)
    assert point["intensity"] / time <= point["attainable"] * (1 + 1e-12)
