"""How wide a range must be: from errors on GPUs left out, wider outside what was seen."""

from abc import ABC, abstractmethod
from dataclasses import dataclass

import numpy as np

from perfkit.models.family import Cells, FloatArray, IntArray, Rows
from perfkit.models.outside_seen import outside
from perfkit.models.selection import LeftOut, left_out_error

OUTSIDE_PER_LN = 0.10
"""Added in quadrature to the scale of log FPS for each unit of ln-distance outside the range."""

NEW_KIND = 0.10
NEW_FAMILY = 0.05
"""Added likewise where the workload never ran on that kind or family of GPU (common practice, no
source)."""

NO_SAY_OUTSIDE = ("power law", "power law, workload slopes")
"""Families that do not extrapolate: their disagreement with the others means nothing."""

BISECTIONS = 50
TINY = 1e-12

WORKLOAD_GPUS = 4.0
"""A workload's own left-out errors weigh against the study's as its GPUs against this many."""

DEVICE_SHARE = 0.5
DEVICE_SHARE_GPUS = 2.0
"""The part of the variance that a device's rows share starts from DEVICE_SHARE, as if
DEVICE_SHARE_GPUS GPUs had said so."""


@dataclass(frozen=True, slots=True, eq=False)
class Scales:
    """Scales of the t on log FPS, all of shape (m,).

    Attributes
    ----------
    device : ndarray
        Shared by all rows of a device.
    own : ndarray
        The row's own, for one future pass.
    own_mean : ndarray
        The row's own, for the average over passes.
    dof : ndarray
        Degrees of freedom.
    """

    device: FloatArray
    own: FloatArray
    own_mean: FloatArray
    dof: FloatArray


class Spread(ABC):
    """A learnt rule for widths."""

    @abstractmethod
    def scales(self, rows: Rows, predicted: FloatArray, log_fps: FloatArray) -> Scales:
        """Scales for m rows, given the final log FPS (m,) and each family's (m, F).

        NaN where no honest width exists.
        """


class Width(ABC):
    """A way to learn widths from left-out errors."""

    def leaves_out(self, cells: Cells) -> list[IntArray]:
        """Codes of the GPUs that fits behind the widths will not see; empty by default."""
        return []

    @abstractmethod
    def learn(self, left: LeftOut, predicted: FloatArray) -> Spread:
        """Learn from n left-out cells and the chosen combination's left-out log FPS (n,)."""


def device_share(error: FloatArray, cells: Cells) -> float:
    """Part of the left-out variance that all rows of a GPU share.

    Parameters
    ----------
    error : ndarray, shape (n,)
        Left-out errors of log FPS, NaN where there is none.
    cells : Cells
        The n cells.

    Returns
    -------
    float
        Between 0 and 1. Moments about zero: the mean square of GPU means, less what workloads
        of one GPU add to it, over the mean square; shrunk to `DEVICE_SHARE` with few GPUs.
    """
    known = np.isfinite(error)
    gpu, workload = cells.rows.gpu[known], cells.rows.workload[known]
    pair, index = np.unique(np.stack([gpu, workload]), axis=1, return_inverse=True)
    of_pair = np.bincount(index, error[known]) / np.bincount(index)
    means, within, squares = [], [], []
    for code in np.unique(pair[0]):
        mine = of_pair[pair[0] == code]
        means.append(mine.mean() ** 2)
        squares.append(np.mean(error[known][gpu == code] ** 2))
        if len(mine) > 1:
            within.append(mine.var(ddof=1) / len(mine))
    total = float(np.mean(squares))
    between = float(np.mean(means)) - (float(np.mean(within)) if within else 0.0)
    seen = min(max(between / total, 0.0), 1.0) if total > 0 else DEVICE_SHARE
    count = len(means)
    return (count * seen + DEVICE_SHARE_GPUS * DEVICE_SHARE) / (count + DEVICE_SHARE_GPUS)


def disagreement(log_fps: FloatArray) -> FloatArray:
    """Variance between the families' numbers, shape (m,); 0 with fewer than two."""
    known = np.isfinite(log_fps)
    count = known.sum(axis=1)
    mean = np.where(known, log_fps, 0.0).sum(axis=1) / np.maximum(count, 1)
    squares = np.where(known, (log_fps - mean[:, None]) ** 2, 0.0).sum(axis=1)
    result: FloatArray = squares / np.maximum(count - 1, 1)
    return result


def beyond_range(seen: Rows, asked: Rows, log_fps: FloatArray) -> FloatArray:
    """Variance of log FPS that lying outside the range seen adds, shape (m,).

    Parameters
    ----------
    seen, asked : Rows
        Measured configurations, and m others.
    log_fps : ndarray, shape (m, F)
        Predictions of the families that extrapolate.
    """
    left = outside(seen, asked)
    added = (OUTSIDE_PER_LN * left.distance) ** 2
    added += (NEW_KIND * left.new_kind) ** 2 + (NEW_FAMILY * left.new_family) ** 2
    result: FloatArray = added + np.where(left.distance > 0, disagreement(log_fps), 0.0)
    return result


