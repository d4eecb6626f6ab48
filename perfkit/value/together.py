"""Do the parts of a build go together? Yes, no, or not checked, with the number behind each."""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from perfkit.study import Study

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
        return np.nan
    return _GIGATRANSFERS[int(generation)] * _CODING[int(generation)] / 8 * lanes


def overall(verdicts: Iterable[str]) -> str:
    """One verdict for several: no if any is no, yes only if all are yes.

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


def check_parts(parts: pd.DataFrame, *, discrete: bool) -> list[Verdict]:
    """Check the parts of one build against each other.

    Parameters
    ----------
    parts : DataFrame
        One row per item: item, quantity, role, and the columns of parts.csv; NaN or "" where
        not known.
    discrete : bool
        Whether the build has a card; without one, room, plugs and slot are not asked about.

    Returns
    -------
    list of Verdict
        In the order of `CHECKS`.
    """
    found = [
        _same(parts, "socket", "socket", "processor", "board"),
        *_cooler(parts),
        _same(parts, "memory type", "memory_type", "memory", "board"),
    ]
    if discrete:
        found += [_room(parts), _plugs(parts)]
    found.append(_supply(parts))
    if discrete:
        found.append(_slot(parts))
    return found


def _of(parts: pd.DataFrame, role: str) -> pd.DataFrame:
    return parts[parts["role"] == role]


def _unchecked(check: str, what: str, unit: str = "", number: float = np.nan) -> Verdict:
    return Verdict(check, NOT_CHECKED, number, unit, f"not checked: {what}")


def _same(parts: pd.DataFrame, check: str, column: str, left: str, right: str) -> Verdict:
    for role in (left, right):
        rows = _of(parts, role)
        if rows.empty:
            return _unchecked(check, f"the build names no {role}")
        if (rows[column] == "").any():
            return _unchecked(check, f"parts.csv gives no {column} for {_names(rows)}")
    ours, theirs = _of(parts, left), _of(parts, right)
    fits = set(ours[column]) == set(theirs[column]) and theirs[column].nunique() == 1
    sentence = (
        f"{_names(ours)}: {', '.join(ours[column].unique())}; "
        f"{_names(theirs)}: {', '.join(theirs[column].unique())}"
    )
    return Verdict(check, YES if fits else NO, np.nan, "", sentence)


def _cooler(parts: pd.DataFrame) -> list[Verdict]:
    cooler, board = _of(parts, "cooler"), _of(parts, "board")
    cooler = cooler[cooler["socket"] != ""]
    if cooler.empty or board.empty or (board["socket"] == "").any():
        return []
    listed = cooler["socket"].str.split(";").map(lambda found: {name.strip() for name in found})
    fits = all(set(board["socket"]) <= sockets for sockets in listed)
    sentence = (
        f"{_names(cooler)}: {', '.join(cooler['socket'])}; "
        f"{_names(board)}: {', '.join(board['socket'])}"
    )
    return [Verdict("cooler", YES if fits else NO, np.nan, "", sentence)]


def _names(rows: pd.DataFrame) -> str:
    return ", ".join(rows["item"])


def _room(parts: pd.DataFrame) -> Verdict:
    check, unit = "room for the card", "mm to spare"
    card, case = _of(parts, "card"), _of(parts, "case")
    length, room = card["length_mm"].max(skipna=False), case["room_mm"].min(skipna=False)
    if card.empty or np.isnan(length):
        return _unchecked(check, f"length of {_names(card) or 'the card'} not known", unit)
    if case.empty or np.isnan(room):
        return _unchecked(check, f"room in {_names(case) or 'the case'} not known", unit)
    spare = float(room - length)
    sentence = f"{_names(card)} is {length:g} mm long, {_names(case)} has room for {room:g} mm"
    return Verdict(check, YES if spare >= 0 else NO, spare, unit, sentence)


def _plugs(parts: pd.DataFrame) -> Verdict:
    check, unit = "power plugs", "plugs to spare"
    card, supply = _of(parts, "card"), _of(parts, "supply")
    for rows, name in ((card, "the card"), (supply, "the supply")):
        if rows.empty or rows[["plugs_6pin", "plugs_8pin"]].isna().any(axis=None):
            return _unchecked(check, f"plugs of {_names(rows) or name} not known", unit)
    plugs = ["plugs_6pin", "plugs_8pin"]
    need = card[plugs].mul(card["quantity"], axis=0).sum()
    have = supply[plugs].mul(supply["quantity"], axis=0).sum()
    six, eight = (have - need)[plugs]
    sentence = (
        f"{_names(card)} needs {need.iloc[0]:g} 6-pin and {need.iloc[1]:g} 8-pin, "
        f"{_names(supply)} has {have.iloc[0]:g} and {have.iloc[1]:g}"
    )
    if eight >= 0 and six < 0 <= six + eight:
        why = f"{sentence}; whether an 8-pin plug splits to 6 pins is in the supply's manual"
        return _unchecked(check, why, unit, float(min(six, eight)))
    fits = six >= 0 and eight >= 0
    return Verdict(check, YES if fits else NO, float(min(six, eight)), unit, sentence)


def _supply(parts: pd.DataFrame) -> Verdict:
    check, unit = "supply", "share unused"
    supply = _of(parts, "supply")
    power = float((supply["supply_w"] * supply["quantity"]).sum(skipna=False))
    if supply.empty or np.isnan(power):
        return _unchecked(check, f"power of {_names(supply) or 'the supply'} not known", unit)
    drawing = parts[~parts["role"].isin(NEEDS_NO_POWER) | parts["draw_w"].notna()]
    draw = float((drawing["draw_w"] * drawing["quantity"]).sum())
    unknown = drawing[drawing["draw_w"].isna()]
    unused = 1 - draw / power
    least = "at least " if len(unknown) else ""
    sentence = f"the parts draw {least}{draw:g} W of {power:g} W"
    if unused < HEADROOM:
        return Verdict(check, NO, unused, unit, sentence)
    if len(unknown):
        return _unchecked(check, f"draw of {_names(unknown)} not known; {sentence}", unit)
    return Verdict(check, YES, unused, unit, sentence)


def _slot(parts: pd.DataFrame) -> Verdict:
    check, unit = "slot link", "GB/s"
    card, board = _of(parts, "card"), _of(parts, "board")
    for rows, name in ((card, "the card"), (board, "the board")):
        if rows.empty or rows[["slot_generation", "slot_lanes"]].isna().any(axis=None):
            return _unchecked(check, f"slot of {_names(rows) or name} not known", unit)
    both = pd.concat([card, board])
    lanes, generation = both["slot_lanes"].min(), both["slot_generation"].min()
    link = link_gb_s(generation, lanes)
    full = link_gb_s(card["slot_generation"].min(), card["slot_lanes"].min())
    if np.isnan(link):
        return _unchecked(check, f"no rate known for slot generation {generation:g}", unit)
    sentence = f"{lanes:g} lanes of generation {generation:g}"
    if link < full:
        sentence += f": {link / full:.0%} of what {_names(card)} can use"
    return Verdict(check, YES, link, unit, sentence)


def build_parts(study: Study, items: pd.DataFrame, system: str) -> pd.DataFrame:
    """Join the items of a build with what the study knows of them.

    Parameters
    ----------
    study : Study
    items : DataFrame
        item, quantity, role, gpu: the rows of a build, as in builds.csv.
    system : str
        Its system, whose ``psu_w`` stands in where no supply is listed; "" when not known.

    Returns
    -------
    DataFrame
        As `check_parts` takes it. A card's length, power and slot come from gpus.csv where
        parts.csv leaves them empty.
    """
    known = study.parts.set_index("item").drop(columns="role")
    known = known[[name for name in _FACTS if name in known]]
    roles = study.parts.set_index("item")["role"]
    parts = items[["item", "quantity", "role", "gpu"]].join(known, on="item")
    parts["role"] = parts["role"].where(parts["role"] != "", parts["item"].map(roles).fillna(""))
    for text in ("socket", "memory_type"):
        parts[text] = parts[text].fillna("")
    named = parts["gpu"].where(parts["gpu"] != "", parts["item"])
    gpus = study.gpus.set_index("gpu").reindex(named).set_axis(parts.index)
    is_card = (parts["role"] == "card") & (gpus["kind"] == "discrete")
    for ours, theirs in _FROM_GPUS.items():
        parts[ours] = parts[ours].fillna(gpus[theirs].where(is_card))
    if not (parts["role"] == "supply").any():
        rated = study.systems.loc[study.systems["system"] == system, "psu_w"]
        if rated.notna().any():
            stand_in = {"item": f"supply of {system}", "role": "supply", "quantity": 1.0}
            row = pd.DataFrame([stand_in | {"supply_w": float(rated.iloc[0])}])
            parts = pd.concat([parts, row.assign(socket="", memory_type="")], ignore_index=True)
    return parts


_FROM_GPUS = {
    "length_mm": "length_mm",
    "draw_w": "board_power_w",
    "slot_generation": "slot_generation",
    "slot_lanes": "slot_lanes",
}
_FACTS = (
    "socket",
    "memory_type",
    "slot_generation",
    "slot_lanes",
    "length_mm",
    "room_mm",
    "draw_w",
    "supply_w",
    "plugs_6pin",
    "plugs_8pin",
)
