"""What an upgrade adds in each game, and what stops it from adding more."""

from collections.abc import Callable, Iterator

import numpy as np
import pandas as pd

from perfkit.defaults import LEVEL
from perfkit.study import Study
from perfkit.value.arithmetic import FloatArray, central_range
from perfkit.value.parts import shelf
from perfkit.value.speeds import BASES, BuildSpeeds, SpeedBook
from perfkit.value.together import check_parts
from perfkit.value.upgrade_paths import SAME_SYSTEM, Candidate, candidates
from perfkit.value.upgrades import candidate_speeds

Predict = Callable[[pd.DataFrame], pd.DataFrame]

COLUMNS = (
    "from_build",
    "to_build",
    "workload",
    "fps_from",
    "fps_to",
    "added_pct",
    "added_low_pct",
    "added_high_pct",
    "basis",
    "goal_fps",
    "reaches_goal",
    "stopped_by",
    "reason",
)

_MACHINE = ["system", "gpu", "workload"]


def upgrade_games(study: Study, book: SpeedBook, predict: Predict) -> pd.DataFrame:
    """Say what each new card adds in each game.

    Parameters
    ----------
    study : Study
    book : SpeedBook
    predict : callable
        ``model.predict``; asked only what limits the games that were measured.

    Returns
    -------
    DataFrame
        from_build, to_build, workload, fps_from, fps_to, added_pct, added_low_pct, added_high_pct,
        basis (the weaker of the two), goal_fps, reaches_goal (yes, no, ""), stopped_by (processor,
        cap, arithmetic, memory, fixed cost; memory capacity; slot link), reason: one row per step
        that keeps the system and workload.
    """
    steps = [step for step in candidates(study) if step.kind == SAME_SYSTEM]
    speeds, places = candidate_speeds(study, book, steps)
    limits = _limits(study, steps, book.table, predict)
    links = _narrow_links(study, steps)
    games = study.workloads.set_index("workload")["goal_fps"].reindex(speeds.workloads)
    rows = [
        row
        for step, place, link in zip(steps, places, links, strict=True)
        for row in _rows(step, speeds, place, games.to_numpy(float), limits, link)
    ]
    return pd.DataFrame(rows, columns=COLUMNS)


def _limits(
    study: Study, steps: list[Candidate], table: pd.DataFrame, predict: Predict
) -> dict[tuple[str, str, str], str]:
    """Largest part of the modelled frame time of each machine reached and workload."""
    width, height = study.settings.value_at
    machines = pd.DataFrame(
        [(step.system, step.gpu) for step in steps], columns=["system", "gpu"], dtype="str"
    ).drop_duplicates()
    asked = machines.merge(study.workloads[["workload"]], how="cross")
    asked = asked.assign(width=width, height=height, render_scale=1.0)
    there = (table["width"] == width) & (table["height"] == height) & (table["render_scale"] == 1)
    told = table.loc[there, [*_MACHINE, "limited_by"]]
    known = pd.MultiIndex.from_frame(told[_MACHINE])
    fresh = asked[~pd.MultiIndex.from_frame(asked[_MACHINE]).isin(known)]
    if len(fresh):
        told = pd.concat([told, predict(fresh.reset_index(drop=True))[told.columns]])
    keys = zip(told["system"], told["gpu"], told["workload"], strict=True)
    return dict(zip(keys, told["limited_by"], strict=True))


def _narrow_links(study: Study, steps: list[Candidate]) -> list[str]:
    known = shelf(study)
    found = []
    for step in steps:
        checks = check_parts(known.build(step.lines, step.system), discrete=True)
        link = next(check for check in checks if check.check == "slot link")
        share = link.sentence.rpartition(": ")[2] if " of what " in link.sentence else ""
        found.append(f"slot link ({share})" if share else "")
    return found


def _weaker(before: str, after: str) -> str:
    """Basis of a gain: the weaker of the two; "" without both."""
    return max(before, after, key=BASES.index) if before and after else ""


def _rows(
    step: Candidate,
    speeds: BuildSpeeds,
    place: tuple[int, int],
    goals: FloatArray,
    limits: dict[tuple[str, str, str], str],
    link: str,
) -> Iterator[tuple[object, ...]]:
    """Give a row of each workload."""
    before, after = place
    start, fps = speeds.fps[before], speeds.fps[after]
    gain = np.exp(speeds.log_draws[after] - speeds.log_draws[before]) - 1
    low, high = central_range(gain, LEVEL)
    added = 100 * (fps / start - 1), 100 * low, 100 * high
    for at, (workload, why) in enumerate(zip(speeds.workloads, speeds.reason[after], strict=True)):
        numbers = start[at], fps[at], *(each[at] for each in added)
        basis = _weaker(*speeds.basis[[before, after], at].tolist())
        known = np.isfinite([fps[at], goals[at]]).all()
        reached = ("yes" if fps[at] >= goals[at] else "no") if known else ""
        limit = limits.get((step.system, step.gpu, workload), "")
        stops = "; ".join(filter(None, ["memory capacity" if "GiB" in why else limit, link]))
        rest = basis, goals[at], reached, stops, str(why)
        yield step.from_build, step.to_build, workload, *numbers, *rest
