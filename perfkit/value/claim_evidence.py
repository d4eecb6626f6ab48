"""What the data hold for or against one sentence: two sides, compared on the log scale."""

import math
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from perfkit.defaults import LEVEL
from perfkit.value.arithmetic import mean_log_draws
from perfkit.value.claim_sides import COLUMNS, Record, Side, find_side, strata
from perfkit.value.contrast import Contrast, FloatArray, Sample, welch, with_error
from perfkit.value.speeds import BASES, HALF


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """Two sides compared.

    Attributes
    ----------
    contrast : Contrast or None
        None where nothing can be compared; `reason` says why.
    draws : ndarray or None, shape (draws,)
        Of the log ratio, where a side is predicted.
    workloads : tuple of str
        Of the strata, so a workload run in two systems stands twice.
    weights : ndarray, shape (strata,)
    passes : tuple of int
        Behind the left and the right side.
    fewest : float
        Passes in the smallest cell.
    cells : int
        Cells compared.
    chance : bool
        False for prices, which are known.
    basis : str
    price_left : float
        NaN where no price is in the measure.
    reason : str
    """

    contrast: Contrast | None
    draws: FloatArray | None = None
    workloads: tuple[str, ...] = ()
    weights: FloatArray = field(default_factory=lambda: np.zeros(0))
    passes: tuple[int, int] = (0, 0)
    fewest: float = 0.0
    cells: int = 0
    chance: bool = True
    basis: str = ""
    price_left: float = math.nan
    reason: str = ""

    def ratio_range(self) -> tuple[float, float]:
        """Range of left / right at `LEVEL`; NaN where nothing is compared or chance has no part."""
        if self.draws is not None:
            low, high = np.quantile(self.draws, [(1 - LEVEL) / 2, (1 + LEVEL) / 2])
            return float(np.exp(low)), float(np.exp(high))
        if self.contrast is None or not self.chance:
            return math.nan, math.nan
        half = float(-stdtrit(self.contrast.dof, (1 - LEVEL) / 2)) * self.contrast.std_error
        middle = self.contrast.log_ratio
        return math.exp(middle - half), math.exp(middle + half)


def gather_evidence(
    record: Record, left: str, right: str, measure: str, workload: str = ""
) -> Evidence:
    """Compare the two sides of a sentence.

    Parameters
    ----------
    record : Record
    left, right : str
        Builds, GPUs or items; `right` may be a number.
    measure : {"average", "low_1pct", "cost_per_frame", "price"}
    workload : str
        "" for all.

    Returns
    -------
    Evidence
    """
    if not right:
        return Evidence(None, reason="the claim names nothing on the right")
    sides = find_side(record, left), find_side(record, right)
    for side in sides:
        if not side.system and not side.gpu and math.isnan(side.price) and math.isnan(side.number):
            known = side.name in set(record.study.prices["item"]) | set(
                record.study.builds["build"]
            )
            if not known:
                why = f"{side.name} is no build, GPU or priced item of this study"
                return Evidence(None, reason=why)
    return compare_sides(record, *sides, measure, workload)


def compare_sides(
    record: Record, left: Side, right: Side, measure: str, workload: str = ""
) -> Evidence:
    """Compare two sides: by passes where both were run, by draws where one is predicted.

    Parameters
    ----------
    record : Record
    left, right : Side
    measure, workload : str
        As in :func:`gather_evidence`.

    Returns
    -------
    Evidence
    """
    if measure == "price":
        return _prices(left, right)
    offset, reason = _offset(left, right, measure)
    if reason:
        return Evidence(None, reason=reason)
    price = left.price if measure == "cost_per_frame" else math.nan
    sign = -1.0 if measure == "cost_per_frame" else 1.0
    pairing = _systems(record, left, right)
    measured = _measured(record, pairing, COLUMNS[measure], workload, (sign, offset, price))
    weighed = record.study.workloads.loc[record.study.workloads["weight"] > 0, "workload"]
    if measured is not None and (workload or len(set(measured.workloads)) >= HALF * len(weighed)):
        return measured
    predicted = _predicted(record, pairing, measure, workload, (sign, offset, price))
    missing = f"{left.name} was neither run nor predicted beside it"
    if workload and workload not in set(weighed):
        missing = f"{workload} has no weight, so only passes of both sides compare them there"
    return predicted or measured or Evidence(None, reason=missing)


def _prices(left: Side, right: Side) -> Evidence:
    against = right.price if math.isnan(right.number) else right.number
    for side, price in ((left, left.price), (right, against)):
        if not price > 0:
            return Evidence(None, reason=f"the price of {side.name} is not known")
    contrast = Contrast(math.log(left.price / against), 0.0, math.inf, 0.0, ())
    return Evidence(contrast, chance=False, basis="price", price_left=left.price)


def _offset(left: Side, right: Side, measure: str) -> tuple[float, str]:
    """Part of the log ratio that is known, and why there is none."""
    if measure != "cost_per_frame":
        return (0.0 if math.isnan(right.number) else -math.log(right.number)), ""
    against = right.price if math.isnan(right.number) else right.number
    for side, price in ((left, left.price), (right, against)):
        if not price > 0:
            return math.nan, f"the price of {side.name} is not known"
    return math.log(left.price / against), ""


