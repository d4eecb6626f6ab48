"""Finished reports made of a few cells, so that what differs between two is known."""

from collections.abc import Mapping, Sequence
from pathlib import Path

import pandas as pd

from perfkit.value.causes import Causes
from perfkit.value.finished_reports import KEYS, Report, _keyed, moved_cells

Rows = Sequence[Mapping[str, str]]


def facts(*told: str) -> Rows:
    """Make rows of the table `inputs` of lines such as ``GPU | Alder | clock_mhz | 2000``."""
    return [dict(zip(("kind", "name", "fact", "value"), t.split(" | "), strict=True)) for t in told]


def finished(
    versions: Mapping[str, str] | None = None,
    code: str = "",
    edited: tuple[str, ...] = (),
    **tables: Rows,
) -> Report:
    """Make a report of rows; one without `inputs` is an older one."""
    frames = {name: _keyed(_frame(name, rows), KEYS[name]) for name, rows in tables.items()}
    return Report(Path("out"), frames, dict(versions or {}), edited, code)


def _frame(name: str, rows: Rows) -> pd.DataFrame:
    return pd.DataFrame(rows if rows else {key: [] for key in (*KEYS[name], "value")}, dtype="str")


def causes(before: Report, after: Report) -> Causes:
    """Find what differs."""
    return Causes(before, after, {name: moved_cells(before, after, name) for name in KEYS})
