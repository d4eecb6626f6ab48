"""Load cycles of a whole study: found in its logs, kept where they help, used in predictions."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from perfkit.errors import PerfkitError
from perfkit.frames.traces import read_traces
from perfkit.models.family import Cells, FloatArray, IntArray
from perfkit.models.law_subsets import fit_ahead, fit_subsets
from perfkit.models.laws import Law
from perfkit.models.load_cycle import LoadCycle, PassLength, find_cycle, pass_length
from perfkit.models.observations import CONFIGURATION, Observations
from perfkit.models.rates import Catalogue
from perfkit.study import Study

MOST_FRAMES = 4_000_000
"""Studies with more frames are not searched: passes that long see many rounds anyway."""

LEAST_SHIFT = 0.002
"""A cycle whose largest shift of a cell is smaller changes nothing worth its place."""

HELPS = 0.97
"""The laws' misses must fall to this share of those without the cycle."""

Paced = tuple[LoadCycle, PassLength]


@dataclass(frozen=True, slots=True, eq=False)
class Cycles:
    """Load cycles of workloads, and how long their passes are.

    Attributes
    ----------
    of : mapping of str to (LoadCycle, PassLength)
        By workload; workloads without a cycle are absent.
    """

    of: Mapping[str, Paced] = field(default_factory=dict)

    def shift(self, names: tuple[str, ...], workload: IntArray, log_fps: FloatArray) -> FloatArray:
        """Log of how much longer than over whole cycles the frames of future passes will be.

        Parameters
        ----------
        names : tuple of str
            What the codes in `workload` stand for.
        workload : ndarray of int, shape (n,)
        log_fps : ndarray, shape (n,)
            Over whole cycles.

        Returns
        -------
        ndarray, shape (n,)
            0 for workloads without a cycle.
        """
        result = np.zeros(len(workload))
        for code in np.unique(workload):
            if names[code] in self.of:
                cycle, length = self.of[names[code]]
                mine = workload == code
                log_ms = np.log(1000.0) - log_fps[mine]
                seconds = length.seconds(np.nan_to_num(log_ms))
                result[mine] = cycle.expected_shift(log_ms, seconds)
        return result


def find_cycles(
    study: Catalogue, passes: pd.DataFrame, seen: Observations
) -> tuple[Observations, Cycles]:
    """Search the frame times of the passes that teach for load cycles.

    Parameters
    ----------
    study : Study
        Anything else than a loaded study has no logs to search.
    passes : DataFrame
        One row per pass, with a RangeIndex.
    seen : Observations
        As gathered from them.

    Returns
    -------
    Observations
        With `load_shift` filled.
    Cycles
    """
    used = passes[seen.reasons.eq("") & passes["frames"].gt(1)]
    if not isinstance(study, Study) or not 0 < used["frames"].sum() <= MOST_FRAMES:
        return seen, Cycles()
    try:
        traces = read_traces(study, used["pass_id"].tolist())
    except (PerfkitError, OSError):
        return seen, Cycles()
    found: dict[str, Paced] = {}
    every = pass_length(
        np.log(1000.0 / used["avg_fps"].to_numpy(float)), used["seconds"].to_numpy(float)
    )
    shifts = pd.Series(0.0, index=used.index)
    for name, group in used[used["pass_id"].isin(traces)].groupby("workload"):
        own = [traces[pass_id] for pass_id in group["pass_id"]]
        cycle = find_cycle(own)
        if cycle is None:
            continue
        shift = cycle.shift(own)
        if np.abs(shift).max() < LEAST_SHIFT:
            continue
        log_ms = np.log(1000.0 / group["avg_fps"].to_numpy(float)) - shift
        found[str(name)] = cycle, pass_length(log_ms, group["seconds"].to_numpy(float), every)
        shifts[group.index] = shift
    each = used[CONFIGURATION].assign(load_shift=shifts)
    each["render_scale"] = each["render_scale"].fillna(1.0)
    mean = each.groupby(CONFIGURATION)["load_shift"].mean().reset_index()
    table = seen.table.drop(columns="load_shift").merge(mean, on=CONFIGURATION, how="left")
    return replace(seen, table=table.fillna({"load_shift": 0.0})), Cycles(found)


def keep_helpful(cells: Cells, cycles: Cycles, law: Law) -> tuple[Cells, Cycles]:
    """Take cycles back out of workloads whose averages follow a law no better with them.

    Parameters
    ----------
    cells : Cells
        Measured cells, with the shifts of `cycles`.
    cycles : Cycles
    law : Law
        Fitted with and without, to the same cells.

    Returns
    -------
    Cells, Cycles
    """
    if not cycles.of:
        return cells, cycles
    still = np.zeros(len(cells))
    plain = replace(cells, log_fps=cells.log_fps - cells.load_shift, load_shift=still)
    fit_ahead((law,), [(cells, ((),)), (plain, ((),))])
    with_cycle, without = (
        np.abs(fit_subsets(law, c, ((),)).log_ms(c.rows)[0] - np.log(1000.0) + c.log_fps)
        for c in (cells, plain)
    )
    names = cells.rows.names.workloads
    kept = {}
    for code in np.unique(cells.rows.workload):
        mine = cells.rows.workload == code
        if names[code] in cycles.of and with_cycle[mine].mean() < HELPS * without[mine].mean():
            kept[names[code]] = cycles.of[names[code]]
    stays = np.isin(np.array(names, dtype=object)[cells.rows.workload], list(kept))
    log_fps = np.where(stays, cells.log_fps, plain.log_fps)
    load_shift = np.where(stays, cells.load_shift, 0.0)
    return replace(cells, log_fps=log_fps, load_shift=load_shift), Cycles(kept)
