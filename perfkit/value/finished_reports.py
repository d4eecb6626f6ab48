"""A finished report read back as texts: its tables by the key of each row, and what made them."""

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from perfkit.errors import OutputError

KEYS: Mapping[str, tuple[str, ...]] = {
    "inputs": ("kind", "name", "fact"),
    "passes": ("pass_id",),
    "value": ("build",),
    "upgrades": ("from_build", "to_build"),
    "upgrade_rivals": ("from_build", "to_build", "rival"),
    "claims": ("claim", "left", "right", "measure", "workload"),
    "goals": ("build",),
    "last_money": (),
    "give_up_first": ("build", "way"),
    "settings": ("build", "workload"),
    "flip_prices": ("build", "rival"),
    "ranks": ("build", "rank"),
    "upgrade_games": ("from_build", "to_build", "workload"),
    "goal_games": ("build", "workload"),
    "setting_steps": ("build", "workload", "render_scale"),
    "energy": ("build", "workload"),
    "goes_together": ("build", "check"),
    "memory": ("system",),
    "memory_cost": ("gpu", "system", "against"),
    "predictions": ("system", "gpu", "workload", "width", "height", "render_scale"),
    "model_comparison": ("family",),
    "next_runs": ("system", "gpu", "workload", "width", "height"),
    "sittings": (),
    "within_pass": ("system", "gpu", "workload", "width", "height", "render_scale"),
    "versions": ("kind", "of", "old", "new"),
    "forecast_scores": ("made_on", "system", "gpu", "workload", "width", "height", "render_scale"),
    "forecast_cards": ("gpu",),
    "calibration": ("nominal",),
    "flags": ("pass_id", "code"),
    "left_out": ("pass_id",),
    "cautions": ("caution",),
}
"""Tables that are compared, the most asked first, and what names a row in each."""

SAME = 1e-9
"""Relative difference up to which two published numbers are one."""

CELL_COLUMNS = ("table", "row", "column", "old", "new", "change_pct")
BETWEEN = " | "
"""Stands between the parts of a row's name."""


@dataclass(frozen=True, slots=True)
class Report:
    """What is read of one report.

    Attributes
    ----------
    folder : Path
    tables : dict of str to DataFrame
        Texts as published, by name, indexed by the row's key and, should it repeat, its count.
    versions : dict of str to str
        Versions that made it.
    edited : tuple of str
        Tables that are not what the manifest says.
    code : str
        Hash of the code that made it; "" where an older report does not say.
    """

    folder: Path
    tables: dict[str, pd.DataFrame]
    versions: dict[str, str]
    edited: tuple[str, ...]
    code: str = ""


def read_report(folder: Path) -> Report:
    """Read the tables of a finished report.

    Parameters
    ----------
    folder : Path
        The OUT of ``perfkit report``.

    Returns
    -------
    Report

    Raises
    ------
    OutputError
        It holds no manifest of perfkit, or no value table.
    """
    try:
        manifest: dict[str, Any] = json.loads((folder / "manifest.json").read_text("utf-8"))
        made = manifest["files"] if manifest["made_by"] == "perfkit" else {}
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        manifest, made = {}, {}
    if not isinstance(made, dict) or "tables/value.csv" not in made:
        raise OutputError(f"{folder} is no report of perfkit; name the OUT of a perfkit report")
    tables, edited = {}, []
    for name, key in KEYS.items():
        path = folder / "tables" / f"{name}.csv"
        if not path.is_file():
            continue
        if hashlib.sha256(path.read_bytes()).hexdigest() not in json.dumps(
            made.get(f"tables/{name}.csv", "")
        ):
            edited.append(f"tables/{name}.csv")
        tables[name] = _keyed(pd.read_csv(path, dtype="str", keep_default_na=False), key)
    versions = manifest.get("versions", {})
    return Report(folder, tables, versions, tuple(edited), str(manifest.get("code", "")))


def _keyed(frame: pd.DataFrame, key: Iterable[str]) -> pd.DataFrame:
    names = [name for name in key if name in frame]
    text = pd.Series("", index=frame.index, dtype="str")
    if len(frame) and names:
        text = frame[names].agg(BETWEEN.join, axis=1)
    again = text.groupby(text).cumcount()
    text = text.where(again == 0, text + BETWEEN + "no. " + (again + 1).astype("str"))
    return frame.set_axis(pd.Index(text, name="row"))


def moved_cells(before: Report, after: Report, name: str) -> pd.DataFrame:
    """List the cells of a table that differ between two reports.

    Parameters
    ----------
    before, after : Report
    name : str
        Of the table.

    Returns
    -------
    DataFrame
        `CELL_COLUMNS`; `column` is "" where a whole row came or went, `row` is "" where a whole
        column did.
    """
    empty = pd.DataFrame(columns=list(CELL_COLUMNS))
    if name not in before.tables and name not in after.tables:
        return empty
    nothing = pd.DataFrame(index=pd.Index([], name="row", dtype="str"))
    one, other = before.tables.get(name, nothing), after.tables.get(name, nothing)
    found: list[tuple[object, ...]] = [
        (name, row, "", "there", "gone", np.nan) for row in one.index.difference(other.index)
    ]
    found += [(name, row, "", "", "new", np.nan) for row in other.index.difference(one.index)]
    if len(one.columns) and len(other.columns):
        gone = [column for column in one if column not in other]
        fresh = [column for column in other if column not in one]
        found += [(name, "", column, "there", "gone", np.nan) for column in gone]
        found += [(name, "", column, "", "new", np.nan) for column in fresh]
    both = one.index.intersection(other.index, sort=False)
    for column in (column for column in one.columns if column in other):
        left, right = one.loc[both, column], other.loc[both, column]
        differ = (left != right).to_numpy()
        numbers = [pd.to_numeric(side[differ], errors="coerce") for side in (left, right)]
        change = (numbers[1] / numbers[0] - 1).replace([np.inf, -np.inf], np.nan)
        apart = ~(change.abs() <= SAME).to_numpy()
        cells = (both[differ], left[differ], right[differ], 100 * change)
        rows = zip(*(cell[apart] for cell in cells), strict=True)
        found += [(name, row, column, was, now, by) for row, was, now, by in rows]
    return pd.DataFrame(found, columns=list(CELL_COLUMNS)) if found else empty
