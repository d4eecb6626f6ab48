"""The words of the command line: loads nothing that a help text does not need."""

import argparse
import re
import sys

from perfkit import __version__

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path
    from types import FrameType
    from typing import NoReturn

DONE, STUDY_HAS_PROBLEMS, WRONG_USE, INTERRUPTED = 0, 1, 2, 130


def _path(text: str) -> "Path":
    from pathlib import Path

    return Path(text)


def _address(text: str) -> str:
    form = r"(?:(?:tcp|tls)://)?(?:[\w.-]+|\[[0-9A-Fa-f:.]+\]):([0-9]{1,5})"
    found = re.fullmatch(form, text, re.ASCII)
    if not found or not 0 < int(found[1]) < 1 << 16:
        raise argparse.ArgumentTypeError(
            f"{text!r} is no address of a scheduler: write tcp://HOST:PORT or tls://HOST:PORT"
        )
    return text


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
    commands = words.add_subparsers(
        title="commands", metavar="COMMAND", dest="command", required=True
    )

    def command(name: str, text: str) -> argparse.ArgumentParser:
        return commands.add_parser(name, help=text, description=text[0].upper() + text[1:] + ".")

    def takes_study(made: argparse.ArgumentParser) -> argparse.ArgumentParser:
        made.add_argument("study", metavar="STUDY", type=_path, help="folder of the study")
        return made

    def gives_out(made: argparse.ArgumentParser) -> argparse.ArgumentParser:
        made.add_argument(
            "--out", metavar="OUT", type=_path, required=True, help="folder to make or replace"
        )
        return made

    new = command("new", "start an empty study with commented headers")
    new.add_argument("folder", metavar="FOLDER", type=_path, help="folder to make")
    new.add_argument(
        "--logs", metavar="DIR", type=_path, help="make one pass row for each log here"
    )
    takes_study(command("check", "list every problem of a study"))
    report = gives_out(
        takes_study(command("report", "write tables, figures and a page to publish"))
    )
    report.add_argument(
        "--scheduler",
        metavar="ADDRESS",
        type=_address,
        help="read the logs on the Dask cluster there (tcp://HOST:PORT)",
    )
    predict = takes_study(
        command("predict", "predict FPS, with ranges, for configurations in a CSV")
    )
    predict.add_argument("--targets", metavar="CSV", type=_path, required=True)
    predict.add_argument("--out", metavar="CSV", type=_path, required=True)
    predict.add_argument("--keep", action="store_true", help="also append to forecasts.csv")
    takes_study(command("score", "score kept forecasts against the passes that came later"))
    changes = command("changes", "say what moved between two reports, and why")
    changes.add_argument("old_out", metavar="OLD_OUT", type=_path)
    changes.add_argument("new_out", metavar="NEW_OUT", type=_path)
    changes.add_argument("--out", metavar="CSV", type=_path, help="write every changed cell here")
    figures = gives_out(takes_study(command("figures", "draw the video set alone")))
    figures.add_argument(
        "--clips", action="store_true", help="also film clips with alpha, for an editor to lay over"
    )
    gives_out(takes_study(command("notebooks", "run the curated notebooks on a study")))
    return words


def _stop(signum: int, frame: "FrameType | None") -> "NoReturn":
    raise KeyboardInterrupt


def main(arguments: "Sequence[str] | None" = None) -> int:
    """Run one command.

    Parameters
    ----------
    arguments : sequence of str, optional
        The words after ``perfkit``; those of the process by default.

    Returns
    -------
    int
        0 done, 1 the study has problems, 2 wrong use, or no room to write or work, 130 interrupted.

    Raises
    ------
    SystemExit
        With status 2, by the parser, when the words do not fit a command.
    """
    options = parser().parse_args(arguments)
    try:
        return _run(options)
    except KeyboardInterrupt:
        print("perfkit: stopped; nothing half-written is left", file=sys.stderr)
        return INTERRUPTED
    except MemoryError:
        print(
            "perfkit: not enough memory; nothing half-written is left. "
            "Close other programs, and run again",
            file=sys.stderr,
        )
        return WRONG_USE


def _run(options: argparse.Namespace) -> int:
    import os
    import signal

    signal.signal(signal.SIGTERM, _stop)
    from perfkit import commands
    from perfkit.collecting import seldom_collected
    from perfkit.errors import MissingExtra, OutputError, PerfkitError, StudyError
    from perfkit.progress import terminal_progress

    try:
        with seldom_collected():
            getattr(commands, options.command)(options, terminal_progress())
        sys.stdout.flush()
    except StudyError as error:
        commands.say(commands.refusal(error), sys.stderr)
        return STUDY_HAS_PROBLEMS
    except (MissingExtra, OutputError) as error:
        commands.say(f"perfkit: {error}", sys.stderr)
        return WRONG_USE
    except PerfkitError as error:
        commands.say(f"perfkit: {error}", sys.stderr)
        return STUDY_HAS_PROBLEMS
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return DONE
