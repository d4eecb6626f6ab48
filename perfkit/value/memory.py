"""Whether the memory runs at its rate, and what it costs in frames if not."""

import math
from typing import Any

import numpy as np
import pandas as pd

from perfkit.models.rates import system_bandwidth
from perfkit.study import Study
from perfkit.value.claim_evidence import Evidence, compare_sides
from perfkit.value.claim_sides import Record, Side
from perfkit.value.contrast import Contrast

NEAR_HALF = (0.45, 0.55)
"""Ratios of configured to rated rate that look like a clock beside a transfer rate."""

FULL = 0.99
"""From this ratio on the memory runs at its rate."""

_SAME_MACHINE = ("cpu", "cpu_cores", "cpu_threads", "cpu_speed")


def memory_check(study: Study) -> pd.DataFrame:
    """Compare each system's configured memory rate with the rate its modules are sold for.

    Parameters
    ----------
    study : Study

    Returns
    -------
    DataFrame
        system, configured_mtps, rated_mtps, ratio, channels, bandwidth_gb_s, rated_bandwidth_gb_s,
        verdict (at its rate, below its rate, not checked), question: one row per system. A ratio
        near one half is asked about, not decided.
    """
    systems = study.systems
    ratio = systems["ram_mtps"] / systems["ram_rated_mtps"]
    bandwidth = system_bandwidth(systems)
    half = ratio.between(*NEAR_HALF)
    verdict = np.where(ratio >= FULL, "at its rate", "below its rate")
    question = np.where(
        half,
        "is ram_mtps the clock? A module moves two transfers a clock: write the transfer rate",
        np.where(
            systems["ram_channels"] == 1, "one channel: a second module doubles the bandwidth", ""
        ),
    )
    return pd.DataFrame(
        {
            "system": systems["system"],
            "configured_mtps": systems["ram_mtps"],
            "rated_mtps": systems["ram_rated_mtps"],
            "ratio": ratio,
            "channels": systems["ram_channels"],
            "bandwidth_gb_s": bandwidth,
            "rated_bandwidth_gb_s": bandwidth / ratio,
            "verdict": np.where(ratio.isna() | half, "not checked", verdict),
            "question": question,
        }
    ).reset_index(drop=True)


def memory_cost(record: Record) -> pd.DataFrame:
    """Say what slower memory, or one channel less, costs an integrated GPU in frames.

    Parameters
    ----------
    record : Record

    Returns
    -------
    DataFrame
        gpu, system, against, rate_ratio, channels, against_channels, bandwidth_ratio, fps_ratio,
        fps_low, fps_high, workloads, basis, reason: one row per integrated GPU and pair of systems
        with the same processor, of which `against` has more bandwidth. Where the pair was neither
        run nor predicted, or no such pair exists for a system below its rate, basis is "bound":
        the ratio lies between the bandwidths' and one.
    """
    systems = record.study.systems.assign(bandwidth=system_bandwidth(record.study.systems))
    facts: Facts = {row["system"]: dict(row) for row in systems.to_dict("records")}
    integrated = record.study.gpus.loc[record.study.gpus["kind"] == "integrated", "gpu"]
    seen = pd.concat([record.counted[_MACHINE], record.book.table[_MACHINE]]).drop_duplicates()
    rows = []
    for slow, gpu in seen[seen["gpu"].isin(integrated)].itertuples(index=False, name=None):
        mine = facts[slow]
        rivals = [
            name
            for name, other in facts.items()
            if _same_machine(mine, other) and other["bandwidth"] > mine["bandwidth"]
        ]
        rows += [_pair(record, gpu, mine, facts[fast]) for fast in rivals]
        if not rivals and mine["ram_mtps"] < FULL * mine["ram_rated_mtps"]:
            rows.append(_bound(gpu, mine))
    columns = ["gpu", "system", "against", "rate_ratio", "channels", "against_channels"]
    columns += ["bandwidth_ratio", "fps_ratio", "fps_low", "fps_high", "workloads", "basis"]
    return pd.DataFrame(rows, columns=[*columns, "reason"])


Facts = dict[str, dict[Any, Any]]
_MACHINE = ["system", "gpu"]


def _same_machine(one: dict[Any, Any], other: dict[Any, Any]) -> bool:
    if not one["cpu"]:
        return False
    pairs = [(one[name], other[name]) for name in _SAME_MACHINE]
    return all(a == b or (pd.isna(a) and pd.isna(b)) for a, b in pairs)


def _pair(
    record: Record, gpu: str, slow: dict[Any, Any], fast: dict[Any, Any]
) -> dict[str, object]:
    left, right = (Side(each["system"], system=each["system"], gpu=gpu) for each in (slow, fast))
    found = compare_sides(record, left, right, "average")
    bandwidth_ratio = slow["bandwidth"] / fast["bandwidth"]
    row = {
        "gpu": gpu,
        "system": slow["system"],
        "against": fast["system"],
        "rate_ratio": slow["ram_mtps"] / fast["ram_mtps"],
        "channels": slow["ram_channels"],
        "against_channels": fast["ram_channels"],
        "bandwidth_ratio": bandwidth_ratio,
    }
    if found.contrast is None:
        return row | _between(bandwidth_ratio, found.reason)
    return row | _ratio(found, found.contrast)


def _ratio(found: Evidence, contrast: Contrast) -> dict[str, object]:
    low, high = found.ratio_range()
    return {
        "fps_ratio": math.exp(contrast.log_ratio),
        "fps_low": low,
        "fps_high": high,
        "workloads": len(set(found.workloads)),
        "basis": found.basis,
        "reason": "",
    }


def _between(bandwidth_ratio: float, reason: str) -> dict[str, object]:
    return {
        "fps_ratio": math.nan,
        "fps_low": bandwidth_ratio,
        "fps_high": 1.0,
        "workloads": 0,
        "basis": "bound",
        "reason": f"{reason}: between no loss and the loss of bandwidth",
    }


def _bound(gpu: str, slow: dict[Any, Any]) -> dict[str, object]:
    ratio = slow["ram_mtps"] / slow["ram_rated_mtps"]
    return {
        "gpu": gpu,
        "system": slow["system"],
        "against": f"{slow['system']} at its rated rate",
        "rate_ratio": ratio,
        "channels": slow["ram_channels"],
        "against_channels": slow["ram_channels"],
        "bandwidth_ratio": ratio,
    } | _between(ratio, "no system of the study runs this memory at its rate")
