"""Upgrades of one build against each other: at which price one overtakes another."""

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pandas as pd

from perfkit.defaults import LEVEL
from perfkit.study import Study
from perfkit.value.arithmetic import central_range, mean_log_draws
from perfkit.value.speeds import HALF, BuildSpeeds, FloatArray, SpeedBook
from perfkit.value.upgrade_paths import Candidate, candidates
from perfkit.value.upgrades import candidate_speeds

COLUMNS = (
    "from_build",
    "to_build",
    "rival",
    "spent",
    "overtakes_below",
    "overtakes_low",
    "overtakes_high",
    "change_pct",
    "now",
    "workloads",
    "level",
    "reason",
)


def overtaking_spend(
    gain: FloatArray | float, rival_gain: FloatArray | float, rival_cost: float, resale: float
) -> FloatArray | float:
    """Price of what a step buys at which its added frame costs as much as the rival's.

    Parameters
    ----------
    gain, rival_gain : float or ndarray
        Added FPS of the step and of its rival.
    rival_cost : float
        What the rival costs, less resale.
    resale : float
        Of what leaves with this step.

    Returns
    -------
    float or ndarray

    Examples
    --------
    A rival adds 40 FPS for 200, so 5 a frame; a step that adds 30 and sells something for 20 may
    cost 170:

    >>> overtaking_spend(30.0, 40.0, 200.0, 20.0)
    170.0
    """
    return resale + gain / rival_gain * rival_cost


def upgrade_rivals(study: Study, book: SpeedBook) -> pd.DataFrame:
    """Say for each pair of steps from one build at which price the first overtakes the second.

    Parameters
    ----------
    study : Study
    book : SpeedBook

    Returns
    -------
    DataFrame
        from_build, to_build, rival, spent (price of what the step buys), overtakes_below (price of
        that under which its added frame costs less than the rival's), overtakes_low,
        overtakes_high, change_pct (of the price that gets there), now (cheaper, dearer), workloads,
        level, reason: one row per ordered pair of steps from one build that both cost something.
        Without numbers where one of the gains is not clearly above zero.
    """
    steps = candidates(study)
    speeds, places = candidate_speeds(study, book, steps)
    rows: list[tuple[object, ...]] = []
    for name in dict.fromkeys(step.from_build for step in steps):
        mine = [at for at, step in enumerate(steps) if step.from_build == name]
        mine = [at for at in mine if steps[at].added_cost > 0]
        means = _Means(speeds)
        pairs = [
            _against(steps[one], steps[other], means, places[one], places[other][1])
            for one in mine
            for other in mine
            if one != other
        ]
        rows += _rows(pairs)
    return pd.DataFrame(rows, columns=list(COLUMNS))


@dataclass(frozen=True, slots=True, eq=False)
class _Means:
    """Mean FPS of machines over chosen workloads, each worked out once."""

    speeds: BuildSpeeds
    known: dict[tuple[int, bytes], tuple[float, FloatArray]] = field(default_factory=dict)
    lows: dict[tuple[int, int, bytes], float] = field(default_factory=dict)

    def of(self, machine: int, shared: npt.NDArray[np.bool_]) -> tuple[float, FloatArray]:
        key = machine, shared.tobytes()
        if key not in self.known:
            weights = self.speeds.weights[shared]
            point = np.log(self.speeds.fps[machine, shared]) @ weights / weights.sum()
            drawn = mean_log_draws(self.speeds.log_draws[machine][shared], weights)
            self.known[key] = float(np.exp(point)), np.exp(drawn)
        return self.known[key]

    def low_gain(self, before: int, after: int, shared: npt.NDArray[np.bool_]) -> float:
        """Lower end of the gain's range."""
        key = before, after, shared.tobytes()
        if key not in self.lows:
            gain = self.of(after, shared)[1] - self.of(before, shared)[1]
            self.lows[key] = float(central_range(gain, LEVEL)[0])
        return self.lows[key]


_NO_DRAWS = np.empty(0)


def _rows(pairs: list[tuple[dict[str, object], FloatArray]]) -> list[tuple[object, ...]]:
    """Take the ranges of all pairs side by side."""
    drawn = [spends for _, spends in pairs if len(spends)]
    ends = iter(np.transpose(central_range(np.array(drawn), LEVEL)).tolist() if drawn else ())
    rows = []
    for known, spends in pairs:
        low, high = next(ends) if len(spends) else (np.nan, np.nan)
        row = {**known, "overtakes_low": low, "overtakes_high": high, "level": LEVEL}
        rows.append(tuple(row[column] for column in COLUMNS))
    return rows


def _against(
    step: Candidate, rival: Candidate, means: _Means, place: tuple[int, int], other: int
) -> tuple[dict[str, object], FloatArray]:
    """Tell all of a row but its range, and the draws that the range is taken of."""
    machines = [*place, other]
    shared = np.asarray(np.isfinite(means.speeds.fps[machines]).all(axis=0))
    known: dict[str, object] = {
        "from_build": step.from_build,
        "to_build": step.to_build,
        "rival": rival.to_build,
        "spent": step.spent,
        "overtakes_below": np.nan,
        "change_pct": np.nan,
        "now": "",
        "workloads": int(shared.sum()),
        "reason": "",
    }
    if shared.mean() < HALF:
        return known | {"reason": "too few workloads have a number on all three"}, _NO_DRAWS
    (start, start_draws), (after, draws), (point, rival_draws) = (
        means.of(machine, shared) for machine in machines
    )
    lows = [means.low_gain(place[0], machine, shared) for machine in machines[1:]]
    if not min(lows) > 0:
        slower = step.to_build if not lows[0] > 0 else rival.to_build
        return known | {"reason": f"the gain of {slower} is not clearly above zero"}, _NO_DRAWS
    flip = overtaking_spend(after - start, point - start, rival.added_cost, step.resale)
    gains = draws - start_draws, rival_draws - start_draws
    spends = np.asarray(overtaking_spend(*gains, rival.added_cost, step.resale))
    known["overtakes_below"], known["change_pct"] = flip, 100 * (flip / step.spent - 1)
    known["now"] = "cheaper" if step.spent < flip else "dearer"
    return known, spends
