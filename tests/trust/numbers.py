"""Numbers that two studies give, in few digits: none moves unnoticed.

The studies are the demo market cut down to three workloads and a small market under several
versions; passes of made frame times stand beside them. What is kept says of each column of each
table how many values are finite, their sum, their sum by place, and how large they are together; of
a text which rows say the same, whatever the words. What is fitted is not kept, because a search
ends elsewhere on another machine. ``python -m tests.trust.numbers`` writes it anew after a change
that is meant to move numbers, and says which moved.
"""

import json
import sys
import tempfile
from collections.abc import Mapping
from pathlib import Path
from unittest import mock

import numpy as np
import pandas as pd

import perfkit as pk
from perfkit.frames import PassSummary, summarize
from tests.trust.rich import Law, cut_demo, made_passes, versions_market

KEPT = Path(__file__).with_name("numbers.json")
STUDIES = {"demo": cut_demo, "versions": versions_market}
TOLERANCE = 1e-9

Column = list[float]
Seen = dict[str, dict[str, Column]]


def column(values: pd.Series) -> Column:
    """Say what a column holds; texts are numbered as they come, the empty one is none."""
    if not pd.api.types.is_numeric_dtype(values):
        texts = values.astype(str)
        values = pd.Series(pd.factorize(texts)[0] + 1.0, index=values.index).where(texts.ne(""))
    numbers = values.to_numpy(float, na_value=np.nan)
    finite = np.isfinite(numbers)
    placed = numbers[finite] * (1 + np.flatnonzero(finite)) / max(len(numbers), 1)
    sums = numbers[finite].sum(), placed.sum(), np.abs(numbers[finite]).sum()
    return [float(finite.sum()), *(float(f"{each:.12g}") for each in sums)]


def seen(room: str, of: str, tables: Mapping[str, pd.DataFrame]) -> Seen:
    """Say what tables of a room hold, column by column."""
    return {
        f"{room}/{of}/{name}": {str(key): column(table[key]) for key in table.columns}
        for name, table in tables.items()
    }


def seen_of_made() -> Seen:
    """Say what was measured of made passes."""
    return seen("frames", "made", made_passes())


def seen_of_frames(of: str, summary: PassSummary) -> Seen:
    """Say what was measured."""
    return seen("frames", of, {"passes": summary.passes, "flags": summary.flags})


def seen_of_value(of: str, study: pk.Study, summary: PassSummary) -> Seen:
    """Say what was decided, with speeds by a formula where nothing was measured."""
    law = Law(tuple(study.gpus["gpu"]), tuple(study.workloads["workload"]))
    with (
        mock.patch("perfkit.analysis.summarize", return_value=summary),
        mock.patch("perfkit.analysis.fit"),
        mock.patch("perfkit.analysis.remember", return_value=law),
    ):
        analysis = pk.analyse(study)  # what follows from the passes is worked out when asked for
        builds = {"value": analysis.value, "upgrades": analysis.upgrades}
        return seen("value", of, {**builds, **analysis.tables})


def moved(now: Seen, kept: Seen) -> list[str]:
    """Name the columns that are not what they were, in tables of the studies and rooms of `now`."""
    places = {name.rpartition("/")[0] for name in now}
    found = []
    for name in sorted(now.keys() | {k for k in kept if k.rpartition("/")[0] in places}):
        one, other = now.get(name, {}), kept.get(name, {})
        for key in sorted(one.keys() | other.keys()):
            both = key in one and key in other
            if not both or not same(one[key], other[key]):
                found.append(f"{name} {key}: {other.get(key)} was, {one.get(key)} is")
    return found


def same(one: Column, other: Column) -> bool:
    """Whether two columns say the same."""
    allowed = TOLERANCE * other[3]
    return one[0] == other[0] and all(
        abs(a - b) <= allowed for a, b in zip(one[1:], other[1:], strict=True)
    )


def main() -> int:
    """Write what the studies give now, and say what moved."""
    now = seen_of_made()
    for of, write in STUDIES.items():
        with tempfile.TemporaryDirectory() as place:
            study = write(Path(place) / "study")
            summary = summarize(study)
            now |= seen_of_frames(of, summary) | seen_of_value(of, study, summary)
    print(*moved(now, json.loads(KEPT.read_text()) if KEPT.exists() else {}), sep="\n")
    KEPT.write_text(json.dumps(now, indent=1, sort_keys=True) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
