"""Spread within and between sittings, and how many passes a sitting is worth."""

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from perfkit.frames.usable import CONFIGURATION, countable

SETUP_MINUTES = 10.0
"""Minutes that a sitting costs before its first pass: boot, warm up, start the game (common
practice, no source)."""

PASS_MINUTES = 1.0
"""Minutes between two passes beside the pass itself: back to the start of the scene (common
practice, no source)."""


def best_passes(within: float, between: float, pass_minutes: float, setup_minutes: float) -> float:
    """Find the passes a sitting that give the narrowest mean for the time spent.

    Parameters
    ----------
    within, between : float
        Variances of log FPS within and between sittings.
    pass_minutes, setup_minutes : float
        What one pass more, and one sitting more, costs.

    Returns
    -------
    float
        At least 1; infinite where sittings do not differ.

    References
    ----------
    Cochran (1977), *Sampling Techniques*, 3rd ed., section 10.6.

    Examples
    --------
    >>> best_passes(4.0, 1.0, 1.0, 9.0)
    6.0
    """
    if between <= 0:
        return math.inf
    return max(1.0, math.sqrt(setup_minutes / pass_minutes * within / between))


@dataclass(frozen=True, slots=True)
class Spread:
    """Variances of log FPS between passes of a configuration.

    Attributes
    ----------
    within, between : float
        Within and between sittings; `between` is NaN where no configuration saw two sittings.
    passes, sittings, configurations : int
        What they come from.
    """

    within: float
    between: float
    passes: int
    sittings: int
    configurations: int


def sitting_spread(passes: pd.DataFrame) -> Spread:
    """Estimate the spread within and between sittings from unequal numbers of passes.

    Parameters
    ----------
    passes : DataFrame
        As made by :func:`perfkit.summarize_passes`; a pass that names no sitting counts for none.

    Returns
    -------
    Spread

    References
    ----------
    Searle, Casella and McCulloch (1992), *Variance Components*, section 3.6: mean squares set equal
    to their expectations; with equal numbers, ISO 5725-2:1994, clause 7.4.
    """
    kept = countable(passes)
    kept = kept[kept["sitting"] != ""]
    logs = np.log(kept["avg_fps"])
    cell = kept.groupby(CONFIGURATION).ngroup()
    sitting = kept.groupby([*CONFIGURATION, "sitting"]).ngroup()
    inner = logs - logs.groupby(sitting).transform("mean")
    outer = logs.groupby(sitting).transform("mean") - logs.groupby(cell).transform("mean")
    cells, sittings = int(cell.nunique()), int(sitting.nunique())
    inner_dof, outer_dof = len(logs) - sittings, sittings - cells
    within = float((inner**2).sum()) / inner_dof if inner_dof else math.nan
    if not outer_dof or math.isnan(within):
        return Spread(within, math.nan, len(logs), sittings, cells)
    count = sitting.groupby(sitting).size()
    home = cell.groupby(sitting).first()
    square = (count**2).groupby(home).sum() / count.groupby(home).sum()
    typical = (float(count.sum()) - float(square.sum())) / outer_dof
    mean_square = float((outer**2).sum()) / outer_dof
    return Spread(within, max(0.0, (mean_square - within) / typical), len(logs), sittings, cells)


def sitting_table(passes: pd.DataFrame) -> pd.DataFrame:
    """Say how many passes to run in a sitting.

    Parameters
    ----------
    passes : DataFrame
        As made by :func:`perfkit.summarize_passes`.

    Returns
    -------
    DataFrame
        within_pct, between_pct (standard deviations), passes, sittings, configurations,
        pass_minutes, setup_minutes, passes_per_sitting, reason: one row.
    """
    spread = sitting_spread(passes)
    lengths = countable(passes)["seconds"].mean()
    minutes = PASS_MINUTES + (0.0 if math.isnan(lengths) else lengths / 60)
    best, reason = math.nan, ""
    if math.isnan(spread.within):
        reason = "no configuration was run twice in a sitting"
    elif math.isnan(spread.between):
        reason = "no configuration was run in two sittings: their spread is not known"
    else:
        best = best_passes(spread.within, spread.between, minutes, SETUP_MINUTES)
    if math.isinf(best):
        best, reason = math.nan, "sittings do not differ: run all passes in one"
    return pd.DataFrame(
        [
            {
                "within_pct": 100 * math.sqrt(spread.within),
                "between_pct": 100 * math.sqrt(spread.between),
                "passes": spread.passes,
                "sittings": spread.sittings,
                "configurations": spread.configurations,
                "pass_minutes": minutes,
                "setup_minutes": SETUP_MINUTES,
                "passes_per_sitting": best if math.isnan(best) else round(best),
                "reason": reason,
            }
        ]
    )
