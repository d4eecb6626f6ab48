"""What if a price moved, a game did not count, a machine were left out: pure functions of a choice.

The page and the widget show the same answers by the same arithmetic, written once more in
``page/explorer.js``; a test holds the two together.
"""

import base64
from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from perfkit.defaults import DRAWS, LEVEL
from perfkit.study.prices import build_prices
from perfkit.value.arithmetic import central_range, frontier_probability, rank_probability
from perfkit.value.speeds import HALF, BuildSpeeds
from perfkit.value.worth import mean_fps, speeds_of_builds, target_shares

if TYPE_CHECKING:
    from perfkit.analysis import Analysis

MOST_DRAWS = 1_500_000
"""Draws that the page holds at most: builds times workloads times draws."""

GOAL_FPS = 60.0


def explore(
    analysis: "Analysis",
    *,
    prices: Mapping[str, float] | None = None,
    weights: Mapping[str, float] | None = None,
    builds: Iterable[str] | None = None,
    goal_fps: float = GOAL_FPS,
) -> pd.DataFrame:
    """Compare builds at other prices, over other games, among fewer rivals.

    Parameters
    ----------
    analysis : Analysis
    prices : mapping of str to float, optional
        Price of a build in the study's currency; those not named keep the study's.
    weights : mapping of str to float, optional
        Weight of a workload, 0 to leave it out; those not named keep the study's.
    builds : iterable of str, optional
        Builds to compare; all by default.
    goal_fps : float
        Average FPS that a game should reach.

    Returns
    -------
    DataFrame
        One row per chosen build in file order: build, price, basis, fps, fps_low, fps_high,
        cost_per_frame, cost_low, cost_high, on_frontier (probability), share_of_goal (weighted
        share of workloads that reach the goal), best_value (probability of the lowest cost per
        frame), workloads and passes behind the mean, reason.

    Raises
    ------
    ValueError
        A build or a workload is not in the study, or a price or weight is not a number of at
        least 0.

    Examples
    --------
    >>> import perfkit as pk
    >>> from perfkit.study.demo import find_demo
    >>> analysis = pk.analyse(pk.load_study(find_demo()))
    >>> first = analysis.value["build"].iloc[0]
    >>> before, after = explore(analysis), explore(analysis, prices={first: 1.0})
    >>> bool(before["fps"].equals(after["fps"]))
    True
    """
    speeds = speeds_of(analysis)
    priced = build_prices(analysis.study)
    price = _numbers(priced["build"], priced["price"], prices, "build")
    weight = _numbers(speeds.workloads, speeds.weights, weights, "workload")
    chosen = set(speeds.names) if builds is None else set(builds)
    _refuse_unknown(chosen, speeds.names, "build")
    rows = np.array([name in chosen for name in speeds.names], dtype=bool)
    table = _worth(_choose(speeds, rows, weight), price[rows], goal_fps)
    unpriced = priced["reason"].to_numpy()[rows]
    table["reason"] = [
        "; ".join(filter(None, [(why or "no price") if np.isnan(cost) else "", reason]))
        for why, cost, reason in zip(unpriced, table["price"], table["reason"], strict=True)
    ]
    return table


