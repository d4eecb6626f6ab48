"""Runs under different driver or game versions: pooled, shifted or kept apart, over bridges."""

import itertools
import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from perfkit.defaults import LEVEL
from perfkit.frames.usable import CONFIGURATION, eligible, pooled_log_spread

MARGIN_PCT = 3.0
"""A change of version within this is none (common practice, no source)."""

POOLED, SHIFTED, APART = "pooled", "shifted", "kept apart"

VERSION_COLUMNS = ("version_use", "log_version_shift", "se_log_version_shift", "version_note")
"""What :func:`version_columns` adds to each pass."""

_NO_BRIDGE = "no configuration was run under both: run one under both"
_NO_SPREAD = "no configuration was run twice under one version: spread not known"


@dataclass(frozen=True, slots=True)
class Boundary:
    """One step from a version to the next.

    Attributes
    ----------
    kind : {"driver", "game"}
    owners : tuple of str
        GPUs that crossed it, or the game.
    old, new : str
    bridges : int
        Configurations run under both.
    log_ratio, std_error : float
        Natural log of new / old and its standard error; NaN where not known.
    dof : int
        Degrees of freedom of the spread between passes behind `std_error`.
    """

    kind: str
    owners: tuple[str, ...]
    old: str
    new: str
    bridges: int
    log_ratio: float
    std_error: float
    dof: int

    @property
    def range(self) -> tuple[float, float]:
        """Range of the log ratio at `LEVEL`."""
        half = float(-stdtrit(self.dof, (1 - LEVEL) / 2)) * self.std_error
        return self.log_ratio - half, self.log_ratio + half

    @property
    def verdict(self) -> str:
        """pooled, shifted or kept apart."""
        return boundary_verdict(*self.range, math.log1p(MARGIN_PCT / 100))

    @property
    def name(self) -> str:
        """The step in words."""
        owner = "driver" if self.kind == "driver" else self.owners[0]
        return f"{owner} {self.old} to {self.new}"


def boundary_verdict(low: float, high: float, margin: float) -> str:
    """Decide what to do with runs on both sides of a boundary.

    Parameters
    ----------
    low, high : float
        Range of the log ratio new / old over the bridges; NaN without one.
    margin : float
        Log ratio that does not matter.

    Returns
    -------
    str
        pooled where the range lies inside the margin, shifted where it does not, kept apart where
        there is no range.

    Examples
    --------
    >>> boundary_verdict(-0.01, 0.02, 0.03), boundary_verdict(0.02, 0.06, 0.03)
    ('pooled', 'shifted')
    >>> boundary_verdict(math.nan, math.nan, 0.03)
    'kept apart'
    """
    if math.isnan(low) or math.isnan(high):
        return APART
    return POOLED if -margin <= low and high <= margin else SHIFTED


def find_boundaries(passes: pd.DataFrame, workloads: pd.DataFrame) -> list[Boundary]:
    """Compare each version with the one before it, on the configurations run under both.

    Parameters
    ----------
    passes : DataFrame
        As made by :func:`perfkit.summarize_passes`.
    workloads : DataFrame
        Columns workload and game; workloads of one game share its versions.

    Returns
    -------
    list of Boundary
        Drivers first; the versions of an owner in the order of the day they were first used, or of
        the file where a day is missing. A driver's boundary is told once for all GPUs that
        crossed it.

    Notes
    -----
    A game's versions are compared under one driver at a time and a driver's under one version of
    the game, so that one does not answer for the other.
    """
    return _boundaries_of(_with_game(eligible(passes), workloads))


def _boundaries_of(kept: pd.DataFrame) -> list[Boundary]:
    kept = kept.assign(log_fps=np.log(kept["avg_fps"]))
    cell = kept.groupby([*CONFIGURATION, "driver", "game_version"]).ngroup()
    spread = pooled_log_spread(kept["avg_fps"], cell)
    drivers = _boundaries(kept, ("driver", "gpu", "game_version"), spread)
    return drivers + _boundaries(kept, ("game_version", "game", "driver"), spread)


