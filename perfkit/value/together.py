"""Do the parts of a build go together? Yes, no, or not checked, with the number behind each."""

import itertools
import math
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass

import pandas as pd

from perfkit.study import Study, build_machines
from perfkit.value.parts import Line, Part, shelf

YES, NO, NOT_CHECKED = "yes", "no", "not checked"

HEADROOM = 0.2
"""Least share of the supply's power to leave unused (common practice, no source)."""

NEEDS_NO_POWER = ("supply", "case")
"""Roles whose empty `draw_w` means none."""

CAUTIONS = (
    "These checks read a table. The makers' manuals decide what goes together.",
    "Switch off and unplug the machine before you open it; mains voltage can kill.",
    "Never open a power supply: it stays charged after it is unplugged. Leave mains wiring to "
    "licensed electricians.",
    "Touch bare earthed metal, or wear a wrist strap, before you touch parts: static destroys them "
    "without a spark to be seen.",
    "Lift a full case with two people or a straight back, and hold a heavy card until it is "
    "screwed in.",
)
"""What to say beside any table of parts."""

CHECKS = (
    "socket",
    "cooler",
    "memory type",
    "room for the card",
    "power plugs",
    "supply",
    "slot link",
)

_CODING = {1: 8 / 10, 2: 8 / 10, 3: 128 / 130, 4: 128 / 130, 5: 128 / 130}
_GIGATRANSFERS = {1: 2.5, 2: 5.0, 3: 8.0, 4: 16.0, 5: 32.0}


@dataclass(frozen=True, slots=True)
class Verdict:
    """One check of one build.

    Attributes
    ----------
    check : str
        One of `CHECKS`.
    verdict : str
        yes, no, or not checked.
    number : float
        What the verdict rests on; NaN where it is not a number or not known.
    unit : str
        Unit of the number.
    sentence : str
        The verdict in words, with the parts.
    """

    check: str
    verdict: str
    number: float
    unit: str
    sentence: str


def link_gb_s(generation: float, lanes: float) -> float:
    """Rate of a slot link in one direction.

    Parameters
    ----------
    generation : float
        1 to 5.
    lanes : float

    Returns
    -------
    float
        GB/s; NaN for an unknown generation or number of lanes.

    References
    ----------
    PCI-SIG, *PCI Express Base Specification* 1.0 to 5.0: transfer rate x coding / 8 a lane.

    Examples
    --------
    >>> link_gb_s(1, 16)
    4.0
    >>> round(link_gb_s(3, 16), 3)
    15.754
    """
    if generation not in _CODING or not lanes > 0:
        return math.nan
    return _GIGATRANSFERS[int(generation)] * _CODING[int(generation)] / 8 * lanes


def overall(verdicts: Iterable[str]) -> str:
    """Fold several verdicts into one: no if any is no, yes only if all are yes.

    Parameters
    ----------
    verdicts : iterable of str

    Returns
    -------
    str

    Examples
    --------
    >>> overall(["yes", "not checked"]), overall(["no", "not checked"]), overall([])
    ('not checked', 'no', 'not checked')
    """
    found = set(verdicts)
    if NO in found:
        return NO
    return YES if found == {YES} else NOT_CHECKED


def check_parts(parts: Sequence[Part], *, discrete: bool) -> list[Verdict]:
    """Check the parts of one build against each other.

    Parameters
    ----------
    parts : sequence of Part
    discrete : bool
        Whether the build has a card; without one, room, plugs and slot are not asked about.

    Returns
    -------
    list of Verdict
        In the order of `CHECKS`; a cooler that names no socket is not asked about.

    Examples
    --------
    >>> board, processor = Part("B", "board", socket="S1"), Part("P", "processor", socket="S2")
    >>> check_parts([board, processor], discrete=False)[0].verdict
    'no'
    """
    found = [
        _same("socket", "socket", _of(parts, "processor"), _of(parts, "board")),
        *_cooler(_of(parts, "cooler"), _of(parts, "board")),
        _same("memory type", "memory_type", _of(parts, "memory"), _of(parts, "board")),
    ]
    if discrete:
        found.append(_room(_of(parts, "card"), _of(parts, "case")))
        found.append(_plugs(_of(parts, "card"), _of(parts, "supply")))
    found.append(_supply(parts))
    if discrete:
        found.append(_slot(_of(parts, "card"), _of(parts, "board")))
    return found


class _Role(tuple[Part, ...]):
    """Parts of one role, never mind how many."""

    role: str

    def __str__(self) -> str:
        return ", ".join(part.item for part in self) or f"the {self.role}"

    def text(self, name: str) -> list[str]:
        return [getattr(part, name) for part in self]

    def least(self, name: str) -> float:
        values = [getattr(part, name) for part in self]
        return math.nan if not values or any(map(math.isnan, values)) else min(values)

    def most(self, name: str) -> float:
        values = [getattr(part, name) for part in self]
        return math.nan if not values or any(map(math.isnan, values)) else max(values)

    def total(self, name: str) -> float:
        return math.fsum(getattr(part, name) * part.quantity for part in self) if self else math.nan


def _of(parts: Sequence[Part], role: str) -> _Role:
    found = _Role(part for part in parts if part.role == role)
    found.role = role
    return found


def _unchecked(check: str, what: str, unit: str = "", number: float = math.nan) -> Verdict:
    return Verdict(check, NOT_CHECKED, number, unit, f"not checked: {what}")


