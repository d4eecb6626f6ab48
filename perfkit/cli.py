"""The command line: reads arguments, calls the rooms, says what came out."""

import argparse
import os
import signal
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Any, NoReturn, TextIO

from perfkit import __version__
from perfkit.errors import MissingExtra, OutputError, PerfkitError, StudyError, printable
from perfkit.progress import Progress, terminal_progress

if TYPE_CHECKING:
    from perfkit.analysis import Analysis
    from perfkit.show.motion_clips import Film
    from perfkit.show.second import Second
    from perfkit.study import Study

DONE, STUDY_HAS_PROBLEMS, WRONG_USE, INTERRUPTED = 0, 1, 2, 130


def _say(text: object, stream: TextIO | None = None) -> None:
    print(printable(str(text)), file=stream)


def _new(options: argparse.Namespace, progress: Progress) -> int:
    from perfkit.study.new import new_study

    _say(new_study(options.folder, logs=options.logs))
    return DONE


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
    inside = log_problems(inspection.path, inspection.log_format, inspection.passes)
    raise StudyError([*inspection.problems, *inside])


def _check(options: argparse.Namespace, progress: Progress) -> int:
    from perfkit.frames import log_problems

    study = _inspected(options.study, progress)
    progress.say(f"reading the frame times of {len(study.passes)} passes")
    problems = log_problems(study.path, study.log_format, study.passes)
    if problems:
        raise StudyError(problems)
    _say(f"{options.study}: no problems. Next: perfkit report {options.study} --out out")
    return DONE


def _load(folder: Path, progress: Progress) -> "Study":
    import datetime

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


def _report(options: argparse.Namespace, progress: Progress) -> int:
    from perfkit.show.second import second_drawer

    with second_drawer() as second:
        return _report_with(second, options, progress)


def _report_with(second: "Second | None", options: argparse.Namespace, progress: Progress) -> int:
    from perfkit.analysis import analyse
    from perfkit.show.earlier import earlier_report, write_kept
    from perfkit.show.output import refuse_out, whole_folder
    from perfkit.show.report import write_report
    from perfkit.show.stills import write_figures
    from perfkit.show.summary import closing_lines
    from perfkit.show.tables import write_tables

    refuse_out(options.out, options.study)
    study = _load(options.study, progress)
    earlier = earlier_report(options.out)
    kept = earlier.kept() if earlier else ""
    client = _cluster(options.scheduler)
    analysis = analyse(study, client=client, progress=progress, kept=kept)
    with whole_folder(options.out, options.study) as folder:
        progress.say("writing tables")
        write_tables(analysis, folder / "tables")
        progress.say("drawing figures")
        figures = write_figures(
            analysis, folder / "figures", progress, second=second, earlier=earlier
        )
        progress.say("writing the page")
        write_report(analysis, figures, folder / "report.html")
        write_kept(analysis, folder)
    _say("\n".join(closing_lines(analysis, options.out)))
    return DONE


def _figures(options: argparse.Namespace, progress: Progress) -> int:
    from perfkit.show.second import second_drawer

    with second_drawer() as second:
        return _figures_with(second, options, progress)


def _figures_with(second: "Second | None", options: argparse.Namespace, progress: Progress) -> int:
    from perfkit.analysis import analyse
    from perfkit.show.output import refuse_out, whole_folder
    from perfkit.show.stills import VIDEO_SET, write_figures

    refuse_out(options.out, options.study, "figures")
    analysis = analyse(_load(options.study, progress), progress=progress)
    with whole_folder(options.out, options.study, "figures") as folder:
        progress.say("drawing figures in every size, light and dark")
        figures = write_figures(
            analysis, folder / "figures", progress, looks=VIDEO_SET, second=second
        )
        films = _clips(analysis, folder, progress) if options.clips else []
    drawn = [figure for figure in figures if not figure.reason]
    _say(f"{options.out}/figures: {len(drawn)} charts")
    for figure in figures:
        if figure.reason:
            _say(f"not drawn: {figure.title} ({figure.reason})")
    if options.clips:
        _say(f"{options.out}/clips: {sum(not film.reason for film in films)} clips")
    return DONE


def _clips(analysis: "Analysis", folder: Path, progress: Progress) -> "list[Film]":
    from perfkit.show.motion_clips import write_clips

    progress.say("filming clips with alpha, each with its last frame as a still")
    return write_clips(analysis, folder / "clips", progress)


def _predict(options: argparse.Namespace, progress: Progress) -> int:
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
    _say(
        f"{options.out}: {given} of {len(table)} configurations predicted"
        f" by {model.family or 'no model'}"
    )
    for reason, rows in table[table["fps"].isna()].groupby("reason", sort=False):
        _say(f"no number for {len(rows)}: {reason}")
    if options.keep:
        from perfkit.study.ledger import keep_forecasts

        kept = keep_forecasts(study, table)
        _say(f"{options.study}/forecasts.csv: {kept} forecasts kept")
    return DONE


