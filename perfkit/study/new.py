"""The start of a study: commented settings, headers, and one pass for each log."""

import csv
import datetime
import io
import json
import os
import shutil
import tempfile
from collections.abc import Sequence
from pathlib import Path

from perfkit.errors import OutputError
from perfkit.study.folder import LOG_SUFFIXES, Refused, open_inside, open_text
from perfkit.study.lognames import (
    stated_frame_time,
    stated_size,
    stated_unit,
    stated_workload,
)
from perfkit.study.schema import FORECASTS, TABLES, Table, glossary
from perfkit.study.settings import KEYS, LOG_KEYS
from perfkit.study.spreadsheet import safe_text

SYSTEM, GPU = "this system", "this GPU"
_GLOSSARY = "COLUMNS.md"
_HEADER_BYTES = 64 * 1024
_SHOWN_COLUMNS = 30


def new_study(
    folder: str | os.PathLike[str],
    logs: str | os.PathLike[str] | None = None,
    today: datetime.date | None = None,
) -> str:
    """Make an empty study, or one with a pass for each log of a folder.

    Parameters
    ----------
    folder : path-like
        Where to make it; must not exist, or be empty.
    logs : path-like, optional
        Folder of logs. They are copied into the study; links are not followed. All passes are put
        on one system and one GPU. What names state outright is written in, for the reader to
        check: frame time and unit of a column; size and workload of a log named like
        ``hill 1920x1080 2.csv``. Any other log is a workload of its own, so that nothing is pooled
        that does not belong together.
    today : datetime.date, optional
        First price date; today in UTC by default.

    Returns
    -------
    str
        What was made and what to do next.

    Raises
    ------
    OutputError
        When `folder` is in use, `logs` holds no log, or one lies inside the other.

    Examples
    --------
    >>> folder = Path(tempfile.mkdtemp()) / "mine"
    >>> print(new_study(folder).splitlines()[-1].replace(str(folder), "mine"))
    Then: perfkit check mine
    """
    target = Path(os.path.abspath(folder))
    if target.exists() and (not target.is_dir() or any(target.iterdir())):
        raise OutputError(f"{folder} is in use; name a folder that does not exist or is empty")
    source = None if logs is None else Path(os.path.realpath(logs))
    names = [] if source is None else _find_logs(source, target)
    day = today or datetime.datetime.now(tz=datetime.UTC).date()
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        hidden = Path(tempfile.mkdtemp(prefix=f".{target.name}.", dir=target.parent))
        try:
            columns = _columns_of(source, names)
            _fill(hidden, source, names, columns, day)
            os.chmod(hidden, 0o777 & ~_umask())
            os.rename(hidden, target)
        finally:
            shutil.rmtree(hidden, ignore_errors=True)
    except OSError as error:
        raise OutputError(
            f"{folder} cannot be made ({error.strerror}); try another place"
        ) from error
    return _next_steps(os.fspath(folder), names, columns)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def _find_logs(source: Path, target: Path) -> list[str]:
    if not source.is_dir():
        raise OutputError(f"{source} is no folder; name the folder that holds the logs")
    if target.is_relative_to(source):
        raise OutputError(f"the study would lie inside {source}; make it somewhere else")
    names = [
        os.path.relpath(os.path.join(place, name), source).replace(os.sep, "/")
        for place, _, files in os.walk(source)
        for name in files
        if name.endswith(LOG_SUFFIXES)
    ]
    regular = [name for name in sorted(names) if not (source / name).is_symlink()]
    regular = [name for name in regular if (source / name).is_file() and "\\" not in name]
    if not regular:
        raise OutputError(f"{source} holds no {', '.join(LOG_SUFFIXES)} file; export the logs so")
    return regular


def _columns_of(source: Path | None, names: Sequence[str]) -> list[list[str]]:
    """Column names of each log; empty where they cannot be read."""
    return [] if source is None else [_header(source, name) for name in names]


def _header(source: Path, name: str) -> list[str]:
    try:
        if name.endswith(".parquet"):
            import pyarrow.parquet as pq

            with open_inside(source, name) as file:
                return [str(column) for column in pq.read_schema(file).names]
        with open_text(source, name) as text:
            start = text.read(_HEADER_BYTES) or b""
        return next(csv.reader(io.StringIO(start.decode("utf-8-sig"), newline="")), [])
    except (Refused, ValueError, OSError, csv.Error):
        return []


def _fill(
    hidden: Path,
    source: Path | None,
    names: Sequence[str],
    columns: Sequence[Sequence[str]],
    day: datetime.date,
) -> None:
    rows = _rows(names)
    for table in TABLES.values():
        if table is not FORECASTS:
            _write_table(hidden / table.file, table, rows.get(table.name, []))
    (hidden / "study.toml").write_text(_settings(day, bool(names), columns), encoding="utf-8")
    (hidden / _GLOSSARY).write_text(glossary(), encoding="utf-8")
    for name in names:
        if source is not None:
            copy = hidden / "logs" / name
            copy.parent.mkdir(parents=True, exist_ok=True)
            with open_inside(source, name) as log, copy.open("wb") as file:
                shutil.copyfileobj(log, file)


def _rows(names: Sequence[str]) -> dict[str, list[dict[str, str]]]:
    if not names:
        return {}
    passes = [_pass(name, title) for name, title in zip(names, _titles(names), strict=True)]
    return {
        "gpus": [{"gpu": GPU}],
        "systems": [{"system": SYSTEM}],
        "workloads": [{"workload": name} for name in dict.fromkeys(r["workload"] for r in passes)],
        "passes": passes,
    }


