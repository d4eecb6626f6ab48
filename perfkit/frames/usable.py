"""Which passes count, and what several passes of one thing say together."""

from collections.abc import Sequence

import numpy as np
import pandas as pd


def usable(passes: pd.DataFrame) -> pd.DataFrame:
    """Keep the passes whose average may be used.

    Parameters
    ----------
    passes : DataFrame
        As `perfkit.summarize_passes` returns it.

    Returns
    -------
    DataFrame
        The rows with outcome "ran", no void_reason and a known avg_fps, index kept.

    Examples
    --------
    >>> table = pd.DataFrame({"outcome": ["ran", "crashed"], "void_reason": ["", ""],
    ...                       "avg_fps": [60.0, 50.0]})
    >>> usable(table)["avg_fps"].tolist()
    [60.0]
    """
    keep = (passes["outcome"] == "ran") & (passes["void_reason"] == "") & passes["avg_fps"].notna()
    return passes[keep]


def combine(passes: pd.DataFrame, by: Sequence[str]) -> pd.DataFrame:
    """Combine passes of the same thing: total frames over total time.

    The mean of the averages weighted by seconds, which is just that. A typed pass, whose seconds
    nobody knows, counts as long as the mean measured pass of its group; where no pass was measured,
    all count the same.

    Parameters
    ----------
    passes : DataFrame
        Passes as `usable` returns them.
    by : sequence of str
        Columns that name a group.

    Returns
    -------
    DataFrame
        One row per group in order of first appearance: the columns of `by`, passes (count),
        frames, seconds (NaN where a pass is typed), avg_fps, sd_log_avg (standard deviation between
        the passes of log avg_fps, divisor n - 1; NaN for one pass), passes_with_low, low_1pct_fps
        (geometric mean over the passes that have one; a quantile cannot be pooled from quantiles).

    Raises
    ------
    KeyError
        If a column of `by` is missing.

    Examples
    --------
    >>> table = pd.DataFrame({"gpu": ["a", "a"], "avg_fps": [50.0, 100.0],
    ...                       "frames": [500.0, 1000.0], "seconds": [10.0, 10.0],
    ...                       "low_1pct_fps": [40.0, float("nan")]})
    >>> combine(table, ["gpu"])["avg_fps"].tolist()
    [75.0]
    """
    keys = list(by)
    groups = passes.groupby(keys, sort=False, dropna=False)
    mean_seconds = groups["seconds"].transform("mean")
    weight = passes["seconds"].fillna(mean_seconds).fillna(1.0)
    work = passes[keys].assign(
        _time=weight,
        _frames=passes["avg_fps"] * weight,
        _log=np.log(passes["avg_fps"]),
        _log_low=np.log(passes["low_1pct_fps"]),
        _known_frames=passes["frames"],
        _known_seconds=passes["seconds"],
    )
    found = work.groupby(keys, sort=False, dropna=False)
    result = found.agg(
        passes=("_time", "size"),
        frames=("_known_frames", lambda x: x.sum(skipna=False)),
        seconds=("_known_seconds", lambda x: x.sum(skipna=False)),
        avg_fps=("_frames", "sum"),
        sd_log_avg=("_log", "std"),
        passes_with_low=("_log_low", "count"),
        low_1pct_fps=("_log_low", "mean"),
    )
    result["avg_fps"] /= found["_time"].sum()
    result["low_1pct_fps"] = np.exp(result["low_1pct_fps"])
    return result.reset_index()
