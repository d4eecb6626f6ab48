"""Why published numbers moved: what went into two reports and differs, told cell by cell."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import pandas as pd

from perfkit.study.schema import PASSES
from perfkit.value.cause_rules import DEPENDS, EVERYTHING, GOALS, MONEY, OF_ALL_BUILDS
from perfkit.value.finished_reports import BETWEEN, Report
from perfkit.value.inputs import BUILD, BUNDLE, NAMED, PRICE, RATE, SETTING

UNTOLD = "not told by the two reports"
NOT_KEPT = "settings, specifications or prices, which an older report did not keep"

_STATISTICS = {"avg_fps", "low_1pct_fps", "frames", "seconds"}
_SHOWN = 3
_MOST_TOLD = 6


@dataclass(frozen=True, slots=True)
class Cause:
    """Something that went into the reports and differs.

    Attributes
    ----------
    kind : str
        What hangs on it; see `perfkit.value.cause_rules.DEPENDS`.
    text : str
        In few words, for a table.
    said : str
        As a sentence, for a note.
    names : frozenset of str
        Builds and items that it touches; empty for all.
    """

    kind: str
    text: str
    said: str
    names: frozenset[str] = frozenset()


_SETTING_KINDS = {"logs.": "logs", "title": "words", "disclosure": "words"}


class Causes:
    """What differs between two reports, and which cells hang on it.

    Attributes
    ----------
    found : list of Cause
        Most telling first.
    """

    def __init__(self, before: Report, after: Report, moved: Mapping[str, pd.DataFrame]) -> None:
        self.kept = all("inputs" in report.tables for report in (before, after))
        self.found: list[Cause] = [*_of_passes(before, after, moved)]
        self.found += _of_inputs(before, after, moved["inputs"]) if self.kept else []
        self.found += [] if self.kept else _of_old_prices(moved)
        self.found += [*_of_models(moved), *_of_versions(before, after), *_of_claims(moved)]
        self._reports = before, after
        self._names: dict[tuple[str, str], frozenset[str]] = {}

    def of(self, table: str, row: str, column: str) -> str:
        """Name the causes of one cell that moved.

        Parameters
        ----------
        table, row, column : str
            As in :func:`perfkit.value.finished_reports.moved_cells`.

        Returns
        -------
        str
            Joined by "; ".
        """
        rules = DEPENDS.get(table, {"": MONEY | GOALS})
        start = max((start for start in rules if column.startswith(start)), key=len)
        kinds = rules[start] | EVERYTHING
        shared = any(column.startswith(each) for each in OF_ALL_BUILDS.get(table, ()))
        if not shared and column != "stopped_by" and self._measured(table, row):
            kinds -= {"specification", "model"}
        names = frozenset() if shared or not row else self._names_in(table, row)
        told = [
            cause.text
            for cause in self.found
            if cause.kind in kinds and (not names or not cause.names or names & cause.names)
        ]
        if not told:
            told = [cause.text for cause in self.found if cause.kind == "code"]
        if not told:
            return UNTOLD if self.kept else NOT_KEPT
        more = len(told) - _MOST_TOLD
        return "; ".join([*told[:_MOST_TOLD], *([f"{more} more"] if more > 0 else [])])

    def explain(self, cells: pd.DataFrame) -> pd.DataFrame:
        """Add the column `cause` to cells that moved."""
        asked = cells[["table", "row", "column"]].itertuples(index=False, name=None)
        why = pd.Series([self.of(*cell) for cell in asked], index=cells.index, dtype="str")
        return cells.assign(cause=why)

    def _measured(self, table: str, row: str) -> bool:
        return bool(row) and all(
            _cell(report, table, row, "basis") == "measured" for report in self._reports
        )

    def _names_in(self, table: str, row: str) -> frozenset[str]:
        """Collect the builds and items that a row speaks of."""
        if (table, row) not in self._names:
            names = set(row.split(BETWEEN))
            for report in self._reports:
                for column in ("bought", "leaves"):
                    names |= set(_cell(report, table, row, column).split("; "))
            self._names[table, row] = frozenset(names - {""})
        return self._names[table, row]


def _cell(report: Report, table: str, row: str, column: str) -> str:
    frame = report.tables.get(table)
    if frame is None or column not in frame or row not in frame.index:
        return ""
    return str(frame.loc[row, column])


def listed(names: Iterable[str]) -> str:
    """Name the first few and count the rest.

    Parameters
    ----------
    names : iterable of str

    Returns
    -------
    str

    Examples
    --------
    >>> listed(["a", "b", "c", "d"])
    'a, b, c and 1 more'
    """
    every = list(names)
    more = len(every) - _SHOWN
    return ", ".join(every[:_SHOWN]) + (f" and {more} more" if more > 0 else "")


def _of_passes(before: Report, after: Report, moved: Mapping[str, pd.DataFrame]) -> Iterable[Cause]:
    cells = moved["passes"]
    cells = cells[cells["row"] != ""]  # a column that came or went touched no pass
    gone = cells.loc[(cells["column"] == "") & (cells["new"] == "gone"), "row"]
    fresh = cells.loc[(cells["column"] == "") & (cells["new"] == "new"), "row"]
    void = cells[cells["column"] == "void_reason"]
    voided = void[(void["old"] == "") & (void["new"] != "")]
    back = void.loc[(void["old"] != "") & (void["new"] == ""), "row"]
    version = cells.loc[cells["column"].isin(["driver", "game_version"]), "row"].drop_duplicates()
    typed = {*PASSES.names} - {"void_reason", "driver", "game_version"} - _STATISTICS
    # other settings of the logs move every statistic, and no pass was touched
    typed |= _STATISTICS if _same_logs(moved["inputs"]) else set()
    own = cells[cells["column"].isin(typed)]
    edited = own.loc[~own["row"].isin(voided["row"]), "row"].drop_duplicates()
    reasons = dict(zip(voided["row"], voided["new"], strict=True))
    why = "; ".join(dict.fromkeys(reasons.values()))
    kinds = [
        ("pass voided", list(reasons), f"no longer counted ({why})"),
        ("pass counts again", list(back), "counted again"),
        ("pass removed", list(gone), "taken out"),
        ("pass added", list(fresh), "added"),
        ("pass changed", list(edited), "corrected"),
        ("version changed", list(version), "now of another driver or game version"),
    ]
    for kind, rows, said in kinds:
        if rows:
            subject = f"{'Pass' if len(rows) == 1 else 'Passes'} {listed(rows)}"
            said = f"{subject} {'is' if len(rows) == 1 else 'are'} {said}."
            yield Cause("pass", f"{kind}: {listed(rows)}", said)


def _same_logs(cells: pd.DataFrame) -> bool:
    return not cells["row"].str.startswith(f"{SETTING}{BETWEEN}logs.").any()


def _of_inputs(before: Report, after: Report, cells: pd.DataFrame) -> Iterable[Cause]:
    """Causes among the facts; a fact that came or went has "" on the other side."""
    facts: dict[tuple[str, str], dict[str, tuple[str, str]]] = {}
    for row in dict.fromkeys(cells["row"]):
        kind, name, fact = _parts(row)
        was, now = (_cell(report, "inputs", row, "value") for report in (before, after))
        facts.setdefault((kind, name), {})[fact] = (was, now)
    everywhere = facts.get((SETTING, "currency"))
    for (kind, name), changed in facts.items():
        if kind == SETTING:
            yield _of_setting(name, *changed["is"])
        elif kind in (PRICE, BUNDLE) and not everywhere:
            yield from _of_price(before, after, kind, name, changed)
        elif kind == RATE and not everywhere:
            yield from _of_rate(name, changed)
        elif kind in NAMED:
            yield _of_row(kind, name, changed)
    yield from _of_builds(facts, before, after)


def _parts(row: str) -> tuple[str, str, str]:
    kind, _, rest = row.partition(BETWEEN)
    name, _, fact = rest.rpartition(BETWEEN)
    return kind, name, fact


def _turned(was: str, now: str) -> str:
    return f"{was or 'none'} -> {now or 'none'}"


def _of_setting(name: str, was: str, now: str) -> Cause:
    kind = next((kind for start, kind in _SETTING_KINDS.items() if name.startswith(start)), name)
    said = f"The setting {name} is now {now or 'not set'} (was {was or 'not set'})."
    return Cause(kind, f"setting {name}: {_turned(was, now)}", said)


def _of_price(
    before: Report, after: Report, kind: str, name: str, changed: Mapping[str, tuple[str, str]]
) -> Iterable[Cause]:
    thing = name.rpartition(": ")[2] if kind == BUNDLE else name
    item = thing.rpartition(" (")[0]
    touched = frozenset({item, *_builds_with(before, item), *_builds_with(after, item)})
    shown = f"{thing}, in bundle {name.rpartition(': ')[0]}" if kind == BUNDLE else thing
    typed = [_typed(report, kind, name) for report in (before, after)]
    if "price" in changed:
        tax = any(fact.startswith("typed tax") for fact in changed) and typed[0] == typed[1]
        if not tax and typed[0] == typed[1] and typed[0][1] != "":
            return  # the same price in the same other currency: the rate moved
        was, now = changed["price"]
        what = "tax" if tax else "price"
        paid = "price of {} with tax" if tax else "price of {}"
        said = f"The {paid.format(shown)} is now {now or 'not known'} (was {was or 'not known'})."
        yield Cause("price", f"{what} of {shown}: {_turned(was, now)}", said, touched)
    elif changed.keys() & {"date", "listing"}:
        fact = "date" if "date" in changed else "listing"
        was, now = changed[fact]
        said = f"The price of {shown} is now of {now} (was of {was}), the amount is the same."
        yield Cause("price", f"price {fact} of {shown}: {_turned(was, now)}", said, touched)


def _typed(report: Report, kind: str, name: str) -> tuple[str, str]:
    """Price as typed, and its currency where that is another than the study's."""
    price, currency, counted = (
        _cell(report, "inputs", BETWEEN.join([kind, name, fact]), "value")
        for fact in ("typed price", "typed currency", "price")
    )
    return price or counted, currency


