"""When no number is given, and why, in words a person can act on."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from perfkit.frames.usable import AT_CAP
from perfkit.models.observations import Observations, memory_limit, memory_need, memory_needs
from perfkit.models.rates import Catalogue

NO_PASS = "no pass of this study could be used to fit a model"


@dataclass(frozen=True, slots=True, eq=False)
class Known:
    """What the refusals look at, kept from the passes.

    Attributes
    ----------
    needs : DataFrame
        As from `memory_needs`.
    bounds : Series
        By workload: the highest "at least" of workloads with no free pass.
    caps : Series
        By workload: the lowest cap of workloads whose every pass was capped.
    tried : dict of str to str
        By workload: why its passes taught nothing.
    crashed : set of tuple
        Configurations that crashed and never ran through: gpu, workload, output megapixels.
    gpus : tuple of str
        GPUs with a free pass.
    workloads : frozenset of str
        Workloads with a free pass.
    """

    needs: pd.DataFrame
    bounds: pd.Series
    caps: pd.Series
    tried: dict[str, str]
    crashed: frozenset[tuple[str, str, float]]
    gpus: tuple[str, ...]
    workloads: frozenset[str]


def what_is_known(seen: Observations, passes: pd.DataFrame) -> Known:
    """Collect what refusals need from the passes."""
    reasons = seen.reasons.to_numpy()
    free = seen.table[~seen.table["at_least"]]
    held = seen.table[seen.table["at_least"] & ~seen.table["workload"].isin(free["workload"])]
    ran = passes[passes["outcome"].ne("crashed").to_numpy()]
    caps = ran["cap_fps"].groupby(ran["workload"]).agg(lambda c: c.min(skipna=False))
    taught = set(seen.table["workload"])
    idle = pd.DataFrame({"workload": passes["workload"].to_numpy(), "reason": reasons})
    idle = idle[~idle["workload"].isin(taught)]
    tried = {
        str(name): "; ".join(dict.fromkeys(why)) for name, why in idle.groupby("workload")["reason"]
    }
    mpx = passes["width"].astype(float) * passes["height"] / 1e6
    keys = list(zip(passes["gpu"], passes["workload"], mpx, strict=True))
    through = {key for key, reason in zip(keys, reasons, strict=True) if reason != "crashed"}
    fell = {key for key, reason in zip(keys, reasons, strict=True) if reason == "crashed"}
    return Known(
        needs=memory_needs(passes),
        bounds=np.exp(held.groupby("workload")["log_fps"].max()),
        caps=caps.dropna(),
        tried=tried,
        crashed=frozenset(fell - through),
        gpus=tuple(dict.fromkeys(free["gpu"])),
        workloads=frozenset(free["workload"]),
    )


def _unknown_names(study: Catalogue, rows: pd.DataFrame) -> list[str]:
    """Say of each row which of its names the study does not list, "" where it lists all."""
    reasons = [""] * len(rows)
    places = (
        ("workload", study.workloads["workload"], "workloads.csv"),
        ("gpu", study.gpus["gpu"], "gpus.csv"),
        ("system", study.systems["system"], "systems.csv"),
    )
    for column, names, file in places:
        listed = set(names)
        for k, name in enumerate(rows[column].tolist()):
            if name not in listed:
                reasons[k] = f"{column} {name!r} is not in {file}"
    return reasons


def _never_run(known: Known, workload: str) -> str:
    if workload in known.bounds:
        least = known.bounds[workload]
        return (
            f"every pass of {workload} was held by a cap: at least {least:.4g} FPS is all that is "
            "known; run it without the cap"
        )
    if workload in known.tried:
        return f"no pass of {workload} could be used ({known.tried[workload]})"
    return f"{workload} was never run: nothing says how it scales"


def memory_notes(study: Catalogue, known: Known, rows: pd.DataFrame) -> tuple[pd.Series, pd.Series]:
    """Say where memory is too small, and where nobody checked.

    Parameters
    ----------
    study : Study
    known : Known
    rows : DataFrame
        Configurations with rates.

    Returns
    -------
    refusal, remark : Series of str
        "" where there is none.
    """
    need = memory_need(known.needs, rows["workload"], rows["output_mpx"])
    larger = memory_need(known.needs, rows["workload"], pd.Series(np.inf, index=rows.index))
    columns = rows["gpu"], rows["workload"], memory_limit(study, rows), need, larger
    said = [_memory_note(*row) for row in zip(*(c.tolist() for c in columns), strict=True)]
    texts = pd.DataFrame(said, index=rows.index, columns=["refusal", "remark"], dtype="str")
    return texts["refusal"], texts["remark"]


def _memory_note(
    gpu: str, workload: str, has: float, need: float, larger: float
) -> tuple[str, str]:
    refusal = remark = ""
    if need > has:
        refusal = f"{gpu} may use {has:g} GiB, and {workload} was seen to use {need:.3g} GiB"
    if larger > has:
        seen = f"less than the {larger:.3g} GiB seen in use at a larger size"
        remark = f"{gpu} may use {has:g} GiB, {seen}"
    elif np.isnan(has) and not np.isnan(need):
        seen = f"not checked against the {need:.3g} GiB seen in use"
        remark = f"memory of {gpu} is not known: {seen}"
    return refusal, remark


def refuse(study: Catalogue, known: Known, rows: pd.DataFrame, short: pd.Series) -> pd.Series:
    """Reason why a configuration gets no number, "" where it gets one.

    Parameters
    ----------
    study : Study
    known : Known
    rows : DataFrame
        Configurations with rates.
    short : Series of str
        Where memory is too small, as by :func:`memory_notes`.

    Returns
    -------
    Series of str
    """
    reasons = _unknown_names(study, rows)
    heard_of = {*known.tried, *known.bounds.index}
    columns = (rows[c].tolist() for c in ("gpu", "workload", "output_mpx", "arithmetic_tflops"))
    for k, (gpu, workload, mpx, rate, small) in enumerate(zip(*columns, short, strict=True)):
        if reasons[k]:
            continue
        if not known.gpus and workload not in heard_of:
            reasons[k] = NO_PASS
        elif workload not in known.workloads:
            reasons[k] = _never_run(known, workload)
        elif small:
            reasons[k] = small
        elif (gpu, workload, mpx) in known.crashed:
            reasons[k] = f"{workload} crashed on {gpu} at this size"
        elif np.isnan(rate):
            reasons[k] = f"the arithmetic rate of {gpu} is not known"
    return pd.Series(reasons, index=rows.index, dtype="str")


def at_cap(known: Known, rows: pd.DataFrame, fps: pd.Series) -> pd.Series:
    """Whether the configuration would reach the cap that every pass of its workload had."""
    return fps.ge(AT_CAP * rows["workload"].map(known.caps).astype(float))
