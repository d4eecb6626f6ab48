"""Cross-products of cells by workload and GPU, so that leaving GPUs out is a subtraction."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from perfkit.models.family import BoolArray, Cells, FloatArray, IntArray, Rows
from perfkit.models.outside_seen import VARIABLES, logs

SIZE = len(VARIABLES)


@dataclass(frozen=True, slots=True, eq=False)
class Moments:
    """Sums over the cells of each workload for m subsets, about each workload's mean.

    Attributes
    ----------
    count : ndarray, shape (m, W)
        Cells.
    mean_x : ndarray, shape (m, W, 4)
        Mean logs of `perfkit.models.outside_seen.VARIABLES`; without cells those of the study.
    mean_y : ndarray, shape (m, W)
        Mean log FPS; NaN without cells.
    xx : ndarray, shape (m, W, 4, 4)
    xy : ndarray, shape (m, W, 4)
    yy : ndarray, shape (m, W)
        Centred sums of squares and products.
    """

    count: FloatArray
    mean_x: FloatArray
    mean_y: FloatArray
    xx: FloatArray
    xy: FloatArray
    yy: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class CellSums:
    """Sums over the cells of each workload on each GPU.

    Attributes
    ----------
    middle : ndarray, shape (5,)
        Means over the study, from which logs of rates and of FPS are taken, so that little is
        lost when sums are subtracted.
    first : ndarray, shape (6, W, D)
        Number of cells, sums of the four logs, sum of log FPS.
    second : ndarray, shape (15, W, D)
        Sums of products of these five, in the order of `numpy.triu_indices(5)`.
    """

    middle: FloatArray
    first: FloatArray
    second: FloatArray


PAIRS = np.triu_indices(SIZE + 1)
"""Which two of the five columns each row of `CellSums.second` holds the products of."""

UNFOLD = np.zeros((SIZE + 1, SIZE + 1), dtype=np.intp)
UNFOLD[PAIRS] = UNFOLD.T[PAIRS] = np.arange(len(PAIRS[0]))
"""Row of `CellSums.second` for every two columns."""


@dataclass(frozen=True, slots=True, eq=False)
class RowSums:
    """What of `CellSums` does not depend on log FPS, for n rows.

    Attributes
    ----------
    middle : ndarray, shape (4,)
    columns : ndarray, shape (4, n)
        Logs less `middle`.
    place : ndarray of int, shape (n,)
        Which workload on which GPU.
    size : int
        Workloads times GPUs.
    first : ndarray, shape (5, size)
        Number of rows, sums of the columns.
    second : ndarray, shape (15, size)
        Sums of products as in `CellSums`; 0 where log FPS takes part.
    """

    middle: FloatArray
    columns: FloatArray
    place: IntArray
    size: int
    first: FloatArray
    second: FloatArray


@lru_cache(maxsize=4)
def row_sums(rows: Rows) -> RowSums:
    """Sum up rows by workload and GPU, GPUs in ascending order of their codes."""
    gpus = np.unique(rows.gpu)
    columns = logs(rows).T
    middle = columns.mean(axis=1)
    columns = columns - middle[:, None]
    size = len(rows.names.workloads) * len(gpus)
    place = rows.workload * len(gpus) + np.searchsorted(gpus, rows.gpu)
    first = [np.bincount(place, minlength=size), *(np.bincount(place, c, size) for c in columns)]
    second = np.zeros((len(PAIRS[0]), size))
    for k, (i, j) in enumerate(zip(*PAIRS, strict=True)):
        if j < SIZE:
            second[k] = np.bincount(place, columns[i] * columns[j], size)
    return RowSums(middle, columns, place, size, np.array(first), second)


@lru_cache(maxsize=4)
def cell_sums(cells: Cells) -> CellSums:
    """Sum up n cells by workload and GPU, GPUs in the order of `cells.gpus`."""
    rows = row_sums(cells.rows)
    mean = cells.log_fps.mean()
    y = cells.log_fps - mean
    first = np.concatenate([rows.first, np.bincount(rows.place, y, rows.size)[None]])
    second = rows.second.copy()
    for row, column in zip(UNFOLD[SIZE], (*rows.columns, y), strict=True):
        second[row] = np.bincount(rows.place, y * column, rows.size)
    workloads = len(cells.rows.names.workloads)
    shape = (-1, workloads, rows.size // workloads)
    return CellSums(np.append(rows.middle, mean), first.reshape(shape), second.reshape(shape))


def subset_moments(cells: Cells, kept: BoolArray) -> Moments:
    """Moments of the cells of m subsets of GPUs.

    Parameters
    ----------
    cells : Cells
        n cells of D GPUs.
    kept : ndarray of bool, shape (m, D)
        Which GPUs each subset holds, in the order of `cells.gpus`.

    Returns
    -------
    Moments
    """
    sums = cell_sums(cells)
    weight = kept.T.astype(float)
    first, second = np.moveaxis(sums.first @ weight, 2, 1), np.moveaxis(sums.second @ weight, 2, 1)
    number = first[0]
    mean = first[1:] / np.where(number > 0, number, 1.0)
    centred = second - first[1:][PAIRS[0]] * mean[PAIRS[1]]
    return Moments(
        count=number,
        mean_x=np.moveaxis(mean[:-1], 0, -1) + sums.middle[:-1],
        mean_y=np.where(number > 0, mean[-1] + sums.middle[-1], np.nan),
        xx=np.moveaxis(centred[UNFOLD[:-1, :-1]], (0, 1), (-2, -1)),
        xy=np.moveaxis(centred[UNFOLD[:-1, -1]], 0, -1),
        yy=np.maximum(centred[-1], 0.0),
    )


def kept_without(cells: Cells, without: list[IntArray]) -> BoolArray:
    """Which GPUs remain when some are left out, shape (m, D)."""
    gpus = cells.gpus
    kept = np.ones((len(without), len(gpus)), dtype=bool)
    codes = np.concatenate([np.array([], dtype=np.intp), *without])
    fit = np.repeat(np.arange(len(without)), [len(gone) for gone in without])
    place = np.minimum(np.searchsorted(gpus, codes), len(gpus) - 1)
    measured = gpus[place] == codes
    kept[fit[measured], place[measured]] = False
    return kept


def least_change(matrix: FloatArray, vector: FloatArray, open_share: float) -> FloatArray:
    """Least-norm solution of symmetric systems, open directions left at zero.

    Parameters
    ----------
    matrix : ndarray, shape (..., p, p)
        Positive semi-definite.
    vector : ndarray, shape (..., p)
    open_share : float
        Eigenvalues up to this share of the largest count as zero; above 0, below 1.

    Returns
    -------
    ndarray, shape (..., p)
    """
    value, basis = np.linalg.eigh(matrix)
    closed = value > open_share * value[..., -1:]
    inverse = np.divide(1.0, value, out=np.zeros_like(value), where=closed)
    coordinates = np.einsum("...ji,...j->...i", basis, vector) * inverse
    result: FloatArray = np.einsum("...ij,...j->...i", basis, coordinates)
    return result
