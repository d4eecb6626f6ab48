"""Settings for a goal: the largest render scale at which a game still reaches it."""

from collections.abc import Callable, Hashable
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import stdtr

from perfkit.defaults import LEVEL
from perfkit.frames.usable import CONFIGURATION
from perfkit.study import Study
from perfkit.value.builds import machines
from perfkit.value.measured import measured_cells

Predict = Callable[[pd.DataFrame], pd.DataFrame]


def scales_in_use(study: Study, passes: pd.DataFrame) -> list[float]:
    """Render scales that the study uses without generated frames, the largest first.

    Parameters
    ----------
    study : Study
    passes : DataFrame
        As made by :func:`perfkit.summarize_passes`.

    Returns
    -------
    list of float
        At most native.
    """
    drawn = passes.loc[passes["generated_per_drawn"] == 0, "render_scale"]
    found = {1.0, *drawn, *study.targets["render_scale"]}
    return sorted((scale for scale in found if scale <= 1), reverse=True)


def scale_probabilities(study: Study, passes: pd.DataFrame, predict: Predict) -> pd.DataFrame:
    """Say for each build, game and scale how likely the goal is reached.

    Parameters
    ----------
    study : Study
    passes : DataFrame
        As made by :func:`perfkit.summarize_passes`.
    predict : callable
        ``model.predict``; asked only for what was never run.

    Returns
    -------
    DataFrame
        build, workload, goal_fps, render_scale, fps, probability, basis, reason; the largest scale
        first. The probability is that of a Student t on log FPS, in closed form.

    Notes
    -----
    Drawing fewer pixels never takes longer, so a predicted scale is held to be at least as fast,
    and as likely to reach the goal, as any larger scale of the same game. A model's doubt about the
    smaller scale cannot take back what it says, or what was measured, of the larger one.
    """
    made = machines(study)
    made = made.loc[made["reason"] == "", ["build", "system", "gpu"]]
    games = study.workloads.loc[study.workloads["goal_fps"].notna(), ["workload", "goal_fps"]]
    scales = pd.DataFrame({"render_scale": scales_in_use(study, passes)})
    width, height = study.settings.value_at
    asked = made.merge(games, how="cross").merge(scales, how="cross")
    asked = asked.assign(width=width, height=height)
    cells = measured_cells(passes)[[*CONFIGURATION, "fps", "log_scale", "dof", "basis"]]
    known = asked.merge(cells, on=CONFIGURATION, how="left")
    unknown = known.loc[known["fps"].isna(), CONFIGURATION].drop_duplicates()
    if len(unknown):
        told = predict(unknown.reset_index(drop=True))
        told = told.assign(
            log_scale=np.hypot(told["scale_device"], told["scale_own"]), basis="predicted"
        )
        known = known.merge(
            told[[*CONFIGURATION, "fps", "log_scale", "dof", "basis", "reason"]],
            on=CONFIGURATION,
            how="left",
            suffixes=("", "_told"),
        )
        for name in ("fps", "log_scale", "dof", "basis"):
            known[name] = known[name].where(known[name].notna(), known[f"{name}_told"])
    reason = known["reason"] if "reason" in known else pd.Series("", index=known.index)
    away = np.log(known["goal_fps"] / known["fps"]) / known["log_scale"]
    known["probability"] = stdtr(known["dof"].to_numpy(float), -away.to_numpy(float))
    known["reason"] = reason.where(known["fps"].isna(), "").fillna("")
    known.loc[known["fps"].notna() & known["log_scale"].isna(), "reason"] = (
        "no configuration was run twice: spread not known"
    )
    known["basis"] = known["basis"].where(known["fps"].notna(), "").fillna("")
    columns = ["build", "workload", "goal_fps", "render_scale", "fps", "probability", "basis"]
    return _at_least_as_fast(known)[[*columns, "reason"]]


def _at_least_as_fast(steps: pd.DataFrame) -> pd.DataFrame:
    """Raise predicted scales to the best of the larger ones; the largest comes first."""
    machine = [steps["build"], steps["workload"]]
    measured = steps["basis"] != "predicted"
    best = {
        name: steps[name].where(measured, steps[name].groupby(machine).cummax())
        for name in ("fps", "probability")
    }
    return steps.assign(**best)


def setting_table(steps: pd.DataFrame) -> pd.DataFrame:
    """Pick the largest scale that reaches the goal with probability `LEVEL`.

    Parameters
    ----------
    steps : DataFrame
        As made by :func:`scale_probabilities`.

    Returns
    -------
    DataFrame
        build, workload, goal_fps, render_scale (NaN where none reaches it), fps, probability,
        basis, next_scale (the step above), next_probability, reason: one row per build and game.
    """
    groups: dict[tuple[str, str], list[dict[Hashable, Any]]] = {}
    for step in steps.to_dict("records"):
        groups.setdefault((step["build"], step["workload"]), []).append(step)
    columns = ["build", "workload", "goal_fps", "render_scale", "fps", "probability", "basis"]
    columns += ["next_scale", "next_probability", "reason"]
    return pd.DataFrame([_setting(group) for group in groups.values()], columns=columns)


_OF_SCALES = ("render_scale", "fps", "probability", "next_scale", "next_probability")


def _setting(steps: list[dict[Hashable, Any]]) -> dict[Hashable, Any]:
    """Pick among the scales of one build and game, the largest first."""
    row: dict[Hashable, Any] = {name: steps[0][name] for name in ("build", "workload", "goal_fps")}
    row |= dict.fromkeys(_OF_SCALES, np.nan)
    chances = [step["probability"] for step in steps]
    at = next((at for at, chance in enumerate(chances) if chance >= LEVEL), None)
    if at is None:
        known = not np.isnan(chances).all()
        why = next(filter(None, (step["reason"] for step in steps)), "no number")
        return row | {"basis": "", "reason": "no scale in use reaches the goal" if known else why}
    row |= {name: steps[at][name] for name in ("render_scale", "fps", "probability", "basis")}
    if at > 0:
        above = steps[at - 1]
        row |= {"next_scale": above["render_scale"], "next_probability": above["probability"]}
    return row | {"reason": ""}