def _builds_with(report: Report, item: str) -> list[str]:
    rows = report.tables["inputs"]
    names = rows.loc[(rows["kind"] == BUILD) & (rows["fact"] == "quantity"), "name"]
    return [name.removesuffix(f": {item}") for name in names if name.endswith(f": {item}")]


def _of_rate(name: str, changed: Mapping[str, tuple[str, str]]) -> Iterable[Cause]:
    fact = "rate" if "rate" in changed else "date"
    was, now = changed[fact]
    said = f"The exchange {fact} of {name} is now {now or 'not used'} (was {was or 'not used'})."
    yield Cause("rate", f"exchange {fact} {name}: {_turned(was, now)}", said)


def _of_row(kind: str, name: str, changed: Mapping[str, tuple[str, str]]) -> Cause:
    facts = [f"{fact} {_turned(*pair)}" for fact, pair in changed.items()]
    if kind == "workload":
        goals, weight = {"goal_fps", "floor_fps"}, "weight" in changed
        effect = "goal" if changed.keys() <= goals else "weight" if weight else "workload"
    else:
        effect = "part" if kind == "part" else "specification"
    text = f"{kind} {name}: {listed(facts)}"
    return Cause(effect, text, f"The {kind} {name} was corrected: {listed(facts)}.")


def _of_builds(
    facts: Mapping[tuple[str, str], Mapping[str, tuple[str, str]]], before: Report, after: Report
) -> Iterable[Cause]:
    """Parts that came, went or are counted otherwise; their prices are told as prices."""
    builds = {
        name
        for report in (before, after)
        for name in report.tables["inputs"].query("kind == 'build' and fact == 'gpu'")["name"]
    }
    for (kind, name), changed in facts.items():
        if kind != BUILD:
            continue
        if name in builds and changed.keys() & {"system", "gpu"}:
            turned = "; ".join(f"{fact} {_turned(*pair)}" for fact, pair in changed.items())
            said = f"The build {name} is another machine: {turned}."
            yield Cause("machine", f"build {name}: {turned}", said, frozenset({name}))
            continue
        own = {fact: pair for fact, pair in changed.items() if fact not in {"price", "price_date"}}
        if own:
            home = max((each for each in builds if name.startswith(f"{each}: ")), key=len)
            shown = "quantity" if "" in own.get("quantity", ("x",)) else next(iter(own))
            text = f"parts of {home}: {name.removeprefix(f'{home}: ')} {shown} "
            turned = _turned(*own.get(shown, ("", "")))
            said = f"The parts of {text.removeprefix('parts of ')}{turned}."
            yield Cause("build", text + turned, said, frozenset({home}))


