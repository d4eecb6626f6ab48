"""Is one faster than the other? Ratios from passes, with intervals and plain verdicts."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import stdtr, stdtrit

from perfkit.defaults import LEVEL
from perfkit.frames.usable import usable

MEASURES = {"average": "avg_fps", "low_1pct": "low_1pct_fps"}
"""What is compared, and the column it is read from."""

VERDICTS = ("faster", "slower", "cannot tell")
"""What can be said of a against b."""

COLUMNS = (
    "measure",
    "ratio",
    "mean_low",
    "mean_high",
    "level",
    "p",
    "p_adjusted",
    "margin",
    "verdict",
    "passes_a",
    "passes_b",
    "reason",
)
"""Columns of a comparison after those that name a group."""

_NONE = "no pass has this number"
_ALONE = "one pass alone shows no spread; repeat it"
_EQUAL = "all passes are equal, so their spread is not known"


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two sets of passes held against each other.

    Attributes
    ----------
    table : DataFrame
        One row per group and measure: the group's columns, measure, ratio (a over b, of geometric
        means over passes), mean_low and mean_high (its interval), level, p (two-sided, of a
        difference no larger than the margin), p_adjusted (over all rows of the measure), margin,
        verdict, passes_a, passes_b, reason (why nothing can be told).
    """

    table: pd.DataFrame


def compare(
    a: pd.DataFrame,
    b: pd.DataFrame,
    by: Sequence[str] = (),
    *,
    margin: float = 0.0,
    level: float = LEVEL,
    adjust: str = "holm",
) -> Comparison:
    """Compare the averages and 1 % lows of two sets of passes.

    The pass is the unit: frames of one pass resemble each other, so their number proves nothing.
    Welch's t on the logs of the passes gives the ratio and its interval. A verdict is given when a
    difference larger than the margin is proved at 1 - `level` after adjusting for all groups.

    Parameters
    ----------
    a, b : DataFrame
        Passes as `perfkit.summarize_passes` returns them; unusable ones are left out.
    by : sequence of str
        Columns, such as workload, that name a group; groups that only one side has are left out.
    margin : float
        Smallest difference that counts: 0.03 asks for more than 3 %.
    level : float
        Coverage of the intervals in (0, 1); verdicts err in at most 1 - level of all cases.
    adjust : str
        Method of statsmodels' `multipletests`: "holm" holds the chance of any wrong verdict,
        "fdr_bh" the share of wrong verdicts.

    Returns
    -------
    Comparison

    Raises
    ------
    ValueError
        If level or margin is out of range.
    KeyError
        If a column of `by` is missing.

    References
    ----------
    .. [1] B. L. Welch (1947), "The generalization of Student's problem when several different
       population variances are involved", Biometrika 34:28-35.
    .. [2] S. Holm (1979), "A simple sequentially rejective multiple test procedure", Scandinavian
       Journal of Statistics 6:65-70.

    Examples
    --------
    >>> def passes(fps):
    ...     return pd.DataFrame({"avg_fps": fps, "low_1pct_fps": np.nan, "outcome": "ran",
    ...                          "void_reason": ""})
    >>> table = compare(passes([66.0, 67.0, 66.5]), passes([60.0, 61.0, 60.4])).table
    >>> table.loc[0, ["measure", "verdict"]].tolist()
    ['average', 'faster']
    """
    if not 0 < level < 1:
        raise ValueError(f"level is a coverage between 0 and 1, not {level!r}; try {LEVEL}")
    if not 0 <= margin < 1:
        raise ValueError(f"margin is a share from 0 up to 1, not {margin!r}; 0.03 means 3 %")
    keys = list(by)
    sides = _moments(usable(a), keys), _moments(usable(b), keys)
    both = sides[0].merge(sides[1], on=[*keys, "measure"], suffixes=("_a", "_b"))
    table = pd.concat([both[[*keys, "measure"]], _welch(both, margin, level)], axis=1)
    table["p_adjusted"] = table.groupby("measure")["p"].transform(_adjusted, method=adjust)
    proved = table["p_adjusted"] <= 1 - level
    table["verdict"] = np.where(
        proved & (table["ratio"] > 1), "faster", np.where(proved, "slower", "cannot tell")
    )
    return Comparison(table[[*keys, *COLUMNS]])


def _moments(passes: pd.DataFrame, keys: list[str]) -> pd.DataFrame:
    """Count, mean and variance of the logs of both measures in each group, group by group."""
    logs = [
        passes[keys].assign(measure=measure, log=np.log(passes[column]))
        for measure, column in MEASURES.items()
    ]
    groups = pd.concat(logs).groupby([*keys, "measure"])["log"]
    return groups.agg(["count", "mean", "var"]).reset_index()


def _welch(both: pd.DataFrame, margin: float, level: float) -> pd.DataFrame:
    counts = both["count_a"], both["count_b"]
    difference = both["mean_a"] - both["mean_b"]
    parts = both["var_a"] / counts[0], both["var_b"] / counts[1]
    reason = pd.Series("", index=both.index)
    reason[(parts[0] == 0) & (parts[1] == 0)] = _EQUAL
    reason[(counts[0] == 1) | (counts[1] == 1)] = _ALONE
    reason[(counts[0] == 0) | (counts[1] == 0)] = _NONE
    error = np.sqrt(parts[0] + parts[1]).where(reason == "")
    freedom = error**4 / (parts[0] ** 2 / (counts[0] - 1) + parts[1] ** 2 / (counts[1] - 1))
    half = stdtrit(freedom, (1 + level) / 2) * error
    least = math.log1p(margin)
    above = stdtr(freedom, (least - difference) / error)
    below = stdtr(freedom, (difference + least) / error)
    found = {
        "ratio": np.exp(difference),
        "mean_low": np.exp(difference - half),
        "mean_high": np.exp(difference + half),
        "p": np.minimum(1.0, 2 * np.minimum(above, below)),
        "passes_a": counts[0],
        "passes_b": counts[1],
        "reason": reason,
    }
    return pd.DataFrame(found).assign(level=level, margin=margin)


def _adjusted(p: "pd.Series[float]", method: str) -> "pd.Series[float]":
    known = p.dropna()
    if len(known) < 2:
        return p
    from statsmodels.stats.multitest import multipletests  # slow to load, seldom needed

    return pd.Series(multipletests(known, method=method)[1], index=known.index).reindex(p.index)
