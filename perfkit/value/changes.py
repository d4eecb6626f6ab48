"""What moved between two reports, why, and which verdicts flipped; neither report is touched."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from perfkit.value.causes import Cause, Causes
from perfkit.value.finished_reports import BETWEEN, KEYS, Report, moved_cells, read_report

HALF = 0.5
"""Probability from which a build is called likely on the frontier."""

HEADLINES = (
    ("value", "price"),
    ("value", "fps"),
    ("value", "cost_per_frame"),
    ("upgrades", "added_cost"),
    ("upgrades", "added_fps"),
    ("upgrades", "cost_per_added_frame"),
    ("upgrades", "break_even_price"),
    ("claims", "estimate"),
    ("last_money", "gain_pct"),
)
"""Numbers that a terminal shows one by one; all others are counted there."""

_MOST_LINES = 12
_MOST_SAID = 5
_MOST_FLIPS = 8


@dataclass(frozen=True, slots=True, eq=False)
class Changes:
    """What moved between two reports.

    Attributes
    ----------
    rows : DataFrame
        table, row, column, old, new, change_pct, cause: one row per published cell that changed;
        column is "" where a whole row came or went, row is "" where a whole column did.
    flips : DataFrame
        verdict, old, new, cause: one row per verdict that turned.
    causes : tuple of str
        What went into the reports and differs.
    note : str
        A paragraph to paste under a published video.
    """

    rows: pd.DataFrame
    flips: pd.DataFrame
    causes: tuple[str, ...]
    note: str

    def __str__(self) -> str:
        """Give causes, the main numbers, counts, flips and the note to a terminal."""
        if self.rows.empty and not self.causes:
            return "nothing changed"
        lines = ["what went in and differs:", *(f"  {cause}" for cause in self.causes)]
        if not self.causes:
            lines = ["what went in and differs: not told by the two reports"]
        lines += self._numbers()
        lines.append(f"{len(self.rows)} published cells changed")
        counts = self.rows.groupby("table", sort=False).size()
        lines += [f"  {name}: {cells}" for name, cells in counts.items()]
        lines += ["verdicts that flip:" if len(self.flips) else "no verdict flips"]
        lines += [
            f"  {flip.verdict}: {flip.old} -> {flip.new} ({flip.cause})"
            for flip in self.flips.itertuples()
        ]
        return "\n".join([*lines, "", self.note])

    def _numbers(self) -> list[str]:
        lines = []
        for table, column in HEADLINES:
            cells = _seen(self.rows, table, column)
            if cells.empty:
                continue
            why = list(dict.fromkeys(cells["cause"]))
            lines.append(f"{table}, {column}" + (f", by {why[0]}:" if len(why) == 1 else ":"))
            first = cells[["row", "old", "new", "cause"]].head(_MOST_LINES)
            lines += [
                f"  {row_words(table, row)}: {shown(old)} -> {shown(new)}"
                + (f" ({cause})" if len(why) > 1 else "")
                for row, old, new, cause in first.itertuples(index=False, name=None)
            ]
            if len(cells) > _MOST_LINES:
                lines.append(f"  and {len(cells) - _MOST_LINES} more")
        return lines


def _seen(rows: pd.DataFrame, table: str, column: str) -> pd.DataFrame:
    """Cells of a column that also differ in the digits shown."""
    cells = rows[(rows["table"] == table) & (rows["column"] == column) & (rows["row"] != "")]
    return cells[cells["old"].map(shown) != cells["new"].map(shown)]


def row_words(table: str, row: str) -> str:
    """Name a row in words.

    Parameters
    ----------
    table, row : str
        As in :func:`perfkit.value.finished_reports.moved_cells`.

    Returns
    -------
    str

    Examples
    --------
    >>> row_words("upgrades", "bare | with Alder"), row_words("settings", "bare | Fen")
    ('bare to with Alder', 'bare, Fen')
    """
    parts = row.split(BETWEEN)
    if table == "claims":
        return parts[0]
    return " to ".join(parts) if table == "upgrades" else ", ".join(filter(None, parts))


def shown(text: str) -> str:
    """Write a published number with the digits a sentence needs.

    Parameters
    ----------
    text : str
        A cell.

    Returns
    -------
    str
        Four significant digits, whole numbers and texts as they are; "none" for an empty cell.

    Examples
    --------
    >>> shown("8.992433022"), shown("1481"), shown("supported"), shown("")
    ('8.992', '1481', 'supported', 'none')
    """
    if not text:
        return "none"
    try:
        number = float(text)
    except ValueError:
        return text
    return text if number.is_integer() or len(text) <= 6 else f"{number:.4g}"


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
    moved = {name: moved_cells(before, after, name) for name in KEYS}
    causes = Causes(before, after, moved)
    # inputs are causes, not results
    published = [causes.explain(cells) for name, cells in moved.items() if name != "inputs"]
    rows = pd.concat(published, ignore_index=True)
    flips = _flips(before, after, causes)
    told = tuple(cause.text for cause in causes.found)
    return Changes(rows, flips, told, _note(before, after, rows, flips, causes.found))


_TURNING = (
    ("value", "on_frontier", "on the frontier: {}"),
    ("claims", "verdict", "{}"),
    ("upgrades", "goes_together", "goes together: {}"),
    ("upgrades", "cost_per_added_frame", "cost per added frame of {}"),
    ("goals", "answer", "goals: {}"),
    ("goals", "within_budget", "within the budget: {}"),
    ("settings", "render_scale", "render scale for {}"),
    ("memory", "verdict", "memory of {}"),
    ("versions", "verdict", "versions of {}"),
)
"""Cells that are verdicts: table, column and how a flip is named."""


def _flips(before: Report, after: Report, causes: Causes) -> pd.DataFrame:
    found = []
    best: tuple[tuple[str, str, str, Callable[[pd.DataFrame], str]], ...] = (
        ("lowest cost per frame", "value", "best_value", _cheapest_frame),
        ("cheapest added frame", "upgrades", "cost_per_added_frame", _cheapest_step),
        ("fastest for the budget", "last_money", "build", _fastest),
    )
    for verdict, table, column, pick in best:
        nothing = pd.DataFrame()
        sides = [pick(report.tables.get(table, nothing)) for report in (before, after)]
        if sides[0] != sides[1] and all(sides):
            found.append((verdict, *sides, causes.of(table, "", column)))
    for name, column, words in _TURNING:
        for row, was, now in _turned(before, after, name, column):
            told = words.format(row_words(name, row))
            found.append((told, was, now, causes.of(name, row, column)))
    return pd.DataFrame(found, columns=["verdict", "old", "new", "cause"])


def _cheapest_frame(value: pd.DataFrame) -> str:
    return _lowest(value, "cost_per_frame", ["build"])


def _cheapest_step(upgrades: pd.DataFrame) -> str:
    if "goes_together" in upgrades:
        upgrades = upgrades[upgrades["goes_together"] != "no"]
    return _lowest(upgrades, "cost_per_added_frame", ["from_build", "to_build"])


def _fastest(last_money: pd.DataFrame) -> str:
    return str(last_money["build"].iloc[0]) if len(last_money) and "build" in last_money else ""


def _lowest(frame: pd.DataFrame, column: str, names: list[str]) -> str:
    if column not in frame:
        return ""
    cost = pd.to_numeric(frame[column], errors="coerce").to_numpy(float)
    known = np.flatnonzero(np.isfinite(cost))
    if not len(known):
        return ""
    return " to ".join(frame[names].iloc[known[np.argmin(cost[known])]])


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
    before: Report, after: Report, rows: pd.DataFrame, flips: pd.DataFrame, causes: list[Cause]
) -> str:
    if rows.empty and not causes:
        return "Nothing published has changed."
    said = [f"Correction: {len(rows)} published numbers changed."]
    said += [cause.said for cause in causes[:_MOST_SAID]]
    if len(causes) > _MOST_SAID:
        said.append(f"{len(causes) - _MOST_SAID} more things that went in differ.")
    costs = _seen(rows, "value", "cost_per_frame")[["row", "old", "new"]]
    said += [
        f"A frame of {build} now costs {shown(new)} (was {shown(old)})."
        for build, old, new in costs.head(_MOST_SAID).itertuples(index=False, name=None)
    ]
    if len(costs) > _MOST_SAID:
        said.append(f"So do frames of {len(costs) - _MOST_SAID} more builds, by other amounts.")
    turned = flips[["verdict", "old", "new"]]
    said += [
        f"{verdict[:1].upper()}{verdict[1:]}: {now} (was {was})."
        for verdict, was, now in turned.head(_MOST_FLIPS).itertuples(index=False, name=None)
    ]
    if len(flips) > _MOST_FLIPS:
        said.append(f"{len(flips) - _MOST_FLIPS} more verdicts turned.")
    said.append("All other verdicts stand." if len(flips) else "Every verdict stands.")
    for report in (before, after):
        if report.edited:
            names = ", ".join(report.edited)
            said.append(f"Beware: {names} in {report.folder.name} was edited after it was made.")
    return " ".join(said)