def speeds_of(analysis: "Analysis") -> BuildSpeeds:
    """Gather the speeds that page, widget and :func:`explore` share.

    Parameters
    ----------
    analysis : Analysis

    Returns
    -------
    BuildSpeeds
        With all draws, or with as many as the page can hold when there are very many builds.
    """
    speeds = speeds_of_builds(analysis.study, analysis.speeds)
    cells = max(1, len(speeds.names) * len(speeds.workloads))
    kept = max(1, min(DRAWS, MOST_DRAWS // cells))
    return replace(speeds, log_draws=speeds.log_draws[..., :kept])


def payload(analysis: "Analysis") -> dict[str, Any]:
    """Everything that the explorer in the page or in the widget needs, ready for JSON.

    Parameters
    ----------
    analysis : Analysis

    Returns
    -------
    dict
        builds, workloads, fps, basis and passes by build and workload, the draws of log FPS
        around the average as base64 of little-endian float32, and the words to show.
    """
    settings = analysis.study.settings
    speeds = speeds_of(analysis)
    priced = build_prices(analysis.study)
    with np.errstate(divide="ignore"):
        around = (speeds.log_draws - np.log(speeds.fps)[..., None]).astype("<f4")
    width, height = settings.value_at
    count = speeds.log_draws.shape[-1]
    return {
        "builds": [
            {"name": name, "price": _json_number(price), "reason": reason}
            for name, price, reason in zip(
                priced["build"], priced["price"], priced["reason"], strict=True
            )
        ],
        "workloads": [
            {"name": name, "weight": float(weight)}
            for name, weight in zip(speeds.workloads, speeds.weights, strict=True)
        ],
        "fps": [[_json_number(fps) for fps in row] for row in speeds.fps],
        "basis": speeds.basis.tolist(),
        "passes": speeds.passes.astype(int).tolist(),
        "draws": base64.b64encode(around.tobytes()).decode("ascii"),
        "count": count,
        "level": LEVEL,
        "half": HALF,
        "goals": [float(goal) for goal in settings.targets_fps] or [GOAL_FPS],
        "currency": settings.currency,
        "caption": (
            f"Average FPS: weighted geometric mean over the games that count, at {width} × {height}"
            f", native scale, nothing generated. Ranges cover {100 * LEVEL:.0f}\u202f% of "
            f"{count:,} draws. Prices in {settings.currency} of {settings.price_date.isoformat()}, "
            "or as moved here."
        ),
    }


def _choose(
    speeds: BuildSpeeds, rows: np.ndarray[Any, np.dtype[np.bool_]], weights: Any
) -> BuildSpeeds:
    """Keep the chosen builds and the workloads that count, and find their common ground anew."""
    used = weights > 0
    both = np.ix_(rows, used)
    numbered = np.isfinite(speeds.fps[both])
    compared = numbered.any(axis=1) & (numbered.mean(axis=1) >= HALF) if used.any() else ~rows[rows]
    return replace(
        speeds,
        names=tuple(np.array(speeds.names, dtype=object)[rows]),
        workloads=tuple(np.array(speeds.workloads, dtype=object)[used]),
        weights=weights[used],
        fps=speeds.fps[both],
        log_draws=speeds.log_draws[both],
        basis=speeds.basis[both],
        reason=speeds.reason[both],
        passes=speeds.passes[both],
        low_fps=speeds.low_fps[both],
        low_log_scale=speeds.low_log_scale[both],
        compared=compared,
        common=numbered[compared].all(axis=0) & compared.any(),
    )


def _worth(speeds: BuildSpeeds, price: Any, goal_fps: float) -> pd.DataFrame:
    point, drawn = mean_fps(speeds)
    low, high = central_range(drawn, LEVEL)
    counted = speeds.compared & speeds.common.any()
    (share,) = target_shares(speeds, (goal_fps,)).values()
    table = pd.DataFrame(
        {
            "build": pd.Series(speeds.names, dtype="str"),
            "price": price,
            "basis": [speeds.weakest_basis(b) if c else "" for b, c in enumerate(counted)],
            "fps": point,
            "fps_low": low,
            "fps_high": high,
            "cost_per_frame": price / point,
            "cost_low": price / high,
            "cost_high": price / low,
            "on_frontier": frontier_probability(price, drawn),
            "share_of_goal": share,
            "best_value": rank_probability(price[:, None] / drawn)[:, :1].ravel(),
            "workloads": np.where(counted, speeds.common.sum(), 0),
            "passes": np.where(counted, speeds.passes[:, speeds.common].sum(axis=1), 0).astype(int),
        }
    )
    table["reason"] = [_why(speeds, b, range_low) for b, range_low in enumerate(low)]
    return table


def _why(speeds: BuildSpeeds, build: int, range_low: float) -> str:
    if not speeds.workloads:
        return "no game is chosen"
    if not speeds.compared[build]:
        count = int(np.isfinite(speeds.fps[build]).sum())
        return f"{count} of {len(speeds.workloads)} workloads have a number here"
    if not speeds.common.any():
        return "no workload has a number on every compared build"
    return "range not known" if np.isnan(range_low) else ""


def _numbers(
    names: Iterable[str], values: Any, changed: Mapping[str, float] | None, what: str
) -> Any:
    known = dict(zip(names, np.asarray(values, dtype=float), strict=True))
    _refuse_unknown(changed or {}, known, what)
    for name, value in (changed or {}).items():
        if not (np.isfinite(value) and value >= 0):
            raise ValueError(f"{what} {name!r}: {value!r} is not a number of at least 0")
        known[name] = float(value)
    return np.array(list(known.values()), dtype=float)


def _refuse_unknown(named: Iterable[str], known: Iterable[str], what: str) -> None:
    there = list(known)
    for name in named:
        if name not in there:
            raise ValueError(f"no {what} {name!r} in this study; there are {', '.join(there)}")


def _json_number(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
