"""What was measured: the passes of one configuration combined, with the spread between passes."""

import numpy as np
import pandas as pd

from perfkit.frames.usable import CONFIGURATION, combine, countable, pooled_log_spread

_CELL_COLUMNS = [
    *CONFIGURATION,
    "fps",
    "log_scale",
    "own_log_scale",
    "shift_log_scale",
    "shift_of",
    "low_1pct_fps",
    "low_log_scale",
    "dof",
    "low_dof",
    "passes",
    "seconds",
    "basis",
]


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
        equally in time); `own_log_scale` (standard error of log FPS from the spread between
        repeated passes, pooled over the study; NaN where nothing was repeated);
        `shift_log_scale` (standard error of what brought passes of older versions to the newest,
        0 for none) and `shift_of` (over which boundaries); `log_scale` (both); `low_1pct_fps`
        (geometric mean over passes) and `low_log_scale`; `dof`, `low_dof` of the two scales;
        `passes`; `seconds` (a pass on average); `basis` (measured or borrowed).
    """
    kept = countable(passes)
    if kept.empty:
        text = dict.fromkeys(["system", "gpu", "workload", "basis", "shift_of"], "str")
        return pd.DataFrame(columns=_CELL_COLUMNS, dtype=float).astype(text)
    cells = combine(kept, CONFIGURATION)
    by_cell = kept.groupby(CONFIGURATION, sort=False)
    cell = by_cell.ngroup()
    spread, dof = pooled_log_spread(kept["avg_fps"], cell)
    low_spread, low_dof = pooled_log_spread(kept["low_1pct_fps"], cell)
    with_low = cells["passes_with_low"].where(cells["passes_with_low"] > 0)
    shift = np.zeros(len(cells))
    shift_of = pd.Series("", index=cells.index, dtype="str")
    if "version_use" in kept:
        # the passes share the error of a shift, so it does not average out
        shift = by_cell["se_log_version_shift"].mean().to_numpy(float)
        notes = kept["version_note"].where(kept["version_use"] == "shifted", "")
        longest = np.argsort(-notes.str.len().to_numpy(int), kind="stable")
        of_cell = notes.iloc[longest].groupby(cell.to_numpy()[longest]).first()
        shift_of = pd.Series(of_cell.to_numpy(), index=cells.index, dtype="str")
    own = spread / np.sqrt(cells["passes"])
    return cells.assign(
        fps=cells["avg_fps"],
        own_log_scale=own,
        shift_log_scale=shift,
        shift_of=shift_of,
        log_scale=np.hypot(own, shift),
        low_log_scale=np.hypot(low_spread / np.sqrt(with_low), shift),
        dof=float(dof),
        low_dof=float(low_dof),
        seconds=by_cell["seconds"].mean().to_numpy(),
        basis=np.where(by_cell["source"].first() == "borrowed", "borrowed", "measured"),
    )[_CELL_COLUMNS]
