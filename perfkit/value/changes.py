"""What moved between two reports, why, and which verdicts flipped; neither report is touched."""

import hashlib
import json
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from perfkit.errors import OutputError

KEYS = {
    "passes": ("pass_id",),
    "predictions": ("system", "gpu", "workload", "width", "height", "render_scale"),
    "value": ("build",),
    "upgrades": ("from_build", "to_build"),
    "goals": ("build",),
    "settings": ("build", "workload"),
    "claims": ("claim", "left", "right", "measure", "workload"),
}
"""Published tables that are compared, and what names a row in each."""

SAME = 1e-9
"""Relative difference up to which two published numbers are one."""

HALF = 0.5

_FROM_FPS = ("fps", "share_", "missing", "basis", "workloads", "passes", "added_fps", "added_low")
_OF_RIVALS = ("on_frontier", "best_value", "overtakes_below", "answer")
_SHOWN = 3


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
    """

    folder: Path
    tables: dict[str, pd.DataFrame]
    versions: dict[str, str]
    edited: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Changes:
    """What moved between two reports.

    Attributes
    ----------
    rows : DataFrame
        table, row, column, old, new, change_pct, cause: one row per published cell that changed;
        column is "" where a whole row came or went.
    flips : DataFrame
        verdict, old, new, cause: one row per verdict that turned.
    note : str
        A paragraph to paste under a published video.
    """

    rows: pd.DataFrame
    flips: pd.DataFrame
    note: str

    def __str__(self) -> str:
        """Give counts, flips and the note to a terminal."""
        if self.rows.empty:
            return "nothing changed"
        counts = self.rows.groupby(["table", "cause"], sort=False).size().reset_index(name="cells")
        lines = [f"{len(self.rows)} published cells changed"]
        lines += [
            f"  {row.table}: {row.cells} by {row.cause}" for row in counts.itertuples(index=False)
        ]
        lines += ["verdicts that flip:" if len(self.flips) else "no verdict flips"]
        lines += [
            f"  {flip.verdict}: {flip.old} -> {flip.new} ({flip.cause})"
            for flip in self.flips.itertuples(index=False)
        ]
        return "\n".join([*lines, "", self.note])


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
        made = manifest["files"]
        ours = manifest["made_by"] == "perfkit"
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        ours, made = False, {}
    if not ours or "tables/value.csv" not in made:
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
    return Report(folder, tables, versions, tuple(edited))


def _keyed(frame: pd.DataFrame, key: Iterable[str]) -> pd.DataFrame:
    names = [name for name in key if name in frame]
    text = frame[names].agg(" | ".join, axis=1) if len(frame) else pd.Series([], dtype="str")
    again = text.groupby(text).cumcount()
    text = text.where(again == 0, text + " | no. " + (again + 1).astype("str"))
    return frame.set_axis(pd.Index(text, name="row"))


def compare_reports(old: str | Path, new: str | Path) -> Changes:
    """Compare two finished reports.

    Parameters
    ----------
    old, new : path-like
        The OUT folders of ``perfkit report``; only read.

    Returns
    -------
    Changes

    Raises
    ------
    OutputError
        One of them is no report of perfkit.
    """
    before, after = read_report(Path(old)), read_report(Path(new))
    moved = {name: _cells(before, after, name) for name in KEYS}
    causes = _Causes(before, after, moved)
    rows = pd.concat(
        [causes.explain(name, cells) for name, cells in moved.items()], ignore_index=True
    )
    flips = _flips(before, after, causes)
    return Changes(rows, flips, _note(before, after, rows, flips, causes))


_COLUMNS = ["table", "row", "column", "old", "new", "change_pct"]


def _cells(before: Report, after: Report, name: str) -> pd.DataFrame:
    """Cells that differ; a row that came or went is one cell of column ""."""
    empty = pd.DataFrame(columns=_COLUMNS)
    if name not in before.tables and name not in after.tables:
        return empty
    nothing = pd.DataFrame(index=pd.Index([], name="row", dtype="str"))
    one, other = before.tables.get(name, nothing), after.tables.get(name, nothing)
    found = [(name, row, "", "there", "gone", np.nan) for row in one.index.difference(other.index)]
    found += [(name, row, "", "", "new", np.nan) for row in other.index.difference(one.index)]
    both = one.index.intersection(other.index, sort=False)
    for column in (column for column in one.columns if column in other):
        left, right = one.loc[both, column], other.loc[both, column]
        differ = (left != right).to_numpy()
        numbers = [pd.to_numeric(side[differ], errors="coerce") for side in (left, right)]
        change = (numbers[1] / numbers[0] - 1).replace([np.inf, -np.inf], np.nan)
        same = (change.abs() <= SAME).to_numpy()
        for row, was, now, by in zip(
            both[differ][~same],
            left[differ][~same],
            right[differ][~same],
            change[~same],
            strict=True,
        ):
            found.append((name, row, column, was, now, 100 * by))
    return pd.DataFrame(found, columns=_COLUMNS) if found else empty


class _Causes:
    """Why published cells changed, as far as the two reports tell."""

    def __init__(self, before: Report, after: Report, moved: dict[str, pd.DataFrame]) -> None:
        self.priced = set(_rows_with(moved["value"], ["price"]))
        self.costed = set(_rows_with(moved["upgrades"], ["added_cost"]))
        self.passes = _pass_causes(before, after, moved["passes"])
        self.speed = [*self.passes, *_model_causes(moved["predictions"])]
        if not self.speed:
            self.speed = _version_causes(before, after) or ["settings or specifications"]

    def explain(self, name: str, cells: pd.DataFrame) -> pd.DataFrame:
        """Add the column `cause`."""
        why = [
            self.of(name, row, column)
            for row, column in zip(cells["row"], cells["column"], strict=True)
        ]
        return cells.assign(cause=pd.Series(why, index=cells.index, dtype="str"))

    def of(self, name: str, row: str, column: str) -> str:
        if name == "passes":
            return self.passes[0] if self.passes else "flags or statistics"
        if name == "predictions" or column.startswith(_FROM_FPS):
            return "; ".join(self.speed)
        own = row in (self.priced if name == "value" else self.costed)
        shared = column in _OF_RIVALS or name in ("goals", "settings", "claims")
        shared = shared or column == "break_even_price"
        priced = bool(self.priced or self.costed) if shared else own
        if column in ("price", "added_cost", "price_date", "spent", "resale", "flags"):
            return "price"
        if priced and not self.passes and self.speed == ["settings or specifications"]:
            return "price"
        return "; ".join((["price"] if priced else []) + self.speed)


def _rows_with(cells: pd.DataFrame, columns: list[str]) -> list[str]:
    return list(cells.loc[cells["column"].isin(columns), "row"])


def _pass_causes(before: Report, after: Report, cells: pd.DataFrame) -> list[str]:
    gone = cells.loc[(cells["column"] == "") & (cells["new"] == "gone"), "row"]
    fresh = cells.loc[(cells["column"] == "") & (cells["new"] == "new"), "row"]
    voided = cells.loc[
        (cells["column"] == "void_reason") & (cells["old"] == "") & (cells["new"] != ""), "row"
    ]
    moved = cells.loc[cells["column"].isin(["avg_fps", "low_1pct_fps", "outcome"]), "row"]
    version = cells.loc[cells["column"].isin(["driver", "game_version"]), "row"]
    edited = moved[~moved.isin(voided)].drop_duplicates()
    kinds = [
        ("pass voided", voided),
        ("pass removed", gone),
        ("pass added", fresh),
        ("pass changed", edited),
        ("version changed", version.drop_duplicates()),
    ]
    return [f"{kind}: {_listed(rows)}" for kind, rows in kinds if len(rows)]


def _model_causes(cells: pd.DataFrame) -> list[str]:
    models = cells.loc[cells["column"] == "model", ["old", "new"]].drop_duplicates()
    return [f"model: {old} -> {new}" for old, new in models.itertuples(index=False, name=None)]


def _version_causes(before: Report, after: Report) -> list[str]:
    names = sorted({*before.versions, *after.versions})
    pairs = [(name, before.versions.get(name), after.versions.get(name)) for name in names]
    return [f"version: {name} {old} -> {new}" for name, old, new in pairs if old != new]


def _listed(rows: Iterable[str]) -> str:
    names = list(rows)
    more = len(names) - _SHOWN
    return ", ".join(names[:_SHOWN]) + (f" and {more} more" if more > 0 else "")


def _flips(before: Report, after: Report, causes: _Causes) -> pd.DataFrame:
    found = []
    best = [_cheapest_frame(report) for report in (before, after)]
    if best[0] != best[1] and all(best):
        cause = causes.of("value", "", "best_value")
        found.append(("lowest cost per frame", *best, cause))
    for name, column, words in (
        ("value", "on_frontier", "on the frontier: {}"),
        ("claims", "verdict", "{}"),
        ("upgrades", "goes_together", "goes together: {}"),
        ("upgrades", "cost_per_added_frame", "cost per added frame of {}"),
        ("goals", "answer", "goals: {}"),
        ("settings", "render_scale", "render scale for {}"),
    ):
        for row, was, now in _turned(before, after, name, column):
            found.append((words.format(row), was, now, causes.of(name, row, column)))
    return pd.DataFrame(found, columns=["verdict", "old", "new", "cause"])


def _cheapest_frame(report: Report) -> str:
    value = report.tables["value"]
    cost = pd.to_numeric(value["cost_per_frame"], errors="coerce").to_numpy(float)
    known = np.flatnonzero(np.isfinite(cost))
    return str(value["build"].iloc[known[np.argmin(cost[known])]]) if len(known) else ""


def _turned(before: Report, after: Report, name: str, column: str) -> list[tuple[str, str, str]]:
    tables = [report.tables.get(name) for report in (before, after)]
    if any(table is None or column not in table for table in tables):
        return []
    one, other = (_verdicts(table[column], column) for table in tables if table is not None)
    both = one.index.intersection(other.index, sort=False)
    pairs = zip(both, one[both], other[both], strict=True)
    return [(str(row), was, now) for row, was, now in pairs if was != now]


def _verdicts(column: pd.Series, name: str) -> pd.Series:
    """Read cells as verdicts: a probability of one half is likely, a cost is told or not."""
    if name == "on_frontier":
        likely = pd.to_numeric(column, errors="coerce")
        return pd.Series(np.where(likely >= HALF, "likely", "unlikely"), column.index).where(
            likely.notna(), "not known"
        )
    if name == "cost_per_added_frame":
        return pd.Series(np.where(column == "", "not determinable", "told"), column.index)
    return column.where(column != "", "none")


def _note(
    before: Report, after: Report, rows: pd.DataFrame, flips: pd.DataFrame, causes: _Causes
) -> str:
    if rows.empty:
        return "Nothing published has changed."
    said = [f"Correction: {len(rows)} published numbers changed."]
    prices = rows[(rows["table"] == "value") & (rows["column"] == "price")]
    said += [
        f"The price of {row} is {new} (was {old})."
        for row, old, new in prices[["row", "old", "new"]].head(_SHOWN).itertuples(index=False)
    ]
    if len(prices) > _SHOWN:
        said.append(f"So are {len(prices) - _SHOWN} more prices.")
    speeds = rows["cause"].ne("price").any()
    said += [f"Reason: {cause}." for cause in causes.speed if speeds]
    said += [
        f"{verdict[:1].upper()}{verdict[1:]}: {now} (was {was})."
        for verdict, was, now in zip(flips["verdict"], flips["old"], flips["new"], strict=True)
    ]
    said.append("All other verdicts stand." if len(flips) else "Every verdict stands.")
    for report in (before, after):
        if report.edited:
            names = ", ".join(report.edited)
            said.append(f"Beware: {names} in {report.folder.name} was edited after it was made.")
    return " ".join(said)
