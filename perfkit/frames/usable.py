"""Which passes count, and what several passes of one thing say together."""

from collections.abc import Sequence

import numpy as np
import pandas as pd

CONFIGURATION = ["system", "gpu", "workload", "width", "height", "render_scale"]
"""What names a configuration."""

AT_CAP = 0.97
"""An average within this share of its cap was held by the cap (common practice, no source)."""

_SAME_RUN = ["avg_fps", "frames", "seconds"]


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
    weight = passes["seconds"]
    if weight.isna().any():
        mean_seconds = passes.groupby(keys, dropna=False)["seconds"].transform("mean")
        weight = weight.fillna(mean_seconds).fillna(1.0)
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
        avg_fps=("_frames", "sum"),
        sd_log_avg=("_log", "std"),
        passes_with_low=("_log_low", "count"),
        low_1pct_fps=("_log_low", "mean"),
    )
    totals = found[["_known_frames", "_known_seconds"]].sum(skipna=False)
    result[["frames", "seconds"]] = totals.to_numpy()
    result["avg_fps"] /= found["_time"].sum()
    result["low_1pct_fps"] = np.exp(result["low_1pct_fps"])
    columns = ["passes", "frames", "seconds", "avg_fps", "sd_log_avg", "passes_with_low"]
    return result[[*columns, "low_1pct_fps"]].reset_index()


def held(passes: pd.DataFrame) -> pd.Series:
    """Tell which passes were held by a frame cap or a display: their FPS is only a lower bound.

    Parameters
    ----------
    passes : DataFrame
        Columns avg_fps, cap_fps and, where known, flags.

    Returns
    -------
    Series of bool

    Examples
    --------
    >>> frame = pd.DataFrame({"cap_fps": [60.0, 60.0], "avg_fps": [59.9, 41.0], "flags": ["", ""]})
    >>> held(frame).tolist()
    [True, False]
    """
    at_cap = passes["avg_fps"] >= AT_CAP * passes["cap_fps"]
    if "flags" not in passes:
        return at_cap
    codes = passes["flags"].fillna("")
    telling = [each for each in codes.unique() if {"cap", "sync"} & set(each.split("; "))]
    return at_cap | codes.isin(telling)


def eligible(passes: pd.DataFrame) -> pd.DataFrame:
    """Keep the passes that say how fast a configuration is, each under its own version.

    Parameters
    ----------
    passes : DataFrame
        As made by :func:`perfkit.summarize_passes`.

    Returns
    -------
    DataFrame
        Passes that ran, are not void, know their average, generated no frames and were not held
        by a cap. Cold and borrowed passes stay only where a configuration has no others; of two
        passes with the same frames one stays.
    """
    kept = usable(passes)
    kept = kept[(kept["generated_per_drawn"] == 0) & ~held(kept)]
    copied = kept["frames"].notna() & kept.duplicated([*CONFIGURATION, *_SAME_RUN])
    kept = kept[~copied]
    configuration = kept.groupby(CONFIGURATION, sort=False).ngroup().to_numpy()
    for column, second_best in (("source", "borrowed"), ("state", "cold")):
        better = kept[column].ne(second_best).to_numpy()
        stays = better | ~np.isin(configuration, configuration[better])
        kept, configuration = kept[stays], configuration[stays]
    return kept


def countable(passes: pd.DataFrame) -> pd.DataFrame:
    """Keep the passes that say how fast a configuration is under its newest versions.

    Parameters
    ----------
    passes : DataFrame
        As made by :func:`perfkit.summarize_passes`.

    Returns
    -------
    DataFrame
        As by :func:`eligible`, without passes kept apart from newer ones of their configuration;
        avg_fps and low_1pct_fps are brought over the boundaries between versions.
    """
    return at_newest_version(eligible(passes))


def at_newest_version(passes: pd.DataFrame) -> pd.DataFrame:
    """Bring passes to the newest version of driver and game that a bridge reaches.

    Parameters
    ----------
    passes : DataFrame
        avg_fps, low_1pct_fps, and the columns of :func:`perfkit.frames.versions.version_columns`;
        without those, all count as one version.

    Returns
    -------
    DataFrame
        Without the passes that are kept apart; the others' FPS shifted.

    Examples
    --------
    >>> frame = pd.DataFrame({"avg_fps": [50.0, 60.0, 10.0], "low_1pct_fps": [40.0, 50.0, 5.0],
    ...     "version_use": ["shifted", "", "kept apart"], "log_version_shift": [0.1, 0.0, 0.0]})
    >>> at_newest_version(frame)["avg_fps"].round(3).tolist()
    [55.259, 60.0]
    """
    if "version_use" not in passes:
        return passes
    kept = passes[passes["version_use"] != "kept apart"]
    factor = np.exp(kept["log_version_shift"])
    return kept.assign(avg_fps=kept["avg_fps"] * factor, low_1pct_fps=kept["low_1pct_fps"] * factor)


def pooled_log_spread(values: pd.Series, groups: pd.Series) -> tuple[float, int]:
    """Pool the standard deviation of log values within groups over all groups.

    Parameters
    ----------
    values : Series
        Positive numbers; NaN is passed over.
    groups : Series
        Group of each value, same index.

    Returns
    -------
    spread : float
        NaN where no group has two values, or where all repeats agree to the last digit.
    dof : int
        Values less groups.

    Examples
    --------
    >>> spread, dof = pooled_log_spread(pd.Series(np.exp([1.0, 1.2, 3.0])), pd.Series([0, 0, 1]))
    >>> round(spread, 6), dof
    (0.141421, 1)
    """
    known = values.notna()
    logs, groups = np.log(values[known]), groups[known]
    dof = int(len(logs) - groups.nunique())
    deviation = logs - logs.groupby(groups).transform("mean")
    total = float(np.square(deviation).sum())
    if total <= dof * np.finfo(float).eps ** 2:
        return np.nan, dof
    return float(np.sqrt(total / dof)), dof
