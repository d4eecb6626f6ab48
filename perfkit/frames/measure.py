"""From the logs of a study to the statistics of each pass, every bad log told."""

import io
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from perfkit.errors import Problem
from perfkit.frames.combined import ID_COLUMN, read_combined
from perfkit.frames.logs import (
    BadLog,
    csv_columns,
    open_parquet,
    read_csv_blocks,
    read_parquet_blocks,
)
from perfkit.frames.statistics import FrameStatistics, frame_statistics
from perfkit.progress import QUIET, Progress
from perfkit.study.folder import Refused, open_inside, open_text

if TYPE_CHECKING:
    from perfkit.study.settings import LogFormat

_BUFFER_BYTES = 1 << 20


@dataclass(frozen=True, slots=True)
class LogRequest:
    """What is needed to read one log anywhere, on this machine or another.

    Attributes
    ----------
    root : Path
        The study folder.
    name : str
        Path of the log from there.
    column, unit : str
        Which column holds the frame times, and in which unit.
    targets_fps : tuple of float
        Rates for the time shares.
    """

    root: Path
    name: str
    column: str
    unit: str
    targets_fps: tuple[float, ...]


def log_blocks(request: LogRequest) -> Iterator[NDArray[np.float64]]:
    """Read one log in blocks of milliseconds.

    Parameters
    ----------
    request : LogRequest

    Yields
    ------
    ndarray of float
        Frame times in ms, in order.

    Raises
    ------
    BadLog
        If the log cannot be used.
    """
    try:
        if request.name.endswith(".parquet"):
            with open_inside(request.root, request.name) as file:
                yield from read_parquet_blocks(open_parquet(file), request.column, request.unit)
        else:
            text = open_text(request.root, request.name)
            with closing(io.BufferedReader(text, _BUFFER_BYTES)) as stream:
                _check_header(csv_columns(stream), request.column)
                yield from read_csv_blocks(stream, request.column, request.unit)
    except Refused as refused:
        raise BadLog(None, "", "", refused.allowed, refused.action) from None


def _check_header(names: list[str], column: str) -> None:
    if names.count(column) != 1:
        said = f"columns {', '.join(names)}" if column not in names else "it more than once"
        raise BadLog(1, column, said, f"one column is named {column!r}")


def measure_log(request: LogRequest) -> FrameStatistics | BadLog:
    """Compute the statistics of one log, or say why it cannot be used.

    Parameters
    ----------
    request : LogRequest

    Returns
    -------
    FrameStatistics or BadLog
        The error is returned, not raised, so that all logs of a study are looked at.
    """
    try:
        blocks = list(log_blocks(request))
        times = np.concatenate(blocks) if blocks else np.empty(0)
        if not times.size:
            return BadLog(None, request.column, "no frame", "a log has at least one frame")
        return frame_statistics(times, request.targets_fps)
    except BadLog as bad:
        return bad


def measure_combined(request: LogRequest, known: set[str]) -> dict[str, FrameStatistics] | BadLog:
    """Compute the statistics of every pass in a combined file.

    Parameters
    ----------
    request : LogRequest
        Names the combined file.
    known : set of str
        Pass ids of the study.

    Returns
    -------
    dict of str to FrameStatistics, or BadLog
    """
    parts: dict[str, list[NDArray[np.float64]]] = {}
    try:
        with open_inside(request.root, request.name) as file:
            pieces = read_combined(
                open_parquet(file, dictionary=ID_COLUMN), request.column, request.unit
            )
            for pass_id, times in pieces:
                parts.setdefault(pass_id, []).append(times)
    except Refused as refused:
        return BadLog(None, "", "", refused.allowed, refused.action)
    except BadLog as bad:
        return bad
    unknown = sorted(set(parts) - known)
    if unknown:
        return BadLog(None, ID_COLUMN, unknown[0], "each pass_id is one of passes.csv")
    return {
        pass_id: frame_statistics(np.concatenate(times), request.targets_fps)
        for pass_id, times in parts.items()
    }


def measure(
    root: Path,
    log_format: "LogFormat | None",
    passes: pd.DataFrame,
    targets_fps: tuple[float, ...],
    progress: Progress = QUIET,
) -> tuple[dict[str, FrameStatistics], list[Problem]]:
    """Measure every pass that has frame times.

    Parameters
    ----------
    root : Path
        The study folder.
    log_format : LogFormat or None
        What its logs look like.
    passes : DataFrame
        Its passes, indexed by line.
    targets_fps : tuple of float
        Rates for the time shares.
    progress : Progress
        Where to report to.

    Returns
    -------
    measured : dict of str to FrameStatistics
        By pass_id.
    problems : list of Problem
        Every log that cannot be used and every pass without a number.
    """
    if log_format is None:
        return {}, []
    column, unit = log_format.frame_time_column, log_format.frame_time_unit
    measured: dict[str, FrameStatistics] = {}
    problems: list[Problem] = []
    named = passes[passes["log"] != ""]
    if log_format.combined:
        request = LogRequest(root, log_format.combined, column, unit, targets_fps)
        result = measure_combined(request, set(passes["pass_id"]))
        if isinstance(result, BadLog):
            problems.append(result.problem(request.name, "mend or export it again"))
        else:
            measured |= result
            problems += _doubled(named, measured)
    rows = zip(named.index, named["pass_id"], named["log"], strict=True)
    for line, pass_id, name in progress.track(rows, len(named), "logs"):
        found = measure_log(LogRequest(root, name, column, unit, targets_fps))
        if isinstance(found, BadLog):
            problems.append(
                found.problem(name, f"mend the log of pass {pass_id} (passes.csv, line {line})")
            )
        else:
            measured[pass_id] = found
    if not problems:
        problems += _missing(passes, measured)
    return measured, problems


def _doubled(named: pd.DataFrame, combined: dict[str, FrameStatistics]) -> list[Problem]:
    both = named[named["pass_id"].isin(list(combined))]
    return [
        Problem(
            "passes.csv",
            line,
            "log",
            name,
            "a pass has its frame times in one place",
            f"empty the cell, or take pass {pass_id} out of the combined file",
        )
        for line, pass_id, name in zip(both.index, both["pass_id"], both["log"], strict=True)
    ]


def _missing(passes: pd.DataFrame, measured: dict[str, FrameStatistics]) -> list[Problem]:
    ran = passes[(passes["outcome"] == "ran") & passes["avg_fps"].isna()]
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
        for line, pass_id in zip(without.index, without["pass_id"], strict=True)
    ]


def log_problems(
    study_folder: Path, log_format: "LogFormat | None", passes_frame: pd.DataFrame
) -> list[Problem]:
    """Check every log of a study to its last frame.

    Parameters
    ----------
    study_folder : Path
        The study folder.
    log_format : LogFormat or None
        What its logs look like.
    passes_frame : DataFrame
        Its passes, indexed by line.

    Returns
    -------
    list of Problem
        Empty when every log can be used.
    """
    return measure(study_folder, log_format, passes_frame, ())[1]
