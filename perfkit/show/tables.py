"""Frames as CSV files that a spreadsheet opens without running anything in them."""

import datetime
import math
import numbers
import re
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from perfkit.study.schema import PASSES
from perfkit.study.spreadsheet import safe_text as safe_text

if TYPE_CHECKING:
    from perfkit.analysis import Analysis

PASS_COLUMNS = (
    "pass_id",
    "system",
    "gpu",
    "workload",
    "width",
    "height",
    "frames",
    "seconds",
    "avg_fps",
    "low_1pct_fps",
    "low_01pct_fps",
    "slowest_1pct_mean_fps",
    "hitches_per_min",
    "pacing_ms",
    "flags",
)
"""First columns of ``passes.csv``, in this order."""

_SPECIAL = re.compile('[",\\r\\n]').search


def cell_text(value: Any) -> str:
    """Write one value the way every CSV of perfkit does.

    Parameters
    ----------
    value : object
        Number, boolean, date, text, or a missing value.

    Returns
    -------
    str
        Ten significant digits, ``true`` or ``false``, an ISO date, safe text; empty when missing.

    Examples
    --------
    >>> cell_text(0.1 + 0.2), cell_text(True), cell_text(float("nan")), cell_text(-0.0)
    ('0.3', 'true', '', '0')
    """
    if isinstance(value, str):
        return safe_text(value)
    if isinstance(value, datetime.date):
        return "" if value is pd.NaT else value.strftime("%Y-%m-%d")
    if hasattr(value, "item"):
        value = value.item()
    if isinstance(value, float):
        return "" if math.isnan(value) else f"{value + 0.0:.10g}"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, numbers.Integral):
        return str(int(value))
    if value is None or value is pd.NA or value is pd.NaT:
        return ""
    return safe_text(str(value))


def column_texts(column: pd.Series) -> list[str]:
    """Write one column, each value as :func:`cell_text` would.

    Parameters
    ----------
    column : Series

    Returns
    -------
    list of str
        As long as the column.

    Examples
    --------
    >>> column_texts(pd.Series([1.5, None]))
    ['1.5', '']
    """
    return [cell_text(value) for value in column.tolist()]


def csv_line(cells: Iterable[str]) -> str:
    r"""Join cells to one line of CSV, quoting those that need it (RFC 4180).

    Parameters
    ----------
    cells : iterable of str

    Returns
    -------
    str
        The line with its end.

    Examples
    --------
    >>> csv_line(["a", "b,c", 'a "b" c'])
    'a,"b,c","a ""b"" c"\n'
    """
    quoted = ['"' + text.replace('"', '""') + '"' if _SPECIAL(text) else text for text in cells]
    return (",".join(quoted) if quoted != [""] else '""') + "\n"


def write_csv(frame: pd.DataFrame, path: Path) -> None:
    r"""Write a frame as UTF-8 CSV, without its index and safe in a spreadsheet.

    Parameters
    ----------
    frame : DataFrame
        A table; its index is not written.
    path : Path
        File to write; replaced when it exists.

    Raises
    ------
    OSError
        When the file cannot be written.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     write_csv(pd.DataFrame({"build": ["=1"], "fps": [60.0]}), Path(folder, "t.csv"))
    ...     Path(folder, "t.csv").read_text()
    "build,fps\n'=1,60\n"
    """
    rows = zip(*(column_texts(frame[name]) for name in frame.columns), strict=True)
    with open(path, "w", encoding="utf-8", newline="") as file:
        file.write(csv_line(safe_text(str(name)) for name in frame.columns))
        file.writelines(map(csv_line, rows))


def first_columns(frame: pd.DataFrame, first: Iterable[str]) -> pd.DataFrame:
    """Put the pinned columns first; the others follow in their own order.

    Parameters
    ----------
    frame : DataFrame
        Holds every column named in `first`.
    first : iterable of str

    Returns
    -------
    DataFrame

    Raises
    ------
    KeyError
        When a pinned column is missing.

    Examples
    --------
    >>> list(first_columns(pd.DataFrame({"b": [1], "a": [2]}), ["a"]))
    ['a', 'b']
    """
    pinned = list(first)
    return frame[[*pinned, *(name for name in frame.columns if name not in pinned)]]


def all_tables(analysis: "Analysis") -> dict[str, pd.DataFrame]:
    """Every table of an analysis by the name of its file, the pinned ones first.

    Parameters
    ----------
    analysis : Analysis

    Returns
    -------
    dict of str to DataFrame
        Without the columns of passes.csv that perfkit does not know: those are nobody's business.
    """
    unknown = [name for name in analysis.study.passes if name not in PASSES.names]
    passes = analysis.passes.drop(columns=unknown, errors="ignore")
    pinned = {
        "predictions": analysis.predictions,
        "value": analysis.value,
        "passes": first_columns(passes, PASS_COLUMNS),
        "upgrades": analysis.upgrades,
        "flags": analysis.flags,
        "model_comparison": analysis.model.comparison,
        "left_out": analysis.model.left_out,
    }
    return pinned | {name: frame for name, frame in analysis.tables.items() if name not in pinned}


def write_tables(analysis: "Analysis", folder: Path) -> list[Path]:
    """Write every table of an analysis as ``NAME.csv``.

    Parameters
    ----------
    analysis : Analysis
    folder : Path
        Made when missing.

    Returns
    -------
    list of Path
        The files written, the four pinned tables among them even when they have no rows.

    Raises
    ------
    OSError
        When a file cannot be written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for name, frame in all_tables(analysis).items():
        written.append(folder / f"{name}.csv")
        write_csv(frame, written[-1])
    return written
