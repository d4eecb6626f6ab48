"""What a reader must know before using a fit, and which runs would help."""

import numpy as np
import pandas as pd

from perfkit.models.observations import Observations
from perfkit.models.predictions import Model
from perfkit.models.refusals import NO_PASS
from perfkit.models.train import Trained

FREE_OF_SHAPE = 9
"""Left-out GPUs that a distribution-free 90 % range needs (Lei et al. 2018)."""

SAME = 1e-9

COLLINEAR = 0.95
"""Correlation from which two rates can hardly be told apart."""


def collinear(table: pd.DataFrame) -> str:
    """Warn where arithmetic rate and bandwidth go by each other; "" where they do not."""
    columns = ["gpu", "system", "arithmetic_tflops", "bandwidth_gb_s"]
    rates = np.log(table[columns].drop_duplicates()[columns[2:]].dropna().to_numpy(float))
    if len(rates) < 3:
        return ""
    arithmetic, bandwidth = np.ptp(rates, axis=0) < SAME
    if arithmetic and bandwidth:
        return (
            "arithmetic rate and bandwidth are the same on every GPU measured: their effects are "
            "assumed, not learnt"
        )
    if arithmetic or bandwidth:
        name = "arithmetic rate" if arithmetic else "bandwidth"
        return f"{name} is the same on every GPU measured: its effect is assumed, not learnt"
    correlation = float(np.corrcoef(rates.T)[0, 1])
    if abs(correlation) < COLLINEAR:
        return ""
    how = "rise together" if correlation > 0 else "move against each other"
    return (
        f"arithmetic rate and bandwidth {how} over the GPUs measured (correlation "
        f"{correlation:.2f}): single effects are uncertain, and a GPU with another balance is a "
        "guess"
    )


def _count(number: int, noun: str) -> str:
    ending = "es" if noun.endswith("s") else "s"
    return f"{number} {noun}{'' if number == 1 else ending}"


def _about_gpus(table: pd.DataFrame, trained: Trained) -> list[str]:
    gpus = len(trained.cells.gpus)
    if gpus == 1:
        return ["one GPU only: no other GPU can be predicted from it"]
    texts = []
    if gpus < FREE_OF_SHAPE:
        texts.append(
            f"{gpus} GPUs measured: ranges are model-based; a distribution-free 90 % range needs "
            f"{FREE_OF_SHAPE}"
        )
    ran = table[~table["at_least"]].groupby("workload")["gpu"].nunique()
    if len(single := ran[ran.eq(1)].index):
        texts.append(
            f"run on one GPU only, so slopes are borrowed from other workloads: {', '.join(single)}"
        )
    return texts


def _about_passes(seen: Observations, passes: pd.DataFrame) -> list[str]:
    used = passes[seen.reasons.eq("").to_numpy()]
    texts = []
    if borrowed := int(used["source"].eq("borrowed").sum()):
        texts.append(f"{_count(borrowed, 'pass')}: measured by others")
    for column, noun in (("driver", "drivers"), ("game_version", "game versions")):
        versions = used.loc[used[column].ne(""), ["workload", column]].drop_duplicates()
        mixed = versions.groupby("workload")[column].nunique()
        if len(several := mixed[mixed.gt(1)].index):
            texts.append(
                f"passes under several {noun}, brought together where a bridge ties them, in: "
                f"{', '.join(several)}"
            )
    return texts


def warnings_about(
    seen: Observations, passes: pd.DataFrame, model: Model | None
) -> tuple[str, ...]:
    """Collect warnings on a fit.

    Parameters
    ----------
    seen : Observations
    passes : DataFrame
        As given to `fit`, by position.
    model : Model or None
        The main one.

    Returns
    -------
    tuple of str
    """
    if model is None:
        why = seen.left_out["reason"].value_counts(sort=False)
        told = "; ".join(f"{_count(int(n), 'pass')}: {reason}" for reason, n in why.items())
        return (f"{NO_PASS}{' (' if told else ''}{told}{')' if told else ''}",)
    table = seen.table
    texts = _about_gpus(table, model.trained)
    if model.bandwidth:
        texts.append(collinear(table))
    unknown = table.loc[table["bandwidth_gb_s"].isna(), "gpu"].unique()
    if len(unknown):
        texts.append(f"memory bandwidth is not known of: {', '.join(unknown)}")
    slow = table.loc[table["cpu_speed"].isna(), "system"].unique()
    if len(slow) and len(table["system"].unique()) > 1:
        texts.append(
            f"processor speed is not known of: {', '.join(slow)}; taken as {model.cpu_fill:g}"
        )
    free = set(table.loc[~table["at_least"], "workload"])
    if capped := sorted(set(table["workload"]) - free):
        texts.append(f"only ever run at a cap: {', '.join(capped)}")
    texts += _about_passes(seen, passes)
    return tuple(text for text in texts if text)


def runs_that_teach(seen: Observations) -> tuple[str, ...]:
    """Name the own runs that would teach most, given what there is.

    Parameters
    ----------
    seen : Observations

    Returns
    -------
    tuple of str
        For one GPU: what can be varied on one machine. For more: what the fit lacks.
    """
    table = seen.table[~seen.table["at_least"]]
    held = sorted(set(seen.table["workload"]) - set(table["workload"]))
    runs = [f"run {name} without the cap: every pass of it was held" for name in held]
    gpus = table["gpu"].nunique()
    if gpus >= 2:
        ran = table.groupby("workload")["gpu"].nunique()
        alone = ran[ran.eq(1)].index
        runs += [f"run {name} on a second GPU: it has run on one only" for name in alone]
        if collinear(table):
            runs.append(
                "run any workload on a GPU with another balance of arithmetic rate and bandwidth, "
                "or with memory at another rate: nothing measured tells the two apart"
            )
        return tuple(runs)
    integrated = table["kind"].eq("integrated").any() or not len(table)
    if integrated and table["bandwidth_gb_s"].nunique() < 2:
        runs += [
            "the same scene with the memory at its default and at its rated speed",
            "the same scene with one memory module and with two",
        ]
    if table["drawn_mpx"].nunique() < 2:
        runs.append("the same scene at a second resolution")
    runs.append(
        "one pass at the lowest resolution the game offers: it bounds the processor, which "
        "ordinary runs do not show"
    )
    runs.append("one pass of each workload on any second GPU, lent or bought")
    return tuple(runs)
