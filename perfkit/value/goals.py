"""Goals under a budget: which games a build holds, and the cheapest that holds them all."""

import numpy as np
import numpy.typing as npt
import pandas as pd

from perfkit.defaults import LEVEL
from perfkit.study import Study
from perfkit.value.speeds import BuildSpeeds, FloatArray

BoolArray = npt.NDArray[np.bool_]


def reach_probability(log_draws: FloatArray, goals: FloatArray) -> FloatArray:
    """Share of draws that reach each goal.

    Parameters
    ----------
    log_draws : ndarray, shape (machines, workloads, draws)
    goals : ndarray, shape (workloads,)
        FPS; NaN where none is set.

    Returns
    -------
    ndarray, shape (machines, workloads)
        NaN without a goal or without draws.

    Examples
    --------
    >>> reach_probability(np.log([[[50.0, 70.0]]]), np.array([60.0])).tolist()
    [[0.5]]
    """
    reached = (log_draws >= np.log(goals)[:, None]).mean(axis=-1)
    known = np.isfinite(log_draws[..., 0]) & np.isfinite(goals)
    return np.where(known, reached, np.nan)


def all_reached(log_draws: FloatArray, goals: FloatArray) -> BoolArray:
    """Tell which draws reach all goals at once; goals or draws that are NaN are passed over.

    Parameters
    ----------
    log_draws : ndarray, shape (machines, workloads, draws)
    goals : ndarray, shape (workloads,)

    Returns
    -------
    ndarray of bool, shape (machines, draws)

    Examples
    --------
    >>> all_reached(np.log([[[50.0, 70.0], [90.0, 90.0]]]), np.array([60.0, np.nan])).tolist()
    [[False, True]]
    """
    asked = np.isfinite(goals)[:, None] & np.isfinite(log_draws)
    with np.errstate(invalid="ignore"):
        reached = log_draws >= np.log(goals)[:, None]
    return np.asarray((reached | ~asked).all(axis=1))


def goal_games(study: Study, speeds: BuildSpeeds) -> pd.DataFrame:
    """Say for each build and game how likely it reaches its goal and its floor.

    Parameters
    ----------
    study : Study
    speeds : BuildSpeeds
        Of the study's builds.

    Returns
    -------
    DataFrame
        build, workload, fps, goal_fps, p_goal, low_1pct_fps, floor_fps, p_floor, basis, reason:
        one row per build and workload that has a goal or a floor.
    """
    goal, floor = _goals(study, speeds)
    p_goal = reach_probability(speeds.log_draws, goal)
    p_floor = reach_probability(speeds.low_log_draws(), floor)
    shape = speeds.fps.shape
    rows = pd.DataFrame(
        {
            "build": np.repeat(speeds.names, shape[1]),
            "workload": np.tile(speeds.workloads, shape[0]),
            "fps": speeds.fps.ravel(),
            "goal_fps": np.tile(goal, shape[0]),
            "p_goal": p_goal.ravel(),
            "low_1pct_fps": speeds.low_fps.ravel(),
            "floor_fps": np.tile(floor, shape[0]),
            "p_floor": p_floor.ravel(),
            "basis": speeds.basis.ravel(),
            "reason": speeds.reason.ravel(),
        }
    )
    return rows[rows[["goal_fps", "floor_fps"]].notna().any(axis=1)].reset_index(drop=True)


def _goals(study: Study, speeds: BuildSpeeds) -> tuple[FloatArray, FloatArray]:
    games = study.workloads.set_index("workload").loc[list(speeds.workloads)]
    return games["goal_fps"].to_numpy(float), games["floor_fps"].to_numpy(float)


def goal_table(study: Study, speeds: BuildSpeeds, price: FloatArray) -> pd.DataFrame:
    """Say how likely each build reaches all goals, and which is the cheapest that does.

    Parameters
    ----------
    study : Study
    speeds : BuildSpeeds
        Of the study's builds.
    price : ndarray, shape (builds,)

    Returns
    -------
    DataFrame
        build, price, budget, within_budget (yes, no, ""), games (with a goal), p_all (all goals,
        and all floors where the 1 % low is known, at once), expected_share (of goals reached),
        answer ("cheapest that reaches all goals" on one row at most: probability at least `LEVEL`,
        within the budget where there is one), hardest (game with the least probability), reason,
        not_counted (games with a goal for which no build has a range).
    """
    goal, floor = _goals(study, speeds)
    silent = np.isnan(speeds.log_draws[..., 0]).all(axis=0)
    skipped = [
        name for name, out in zip(speeds.workloads, silent & ~np.isnan(goal), strict=True) if out
    ]
    goal, floor = (np.where(silent, np.nan, limit) for limit in (goal, floor))
    p_goal = reach_probability(speeds.log_draws, goal)
    lows = speeds.low_log_draws()
    together = all_reached(speeds.log_draws, goal) & all_reached(lows, floor)
    asked = np.isfinite(goal)
    whole = np.isfinite(p_goal[:, asked]).all(axis=1) & asked.any()
    p_all = np.where(whole, together.mean(axis=1), np.nan)
    budget = study.settings.budget
    affordable = np.isfinite(price) if budget is None else price <= budget
    told = np.flatnonzero((p_all >= LEVEL) & affordable)
    answer = np.full(len(price), "", dtype=object)
    if len(told):
        answer[told[np.argmin(price[told])]] = "cheapest that reaches all goals"
    fits = np.where(affordable, "yes", "no")
    return pd.DataFrame(
        {
            "build": speeds.names,
            "price": price,
            "budget": np.nan if budget is None else budget,
            "within_budget": np.where(np.isnan(price) | (budget is None), "", fits),
            "games": int(asked.sum()),
            "p_all": p_all,
            "expected_share": np.where(whole, p_goal[:, asked].mean(axis=1), np.nan)
            if asked.any()
            else np.nan,
            "answer": answer.astype(str),
            "hardest": [_hardest(speeds, row) for row in p_goal],
            "reason": [
                _why_no_answer(speeds, at, asked, np.isfinite(floor)) for at in range(len(price))
            ],
            "not_counted": "; ".join(skipped),
        }
    )


def _hardest(speeds: BuildSpeeds, p_goal: FloatArray) -> str:
    known = np.flatnonzero(np.isfinite(p_goal))
    return speeds.workloads[known[np.argmin(p_goal[known])]] if len(known) else ""


def _why_no_answer(speeds: BuildSpeeds, machine: int, asked: FloatArray, floors: FloatArray) -> str:
    games = np.array(speeds.workloads)
    silent = games[asked.astype(bool) & np.isnan(speeds.log_draws[machine, :, 0])]
    if len(silent):
        return f"no range of FPS for {', '.join(silent)}"
    unknown = games[floors & np.isnan(speeds.low_log_scale[machine])]
    return f"floor not counted, 1 % low not known: {', '.join(unknown)}" if len(unknown) else ""
