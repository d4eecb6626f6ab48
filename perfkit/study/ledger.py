"""forecasts.csv: lines are only ever added, whole; `ledger_hashes` says how a changed one shows."""

import csv
import datetime
import fcntl
import hashlib
import io
import json
import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pandas as pd

from perfkit.errors import OutputError, Problem, StudyError
from perfkit.study.csvtext import parse_csv
from perfkit.study.folder import TABLE_BYTES, Refused, open_inside, read_inside
from perfkit.study.ledger_hashes import CHAIN, PINNED, broken_ledger, follow
from perfkit.study.schema import FORECASTS, GPUS, PASSES, SYSTEMS, WORKLOADS
from perfkit.study.spreadsheet import safe_text
from perfkit.study.study import Study

_UNFINISHED = ".forecasts.csv.unfinished"


def keep_forecasts(study: Study, table: pd.DataFrame, made_on: datetime.date | None = None) -> int:
    """Append predictions to the study's forecasts.csv, all of them or none.

    Parameters
    ----------
    study : Study
    table : DataFrame
        Predictions with the pinned columns of tables/predictions.csv.
    made_on : datetime.date, optional
        Day of the forecast; today in UTC by default.

    Returns
    -------
    int
        Lines added: one for each prediction with a number.

    Raises
    ------
    StudyError
        When an earlier line was changed or removed meanwhile; nothing is added then.
    OutputError
        When the file cannot be written; it is then as it was. Or when it was written and the disk
        does not confirm that, which the message says.

    Examples
    --------
    >>> import shutil, tempfile
    >>> import perfkit as pk
    >>> from perfkit.study.demo import find_demo
    >>> copy = shutil.copytree(find_demo(), Path(tempfile.mkdtemp()) / "demo")
    >>> study = pk.load_study(copy)
    >>> forecast = dict(fps=60.0, pred_low=50.0, pred_high=70.0, level=0.9, model="time sum")
    >>> keep_forecasts(study, study.targets.iloc[:2].assign(**forecast))
    2
    >>> pk.load_study(copy).forecasts["fps"].tolist()
    [60.0, 60.0]
    """
    day = made_on or datetime.datetime.now(tz=datetime.UTC).date()
    known = table[table["fps"].notna()]
    shared = {"made_on": day.isoformat(), "inputs_sha256": inputs_sha256(study)}
    columns = [name for name in PINNED if name not in shared]
    rows = [
        {**shared, **{name: _cell(value) for name, value in row.items()}}
        for row in known[columns].to_dict("records")
    ]
    if rows:
        try:
            with _locked(study.path):
                _write_whole(study.path, _appended(study.path, rows))
        except OSError as error:
            raise OutputError(
                f"forecasts.csv cannot be written ({error.strerror}); "
                "make the study folder writable and free some space"
            ) from error
    return len(rows)


def _cell(value: object) -> str:
    return safe_text(value) if isinstance(value, str) else str(value)


def inputs_sha256(study: Study) -> str:
    """Hash everything a forecast is made from.

    Parameters
    ----------
    study : Study

    Returns
    -------
    str
        SHA-256, in hexadecimal, of the specifications, the passes, the logs and how they are read.
        Prices are not in it: they never touch a forecast.

    Raises
    ------
    StudyError
        When a file went away meanwhile.

    Examples
    --------
    >>> import perfkit as pk
    >>> from perfkit.study.demo import find_demo
    >>> len(inputs_sha256(pk.load_study(find_demo())))
    64
    """
    logs = [*study.passes.loc[study.passes["log"] != "", "log"]]
    if study.log_format is not None and study.log_format.combined:
        logs.append(study.log_format.combined)
    total = hashlib.sha256(repr(study.log_format).encode())
    for name in [table.file for table in (GPUS, SYSTEMS, WORKLOADS, PASSES)] + sorted(logs):
        try:
            with open_inside(study.path, name) as file:
                digest = hashlib.file_digest(file, "sha256").hexdigest()
        except Refused as refused:
            raise StudyError(
                [Problem(name, None, "", "", refused.allowed, refused.action)]
            ) from None
        total.update(json.dumps([name, digest]).encode())
    return total.hexdigest()


def _appended(root: Path, rows: list[dict[str, str]]) -> bytes:
    """Make the whole new content of the file."""
    path = root / FORECASTS.file
    old = b""
    if path.exists() or path.is_symlink():
        if path.is_symlink():
            raise OutputError("forecasts.csv is a link; put the file itself into the study")
        try:
            old = read_inside(root, FORECASTS.file, TABLE_BYTES)
        except Refused as refused:
            raise OutputError(f"forecasts.csv: {refused}") from None
        if problems := broken_ledger(old):
            raise StudyError(problems)
    if not old.strip():
        old = (",".join(FORECASTS.names) + "\n").encode()
    header = parse_csv(old, FORECASTS.file).header
    chain, _ = follow(old)
    text = io.StringIO()
    writer = csv.DictWriter(text, header, restval="", lineterminator="\n", extrasaction="ignore")
    for row in rows:
        writer.writerow({**row, CHAIN: chain.add(row)})
    return old + (b"" if old.endswith(b"\n") else b"\n") + text.getvalue().encode()


@contextmanager
def _locked(folder: Path) -> Iterator[None]:
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
        yield
        _confirm(handle)
    finally:
        os.close(handle)


def _confirm(folder: int) -> None:
    try:
        os.fsync(folder)
    except OSError as error:
        raise OutputError(
            f"forecasts.csv holds the new lines, but the disk did not confirm ({error.strerror}); "
            "look at the disk, and do not keep them a second time"
        ) from error


def _write_whole(root: Path, data: bytes) -> None:
    """Replace the file in one step, so that a kill leaves the old or the new one."""
    unfinished, path = root / _UNFINISHED, root / FORECASTS.file
    unfinished.unlink(missing_ok=True)
    handle = os.open(unfinished, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o666)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            if path.exists():
                os.fchmod(file.fileno(), stat.S_IMODE(path.stat().st_mode))
            os.fsync(file.fileno())
        os.rename(unfinished, path)
    except BaseException:
        unfinished.unlink(missing_ok=True)
        raise
