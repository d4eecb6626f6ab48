"""One row for each pass: what was measured, or typed, and what was not known and why."""

import math
from dataclasses import astuple, dataclass, fields
from typing import Any

import pandas as pd

from perfkit.errors import StudyError
from perfkit.frames.flags import Circumstances, Flag, pass_flags
from perfkit.frames.measure import measure
from perfkit.frames.repeats import repeat_flags
from perfkit.frames.statistics import FRAMES_FOR_01PCT, FRAMES_FOR_1PCT, FrameStatistics
from perfkit.frames.thresholds import CODES
from perfkit.frames.versions import version_columns
from perfkit.progress import QUIET, Progress
from perfkit.study import Study

MEASURES = (
    "frames",
    "seconds",
    "low_01pct_fps",
    "slowest_1pct_mean_fps",
    "hitches_per_min",
    "pacing_ms",
    "median_ms",
    "p95_ms",
    "shown_fps",
    "effective_frames",
    "se_log_avg",
)
"""Columns added to those of passes.csv, before the time shares, the flags and the reason."""

FLAG_COLUMNS = ("pass_id", "code", "measured", "threshold", "unit", "sentence")
"""Columns of the table of flags."""


@dataclass(frozen=True, slots=True)
class PassSummary:
    """What the passes of a study say.

    Attributes
    ----------
    passes : DataFrame
        One row per pass in file order; see `summarize_passes`.
    flags : DataFrame
        One row per flag: pass_id, code, measured, threshold, unit, sentence.
    """

    passes: pd.DataFrame
    flags: pd.DataFrame


def summarize(study: Study, *, client: Any = None, progress: Progress = QUIET) -> PassSummary:
    """Measure every pass of a study and say what is wrong with any.

    Parameters
    ----------
    study : Study
        As `perfkit.load_study` returns it.
    client : distributed.Client or None
        Spreads the logs over a Dask cluster that sees the same files; the result is the same to the
        last bit.
    progress : Progress
        Where to report to.

    Returns
    -------
    PassSummary

    Raises
    ------
    StudyError
        If a log cannot be used; every bad log is listed.

    Examples
    --------
    >>> import perfkit as pk
    >>> from perfkit.study.demo import find_demo
    >>> summary = summarize(pk.load_study(find_demo()))
    >>> set(summary.flags["code"]) <= set(CODES)
    True
    """
    measured, problems = measure(
        study.path,
        study.log_format,
        study.passes,
        study.settings.targets_fps,
        client,
        progress,
    )
    if problems:
        raise StudyError(problems)
    counts = study.log_format.counts if study.log_format else "drawn"
    passes = pass_table(study.passes, measured, counts, study.settings.targets_fps)
    found = collect_flags(study, passes, measured)
    codes = [
        "; ".join(dict.fromkeys(flag.code for flag in found.get(pass_id, [])))
        for pass_id in passes["pass_id"]
    ]
    flagged = passes.assign(flags=pd.Series(codes, index=passes.index, dtype="str"))
    versions = version_columns(flagged, study.workloads)
    return PassSummary(flagged.assign(**versions), flag_table(found))


def collect_flags(
    study: Study, passes: pd.DataFrame, measured: dict[str, FrameStatistics]
) -> dict[str, list[Flag]]:
    """Tell what is to be told about each pass.

    Parameters
    ----------
    study : Study
    passes : DataFrame
        Its passes with their statistics.
    measured : dict of str to FrameStatistics
        By pass_id.

    Returns
    -------
    dict of str to list of Flag
        By pass_id in file order, in the order of the codes; passes without a flag are left out.
    """
    memory = study.systems.set_index("system")[["ram_mtps", "ram_rated_mtps"]]
    rows = passes.join(memory, on="system").assign(typed_fps=study.passes["avg_fps"].to_numpy())
    counts = study.log_format.counts if study.log_format else "drawn"
    unit = study.log_format.frame_time_unit if study.log_format else "ms"
    among = repeat_flags(passes)
    numbers = [f.name for f in fields(Circumstances) if f.name not in ("counts", "unit")]
    flags: dict[str, list[Flag]] = {}
    for pass_id, *values in rows[["pass_id", *numbers]].itertuples(index=False):
        given = Circumstances(**dict(zip(numbers, values, strict=True)), counts=counts, unit=unit)
        found = [*pass_flags(measured.get(pass_id), given), *among.get(pass_id, [])]
        if found:
            flags[pass_id] = sorted(found, key=lambda flag: CODES.index(flag.code))
    return flags


def flag_table(flags: dict[str, list[Flag]]) -> pd.DataFrame:
    """Put flags in a table.

    Parameters
    ----------
    flags : dict of str to list of Flag
        By pass_id.

    Returns
    -------
    DataFrame
        One row per flag: pass_id, code, measured, threshold, unit, sentence.

    Examples
    --------
    >>> flag_table({}).columns.tolist()
    ['pass_id', 'code', 'measured', 'threshold', 'unit', 'sentence']
    """
    rows = [(pass_id, *astuple(flag)) for pass_id, found in flags.items() for flag in found]
    kinds = {"measured": "float64", "threshold": "float64"}
    table = pd.DataFrame(rows, columns=list(FLAG_COLUMNS))
    return table.astype({name: kinds.get(name, "str") for name in FLAG_COLUMNS})


