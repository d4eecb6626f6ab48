"""How far a configuration lies outside what was measured, and in which direction."""

from dataclasses import dataclass

import numpy as np

from perfkit.models.family import BoolArray, FloatArray, IntArray, Rows

VARIABLES = ("arithmetic rate", "bandwidth", "pixels drawn", "processor speed")
"""Numbers that a fit learns slopes of."""

UNITS = ("TFLOP/s", "GB/s", "Mpx", "x")

SLACK = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """Ranges in which each workload was measured.

    Attributes
    ----------
    low, high : ndarray, shape (workloads, 4)
        Smallest and largest of each of `VARIABLES`; infinite for a workload never run.
    least_memory : ndarray, shape (workloads,)
        Least memory (GiB) of a GPU that ran it; infinite where not known.
    """

    low: FloatArray
    high: FloatArray
    least_memory: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Outside:
    """Distance outside the range seen.

    Attributes
    ----------
    by_variable : ndarray, shape (m, 4)
        ln-distance outside the range of each of `VARIABLES`; 0 inside. NaN for a workload that
        was never run.
    memory : ndarray, shape (m,)
        ln-distance below the least memory that ran the workload; 0 where not known.
    new_kind, new_family : ndarray of bool, shape (m,)
        The workload was never run on a GPU of this kind (integrated, discrete) or family.
    """

    by_variable: FloatArray
    memory: FloatArray
    new_kind: BoolArray
    new_family: BoolArray

    @property
    def distance(self) -> FloatArray:
        """Euclidean ln-distance over all variables, shape (m,)."""
        total: FloatArray = np.sqrt(np.square(self.by_variable).sum(axis=1) + self.memory**2)
        return total


def levels(rows: Rows) -> FloatArray:
    """Values of `VARIABLES`, shape (n, 4)."""
    return np.column_stack(
        [rows.arithmetic_tflops, rows.bandwidth_gb_s, rows.drawn_mpx, rows.cpu_speed]
    )


def logs(rows: Rows) -> FloatArray:
    """Natural logs of `VARIABLES`, shape (n, 4)."""
    result: FloatArray = np.log(levels(rows))
    return result


def seen_ranges(rows: Rows) -> Seen:
    """Ranges of measured configurations, by workload."""
    size = len(rows.names.workloads)
    low = np.full((size, len(VARIABLES)), np.inf)
    high = np.full((size, len(VARIABLES)), -np.inf)
    memory = np.full(size, np.inf)
    np.minimum.at(low, rows.workload, levels(rows))
    np.maximum.at(high, rows.workload, levels(rows))
    np.fmin.at(memory, rows.workload, rows.memory_gib)
    return Seen(low, high, memory)


def _never_with(seen: Rows, codes: IntArray, asked: Rows, wanted: IntArray) -> BoolArray:
    size = len(seen.names.workloads)
    return ~np.isin(asked.workload + size * wanted, seen.workload + size * codes)


def outside(seen: Rows, asked: Rows) -> Outside:
    """Compare configurations with the range their workload was measured in.

    Parameters
    ----------
    seen : Rows
        Measured configurations.
    asked : Rows
        m configurations.

    Returns
    -------
    Outside
    """
    ranges = seen_ranges(seen)
    low, high = ranges.low[asked.workload], ranges.high[asked.workload]
    wanted = levels(asked)
    with np.errstate(divide="ignore", invalid="ignore"):
        distance = np.maximum(np.maximum(np.log(low / wanted), np.log(wanted / high)), 0.0)
        short = np.log(ranges.least_memory[asked.workload] / asked.memory_gib)
    distance[distance < SLACK] = 0.0
    distance[~np.isfinite(low)] = np.nan
    kinds = seen.integrated.astype(np.intp), asked.integrated.astype(np.intp)
    return Outside(
        by_variable=distance,
        memory=np.where(np.isfinite(short) & (short > SLACK), short, 0.0),
        new_kind=_never_with(seen, kinds[0], asked, kinds[1]),
        new_family=_never_with(seen, seen.family, asked, asked.family),
    )