@dataclass(frozen=True, slots=True)
class _Pairing:
    """Where the two sides are looked for: systems shared by both, or else each its own."""

    left: Side
    right: Side
    left_systems: tuple[str, ...]
    right_systems: tuple[str, ...]
    shared: bool


def _systems(record: Record, left: Side, right: Side) -> _Pairing:
    ours, theirs = (
        (side.system,) if side.system else record.systems.get(side.gpu, ())
        for side in (left, right)
    )
    if not right.gpu:
        return _Pairing(left, right, ours, (), shared=True)
    both = tuple(name for name in ours if name in theirs)
    return _Pairing(left, right, both or ours, both or theirs, shared=bool(both))


def _measured(
    record: Record,
    pairing: _Pairing,
    column: str,
    workload: str,
    known: tuple[float, float, float],
) -> Evidence | None:
    sign, offset, price = known
    left = _cells(record, pairing.left, pairing.left_systems, column, pairing.shared)
    right = _cells(record, pairing.right, pairing.right_systems, column, pairing.shared)
    alone = not pairing.right.gpu
    both = left.index if alone else left.index.intersection(right.index, sort=False)
    if workload:
        both = both[both.get_level_values(0) == workload]
    weight = record.study.workloads.set_index("workload")["weight"]
    weight = weight.where(weight.index != workload, 1.0)  # one game is meant, whatever it weighs
    names = both.get_level_values(0)
    weights = weight.reindex(names).to_numpy() / names.value_counts().reindex(names).to_numpy()
    if not len(both) or not weights.sum() > 0:
        return None
    ours, theirs = left.loc[both], right.reindex(both)
    contrast = welch(_sample(ours, sign), None if alone else _sample(theirs, sign), weights, offset)
    shares = weights / weights.sum()
    shifted = [float(shares @ side["shift"]) for side in ([ours] if alone else [ours, theirs])]
    contrast = with_error(contrast, math.hypot(*shifted), record.spreads[column][1])
    counts = ours["passes"] if alone else np.minimum(ours["passes"], theirs["passes"])
    bases = {*ours["basis"], *([] if alone else theirs["basis"])}
    return Evidence(
        contrast,
        workloads=tuple(names),
        weights=weights,
        passes=(int(ours["passes"].sum()), 0 if alone else int(theirs["passes"].sum())),
        fewest=float(counts.min()),
        cells=len(both) * (1 if alone else 2),
        basis="borrowed" if "borrowed" in bases else "measured",
        price_left=price,
        reason="" if pairing.shared else "the two sides ran on different systems",
    )


def _cells(
    record: Record, side: Side, systems: tuple[str, ...], column: str, shared: bool
) -> pd.DataFrame:
    """Give the passes of one side by workload; by system too where both sides share systems."""
    if shared:
        cells = record.cells[column]
        gpu, _, system = (cells.index.get_level_values(level) for level in range(3))
        return cells[(gpu == side.gpu) & system.isin(systems)].droplevel("gpu")
    passes = record.counted
    mine = passes[(passes["gpu"] == side.gpu) & passes["system"].isin(systems)]
    return strata(mine, column, ["workload"], record.spreads[column])


def _sample(cells: pd.DataFrame, sign: float) -> Sample:
    return Sample(
        mean=sign * cells["mean"].to_numpy(float),
        variance=cells["variance"].to_numpy(float),
        dof=cells["dof"].to_numpy(float),
        passes=cells["passes"].to_numpy(float),
    )


def _predicted(
    record: Record,
    pairing: _Pairing,
    measure: str,
    workload: str,
    known: tuple[float, float, float],
) -> Evidence | None:
    sign, offset, price = known
    sides = [(pairing.left, pairing.left_systems)]
    if pairing.right.gpu:
        sides.append((pairing.right, pairing.right_systems))
    if not all(systems for _, systems in sides):
        return None
    machines = pd.DataFrame(
        [(side.name, systems[0], side.gpu) for side, systems in sides],
        columns=["name", "system", "gpu"],
        dtype="str",
    )
    speeds = record.book.speeds(machines)
    low = measure == "low_1pct"
    draws = speeds.low_log_draws() if low else speeds.log_draws
    point = np.log(np.minimum(speeds.low_fps, speeds.fps) if low else speeds.fps)
    usable = np.isfinite(point).all(axis=0) & np.isfinite(draws).all(axis=(0, 2))
    if workload:
        usable &= np.array(speeds.workloads) == workload
    if not usable.any():
        return None
    weights = speeds.weights[usable]
    means = sign * mean_log_draws(draws[:, usable], weights)
    points = sign * point[:, usable]
    drawn = means[0] - (means[1] if len(sides) > 1 else 0.0) + offset
    by_stratum = points[0] - (points[1] if len(sides) > 1 else 0.0) + offset
    used = set(speeds.basis[:, usable].ravel())
    middle = float(by_stratum @ weights / weights.sum())
    passes = speeds.passes[:, usable].sum(axis=1).astype(int)
    return Evidence(
        Contrast(middle, float(drawn.std()), math.inf, math.nan, tuple(by_stratum)),
        draws=drawn,
        workloads=tuple(np.array(speeds.workloads)[usable]),
        weights=weights,
        passes=(int(passes[0]), int(passes[1]) if len(sides) > 1 else 0),
        cells=int(usable.sum()) * len(sides),
        basis=next(name for name in reversed(BASES) if name in used),
        price_left=price,
        reason="" if pairing.shared else "the two sides are on different systems",
    )
