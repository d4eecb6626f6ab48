"""From the logs of a study to the statistics of each pass, every bad log told."""

import itertools
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pandas as pd

from perfkit.errors import Problem
from perfkit.frames import cluster, combined
from perfkit.frames.logs import BadLog
from perfkit.frames.sources import (
    LogRequest,
    Recorded,
    open_combined,
    record_combined,
    record_log,
    record_some,
)
from perfkit.frames.statistics import FrameStatistics, finish_each
from perfkit.progress import QUIET, Progress
from perfkit.study import LogFormat


def measure(
    root: Path,
    log_format: LogFormat | None,
    passes: pd.DataFrame,
    targets_fps: tuple[float, ...],
    client: Any = None,
    progress: Progress = QUIET,
    *,
    all_passes: bool = True,
) -> tuple[dict[str, FrameStatistics], list[Problem]]:
    """Measure every pass that has frame times.

    Parameters
    ----------
    root : Path
        The study folder.
    log_format : LogFormat or None
        What its logs look like; None where it has none.
    passes : DataFrame
        Its passes, indexed by line.
    targets_fps : tuple of float
        Rates for the time shares.
    client : distributed.Client or None
        Where to measure; here where None.
    progress : Progress
        Where to report to.
    all_passes : bool
        Whether no row of passes.csv was refused; else frames of further passes may be theirs.

    Returns
    -------
    measured : dict of str to FrameStatistics
        By pass_id.
    problems : list of Problem
        Every log that cannot be used and every pass without a number.
    """
    measured: dict[str, FrameStatistics] = {}
    problems: list[Problem] = []
    if log_format is not None:
        column, unit = log_format.frame_time_column, log_format.frame_time_unit
        named = passes[passes["log"] != ""]
        if log_format.combined:
            request = LogRequest(root, log_format.combined, column, unit, targets_fps)
            measured, problems = _measure_combined(request, passes, client, progress)
            if all_passes:
                problems += _unknown(request.name, passes, measured)
            problems += _doubled(named, measured)
        requests = [LogRequest(root, name, column, unit, targets_fps) for name in named["log"]]
        records = _good_logs(named, requests, client, progress, problems)
        measured.update(finish_each(records))
        if log_format.combined and not problems:
            problems = _missing(passes, measured)
    return measured, problems


def _good_logs(
    named: pd.DataFrame,
    requests: list[LogRequest],
    client: Any,
    progress: Progress,
    problems: list[Problem],
) -> Iterator[Recorded]:
    """Take the record of each pass with a log of its own; add the bad ones to the problems."""
    found_each = cluster.spread(client, record_log, requests)
    for line, pass_id, name, found in zip(
        named.index,
        named["pass_id"],
        named["log"],
        progress.track(found_each, len(requests), "logs"),
        strict=True,
    ):
        if isinstance(found, BadLog):
            action = f"mend the log of pass {pass_id} (passes.csv, line {line})"
            problems.append(found.problem(name, action))
        else:
            yield pass_id, found


def _measure_combined(
    request: LogRequest, passes: pd.DataFrame, client: Any, progress: Progress
) -> tuple[dict[str, FrameStatistics], list[Problem]]:
    measured: dict[str, FrameStatistics] = {}
    try:
        found = _local(request) if client is None else _remote(request, client)
        measured.update(finish_each(progress.track(found, len(passes), "passes")))
    except BadLog as bad:
        return measured, [bad.problem(request.name, "mend or export it again")]
    return measured, []


def _unknown(
    file: str, passes: pd.DataFrame, measured: dict[str, FrameStatistics]
) -> list[Problem]:
    known = set(passes["pass_id"])
    return [
        Problem(
            file,
            None,
            combined.ID_COLUMN,
            pass_id,
            "each pass_id stands in passes.csv",
            "add its row to passes.csv, or take its frames out",
        )
        for pass_id in measured
        if pass_id not in known
    ]


def _local(request: LogRequest) -> Iterator[Recorded]:
    try:
        yield from record_combined(request)
    except combined.Scattered:
        with open_combined(request) as file:
            shares = combined.share_out(combined.count_rows(file))
            groups = range(file.num_row_groups)
        for wanted in shares:
            yield from _or_raise(record_some(request, wanted, groups))


def _remote(request: LogRequest, client: Any) -> Iterator[Recorded]:
    with open_combined(request) as file:
        ends = list(
            itertools.accumulate(
                file.metadata.row_group(i).num_rows for i in range(file.num_row_groups)
            )
        )
        parts = combined.cut(combined.count_rows(file), ends)
    tasks = [(request, wanted, groups) for wanted, groups in parts]
    for found in cluster.spread(client, _record_task, tasks):
        yield from _or_raise(found)


def _record_task(task: tuple[LogRequest, frozenset[str], range]) -> list[Recorded] | BadLog:
    return record_some(*task)


def _or_raise(found: list[Recorded] | BadLog) -> list[Recorded]:
    if isinstance(found, BadLog):
        raise found
    return found


def _doubled(named: pd.DataFrame, measured: dict[str, FrameStatistics]) -> list[Problem]:
    both = named[named["pass_id"].isin(list(measured))]
    return [
        Problem(
            "passes.csv",
            line,
            "log",
            name,
            "a pass has its frame times in one place",
            f"empty the cell, or take pass {pass_id} out of the combined file",
        )
        for line, pass_id, name in both[["pass_id", "log"]].itertuples(name=None)
    ]


def _missing(passes: pd.DataFrame, measured: dict[str, FrameStatistics]) -> list[Problem]:
    counts = (passes["outcome"] == "ran") & (passes["void_reason"] == "")
    ran = passes[counts & passes["avg_fps"].isna()]
    without = ran[~ran["pass_id"].isin(list(measured))]
    return [
        Problem(
            "passes.csv",
            line,
            "avg_fps",
            "",
            "a pass that ran has frame times or an average",
            f"give pass {pass_id} a log, rows in the combined file or its avg_fps",
        )
        for line, pass_id in without[["pass_id"]].itertuples(name=None)
    ]


def log_problems(
    study_folder: Path,
    log_format: LogFormat | None,
    passes_frame: pd.DataFrame,
    *,
    all_passes: bool = True,
) -> list[Problem]:
    """Check every log of a study to its last frame, in bounded memory.

    Parameters
    ----------
    study_folder : Path
        The study folder.
    log_format : LogFormat or None
        What its logs look like.
    passes_frame : DataFrame
        Its passes, indexed by line.
    all_passes : bool
        Whether no row of passes.csv was refused; else frames of further passes may be theirs.

    Returns
    -------
    list of Problem
        Empty when every log can be used.

    Examples
    --------
    >>> import perfkit as pk
    >>> from perfkit.study.demo import find_demo
    >>> study = pk.load_study(find_demo())
    >>> log_problems(study.path, study.log_format, study.passes)
    []
    """
    return measure(study_folder, log_format, passes_frame, (), all_passes=all_passes)[1]
