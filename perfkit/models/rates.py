"""From specifications to rates: what a GPU can compute and move each second, in a given system."""

from typing import Protocol

import numpy as np
import pandas as pd

RATES = (
    "kind",
    "family",
    "arithmetic_tflops",
    "bandwidth_gb_s",
    "drawn_mpx",
    "output_mpx",
    "cpu_speed",
    "memory_gib",
)
"""Columns that `attach_rates` adds, in this order."""

DEFAULT_CHANNEL_BITS = 64.0


class Catalogue(Protocol):
    """What the models need to know of a study: its parts and its workloads."""

    @property
    def gpus(self) -> pd.DataFrame:
        """One row per GPU, with its specifications."""

    @property
    def systems(self) -> pd.DataFrame:
        """One row per system, with its processor and memory."""

    @property
    def workloads(self) -> pd.DataFrame:
        """One row per workload."""


def gpu_bandwidth(gpus: pd.DataFrame) -> pd.Series:
    """Memory bandwidth of each GPU from its own specification.

    Parameters
    ----------
    gpus : DataFrame
        Columns `bandwidth_gb_s`, `bus_width_bits`, `memory_mtps`.

    Returns
    -------
    Series
        GB/s; the stated bandwidth wins over bus width / 8 x transfer rate; NaN where neither
        is known.

    References
    ----------
    JEDEC JESD79-4 and JESD250: bandwidth = transfers per second x bus bits / 8.

    Examples
    --------
    >>> frame = pd.DataFrame(
    ...     {"bandwidth_gb_s": [np.nan], "bus_width_bits": [128.0], "memory_mtps": [16000.0]}
    ... )
    >>> float(gpu_bandwidth(frame)[0])
    256.0
    """
    computed = gpus["bus_width_bits"] / 8.0 * gpus["memory_mtps"] / 1000.0
    return gpus["bandwidth_gb_s"].fillna(computed)


def system_bandwidth(systems: pd.DataFrame) -> pd.Series:
    """Memory bandwidth of each system at its configured rate.

    Parameters
    ----------
    systems : DataFrame
        Columns `ram_mtps` (configured, not rated), `ram_channels`, `channel_bits`.

    Returns
    -------
    Series
        GB/s: channels x channel bits / 8 x configured rate; NaN where one is not known.

    Examples
    --------
    >>> frame = pd.DataFrame(
    ...     {"ram_mtps": [6000.0], "ram_channels": [2.0], "channel_bits": [64.0]}
    ... )
    >>> float(system_bandwidth(frame)[0])
    96.0
    """
    bits = systems["channel_bits"].fillna(DEFAULT_CHANNEL_BITS)
    return systems["ram_channels"] * bits / 8.0 * systems["ram_mtps"] / 1000.0


def attach_rates(study: Catalogue, rows: pd.DataFrame) -> pd.DataFrame:
    """Add to each configuration what its GPU and system can do.

    Parameters
    ----------
    study : Study
        Holds `gpus` and `systems`.
    rows : DataFrame
        Configurations with `system`, `gpu`, `width`, `height` and, optionally, `render_scale`
        (linear; 1 where absent or not known).

    Returns
    -------
    DataFrame
        `rows` with the same index and the columns of `RATES` on the right: `kind` and `family`
        (text, "" when not known), `arithmetic_tflops` (TFLOP/s), `bandwidth_gb_s` (GB/s; an
        integrated GPU takes it from the system's memory unless a bandwidth is stated),
        `drawn_mpx` and `output_mpx` (megapixels), `cpu_speed` (relative), `memory_gib` (an
        integrated GPU: the part set aside for it, else the system's memory). Numbers are NaN
        where a specification is not known.

    Notes
    -----
    Arithmetic rate = compute units x lanes x 2 x clock (a fused multiply-add counts twice), the
    peak of Williams, Waterman and Patterson (2009), *CACM* 52(4):65-76.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> gpus = pd.DataFrame({"gpu": ["G"], "kind": ["discrete"], "family": [""],
    ...     "compute_units": [10.0], "lanes_per_unit": [64.0], "clock_mhz": [2000.0],
    ...     "bus_width_bits": [np.nan], "memory_mtps": [np.nan], "bandwidth_gb_s": [200.0],
    ...     "memory_gib": [8.0]})
    >>> systems = pd.DataFrame({"system": ["S"], "cpu_speed": [1.0], "ram_mtps": [np.nan],
    ...     "ram_channels": [np.nan], "channel_bits": [64.0], "ram_gib": [16.0],
    ...     "reserved_gib": [np.nan]})
    >>> rows = pd.DataFrame({"system": ["S"], "gpu": ["G"], "width": [1000], "height": [1000]})
    >>> study = SimpleNamespace(gpus=gpus, systems=systems, workloads=None)
    >>> attach_rates(study, rows)[["arithmetic_tflops", "drawn_mpx"]].iloc[0].tolist()
    [2.56, 1.0]
    """
    gpus = study.gpus.set_index("gpu")
    systems = study.systems.set_index("system")
    gpu = gpus.reindex(rows["gpu"]).reset_index(drop=True)
    system = systems.reindex(rows["system"]).reset_index(drop=True)
    integrated = gpu["kind"].eq("integrated")
    own = gpu_bandwidth(gpu).where(~integrated, gpu["bandwidth_gb_s"])
    shared_memory = system["reserved_gib"].fillna(system["ram_gib"])
    output = rows["width"].to_numpy(float) * rows["height"].to_numpy(float) / 1e6
    scale = rows["render_scale"].fillna(1.0).to_numpy(float) if "render_scale" in rows else 1.0
    operations = gpu["compute_units"] * gpu["lanes_per_unit"] * 2.0
    added = pd.DataFrame(
        {
            "kind": gpu["kind"].fillna(""),
            "family": gpu["family"].fillna(""),
            "arithmetic_tflops": operations * gpu["clock_mhz"] * 1e6 / 1e12,
            "bandwidth_gb_s": own.fillna(system_bandwidth(system).where(integrated)),
            "drawn_mpx": output * np.square(scale),
            "output_mpx": output,
            "cpu_speed": system["cpu_speed"],
            "memory_gib": shared_memory.where(integrated, gpu["memory_gib"]),
        }
    ).set_axis(rows.index, axis="index")
    positive = ["arithmetic_tflops", "bandwidth_gb_s", "cpu_speed", "memory_gib"]
    added[positive] = added[positive].where(added[positive] > 0)
    return pd.concat([rows.drop(columns=list(RATES), errors="ignore"), added[list(RATES)]], axis=1)