def _same(check: str, column: str, ours: _Role, board: _Role) -> Verdict:
    for side in (ours, board):
        if not side:
            return _unchecked(check, f"the build names no {side.role}")
        if "" in side.text(column):
            return _unchecked(check, f"parts.csv gives no {column} for {side}")
    named = [*ours.text(column), *board.text(column)]
    sentence = f"{ours}: {', '.join(ours.text(column))}; {board}: {', '.join(board.text(column))}"
    return Verdict(check, YES if len(set(named)) == 1 else NO, math.nan, "", sentence)


def _cooler(cooler: _Role, board: _Role) -> list[Verdict]:
    named = [part for part in cooler if part.socket]
    if not named or not board or "" in board.text("socket"):
        return []
    listed = [{name.strip() for name in part.socket.split(";")} for part in named]
    fits = all(set(board.text("socket")) <= sockets for sockets in listed)
    sentence = (
        f"{cooler}: {', '.join(part.socket for part in named)}; "
        f"{board}: {', '.join(board.text('socket'))}"
    )
    return [Verdict("cooler", YES if fits else NO, math.nan, "", sentence)]


def _room(card: _Role, case: _Role) -> Verdict:
    check, unit = "room for the card", "mm to spare"
    length, room = card.most("length_mm"), case.least("room_mm")
    if math.isnan(length):
        return _unchecked(check, f"length of {card} not known", unit)
    if math.isnan(room):
        return _unchecked(check, f"room in {case} not known", unit)
    sentence = f"{card} is {length:g} mm long, {case} has room for {room:g} mm"
    return Verdict(check, YES if room >= length else NO, room - length, unit, sentence)


def _plugs(card: _Role, supply: _Role) -> Verdict:
    check, unit = "power plugs", "plugs to spare"
    need = card.total("plugs_6pin"), card.total("plugs_8pin")
    have = supply.total("plugs_6pin"), supply.total("plugs_8pin")
    for side, plugs in ((card, need), (supply, have)):
        if any(map(math.isnan, plugs)):
            return _unchecked(check, f"plugs of {side} not known", unit)
    six, eight = have[0] - need[0], have[1] - need[1]
    sentence = (
        f"{card} needs {need[0]:g} 6-pin and {need[1]:g} 8-pin, "
        f"{supply} has {have[0]:g} and {have[1]:g}"
    )
    if six < 0 <= six + eight:
        why = f"{sentence}; whether an 8-pin plug splits to 6 pins is in the supply's manual"
        return _unchecked(check, why, unit, min(six, eight))
    return Verdict(check, YES if min(six, eight) >= 0 else NO, min(six, eight), unit, sentence)


def _supply(parts: Sequence[Part]) -> Verdict:
    check, unit = "supply", "share unused"
    supply = _of(parts, "supply")
    power = supply.total("supply_w")
    if math.isnan(power):
        return _unchecked(check, f"power of {supply} not known", unit)
    known = [part for part in parts if not math.isnan(part.draw_w)]
    unknown = [
        part.item for part in parts if math.isnan(part.draw_w) and part.role not in NEEDS_NO_POWER
    ]
    draw = math.fsum(part.draw_w * part.quantity for part in known)
    unused = 1 - draw / power
    sentence = f"the parts draw {'at least ' if unknown else ''}{draw:g} W of {power:g} W"
    if draw / power > 1 - HEADROOM:
        return Verdict(check, NO, unused, unit, sentence)
    if unknown:
        return _unchecked(check, f"draw of {', '.join(unknown)} not known; {sentence}", unit)
    return Verdict(check, YES, unused, unit, sentence)


def _slot(card: _Role, board: _Role) -> Verdict:
    check, unit = "slot link", "GB/s"
    for side in (card, board):
        if math.isnan(side.least("slot_generation")) or math.isnan(side.least("slot_lanes")):
            return _unchecked(check, f"slot of {side} not known", unit)
    lanes = min(card.least("slot_lanes"), board.least("slot_lanes"))
    generation = min(card.least("slot_generation"), board.least("slot_generation"))
    link = link_gb_s(generation, lanes)
    if math.isnan(link):
        return _unchecked(check, f"no rate known for slot generation {generation:g}", unit)
    full = link_gb_s(card.least("slot_generation"), card.least("slot_lanes"))
    sentence = f"{lanes:g} lanes of generation {generation:g}"
    if link < full:
        sentence += f": {link / full:.0%} of what {card} can use"
    return Verdict(check, YES, link, unit, sentence)


_LINE = ["item", "role", "quantity", "gpu"]


def together_table(study: Study) -> pd.DataFrame:
    """Check every build of a study.

    Parameters
    ----------
    study : Study

    Returns
    -------
    DataFrame
        build, check, verdict (yes, no, not checked), number, unit, sentence: one row per build
        and check.

    Examples
    --------
    >>> import perfkit as pk
    >>> from perfkit.study.demo import find_demo
    >>> sorted(together_table(pk.load_study(find_demo()))["verdict"].unique())
    ['no', 'not checked', 'yes']
    """
    known = shelf(study)
    items = dict(iter(study.builds.groupby("build")))
    rows = []
    for build, system, gpu in build_machines(study.builds).itertuples(index=False, name=None):
        discrete = known.gpus.get(gpu, {}).get("kind") == "discrete"
        lines = itertools.starmap(Line, items[build][_LINE].itertuples(index=False, name=None))
        for found in check_parts(known.build(lines, system), discrete=discrete):
            rows.append({"build": build, **asdict(found)})
    return pd.DataFrame(rows, columns=["build", *Verdict.__slots__])