def variance_within(square: FloatArray, beyond: FloatArray, weight: FloatArray) -> float:
    """Variance v for which squares average to v + beyond: mean of square / (v + beyond) is 1.

    Parameters
    ----------
    square, beyond, weight : ndarray, shape (n,)
        Squared errors, known parts of their variances, and how much each counts.

    Returns
    -------
    float
        Errors from outside the range tell little of those inside: their part of the weight goes
        to the plain mean of the squares.
    """
    mean = high = float(np.average(square, weights=weight))
    if high <= 0 or not np.any(beyond > 0):
        return high
    outer = float(np.average(beyond > 0, weights=weight))
    low = 0.0
    for _ in range(BISECTIONS):
        middle = 0.5 * (low + high)
        excess = np.average(square / (middle + beyond + TINY), weights=weight)
        low, high = (middle, high) if excess > 1 else (low, middle)
    return (1.0 - outer) * 0.5 * (low + high) + outer * mean


@dataclass(frozen=True, slots=True)
class LeftOutT(Width):
    """Student t with D - 1 degrees of freedom, D GPUs having been left out in turn.

    The scale follows from left-out errors about zero (so that bias counts), less what each error
    owes to its GPU having been outside the range of the others; per workload, but shrunk to the
    study's. Outside the range seen, ln-distance times `OUTSIDE_PER_LN` and the spread of the
    families are added in quadrature.
    """

    def learn(self, left: LeftOut, predicted: FloatArray) -> "LeftOutSpread":
        """Pool squared left-out errors, every GPU counting the same."""
        cells = left.cells
        heard = tuple(k for k, name in enumerate(left.families) if name not in NO_SAY_OUTSIDE)
        error = left_out_error(predicted, cells)
        known = np.flatnonzero(np.isfinite(error))
        size = len(cells.rows.names.workloads)
        gpus, index, count = np.unique(
            cells.rows.gpu[known], return_inverse=True, return_counts=True
        )
        if len(gpus) < 2:
            nothing = np.full(size, np.nan)
            return LeftOutSpread(cells, heard, nothing, float("nan"), float("nan"), 0.0)
        square = error[known] ** 2
        beyond = left_out_beyond(left, known, heard)
        pooled = variance_within(square, beyond, 1.0 / count[index])
        ratio = square / (pooled + beyond + TINY)
        workload = cells.rows.workload[known]
        pairs = np.unique(np.stack([workload, index]), axis=1)[0]
        ran = np.bincount(pairs, minlength=size).astype(float)
        cells_of = np.maximum(np.bincount(workload, minlength=size), 1)
        relative = np.bincount(workload, ratio, size) / cells_of
        factor = (WORKLOAD_GPUS + ran * relative) / (WORKLOAD_GPUS + ran)
        noise = 0.0 if np.isnan(cells.pass_sd) else cells.pass_sd**2
        averaged = noise * float(np.mean(1.0 / cells.passes[known]))
        scaled = np.full(len(cells), np.nan)
        scaled[known] = error[known] * np.sqrt((pooled + TINY) / (pooled + beyond + TINY))
        return LeftOutSpread(
            cells=cells,
            heard=heard,
            variance=np.maximum(pooled * factor, averaged),
            share=device_share(scaled, cells),
            one_pass=noise - averaged,
            dof=len(gpus) - 1.0,
        )


def left_out_beyond(left: LeftOut, known: IntArray, heard: tuple[int, ...]) -> FloatArray:
    """Variance that each left-out error owes to its GPU lying outside the range of the others."""
    rows, result = left.cells.rows, np.zeros(len(known))
    said = left.log_fps[:, heard]
    for gpu in np.unique(rows.gpu[known]):
        mine = rows.gpu[known] == gpu
        asked = known[mine]
        result[mine] = beyond_range(rows.take(rows.gpu != gpu), rows.take(asked), said[asked])
    return result


@dataclass(frozen=True, slots=True, eq=False)
class LeftOutSpread(Spread):
    """Widths learnt by `LeftOutT`.

    Attributes
    ----------
    cells : Cells
        What was seen.
    heard : tuple of int
        Columns of the families whose disagreement counts outside the range.
    variance : ndarray, shape (workloads,)
        Mean square of left-out errors of a cell, by workload.
    share : float
        Part of it that all rows of a device share.
    one_pass : float
        Variance that one pass has over an average of as many passes as a cell held.
    dof : float
        Left-out GPUs less one.
    """

    cells: Cells
    heard: tuple[int, ...]
    variance: FloatArray
    share: float
    one_pass: float
    dof: float

    def scales(self, rows: Rows, predicted: FloatArray, log_fps: FloatArray) -> Scales:
        """Split by the shared part; what lies outside the range widens the shared part."""
        variance = self.variance[rows.workload]
        beyond = beyond_range(self.cells.rows, rows, log_fps[:, self.heard])
        device = self.share * variance + beyond
        own_mean = (1.0 - self.share) * variance
        return Scales(
            device=np.sqrt(device),
            own=np.sqrt(own_mean + self.one_pass),
            own_mean=np.sqrt(own_mean),
            dof=np.full(len(rows), self.dof),
        )