def version_table(passes: pd.DataFrame, workloads: pd.DataFrame) -> pd.DataFrame:
    """Say of each boundary what is done with the runs on its two sides, and by which number.

    Parameters
    ----------
    passes, workloads : DataFrame
        As for :func:`find_boundaries`; the passes with their version columns.

    Returns
    -------
    DataFrame
        kind (driver, game), of (GPUs, or the game), old, new, bridges (configurations run under
        both), log_ratio_pct, low_pct, high_pct (new against old at `LEVEL`), margin_pct, verdict,
        passes_shifted (passes brought over this boundary), reason: one row per boundary.
    """
    columns = ["kind", "of", "old", "new", "bridges", "log_ratio_pct", "low_pct", "high_pct"]
    columns += ["margin_pct", "verdict", "passes_shifted", "reason"]
    notes = passes["version_note"].where(passes["version_use"] == SHIFTED, "").str.split("; ")
    rows = [
        {
            "kind": step.kind,
            "of": "; ".join(step.owners),
            "old": step.old,
            "new": step.new,
            "bridges": step.bridges,
            "log_ratio_pct": 100 * math.expm1(step.log_ratio),
            "low_pct": 100 * math.expm1(step.range[0]),
            "high_pct": 100 * math.expm1(step.range[1]),
            "margin_pct": MARGIN_PCT,
            "verdict": step.verdict,
            "passes_shifted": int(notes.map(lambda note, name=step.name: name in note).sum()),
            "reason": (_NO_SPREAD if step.bridges else _NO_BRIDGE) if step.verdict == APART else "",
        }
        for step in find_boundaries(passes, workloads)
    ]
    return pd.DataFrame(rows, columns=columns)


def version_columns(passes: pd.DataFrame, workloads: pd.DataFrame) -> pd.DataFrame:
    """Say of each pass how it is brought to the newest version of its driver and game.

    Parameters
    ----------
    passes, workloads : DataFrame
        As for :func:`find_boundaries`.

    Returns
    -------
    DataFrame
        Same index: version_use ("" for the newest version and for versions not known; pooled,
        shifted, kept apart), log_version_shift (to add to the natural log of its FPS),
        se_log_version_shift (standard error of that), version_note (the boundaries crossed, or
        why it is kept apart).

    Notes
    -----
    Where no bridge ties two versions together, a configuration that was run under both keeps its
    newer passes; one that was run under the older alone keeps those, as they were.
    """
    rows = _with_game(passes, workloads)
    kept = _with_game(eligible(passes), workloads)
    steps = _boundaries_of(kept)
    kinds = [
        _placed(rows, steps, "driver", "gpu"),
        _placed(rows, steps, "game_version", "game"),
    ]
    segments = pd.DataFrame({kind: found["segment"] for kind, found in enumerate(kinds)})
    counted = segments.index.isin(kept.index)
    keys = [rows[name] for name in CONFIGURATION]
    code = segments[0] * len(rows) + segments[1]
    chosen = code.where(counted).groupby(keys).transform("max")
    apart = chosen.notna() & (code != chosen)
    shift = kinds[0]["shift"] + kinds[1]["shift"]
    error = (kinds[0]["error"] ** 2 + kinds[1]["error"] ** 2) ** 0.5
    crossed = _joined(kinds[0]["crossed"], kinds[1]["crossed"])
    moved = _joined(kinds[0]["moved"], kinds[1]["moved"])
    use = pd.Series("", index=rows.index, dtype="str")
    use = use.mask(crossed != "", POOLED).mask(moved != "", SHIFTED).mask(apart, APART)
    under = _joined("driver " + rows["driver"], rows["game"] + " " + rows["game_version"])
    why = "run under " + under + ": no bridge to the newer passes of this configuration"
    return pd.DataFrame(
        {
            "version_use": use,
            "log_version_shift": shift.where(use == SHIFTED, 0.0),
            "se_log_version_shift": error.where(use == SHIFTED, 0.0),
            "version_note": why.where(apart, moved.where(use == SHIFTED, crossed)),
        }
    )


def _joined(one: pd.Series, other: pd.Series) -> pd.Series:
    return (one + "; " + other).str.removeprefix("; ").str.removesuffix("; ")


