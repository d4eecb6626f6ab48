"""What a rule for the width of a range gives, and what such rules share."""

from abc import ABC, abstractmethod
from dataclasses import dataclass

import numpy as np

from perfkit.models.family import Cells, FloatArray, IntArray, Rows

NEW_KIND = 0.10
NEW_FAMILY = 0.05
"""Added in quadrature to the scale of log FPS where the workload never ran on that kind or family
of GPU (common practice, no source)."""

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
    def scales(self, rows: Rows, predicted: FloatArray) -> Scales:
        """Scales for m rows, given the final log FPS (m,).

        NaN where no honest width exists.
        """


class Width(ABC):
    """A way to learn widths from left-out errors."""

    def leaves_out(self, cells: Cells) -> list[IntArray]:
        """Codes of the GPUs that fits behind the widths will not see; empty by default."""
        return []

    @abstractmethod
    def learn(self, cells: Cells, predicted: FloatArray) -> Spread:
        """Learn from n cells and the left-out log FPS (n,) of what is believed."""


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
    """Variance between the families' numbers, from shape (..., F); 0 with fewer than two."""
    known = np.isfinite(log_fps)
    count = known.sum(axis=-1)
    mean = np.where(known, log_fps, 0.0).sum(axis=-1) / np.maximum(count, 1)
    squares = np.where(known, (log_fps - mean[..., None]) ** 2, 0.0).sum(axis=-1)
    result: FloatArray = squares / np.maximum(count - 1, 1)
    return result
