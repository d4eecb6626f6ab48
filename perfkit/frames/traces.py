"""Frame times of single passes, read again from a study's logs."""

from collections.abc import Collection
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from perfkit.frames.combined import read_pieces
from perfkit.frames.sources import LogRequest, open_combined, open_log

if TYPE_CHECKING:
    from perfkit.study import Study


def read_traces(study: "Study", wanted: Collection[str]) -> dict[str, NDArray[np.float64]]:
    """Read the frame times of some passes.

    Parameters
    ----------
    study : Study
        Whose logs were measured without a problem before.
    wanted : collection of str
        pass_id of each.

    Returns
    -------
    dict of str to ndarray
        Frame times in ms, in order, by pass_id; passes without frame times are absent.

    Raises
    ------
    perfkit.frames.logs.BadLog
        If a log cannot be used.

    Examples
    --------
    >>> import perfkit as pk
    >>> from perfkit.study.demo import find_demo
    >>> study = pk.load_study(find_demo())
    >>> first = study.passes["pass_id"].iloc[0]
    >>> traces = read_traces(study, [first])
    >>> bool(traces[first].min() > 0.0)
    True
    """
    layout = study.log_format
    if layout is None:
        return {}
    column, unit = layout.frame_time_column, layout.frame_time_unit
    asked = set(wanted)
    pieces: dict[str, list[NDArray[np.float64]]] = {}
    named = study.passes[study.passes["pass_id"].isin(asked) & study.passes["log"].ne("")]
    for pass_id, log in named[["pass_id", "log"]].itertuples(index=False, name=None):
        with open_log(LogRequest(study.path, log, column, unit, ())) as (blocks, _):
            pieces[pass_id] = [block.copy() for block in blocks]
    if layout.combined and asked - set(pieces):
        rest = asked - set(pieces)
        with open_combined(LogRequest(study.path, layout.combined, column, unit, ())) as file:
            for pass_id, times in read_pieces(file, column, unit, range(file.num_row_groups), 0):
                if pass_id in rest:
                    pieces.setdefault(pass_id, []).append(times.copy())
    return {pass_id: np.concatenate(parts) for pass_id, parts in pieces.items() if parts}