def _with_game(passes: pd.DataFrame, workloads: pd.DataFrame) -> pd.DataFrame:
    names = workloads.set_index("workload")["game"]
    return passes.assign(
        game=passes["workload"].map(names.where(names != "", names.index.to_series()))
    )


def _ordered(rows: pd.DataFrame, column: str) -> list[str]:
    first = rows.groupby(column, sort=False)["date"].min()
    return [str(name) for name in (first if first.isna().any() else first.sort_values()).index]


def _boundaries(
    kept: pd.DataFrame, columns: tuple[str, str, str], spread: tuple[float, int]
) -> list[Boundary]:
    column, owner, other = columns
    known = kept[kept[column] != ""]
    known = known.assign(bridge=known.groupby([*CONFIGURATION, other]).ngroup())
    known = known[known["bridge"] >= 0]
    steps: dict[tuple[str, str, str], list[str]] = {}
    for name, rows in known.groupby(owner, sort=False):
        order = _ordered(rows, column)
        for old, new in itertools.pairwise(order):
            shared = "" if column == "driver" else str(name)
            steps.setdefault((old, new, shared), []).append(str(name))
    found = []
    for (old, new, _), owners in steps.items():
        rows = known[known[owner].isin(owners) & known[column].isin([old, new])]
        bridged = _bridged(rows, column, (old, new), spread)
        kind = "game" if column == "game_version" else "driver"
        found.append(Boundary(kind, tuple(owners), old, new, *bridged, spread[1]))
    return found


def _bridged(
    rows: pd.DataFrame,
    column: str,
    versions: tuple[str, str],
    spread: tuple[float, int],
) -> tuple[int, float, float]:
    """Bridges, mean log ratio over them, and its standard error by the spread between passes."""
    sides = []
    for version in versions:
        logs = rows.loc[rows[column] == version].groupby("bridge")["log_fps"]
        sides.append(pd.DataFrame({"mean": logs.mean(), "passes": logs.count()}))
    both = sides[1].index.intersection(sides[0].index)
    if not len(both):
        return 0, math.nan, math.nan
    old, new = (side.loc[both] for side in sides)
    variance = spread[0] ** 2 * float((1 / old["passes"] + 1 / new["passes"]).sum())
    ratio = float((new["mean"] - old["mean"]).mean())
    return len(both), ratio, math.sqrt(variance) / len(both)


def _placed(rows: pd.DataFrame, steps: list[Boundary], column: str, owner: str) -> pd.DataFrame:
    """Place each pass among the versions of its owner.

    segment counts the gaps without a bridge below a version; shift, error, crossed and moved tell
    the way up to the newest version of its segment.
    """
    kind = "game" if column == "game_version" else "driver"
    places: dict[tuple[str, str], tuple[int, float, float, str, str]] = {}
    for name in rows[owner].unique():
        mine = [step for step in steps if step.kind == kind and name in step.owners]
        segment, shift, variance = 0, 0.0, 0.0
        crossed: list[str] = []
        moved: list[str] = []
        if mine:
            places[name, mine[-1].new] = (0, 0.0, 0.0, "", "")
        for step in reversed(mine):
            if step.verdict == APART:
                segment, shift, variance, crossed, moved = segment - 1, 0.0, 0.0, [], []
            else:
                crossed = [step.name, *crossed]
            if step.verdict == SHIFTED:
                shift, variance = shift + step.log_ratio, variance + step.std_error**2
                moved = [step.name, *moved]
            place = (segment, shift, math.sqrt(variance), "; ".join(crossed), "; ".join(moved))
            places[name, step.old] = place
    unknown = (0, 0.0, 0.0, "", "")
    pairs = rows[[owner, column]].itertuples(index=False, name=None)
    found = [places.get(pair, unknown) for pair in pairs]
    result = pd.DataFrame(
        found, index=rows.index, columns=["segment", "shift", "error", "crossed", "moved"]
    ).astype({"crossed": "str", "moved": "str", "shift": "float64", "error": "float64"})
    below = result["segment"].astype("int64")
    return result.assign(segment=below - below.min())
