"""What each command of the command line does: calls into the rooms, and what came out of them."""

import contextlib
import datetime
from argparse import Namespace
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

from perfkit.errors import MissingExtra, OutputError, StudyError, printable
from perfkit.progress import Progress

if TYPE_CHECKING:
    from perfkit.analysis import Analysis
    from perfkit.show.motion_clips import Film
    from perfkit.show.second_process import Second
    from perfkit.study import Study


def say(text: object, stream: TextIO | None = None) -> None:
    """Print a line; what a terminal would obey is escaped."""
    print(printable(str(text)), file=stream)


def new(options: Namespace, progress: Progress) -> None:
    """Start an empty study; with logs, one pass row for each."""
    from perfkit.study.new import new_study

    say(new_study(options.folder, logs=options.logs))


def _inspected(folder: Path, progress: Progress) -> "Study":
    """Read a study; on any problem raise with those of its logs too, in one listing."""
    from perfkit.frames import log_problems
    from perfkit.study import inspect_study

    progress.say(f"reading {folder}")
    inspection = inspect_study(folder)
    for notice in inspection.notices:
        progress.say(f"notice: {notice}")
    if inspection.study is not None:
        return inspection.study
    inside = log_problems(
        inspection.path,
        inspection.log_format,
        inspection.passes,
        all_passes=all(problem.file != "passes.csv" for problem in inspection.problems),
    )
    raise StudyError([*inspection.problems, *inside])


def check(options: Namespace, progress: Progress) -> None:
    """Raise `StudyError` with every problem of a study, or say that there is none."""
    from perfkit.frames import log_problems

    study = _inspected(options.study, progress)
    progress.say(f"reading the frame times of {len(study.passes)} passes")
    problems = log_problems(study.path, study.log_format, study.passes)
    if problems:
        raise StudyError(problems)
    say(f"{options.study}: no problems. Next: perfkit report {options.study} --out out")


def _load(folder: Path, progress: Progress) -> "Study":
    from perfkit.study import stale_notice

    study = _inspected(folder, progress)
    stale = stale_notice(study, datetime.datetime.now(tz=datetime.UTC).date())
    if stale:
        progress.say(f"notice: {stale}")
    return study


def _cluster(address: str | None) -> Any:
    if address is None:
        return None
    try:
        import distributed
    except ModuleNotFoundError:
        raise MissingExtra(
            "--scheduler needs the extra `cluster`: pip install perfkit[cluster]"
        ) from None
    connect: Callable[..., Any] = distributed.Client
    try:
        return connect(address)
    except (OSError, ValueError) as error:
        raise OutputError(f"no scheduler answers at {address} ({error})") from None


def report(options: Namespace, progress: Progress) -> None:
    """Write tables, figures and the page, swapped in whole."""
    with _beside(options.out) as second:
        import pandas as pd

        # of many small frames Python's own text is quicker to take than Arrow's
        with pd.option_context("mode.string_storage", "python"):
            _report_with(second, options, progress)


def _beside(out: Path) -> "contextlib.AbstractContextManager[Second | None]":
    """Start a second drawing process, but not over a report, most of whose pictures will stay."""
    from perfkit.show.second_process import second_drawer

    return contextlib.nullcontext() if (out / "kept").is_dir() else second_drawer()


def _report_with(second: "Second | None", options: Namespace, progress: Progress) -> None:
    from perfkit.analysis import analyse
    from perfkit.show.earlier import earlier_report, write_kept
    from perfkit.show.output import refuse_out, whole_folder
    from perfkit.show.report import page_sheets, write_report
    from perfkit.show.stills import write_figures
    from perfkit.show.summary import closing_lines
    from perfkit.show.tables import write_tables

    refuse_out(options.out, options.study)
    study = _load(options.study, progress)
    earlier = earlier_report(options.out)
    kept = earlier.kept() if earlier else ""
    client = _cluster(options.scheduler)
    beside = second.leave_out if second else None
    analysis = analyse(study, client=client, progress=progress, kept=kept, beside=beside)
    with whole_folder(options.out, options.study) as folder:
        sheets = {}

        def meanwhile() -> None:
            progress.say("drawing figures, writing tables")
            write_tables(analysis, folder / "tables")
            sheets.update(page_sheets(analysis))

        figures = write_figures(
            analysis,
            folder / "figures",
            progress,
            second=second,
            earlier=earlier,
            meanwhile=meanwhile,
        )
        progress.say("writing the page")
        write_report(analysis, figures, folder / "report.html", sheets)
        write_kept(analysis, folder, figures)
    drawn = sum(not figure.reason for figure in figures)
    say("\n".join(closing_lines(analysis, options.out, drawn)))