def _pass(name: str, title: str) -> dict[str, str]:
    width, height = stated_size(name)
    return {
        "pass_id": title,
        "system": SYSTEM,
        "gpu": GPU,
        "workload": safe_text(stated_workload(title)) or title,
        "width": width,
        "height": height,
        "log": f"logs/{name}",
    }


def _titles(names: Sequence[str]) -> list[str]:
    """Names without their endings, where those still differ."""
    stems = [
        next(name.removesuffix(end) for end in LOG_SUFFIXES if name.endswith(end)) for name in names
    ]
    titles = stems if len(set(stems)) == len(stems) else list(names)
    return [safe_text(title) for title in titles]


def _write_table(path: Path, table: Table, rows: Sequence[dict[str, str]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, table.names, restval="", lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def _settings(day: datetime.date, has_logs: bool, columns: Sequence[Sequence[str]]) -> str:
    examples = {"currency": 'currency = "USD"', "price_date": f"price_date = {day}"}
    lines = ["# A line that starts with # is off. COLUMNS.md says what every column means.", ""]
    for name, key in KEYS.items():
        example = examples.get(name) or _example(name, key.allowed)
        lines.append(f"{'' if key.required else '# '}{example}   # {key.meaning}")
    off = "" if has_logs else "# "
    lines += ["", f"{off}[logs]", *_seen_columns(columns)]
    written = _log_settings(columns)
    for name, key in LOG_KEYS.items():
        line = off + written[name] if key.required else f"# {_example(name, key.allowed)}"
        lines.append(f"{line}   # {key.meaning}")
    return "\n".join([*lines, ""])


def _log_settings(columns: Sequence[Sequence[str]]) -> dict[str, str]:
    """Lines of the settings that must be filled, as far as the logs state them."""
    column = stated_frame_time(columns)
    return {
        "frame_time_column": f"frame_time_column = {_quoted(column)}",
        "frame_time_unit": f'frame_time_unit = "{stated_unit(column)}"',
    }


def _example(name: str, allowed: str) -> str:
    written = {
        "title": 'title = "A title"',
        "disclosure": 'disclosure = "All parts bought at retail."',
        "counts": 'counts = "drawn"',
        "combined": 'combined = "frames.parquet"',
    }
    return written.get(name) or allowed[allowed.index(f"{name} =") :]


def _seen_columns(columns: Sequence[Sequence[str]]) -> list[str]:
    seen = list(dict.fromkeys(name for header in columns for name in header))
    if len(seen) < 2:
        return []
    listed = ", ".join(_quoted(name) for name in seen[:_SHOWN_COLUMNS])
    more = f" and {len(seen) - _SHOWN_COLUMNS} more" if len(seen) > _SHOWN_COLUMNS else ""
    return [f"# columns of the logs: {listed}{more}"]


def _quoted(text: str) -> str:
    """Write a TOML string on one line, whatever is in the text."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _next_steps(folder: str, names: Sequence[str], columns: Sequence[Sequence[str]]) -> str:
    if not names:
        lines = [
            f"Made {folder}: an empty study. COLUMNS.md in it says what each column means.",
            "Next: fill gpus.csv, systems.csv, workloads.csv and passes.csv, a row each at least.",
        ]
    else:
        lines = [
            f"Made {folder}: {len(names)} passes, one for each log, copied into {folder}/logs.",
            *_where_they_stand(names),
            *_read_from_names(names, columns),
            *_to_fill(names, columns),
        ]
    return "\n".join([*lines, f"Then: perfkit check {folder}"])


def _where_they_stand(names: Sequence[str]) -> list[str]:
    alone = sum(not stated_workload(title) for title in _titles(names))
    if not alone:
        return [f"They stand on one system ({SYSTEM!r}) and one GPU ({GPU!r})."]
    which = "each" if alone == len(names) else f"{alone} of them each"
    return [
        f"They stand on one system ({SYSTEM!r}) and one GPU ({GPU!r}), {which} as a workload",
        "of its own: give passes that belong together the same workload.",
    ]


def _read_from_names(names: Sequence[str], columns: Sequence[Sequence[str]]) -> list[str]:
    column = stated_frame_time(columns)
    read = [f"frame times in {column!r}"] * bool(column)
    read += [f"in {stated_unit(column)}"] * bool(stated_unit(column))
    read += ["picture sizes"] * any(stated_size(name)[0] for name in names)
    read += ["workloads"] * any(stated_workload(title) for title in _titles(names))
    return [f"Read from names, to be checked: {', '.join(read)}."] if read else []


def _to_fill(names: Sequence[str], columns: Sequence[Sequence[str]]) -> list[str]:
    column = stated_frame_time(columns)
    settings = [] if column else ["frame_time_column"]
    settings += [] if stated_unit(column) else ["frame_time_unit"]
    cells = [f"{' and '.join(settings)} in study.toml"] if settings else []
    cells += ["kind, compute_units, lanes_per_unit and clock_mhz in gpus.csv"]
    cells += ["width and height in passes.csv"] * any(not stated_size(name)[0] for name in names)
    first, *others = (f"{cell}{';' if cell != cells[-1] else '.'}" for cell in cells)
    return [f"Next: fill {first}", *(f"      {other}" for other in others)]