def summarize_passes(study: Study, client: Any = None, progress: Progress = QUIET) -> pd.DataFrame:
    """Summarise every pass of a study in one row.

    Parameters
    ----------
    study : Study
        As `perfkit.load_study` returns it.
    client : distributed.Client or None
        Spreads the logs over a Dask cluster that sees the same files.
    progress : Progress
        Where to report to.

    Returns
    -------
    DataFrame
        One row per pass in file order: all columns of passes.csv, with avg_fps and low_1pct_fps
        those of the frame times where there are any (drawn frames), then frames, seconds,
        low_01pct_fps, slowest_1pct_mean_fps, hitches_per_min, pacing_ms, median_ms, p95_ms,
        shown_fps, effective_frames, se_log_avg, over_30 ... (share of the time spent in frames
        longer than 1000/30 ms), flags and reason (why a number is not known); version_use,
        log_version_shift, se_log_version_shift and version_note (how the pass is brought to the
        newest version of its driver and game; the averages above are as measured).

    Raises
    ------
    StudyError
        If a log cannot be used; every bad log is listed.

    Examples
    --------
    >>> import perfkit as pk
    >>> from perfkit.study.demo import find_demo
    >>> study = pk.load_study(find_demo())
    >>> passes = summarize_passes(study)
    >>> len(passes) == len(study.passes)
    True
    >>> passes.columns[:4].tolist()
    ['pass_id', 'system', 'gpu', 'workload']
    """
    return summarize(study, client=client, progress=progress).passes


def pass_table(
    passes: pd.DataFrame,
    measured: dict[str, FrameStatistics],
    counts: str,
    targets_fps: tuple[float, ...],
) -> pd.DataFrame:
    """Put measured statistics beside the rows of passes.csv.

    Parameters
    ----------
    passes : DataFrame
        As read from passes.csv.
    measured : dict of str to FrameStatistics
        By pass_id.
    counts : {"drawn", "shown"}
        What one row of a log is.
    targets_fps : tuple of float
        Rates of the time shares.

    Returns
    -------
    DataFrame
        As described at `summarize_passes`, flags empty.
    """
    rows = [
        _measured_row(measured[pass_id], generated, counts, targets_fps)
        if pass_id in measured
        else _typed_row(average, low, generated, targets_fps)
        for pass_id, average, low, generated in passes[
            ["pass_id", "avg_fps", "low_1pct_fps", "generated_per_drawn"]
        ].itertuples(index=False, name=None)
    ]
    shares = [share_column(fps) for fps in targets_fps]
    columns = ["avg_fps", "low_1pct_fps", *MEASURES, *shares, "reason"]
    found = pd.DataFrame(rows, columns=columns)
    found = found.astype({name: "str" if name == "reason" else "float64" for name in columns})
    kept = passes.reset_index(drop=True)
    table = kept.assign(**{name: found[name] for name in columns[:-1]})
    return table.assign(flags=pd.Series("", index=table.index, dtype="str"), reason=found["reason"])


def share_column(fps: float) -> str:
    """Name of the column with the time share above 1000/fps.

    Parameters
    ----------
    fps : float
        A target rate.

    Returns
    -------
    str

    Examples
    --------
    >>> share_column(60.0)
    'over_60'
    """
    return f"over_{fps:g}"


def _measured_row(
    found: FrameStatistics, generated: float, counts: str, targets_fps: tuple[float, ...]
) -> dict[str, Any]:
    shares = {share_column(fps): x for fps, x in zip(targets_fps, found.over_share, strict=True)}
    row = {
        f.name: getattr(found, f.name)
        for f in fields(found)
        if f.name in {"avg_fps", "low_1pct_fps", *MEASURES}
    }
    row["hitches_per_min"] = 60 * found.hitches / found.seconds
    row["shown_fps"] = found.avg_fps * (1 + generated)
    if counts == "shown" and generated > 0:
        known = {
            "frames": found.frames / (1 + generated),
            "seconds": found.seconds,
            "avg_fps": found.avg_fps / (1 + generated),
            "shown_fps": found.avg_fps,
            "se_log_avg": found.se_log_avg,
        }
        reason = "the log counts shown frames, so the times of single drawn frames are not known"
        return {**known, "reason": reason}
    return {**row, **shares, "reason": _short_reason(found)}


def _short_reason(found: FrameStatistics) -> str:
    if found.frames < FRAMES_FOR_1PCT:
        return (
            f"{found.frames:,} frames: a 1 % low needs {FRAMES_FOR_1PCT:,}, "
            f"a 0.1 % low {FRAMES_FOR_01PCT:,}"
        )
    if found.frames < FRAMES_FOR_01PCT:
        return f"{found.frames:,} frames: a 0.1 % low needs {FRAMES_FOR_01PCT:,}"
    return ""


def _typed_row(
    average: float, low: float, generated: float, targets_fps: tuple[float, ...]
) -> dict[str, Any]:
    if math.isnan(average):
        return {"low_1pct_fps": low, "reason": "no frame times and no average"}
    return {
        "avg_fps": average,
        "low_1pct_fps": low,
        "shown_fps": average * (1 + generated),
        "reason": "no frame times, only the typed numbers",
    }