def _of_old_prices(moved: Mapping[str, pd.DataFrame]) -> Iterable[Cause]:
    """Prices of builds and steps, for reports that kept no inputs."""
    cells = moved["value"]
    for row, was, now in cells.loc[cells["column"] == "price", ["row", "old", "new"]].itertuples(
        index=False, name=None
    ):
        said = f"The price of {row} is now {now} (was {was})."
        yield Cause("price", f"price of {row}: {_turned(was, now)}", said, frozenset({row}))
    steps = moved["upgrades"]
    for row in steps.loc[steps["column"] == "added_cost", "row"]:
        names = frozenset(row.split(BETWEEN))
        if not names & set(cells.loc[cells["column"] == "price", "row"]):
            said = f"The cost of the step {row} changed."
            yield Cause("price", f"price of the step {row}", said, names)


def _of_models(moved: Mapping[str, pd.DataFrame]) -> Iterable[Cause]:
    cells = moved["predictions"]
    both = cells[(cells["column"] == "model") & (cells["row"] != "")]
    for old, new in both[["old", "new"]].drop_duplicates().itertuples(index=False, name=None):
        said = f"Predictions are now made by the model {new or 'none'} (was {old or 'none'})."
        yield Cause("model", f"model: {_turned(old, new)}", said)
    rows = cells[cells["column"] == ""]
    if len(rows):
        text = "configurations asked for came or went"
        yield Cause("target", text, f"{len(rows)} configurations came or went.")


def _of_versions(before: Report, after: Report) -> Iterable[Cause]:
    names = sorted({*before.versions, *after.versions})
    pairs = [(name, before.versions.get(name, ""), after.versions.get(name, "")) for name in names]
    changed = [pair for pair in pairs if pair[1] != pair[2]]
    for name, old, new in changed:
        said = f"The report was made with {name} {new or 'none'} (was {old or 'none'})."
        yield Cause("version", f"version: {name} {_turned(old, new)}", said)
    if before.code and after.code and before.code != after.code and not changed:
        text = "perfkit itself: other code of the same version"
        yield Cause("code", text, "The report was made by another state of perfkit.")


def _of_claims(moved: Mapping[str, pd.DataFrame]) -> Iterable[Cause]:
    cells = moved["claims"]
    typed = cells[cells["column"].isin(["relation", "margin_pct", ""])]
    rows = [row.split(BETWEEN)[0] for row in typed["row"].drop_duplicates()]
    if rows:
        said = f"Sentences added, taken out or changed: {listed(rows)}."
        yield Cause("claim", f"sentences changed: {listed(rows)}", said)
