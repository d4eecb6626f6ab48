"""Runs under different driver or game versions: pooled, shifted or kept apart, over bridges."""

import math

import numpy as np
import pandas as pd
from scipy import stats

from perfkit.defaults import LEVEL
from perfkit.models.observations import CONFIGURATION
from perfkit.value.cells import countable, pooled_log_spread
from perfkit.value.contrast import Contrast, Sample, welch

MARGIN_PCT = 3.0
"""A change of version within this is none (common practice, no source)."""

POOLED, SHIFTED, APART = "pooled", "shifted", "kept apart"


def boundary_verdict(low: float, high: float, margin: float) -> str:
    """Decide what to do with runs on both sides of a boundary.

    Parameters
    ----------
    low, high : float
        Range of the log ratio new / old over the bridges; NaN without one.
    margin : float
        Log ratio that does not matter.

    Returns
    -------
    str
        pooled where the range lies inside the margin, shifted where it does not, kept apart where
        there is no range.

    Examples
    --------
    >>> boundary_verdict(-0.01, 0.02, 0.03), boundary_verdict(0.02, 0.06, 0.03)
    ('pooled', 'shifted')
    >>> boundary_verdict(math.nan, math.nan, 0.03)
    'kept apart'
    """
    if math.isnan(low) or math.isnan(high):
        return APART
    return POOLED if -margin <= low and high <= margin else SHIFTED


def version_table(passes: pd.DataFrame, workloads: pd.DataFrame) -> pd.DataFrame:
    """Compare each version with the one before it, on the configurations run under both.

    Parameters
    ----------
    passes : DataFrame
        As made by :func:`perfkit.summarize_passes`.
    workloads : DataFrame
        Columns workload and game; workloads of one game share its versions.

    Returns
    -------
    DataFrame
        kind (driver, game), of (GPUs, or the game), old, new, bridges (configurations run under
        both), log_ratio_pct, low_pct, high_pct (new against old at `LEVEL`), margin_pct, verdict,
        reason: one row per boundary, versions ordered by the day they were first used.

    Notes
    -----
    A game's versions are compared under one driver at a time and a driver's under one version of
    the game, so that one does not answer for the other.
    """
    kept = countable(passes)
    names = workloads.set_index("workload")["game"]
    game = kept["workload"].map(names.where(names != "", names.index.to_series()))
    kept = kept.assign(game=game, log_fps=np.log(kept["avg_fps"]))
    cell = kept.groupby([*CONFIGURATION, "driver", "game_version"], sort=False).ngroup()
    spread = pooled_log_spread(kept["avg_fps"], cell)
    rows = _boundaries(kept, "driver", "gpu", "game_version", spread)
    rows += _boundaries(kept, "game_version", "game", "driver", spread)
    columns = ["kind", "of", "old", "new", "bridges", "log_ratio_pct", "low_pct", "high_pct"]
    return pd.DataFrame(rows, columns=[*columns, "margin_pct", "verdict", "reason"])


def _boundaries(
    kept: pd.DataFrame, column: str, owner: str, other: str, spread: tuple[float, int]
) -> list[dict[str, object]]:
    """Boundaries of one kind; those of a driver are told once for all GPUs that crossed them."""
    known = kept[kept[column] != ""]
    steps: dict[tuple[str, str, str], list[str]] = {}
    for name, rows in known.groupby(owner, sort=False):
        first = rows.groupby(column, sort=False)["date"].min().sort_values(kind="stable")
        for old, new in zip(first.index[:-1], first.index[1:], strict=True):
            shared = "" if column == "driver" else str(name)
            steps.setdefault((str(old), str(new), shared), []).append(str(name))
    found = []
    for (old, new, _), owners in steps.items():
        rows = known[known[owner].isin(owners) & known[column].isin([old, new])]
        contrast, bridges = _bridged(rows, column, [*CONFIGURATION, other], old, new, spread)
        found.append(
            {
                "kind": "game" if column == "game_version" else "driver",
                "of": "; ".join(owners),
                "old": old,
                "new": new,
                "bridges": bridges,
            }
            | _told(contrast)
        )
    return found


def _bridged(
    rows: pd.DataFrame,
    column: str,
    key: list[str],
    old: str,
    new: str,
    spread: tuple[float, int],
) -> tuple[Contrast | None, int]:
    sides = []
    for version in (new, old):
        logs = rows.loc[rows[column] == version].groupby(key, sort=False)["log_fps"]
        sides.append(pd.DataFrame({"mean": logs.mean(), "passes": logs.count()}))
    both = sides[0].index.intersection(sides[1].index)
    if not len(both):
        return None, 0
    samples = [
        Sample(
            mean=side.loc[both, "mean"].to_numpy(float),
            variance=np.full(len(both), spread[0] ** 2),
            dof=np.full(len(both), float(spread[1])),
            passes=side.loc[both, "passes"].to_numpy(float),
        )
        for side in sides
    ]
    found = welch(samples[0], samples[1], np.ones(len(both)))
    # one pooled spread serves every bridge, so its degrees of freedom do not add up
    pooled = Contrast(
        found.log_ratio, found.std_error, float(spread[1]), found.spread, found.by_stratum
    )
    return pooled, len(both)


def _told(contrast: Contrast | None) -> dict[str, object]:
    middle = low = high = math.nan
    reason = "no configuration was run under both: run one under both"
    if contrast is not None:
        middle, reason = contrast.log_ratio, ""
        half = float(stats.t.isf((1 - LEVEL) / 2, contrast.dof)) * contrast.std_error
        low, high = middle - half, middle + half
        if math.isnan(low):
            reason = "no configuration was run twice under one version: spread not known"
    return {
        "log_ratio_pct": 100 * math.expm1(middle),
        "low_pct": 100 * math.expm1(low),
        "high_pct": 100 * math.expm1(high),
        "margin_pct": MARGIN_PCT,
        "verdict": boundary_verdict(low, high, math.log1p(MARGIN_PCT / 100)),
        "reason": reason,
    }
