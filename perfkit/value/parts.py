"""What is known of the parts of a build: from parts.csv, and for cards from gpus.csv."""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields
from typing import Any, NamedTuple

import pandas as pd

from perfkit.study import Study


class Line(NamedTuple):
    """One row of a build, and its price.

    Attributes
    ----------
    item, role : str
    quantity : float
    gpu, condition, obtained : str
    price : float
        Of one piece; NaN where not known.
    bundle : str
        Whose price it is a part of; "" where of none.
    """

    item: str
    role: str
    quantity: float
    gpu: str
    condition: str = "new"
    obtained: str = "bought"
    price: float = math.nan
    bundle: str = ""


@dataclass(frozen=True, slots=True)
class Part:
    """One item of a build and what is known of it; NaN or "" where nothing is.

    Attributes
    ----------
    item, role : str
    quantity : float
    socket, memory_type : str
    slot_generation, slot_lanes : float
    length_mm, room_mm : float
        Millimetres.
    draw_w, supply_w : float
        Watts.
    plugs_6pin, plugs_8pin : float
        Had or needed.
    """

    item: str
    role: str
    quantity: float = 1.0
    socket: str = ""
    memory_type: str = ""
    slot_generation: float = math.nan
    slot_lanes: float = math.nan
    length_mm: float = math.nan
    room_mm: float = math.nan
    draw_w: float = math.nan
    supply_w: float = math.nan
    plugs_6pin: float = math.nan
    plugs_8pin: float = math.nan


@dataclass(frozen=True, slots=True, eq=False)
class Shelf:
    """What a study knows of its parts, by name.

    Attributes
    ----------
    parts, gpus, supplies : mapping
        Row of parts.csv by item, row of gpus.csv by GPU, `psu_w` by system.
    """

    parts: Mapping[str, Mapping[Any, Any]]
    gpus: Mapping[str, Mapping[Any, Any]]
    supplies: Mapping[str, float]

    def part(self, item: str, role: str, quantity: float, gpu: str) -> Part:
        """One item; a card's length, power and slot come from gpus.csv where parts.csv is empty."""
        row = self.parts.get(item, {})
        known = {name: row[name] for name in _FACTS if name in row}
        role = role or str(row.get("role", ""))
        card = self.gpus.get(gpu, self.gpus.get(item, {}))
        if role == "card" and card.get("kind") == "discrete":
            for ours, theirs in _FROM_GPUS.items():
                if math.isnan(known.get(ours, math.nan)):
                    known[ours] = card[theirs]
        return Part(item, role, quantity, **known)

    def build(self, lines: Iterable[Line], system: str) -> list[Part]:
        """Look up the parts of a build.

        Parameters
        ----------
        lines : iterable of Line
        system : str
            Its ``psu_w`` stands in where no supply is listed.

        Returns
        -------
        list of Part
        """
        found = [self.part(line.item, line.role, line.quantity, line.gpu) for line in lines]
        rated = self.supplies.get(system, math.nan)
        if not any(part.role == "supply" for part in found) and not math.isnan(rated):
            found.append(Part(f"supply of {system}", "supply", supply_w=rated))
        return found


_FROM_GPUS = {
    "length_mm": "length_mm",
    "draw_w": "board_power_w",
    "slot_generation": "slot_generation",
    "slot_lanes": "slot_lanes",
}
_FACTS = tuple(
    field.name for field in fields(Part) if field.name not in ("item", "role", "quantity")
)


def shelf(study: Study) -> Shelf:
    """Gather what a study knows of its parts.

    Parameters
    ----------
    study : Study

    Returns
    -------
    Shelf
    """
    return Shelf(
        parts=_by_name(study.parts, "item"),
        gpus=_by_name(study.gpus, "gpu"),
        supplies=dict(zip(study.systems["system"], study.systems["psu_w"], strict=True)),
    )


def _by_name(frame: pd.DataFrame, name: str) -> dict[str, dict[Any, Any]]:
    return {row[name]: dict(row) for row in frame.to_dict("records")}
