"""Frame times of single passes, read again from the study's logs."""

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from perfkit.frames.logs import open_parquet, to_ms
from perfkit.frames.sources import LogRequest, open_log
from perfkit.study.folder import open_inside

if TYPE_CHECKING:
    from perfkit.study import Study


def frame_times(study: "Study", pass_ids: list[str]) -> dict[str, NDArray[np.float64]]:
    """Read the frame times of some passes.

    Parameters
    ----------
    study : Study
    pass_ids : list of str

    Returns
    -------
    dict of str to ndarray
        Frame times in ms by pass; passes without a log are absent.
    """
    layout = study.log_format
    if layout is None:
        return {}
    column, unit = layout.frame_time_column, layout.frame_time_unit
    passes = study.passes.set_index("pass_id")
    named = passes.loc[[pass_id for pass_id in pass_ids if pass_id in passes.index], "log"]
    found = {
        pass_id: _log(LogRequest(study.path, log, column, unit, ()))
        for pass_id, log in named[named != ""].items()
    }
    missing = set(named[named == ""].index)
    if missing and layout.combined:
        found.update(_combined(study, layout.combined, column, unit, missing))
    return {pass_id: found[pass_id] for pass_id in pass_ids if pass_id in found}


def _log(request: LogRequest) -> NDArray[np.float64]:
    with open_log(request) as (blocks, _):
        return np.concatenate(list(blocks))


def _combined(
    study: "Study", name: str, column: str, unit: str, wanted: set[str]
) -> dict[str, NDArray[np.float64]]:
    ids: list[pd.Series] = []
    times: list[NDArray[np.float64]] = []
    with open_inside(study.path, name) as stream:
        for batch in open_parquet(stream).iter_batches(columns=["pass_id", column]):
            frame = batch.to_pandas()
            frame = frame[frame["pass_id"].astype("str").isin(wanted)]
            ids.append(frame["pass_id"].astype("str"))
            times.append(to_ms(frame[column].to_numpy(), unit))
    each = pd.Series(np.concatenate(times)).groupby(pd.concat(ids).to_numpy())
    return {str(pass_id): values.to_numpy() for pass_id, values in each}


def hitch_limits(times: NDArray[np.float64]) -> NDArray[np.float64]:
    """Give the time above which each frame of a pass counts as a hitch, ms."""
    from perfkit.defaults import HITCH_FACTOR
    from perfkit.frames.hitches import running_median

    return HITCH_FACTOR * running_median(times)
