"""What the passes of one configuration say about each other."""

import itertools
import math
from collections.abc import Iterable, Iterator
from typing import NamedTuple

import numpy as np
import pandas as pd

from perfkit.frames import thresholds as limit
from perfkit.frames.flags import Flag
from perfkit.frames.usable import usable

CONFIGURATION = (
    "system",
    "gpu",
    "workload",
    "width",
    "height",
    "render_scale",
    "generated_per_drawn",
    "cap_fps",
    "driver",
    "game_version",
    "source",
)
"""Columns in which repeats of a pass agree."""

_MAD_TO_SD = 1.4826


def repeat_flags(passes: pd.DataFrame) -> dict[str, list[Flag]]:
    """Tell which passes are out of line with their repeats.

    The yardstick is the spread of repeats over the whole study (of the same workload, where that is
    larger), by the median distance between two repeats, which a few bad passes do not move.

    Parameters
    ----------
    passes : DataFrame
        As `perfkit.summarize_passes` returns it.

    Returns
    -------
    dict of str to list of Flag
        first_slow, drift and outlier by pass_id.
    """
    good = usable(passes).assign(log_avg=lambda frame: np.log(frame["avg_fps"]))
    good = good.sort_values(["date", "sitting", "order"], kind="stable")
    of_group = good.groupby(list(CONFIGURATION), sort=False, dropna=False).ngroup()
    columns = (good[name].tolist() for name in ("workload", "pass_id", "sitting"))
    rows = zip(*columns, good["log_avg"].to_numpy(), strict=True)
    groups: dict[int, list[_Repeat]] = {}
    for group, row in zip(of_group.tolist(), rows, strict=True):
        groups.setdefault(group, []).append(_Repeat(*row))
    spreads = _spreads(groups.values())
    flags: dict[str, list[Flag]] = {}
    for repeats in groups.values():
        if len(repeats) > 2:
            spread = max(limit.LEAST_SPREAD.value, spreads[""], spreads[repeats[0].workload])
            for pass_id, flag in _group_flags(repeats, spread):
                flags.setdefault(pass_id, []).append(flag)
    return flags


class _Repeat(NamedTuple):
    workload: str
    pass_id: str
    sitting: str
    log_avg: float


def _spreads(groups: Iterable[list[_Repeat]]) -> dict[str, float]:
    """Spread of repeats as a standard deviation of log FPS: of the study under "", by workload.

    A workload without repeats has none.
    """
    apart: dict[str, list[float]] = {"": []}
    for group in groups:
        values = [repeat.log_avg for repeat in group]
        found = [abs(a - b) for a, b in itertools.combinations(values, 2)]
        apart[""] += found
        apart.setdefault(group[0].workload, []).extend(found)
    return {
        name: _MAD_TO_SD * float(np.median(found)) / math.sqrt(2)
        for name, found in apart.items()
        if found
    }


def _group_flags(repeats: list[_Repeat], spread: float) -> Iterator[tuple[str, Flag]]:
    ids = [repeat.pass_id for repeat in repeats]
    sittings = [repeat.sitting for repeat in repeats]
    logs = np.array([repeat.log_avg for repeat in repeats])
    first = _first_slow(logs, spread) if len(set(sittings)) == 1 else None
    if first:
        yield ids[0], first
    drift = None
    if len(set(sittings)) == 1:
        drift = _drift(logs[1:] if first else logs, spread)
    if drift:
        yield ids[-1], drift
    if not (first or drift):
        for place, pass_id in enumerate(ids):
            outlier = _outlier(logs, place, spread)
            if outlier:
                yield pass_id, outlier


def _apart(difference: float, rest: np.ndarray, spread: float, error: float) -> bool:
    return bool(
        abs(math.expm1(difference)) >= limit.PASSES_APART.value
        and abs(difference) >= limit.PASSES_SCORE.value * spread * error
        and np.ptp(rest) <= limit.REST_AGREES.value * abs(difference)
    )


def _first_slow(logs: np.ndarray, spread: float) -> Flag | None:
    rest = logs[1:]
    difference = float(logs[0] - rest.mean())
    if difference >= 0 or not _apart(difference, rest, spread, math.sqrt(1 + 1 / len(rest))):
        return None
    share = math.expm1(difference)
    return Flag(
        "first_slow",
        share,
        -limit.PASSES_APART.value,
        limit.PASSES_APART.unit,
        f"The first pass is {-share:.1%} slower than the {len(rest)} after it, whose repeats "
        f"spread by {spread:.1%}: as when shaders or storage are cold.",
    )


def _drift(logs: np.ndarray, spread: float) -> Flag | None:
    if len(logs) < 3:
        return None
    steps = np.diff(logs)
    total = float(logs[-1] - logs[0])
    share = math.expm1(total)
    steady = bool((steps > 0).all() or (steps < 0).all())
    clear = abs(total) >= limit.PASSES_SCORE.value * spread * math.sqrt(2)
    even = bool(np.abs(steps).max() <= 0.8 * abs(total))
    if not (steady and clear and even and abs(share) >= limit.PASSES_APART.value):
        return None
    way = "faster" if total > 0 else "slower"
    return Flag(
        "drift",
        share,
        math.copysign(limit.PASSES_APART.value, share),
        limit.PASSES_APART.unit,
        f"Over {len(logs)} passes each was {way} than the one before, {abs(share):.1%} in all, "
        f"where repeats spread by {spread:.1%}: the machine had not settled.",
    )


def _outlier(logs: np.ndarray, place: int, spread: float) -> Flag | None:
    rest = np.delete(logs, place)
    difference = float(logs[place] - np.median(rest))
    if not _apart(difference, rest, spread, math.sqrt(1 + 1 / len(rest))):
        return None
    share = math.expm1(difference)
    way = "faster" if share > 0 else "slower"
    return Flag(
        "outlier",
        share,
        math.copysign(limit.PASSES_APART.value, share),
        limit.PASSES_APART.unit,
        f"This pass is {abs(share):.1%} {way} than the median of its {len(rest)} repeats, which "
        f"spread by {spread:.1%} elsewhere.",
    )