def _score(options: argparse.Namespace, progress: Progress) -> int:
    from perfkit.frames import summarize_passes
    from perfkit.value.scores import score_forecasts

    study = _load(options.study, progress)
    passes = summarize_passes(study, progress=progress)
    _say(score_forecasts(study, passes))
    return DONE


def _changes(options: argparse.Namespace, progress: Progress) -> int:
    from perfkit.value.changes import compare_reports

    _say(compare_reports(options.old_out, options.new_out))
    return DONE


def _notebooks(options: argparse.Namespace, progress: Progress) -> int:
    from perfkit.show.notebooks import run_notebooks
    from perfkit.show.output import refuse_out, whole_folder

    refuse_out(options.out, options.study, "notebooks")
    _load(options.study, progress)
    with whole_folder(options.out, options.study, "notebooks") as folder:
        files = run_notebooks(options.study, folder, progress)
    _say(f"{options.out}: {len(files)} notebooks run on {options.study}")
    return DONE


def parser() -> argparse.ArgumentParser:
    """Describe the commands and their words.

    Returns
    -------
    argparse.ArgumentParser

    Examples
    --------
    >>> parser().parse_args(["check", "mine"]).study.name
    'mine'
    """
    words = argparse.ArgumentParser(
        prog="perfkit",
        description="What a budget gaming PC is worth, from frame times, prices and honest ranges.",
    )
    words.add_argument("--version", action="version", version=f"perfkit {__version__}")
    commands = words.add_subparsers(title="commands", metavar="COMMAND", required=True)

    def command(name: str, run: Callable[..., int], text: str) -> argparse.ArgumentParser:
        made = commands.add_parser(name, help=text, description=text[0].upper() + text[1:] + ".")
        made.set_defaults(run=run)
        return made

    def takes_study(made: argparse.ArgumentParser) -> argparse.ArgumentParser:
        made.add_argument("study", metavar="STUDY", type=Path, help="folder of the study")
        return made

    def gives_out(made: argparse.ArgumentParser) -> argparse.ArgumentParser:
        made.add_argument(
            "--out", metavar="OUT", type=Path, required=True, help="folder to make or replace"
        )
        return made

    new = command("new", _new, "start an empty study with commented headers")
    new.add_argument("folder", metavar="FOLDER", type=Path, help="folder to make")
    new.add_argument("--logs", metavar="DIR", type=Path, help="make one pass row for each log here")
    takes_study(command("check", _check, "list every problem of a study"))
    report = gives_out(
        takes_study(command("report", _report, "write tables, figures and a page to publish"))
    )
    report.add_argument("--scheduler", metavar="ADDRESS", help="read the logs on this Dask cluster")
    predict = takes_study(
        command("predict", _predict, "predict FPS, with ranges, for configurations in a CSV")
    )
    predict.add_argument("--targets", metavar="CSV", type=Path, required=True)
    predict.add_argument("--out", metavar="CSV", type=Path, required=True)
    predict.add_argument("--keep", action="store_true", help="also append to forecasts.csv")
    takes_study(command("score", _score, "score kept forecasts against the passes that came later"))
    changes = command("changes", _changes, "say what moved between two reports, and why")
    changes.add_argument("old_out", metavar="OLD_OUT", type=Path)
    changes.add_argument("new_out", metavar="NEW_OUT", type=Path)
    figures = gives_out(takes_study(command("figures", _figures, "draw the video set alone")))
    figures.add_argument(
        "--clips", action="store_true", help="also film clips with alpha, for an editor to lay over"
    )
    gives_out(takes_study(command("notebooks", _notebooks, "run the curated notebooks on a study")))
    return words


def _stop(signum: int, frame: FrameType | None) -> NoReturn:
    raise KeyboardInterrupt


def _refusal(error: StudyError) -> str:
    from perfkit.study import listing

    return listing(error.problems)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command.

    Parameters
    ----------
    arguments : sequence of str, optional
        The words after ``perfkit``; those of the process by default.

    Returns
    -------
    int
        0 done, 1 the study has problems, 2 wrong use, 130 interrupted.

    Raises
    ------
    SystemExit
        With status 2, by the parser, when the words do not fit a command.
    """
    options = parser().parse_args(arguments)
    signal.signal(signal.SIGTERM, _stop)
    try:
        status: int = options.run(options, terminal_progress())
        sys.stdout.flush()
    except StudyError as error:
        _say(_refusal(error), sys.stderr)
        return STUDY_HAS_PROBLEMS
    except (MissingExtra, OutputError) as error:
        _say(f"perfkit: {error}", sys.stderr)
        return WRONG_USE
    except PerfkitError as error:
        _say(f"perfkit: {error}", sys.stderr)
        return STUDY_HAS_PROBLEMS
    except KeyboardInterrupt:
        _say("perfkit: stopped; nothing was changed", sys.stderr)
        return INTERRUPTED
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    return status
