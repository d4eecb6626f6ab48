"""How far a configuration lies outside what was measured, and in which direction."""

from dataclasses import dataclass

import numpy as np

from perfkit.models.family import BoolArray, FloatArray, IntArray, Rows

VARIABLES = ("arithmetic rate", "bandwidth", "pixels drawn", "processor speed")
"""Numbers whose range a fit has seen."""

SLACK = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class Outside:
    """Distance outside the range seen.

    Attributes
    ----------
    by_variable : ndarray, shape (m, 4)
        ln-distance outside the range of each of `VARIABLES`; 0 inside. NaN for a workload that
        was never run.
    new_kind, new_family : ndarray of bool, shape (m,)
        The workload was never run on a GPU of this kind (integrated, discrete) or family.
    """

    by_variable: FloatArray
    new_kind: BoolArray
    new_family: BoolArray

    @property
    def distance(self) -> FloatArray:
        """Euclidean ln-distance over all variables, shape (m,)."""
        return np.sqrt(np.square(self.by_variable).sum(axis=1))


def logs(rows: Rows) -> FloatArray:
    """Natural logs of `VARIABLES`, shape (n, 4)."""
    return np.log(
        np.column_stack(
            [rows.arithmetic_tflops, rows.bandwidth_gb_s, rows.drawn_mpx, rows.cpu_speed]
        )
    )


def _never_with(
    seen_workload: IntArray, seen: IntArray, workload: IntArray, asked: IntArray
) -> BoolArray:
    width = int(max(seen.max(initial=0), asked.max(initial=0))) + 1
    return ~np.isin(workload * width + asked, seen_workload * width + seen)


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
    workloads = len(seen.names.workloads)
    low = np.full((workloads, len(VARIABLES)), np.inf)
    high = np.full((workloads, len(VARIABLES)), -np.inf)
    measured, wanted = logs(seen), logs(asked)
    np.minimum.at(low, seen.workload, measured)
    np.maximum.at(high, seen.workload, measured)
    floor, top = low[asked.workload], high[asked.workload]
    never = ~np.isfinite(floor)
    distance = np.maximum(np.maximum(floor - wanted, wanted - top), 0.0)
    distance[distance < SLACK] = 0.0
    distance[never] = np.nan
    return Outside(
        by_variable=distance,
        new_kind=_never_with(
            seen.workload,
            seen.integrated.astype(np.intp),
            asked.workload,
            asked.integrated.astype(np.intp),
        ),
        new_family=_never_with(seen.workload, seen.family, asked.workload, asked.family),
    )
