"""Rates from specifications."""

from types import SimpleNamespace

import numpy as np
import pandas as pd

from perfkit.models.rates import RATES, attach_rates, gpu_bandwidth, system_bandwidth
from tests.reference import load_json


def parts() -> SimpleNamespace:
    gpus = pd.DataFrame(
        {
            "gpu": ["own", "stated", "shared", "shared stated", "bare"],
            "kind": ["discrete", "discrete", "integrated", "integrated", "discrete"],
            "family": ["A", "A", "B", "B", ""],
            "compute_units": [20.0, 20.0, 8.0, 8.0, np.nan],
            "lanes_per_unit": 64.0,
            "clock_mhz": 2500.0,
            "bus_width_bits": [128.0, 128.0, 64.0, np.nan, np.nan],
            "memory_mtps": [16000.0, 16000.0, 6400.0, np.nan, np.nan],
            "bandwidth_gb_s": [np.nan, 200.0, np.nan, 70.0, np.nan],
            "memory_gib": [8.0, 8.0, np.nan, np.nan, np.nan],
        }
    )
    systems = pd.DataFrame(
        {
            "system": ["two", "one"],
            "cpu_speed": [1.2, np.nan],
            "ram_mtps": [6000.0, 4800.0],
            "ram_channels": [2.0, 1.0],
            "channel_bits": [64.0, 64.0],
            "ram_gib": [32.0, 16.0],
            "reserved_gib": [4.0, np.nan],
        }
    )
    return SimpleNamespace(gpus=gpus, systems=systems, workloads=None)


def ask(system: str, gpu: str, **more: float) -> pd.Series:
    rows = pd.DataFrame({"system": [system], "gpu": [gpu], "width": [1920], "height": [1080]})
    return attach_rates(parts(), rows.assign(**more)).iloc[0]


def test_arithmetic_rate_counts_a_fused_multiply_add_twice():
    # Williams, Waterman and Patterson (2009): units x lanes x 2 x clock
    assert ask("two", "own")["arithmetic_tflops"] == 20 * 64 * 2 * 2500e6 / 1e12


def test_a_stated_bandwidth_wins():
    assert ask("two", "own")["bandwidth_gb_s"] == 256.0
    assert ask("two", "stated")["bandwidth_gb_s"] == 200.0
    assert ask("two", "shared stated")["bandwidth_gb_s"] == 70.0


def test_an_integrated_gpu_takes_the_systems_memory():
    assert ask("two", "shared")["bandwidth_gb_s"] == 96.0
    assert ask("one", "shared")["bandwidth_gb_s"] == 38.4
    assert ask("two", "shared")["memory_gib"] == 4.0
    assert ask("one", "shared")["memory_gib"] == 16.0


def test_what_is_not_known_stays_so():
    row = ask("one", "bare")
    assert row[["arithmetic_tflops", "bandwidth_gb_s", "cpu_speed", "memory_gib"]].isna().all()
    assert ask("nowhere", "nothing")["kind"] == ""


def test_a_rate_of_zero_is_not_known_and_a_small_one_is():
    study = parts()
    study.gpus["compute_units"] = [0.0, 2.0, 8.0, 8.0, 0.0]
    study.systems["cpu_speed"] = [0.9, 0.0]
    rows = pd.DataFrame(
        {"system": ["two", "one"], "gpu": ["stated", "own"], "width": 9, "height": 9}
    )
    found = attach_rates(study, rows)
    np.testing.assert_array_equal(found["arithmetic_tflops"], [2 * 64 * 2 * 2500e6 / 1e12, np.nan])
    np.testing.assert_array_equal(found["cpu_speed"], [0.9, np.nan])


def test_render_scale_is_linear():
    row = ask("two", "own", render_scale=0.5)
    assert row["drawn_mpx"] == 1920 * 1080 / 4e6
    assert row["output_mpx"] == 1920 * 1080 / 1e6
    assert ask("two", "own", render_scale=np.nan)["drawn_mpx"] == row["output_mpx"]


def test_order_and_index_are_kept():
    rows = pd.DataFrame(
        {"system": "two", "gpu": ["stated", "own"], "width": 100, "height": 100}, index=[7, 3]
    )
    out = attach_rates(parts(), rows)
    assert out.index.tolist() == [7, 3]
    assert out["bandwidth_gb_s"].tolist() == [200.0, 256.0]
    assert tuple(out.columns[-len(RATES) :]) == RATES
    pd.testing.assert_frame_equal(attach_rates(parts(), out), out)


def test_bandwidth_is_that_of_the_standards():
    # JEDEC JESD79-4, JESD79-5 and JESD250, arithmetic from the rates in the standards' names
    memory = load_json("hardware_arithmetic.json")["memory_bandwidth_GBps"]
    assert memory
    for case in memory:
        bits, rate = case["bus_bits"], case["MT_s"]
        frame = pd.DataFrame(
            {"bandwidth_gb_s": [np.nan], "bus_width_bits": [bits], "memory_mtps": [rate]}
        )
        np.testing.assert_allclose(gpu_bandwidth(frame)[0], case["GBps"], rtol=1e-12)
        system = pd.DataFrame(
            {"ram_channels": [bits / 64], "channel_bits": [64.0], "ram_mtps": [rate]}
        )
        np.testing.assert_allclose(system_bandwidth(system)[0], case["GBps"], rtol=1e-12)
