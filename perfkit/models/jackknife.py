"""Ranges that assume no distribution: ranks of errors on GPUs left out.

The GPU is the unit, for runs on one GPU err together: each gives one error a workload. A new error
is no larger than the k-th of n old ones with probability k / (n + 1) (Vovk, Gammerman and Shafer
2005, *Algorithmic Learning in a Random World*), so no finite 90 % range exists below nine GPUs.
"""

from dataclasses import dataclass

import numpy as np

from perfkit.models.family import Cells, Family, FloatArray, IntArray, Rows


def rank(count: IntArray | int, level: float) -> IntArray:
    """Which of `count` sorted errors bounds a new one with probability `level`, from 1.

    More than `count` where none does.

    Examples
    --------
    >>> rank(np.array([9, 8]), 0.9)
    array([9, 9])
    """
    return np.ceil(np.round((np.asarray(count) + 1) * level, 9)).astype(np.intp)


def least_count(level: float) -> int:
    """How many old errors it takes for one of them to bound a new one with probability `level`.

    Examples
    --------
    >>> least_count(0.9)
    9
    """
    return int(np.ceil(np.round(level / (1.0 - level), 6)))


@dataclass(frozen=True, slots=True, eq=False)
class FreeRange:
    """Ranges of log FPS by jackknife+, for m rows.

    Attributes
    ----------
    low, high : ndarray, shape (m,)
        Infinite where too few GPUs ran the workload.
    gpus : ndarray of int, shape (m,)
        GPUs that ran the workload and were left out in turn.
    guaranteed : float
        Least coverage whatever the distribution: 1 - 2 (1 - level); about `level` in practice.
    """

    low: FloatArray
    high: FloatArray
    gpus: FloatArray
    guaranteed: float


def jackknife_plus(
    said: FloatArray, errors: FloatArray, level: float
) -> tuple[FloatArray, FloatArray]:
    """Find the ends of jackknife+ ranges.

    Parameters
    ----------
    said : ndarray, shape (n, m)
        What each fit without one of n units says of m rows.
    errors : ndarray, shape (n, m)
        Absolute error of that fit on the unit it never saw, the one that counts for each row; NaN
        where the unit has none.
    level : float
        Aimed at; never below 2 level - 1.

    Returns
    -------
    low, high : ndarray, shape (m,)

    References
    ----------
    Barber, Candes, Ramdas and Tibshirani (2021), *Annals of Statistics* 49:486-507.
    """
    known = np.isfinite(errors) & np.isfinite(said)
    count = known.sum(axis=0)
    above = np.sort(np.where(known, said + errors, np.inf), axis=0)
    below = np.sort(np.where(known, errors - said, np.inf), axis=0)
    k = rank(count, level)
    row = np.minimum(k, len(said)) - 1
    each = np.arange(said.shape[1])
    enough = k <= count
    low = np.where(enough, -below[row, each], -np.inf)
    return low, np.where(enough, above[row, each], np.inf)


def free_range(family: Family, cells: Cells, rows: Rows, level: float) -> FreeRange:
    """Range of a family's predictions that assumes no distribution of errors.

    Parameters
    ----------
    family : Family
    cells : Cells
        What was measured; at least two GPUs.
    rows : Rows
        m configurations of a GPU never measured.
    level : float
        Coverage aimed at.

    Returns
    -------
    FreeRange
        The error of a GPU is that on its cell of the row's workload nearest in pixels.
    """
    gpus = cells.gpus
    everywhere = np.array(family.left_out_at(cells, list(gpus[:, None]), rows))
    own = np.where(cells.at_least, np.nan, np.abs(family.left_out_each(cells) - cells.log_fps))
    errors = np.full((len(gpus), len(rows)), np.nan)
    place = np.searchsorted(gpus, cells.rows.gpu)
    known = np.isfinite(own)
    for workload in np.unique(rows.workload):
        asked = np.flatnonzero(rows.workload == workload)
        mine = np.flatnonzero(known & (cells.rows.workload == workload))
        if not len(mine):
            continue
        ratio = np.log(rows.drawn_mpx[asked][:, None] / cells.rows.drawn_mpx[mine])
        # Cells by GPU, then by distance: the first of each GPU is its nearest.
        away = np.broadcast_to(place[mine], ratio.shape), np.abs(ratio)
        order = np.lexsort((away[1], away[0]), axis=1)
        ran, first = np.unique(np.sort(place[mine]), return_index=True)
        errors[np.ix_(ran, asked)] = own[mine][order[:, first]].T
    low, high = jackknife_plus(everywhere, errors, level)
    return FreeRange(low, high, np.isfinite(errors).sum(axis=0), 2.0 * level - 1.0)