def figures(options: Namespace, progress: Progress) -> None:
    """Write the video set, and clips when asked."""
    from perfkit.show.second_process import second_drawer

    with second_drawer() as second:
        _figures_with(second, options, progress)


def _figures_with(second: "Second | None", options: Namespace, progress: Progress) -> None:
    from perfkit.analysis import analyse
    from perfkit.show.output import refuse_out, whole_folder
    from perfkit.show.stills import VIDEO_SET, write_figures

    refuse_out(options.out, options.study, "figures")
    study, beside = _load(options.study, progress), second.leave_out if second else None
    analysis = analyse(study, progress=progress, beside=beside)
    with whole_folder(options.out, options.study, "figures") as folder:
        figures = write_figures(
            analysis,
            folder / "figures",
            progress,
            looks=VIDEO_SET,
            second=second,
            meanwhile=lambda: progress.say("drawing figures in every size, light and dark"),
        )
        films = _clips(analysis, folder, progress) if options.clips else []
    drawn = [figure for figure in figures if not figure.reason]
    say(f"{options.out}/figures: {len(drawn)} charts")
    for figure in figures:
        if figure.reason:
            say(f"not drawn: {figure.title} ({figure.reason})")
    if options.clips:
        say(f"{options.out}/clips: {sum(not film.reason for film in films)} clips")


def _clips(analysis: "Analysis", folder: Path, progress: Progress) -> "list[Film]":
    from perfkit.show.motion_clips import write_clips

    progress.say("filming clips with alpha, each with its last frame as a still")
    return write_clips(analysis, folder / "clips", progress)


def predict(options: Namespace, progress: Progress) -> None:
    """Write one prediction for each row of the targets; keep them as forecasts when asked."""
    from perfkit.frames import summarize_passes
    from perfkit.models import fit
    from perfkit.show.output import whole_file
    from perfkit.show.tables import write_csv
    from perfkit.study import read_targets

    study = _load(options.study, progress)
    targets = read_targets(study, options.targets)
    passes = summarize_passes(study, progress=progress)
    progress.say("fitting the families, leaving each GPU out in turn")
    model = fit(study, passes)
    table = model.predict(targets)
    with whole_file(options.out, options.study) as hidden:
        write_csv(table, hidden)
    given = int(table["fps"].notna().sum())
    say(
        f"{options.out}: {given} of {len(table)} configurations predicted"
        f" by {model.family or 'no model'}"
    )
    for reason, rows in table[table["fps"].isna()].groupby("reason", sort=False):
        say(f"no number for {len(rows)}: {reason}")
    if options.keep:
        from perfkit.study.ledger import keep_forecasts

        kept = keep_forecasts(study, table)
        say(f"{options.study}/forecasts.csv: {kept} forecasts kept")


def score(options: Namespace, progress: Progress) -> None:
    """Say how kept forecasts did against the passes that came later."""
    from perfkit.frames import summarize_passes
    from perfkit.value.scores import score_forecasts

    study = _load(options.study, progress)
    passes = summarize_passes(study, progress=progress)
    say(score_forecasts(study, passes))


def changes(options: Namespace, progress: Progress) -> None:
    """Say what moved between two reports; write every cell of it when asked."""
    from perfkit.show.output import whole_file
    from perfkit.show.tables import write_csv
    from perfkit.value.changes import compare_reports

    reports = options.old_out, options.new_out
    found = compare_reports(*reports)
    if options.out is not None:
        for report in reports:
            if options.out.resolve().is_relative_to(report.resolve()):
                raise OutputError(f"{options.out} lies inside a report; name a file elsewhere")
        with whole_file(options.out, options.old_out) as hidden:
            write_csv(found.rows, hidden)
    say(found)


def notebooks(options: Namespace, progress: Progress) -> None:
    """Run the curated notebooks on a study."""
    from perfkit.show.notebooks import run_notebooks
    from perfkit.show.output import refuse_out, whole_folder

    refuse_out(options.out, options.study, "notebooks")
    _load(options.study, progress)
    with whole_folder(options.out, options.study, "notebooks") as folder:
        files = run_notebooks(options.study, folder, progress)
    say(f"{options.out}: {len(files)} notebooks run on {options.study}")


def refusal(error: StudyError) -> str:
    """Every problem of a refused study, as one listing."""
    from perfkit.study import listing

    return listing(error.problems)
