"""Which passes a chart compares, and how they combine."""

from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from perfkit.show.charts._rows import Scale
from perfkit.show.style import Page

if TYPE_CHECKING:
    from perfkit.analysis import Analysis


def largest(data: pd.DataFrame, *columns: str) -> float:
    """Give the largest known number in some columns."""
    return float(np.nanmax(data[list(columns)].to_numpy(float)))


def rows(data: pd.DataFrame) -> Iterator[Any]:
    """Go through the rows of a frame, each with its columns as attributes."""
    return iter(data.itertuples(index=False))


CELL = ["system", "gpu", "workload"]

BEYOND = 1.02
"""End of an axis over the largest number on it."""


def comparable(analysis: "Analysis") -> pd.DataFrame:
    """Keep the passes that count at the study's size, native scale, nothing generated."""
    from perfkit.frames.usable import usable

    passes = usable(analysis.passes)
    width, height = analysis.study.settings.value_at
    return passes[
        (passes["source"] != "borrowed")
        & (passes["width"] == width)
        & (passes["height"] == height)
        & (passes["render_scale"] == 1)
        & (passes["generated_per_drawn"] == 0)
    ]


def cells(passes: pd.DataFrame) -> pd.DataFrame:
    """One row per system, GPU and workload: the passes together, and the slowest and fastest.

    Returns
    -------
    DataFrame
        system, gpu, workload, passes, fps, fps_least, fps_most, low_1pct_fps, capped (some pass was
        held by a cap); in order of first appearance.
    """
    from perfkit.frames.usable import combine, held

    together = combine(passes, CELL).rename(columns={"avg_fps": "fps"})
    each = passes.assign(capped=held(passes)).groupby(CELL, sort=False)
    ends = each.agg(
        fps_least=("avg_fps", "min"), fps_most=("avg_fps", "max"), capped=("capped", "any")
    )
    columns = [*CELL, "passes", "fps", "fps_least", "fps_most", "low_1pct_fps", "capped"]
    return together.merge(ends.reset_index(), on=CELL)[columns]


def busiest_machine(analysis: "Analysis", passes: pd.DataFrame) -> tuple[str, str]:
    """Choose the system and GPU with most workloads; then the integrated one, then the first."""
    kinds = analysis.study.gpus.set_index("gpu")["kind"]
    counts = passes.groupby(["system", "gpu"], sort=False)["workload"].nunique().reset_index()
    counts["own"] = counts["gpu"].map(kinds).eq("integrated")
    first = counts.sort_values(["workload", "own"], ascending=False, kind="stable").iloc[0]
    return first["system"], first["gpu"]


def passes_phrase(counts: pd.Series) -> str:
    """Say how many passes stand behind each number.

    Examples
    --------
    >>> passes_phrase(pd.Series([3, 3])), passes_phrase(pd.Series([1, 3]))
    ('3 passes each', '1 to 3 passes each')
    """
    least, most = int(counts.min()), int(counts.max())
    if least == most:
        return f"{most} pass{'' if most == 1 else 'es'} each"
    return f"{least} to {most} passes each"


def size_phrase(data: pd.DataFrame) -> str:
    """Say at what size the rows of a chart were run."""
    width, height = int(data["width"].iloc[0]), int(data["height"].iloc[0])
    return f"{width} × {height}, native, nothing generated"


def nice_ticks(high: float, most: int = 6) -> list[float]:
    """Round steps from zero to at least `high`.

    Examples
    --------
    >>> nice_ticks(170)
    [0.0, 50.0, 100.0, 150.0, 200.0]
    """
    raw = high / (most - 1)
    power = 10.0 ** np.floor(np.log10(raw))
    step = next(factor * power for factor in (1, 2, 2.5, 5, 10) if factor * power >= raw * 0.999)
    count = int(np.ceil(high / step - 1e-9))
    return [float(step * place) for place in range(count + 1)]


def zero_scale(top: float, label: Callable[[float], str]) -> Scale:
    """Make an axis from zero to just beyond `top`, ruled at round steps that `label` writes.

    Examples
    --------
    >>> zero_scale(170, "{:g} %".format).labels
    ('0 %', '50 %', '100 %', '150 %')
    """
    ticks = tuple(tick for tick in nice_ticks(top) if tick <= top)
    return Scale(0.0, top * BEYOND, ticks, tuple(map(label, ticks)))


def fps_scale(high: float, page: Page, low: float = 0.0) -> Scale:
    """Make an FPS axis from zero, ruled at the study's goals and at round steps beyond them."""
    goals = [goal for goal in sorted(page.goals_fps) if goal <= high]
    last = goals[-1] if len(goals) > 1 else 0.0
    steps = [step for step in nice_ticks(high)[1:] if last + high / 9 < step <= high]
    free = [step for step in steps if all(abs(step - goal) > high / 9 for goal in goals)]
    ticks = sorted({0.0, *goals, *free})
    labels = [f"{tick:g}" for tick in ticks]
    labels[-1] += " FPS"
    return Scale(low, high * BEYOND, tuple(ticks), tuple(labels))


def workloads_phrase(data: pd.DataFrame) -> str:
    """Say over how many games a mean was taken, where the data know it."""
    counts = pd.to_numeric(data["workloads"], errors="coerce").dropna().unique()
    if len(counts) == 0:
        return "Geometric mean over the games"
    games = (
        f"{int(min(counts))}" if len(counts) == 1 else f"{int(min(counts))} to {int(max(counts))}"
    )
    return f"Geometric mean over {games} games"


def decade_ticks(low: float, high: float) -> list[float]:
    """Round values on a log axis, about four to eight of them.

    Examples
    --------
    >>> decade_ticks(12, 210)
    [20.0, 50.0, 100.0, 200.0]
    """
    powers = range(int(np.floor(np.log10(low))), int(np.ceil(np.log10(high))) + 1)
    for steps in ((1,), (1, 2, 5), (1, 2, 3, 4, 6, 8)):
        ticks = [float(step * 10.0**power) for power in powers for step in steps]
        ticks = [tick for tick in ticks if low <= tick <= high]
        if len(ticks) >= 4:
            break
    return ticks
