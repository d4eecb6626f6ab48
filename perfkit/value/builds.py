"""Which machine a build makes, and which of its speeds are not measured yet."""

import pandas as pd

from perfkit.frames.usable import CONFIGURATION, countable
from perfkit.study import Study, build_machines


def machines(study: Study) -> pd.DataFrame:
    """Find the system and the GPU of each build, and say where one is not known.

    Parameters
    ----------
    study : Study

    Returns
    -------
    DataFrame
        build, system, gpu, reason: one row per build in file order; the system and the GPU are
        "" where `reason` is not.
    """
    found = build_machines(study.builds)
    missing = [
        " and ".join(what for what, name in (("system", system), ("GPU", gpu)) if not name)
        for system, gpu in zip(found["system"], found["gpu"], strict=True)
    ]
    reason = [f"builds.csv names no {what} for this build" if what else "" for what in missing]
    found["reason"] = pd.Series(reason, dtype="str")
    found[["system", "gpu"]] = found[["system", "gpu"]].where(found["reason"] == "", "")
    return found


def compared_configurations(study: Study) -> pd.DataFrame:
    """List the configurations at which builds and cards are compared.

    Parameters
    ----------
    study : Study

    Returns
    -------
    DataFrame
        system, gpu, workload, width, height, render_scale at ``value_at``, native scale: each
        machine that a build makes, then each priced card in each of those systems; every
        workload.
    """
    built = machines(study)
    made = built.loc[built["reason"] == "", ["system", "gpu"]]
    cards = pd.DataFrame({"gpu": priced_cards(study)}, dtype="str")
    possible = made[["system"]].drop_duplicates().merge(cards, how="cross")
    pairs = pd.concat([made, possible]).drop_duplicates()
    width, height = study.settings.value_at
    rows = pairs.merge(study.workloads[["workload"]], how="cross")
    return rows.assign(width=width, height=height, render_scale=1.0)[CONFIGURATION]


def priced_cards(study: Study) -> list[str]:
    """Name the discrete GPUs that can be bought under their own name.

    Parameters
    ----------
    study : Study

    Returns
    -------
    list of str
        Discrete GPUs of gpus.csv that are an item of prices.csv, in file order.
    """
    discrete = study.gpus.loc[study.gpus["kind"] == "discrete", "gpu"]
    return [str(gpu) for gpu in discrete[discrete.isin(study.prices["item"])]]


def needed_targets(study: Study, passes: pd.DataFrame) -> pd.DataFrame:
    """List what builds and upgrades need and nobody measured.

    Parameters
    ----------
    study : Study
    passes : DataFrame
        As made by :func:`perfkit.summarize_passes`.

    Returns
    -------
    DataFrame
        system, gpu, workload, width, height, render_scale; at ``value_at``, native scale.

    Examples
    --------
    >>> import perfkit as pk
    >>> from perfkit.study.demo import find_demo
    >>> study = pk.load_study(find_demo())
    >>> needed_targets(study, pk.summarize_passes(study))["render_scale"].unique().tolist()
    [1.0]
    """
    asked = compared_configurations(study)
    known = countable(passes)[CONFIGURATION].drop_duplicates()
    joined = asked.merge(known, on=CONFIGURATION, how="left", indicator=True)
    return asked[(joined["_merge"] == "left_only").to_numpy()].reset_index(drop=True)
