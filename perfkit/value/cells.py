"""What was measured: the passes of one configuration combined, with the spread between passes."""

import numpy as np
import pandas as pd

from perfkit.frames.usable import combine, usable
from perfkit.models.observations import AT_CAP, CONFIGURATION

_SAME_RUN = ["avg_fps", "frames", "seconds"]
_CELL_COLUMNS = [
    *CONFIGURATION,
    "fps",
    "log_scale",
    "low_1pct_fps",
    "low_log_scale",
    "dof",
    "low_dof",
    "passes",
    "seconds",
    "basis",
]


def capped(passes: pd.DataFrame) -> pd.Series:
    """Tell which passes were held by a frame cap or a display: their FPS is only a lower bound.

    Parameters
    ----------
    passes : DataFrame
        As made by :func:`perfkit.summarize_passes`.

    Returns
    -------
    Series of bool

    Examples
    --------
    >>> frame = pd.DataFrame({"cap_fps": [60.0, 60.0], "avg_fps": [59.9, 41.0], "flags": ["", ""]})
    >>> capped(frame).tolist()
    [True, False]
    """
    codes = passes["flags"].str.split("; ")
    flagged = codes.map(lambda found: "cap" in found or "sync" in found).astype(bool)
    return flagged | (passes["avg_fps"] >= AT_CAP * passes["cap_fps"])


def countable(passes: pd.DataFrame) -> pd.DataFrame:
    """Keep the passes that say how fast a configuration is.

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
    kept = kept[(kept["generated_per_drawn"] == 0) & ~capped(kept)]
    copied = kept["frames"].notna() & kept.duplicated([*CONFIGURATION, *_SAME_RUN])
    kept = kept[~copied]
    for column, second_best in (("source", "borrowed"), ("state", "cold")):
        better = kept[column] != second_best
        has_better = better.groupby([kept[key] for key in CONFIGURATION]).transform("any")
        kept = kept[better | ~has_better.astype(bool)]
    return kept


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
    if dof == 0 or total <= dof * np.finfo(float).eps ** 2:
        return np.nan, dof
    return float(np.sqrt(total / dof)), dof


def measured_cells(passes: pd.DataFrame) -> pd.DataFrame:
    """Combine the passes of each configuration.

    Parameters
    ----------
    passes : DataFrame
        As made by :func:`perfkit.summarize_passes`.

    Returns
    -------
    DataFrame
        One row per configuration with a countable pass, in order of first appearance: the
        configuration; `fps` (total frames over total time; passes of unknown length count
        equally in time); `log_scale` (standard error of log FPS from the spread between
        repeated passes, pooled over the study; NaN where nothing was repeated); `low_1pct_fps`
        (geometric mean over passes) and `low_log_scale`; `dof`, `low_dof` of the two scales;
        `passes`; `seconds` (a pass on average); `basis` (measured or borrowed).
    """
    kept = countable(passes)
    if kept.empty:
        text = dict.fromkeys(["system", "gpu", "workload", "basis"], "str")
        return pd.DataFrame(columns=_CELL_COLUMNS, dtype=float).astype(text)
    cells = combine(kept, CONFIGURATION)
    by_cell = kept.groupby(CONFIGURATION, sort=False)
    cell = by_cell.ngroup()
    spread, dof = pooled_log_spread(kept["avg_fps"], cell)
    low_spread, low_dof = pooled_log_spread(kept["low_1pct_fps"], cell)
    with_low = cells["passes_with_low"].where(cells["passes_with_low"] > 0)
    return cells.assign(
        fps=cells["avg_fps"],
        log_scale=spread / np.sqrt(cells["passes"]),
        low_log_scale=low_spread / np.sqrt(with_low),
        dof=float(dof),
        low_dof=float(low_dof),
        seconds=by_cell["seconds"].mean().to_numpy(),
        basis=np.where(by_cell["source"].first() == "borrowed", "borrowed", "measured"),
    )[_CELL_COLUMNS]
