"""Cross-products of cells by workload and GPU, so that leaving GPUs out is a subtraction."""

from dataclasses import dataclass

import numpy as np

from perfkit.models.family import BoolArray, Cells, FloatArray, IntArray
from perfkit.models.ranges import logs


@dataclass(frozen=True, slots=True, eq=False)
class Moments:
    """Sums over the cells of each workload for m subsets, about each workload's mean.

    Attributes
    ----------
    count : ndarray, shape (m, W)
        Cells.
    mean_x : ndarray, shape (m, W, 4)
        Mean logs of `perfkit.models.ranges.VARIABLES`; 0 without cells.
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

    Notes
    -----
    Logs are centred on the study's means before products are taken, so that little is lost when
    sums are subtracted.
    """
    gpus = cells.gpus
    workloads, count = len(cells.rows.names.workloads), len(gpus)
    x, y = logs(cells.rows), cells.log_fps
    middle_x, middle_y = x.mean(axis=0), float(y.mean())
    joint = np.column_stack([np.ones(len(y)), x - middle_x, y - middle_y])
    place = cells.rows.workload * count + np.searchsorted(gpus, cells.rows.gpu)
    products = joint[:, :, None] * joint[:, None, :]
    width = joint.shape[1]
    by_gpu = np.zeros((workloads * count, width, width))
    np.add.at(by_gpu, place, products)
    total = np.einsum("mg,wgij->mwij", kept, by_gpu.reshape(workloads, count, width, width))
    number = total[..., 0, 0]
    means = total[..., 0, :] / np.where(number > 0, number, 1.0)[..., None]
    centred = total - number[..., None, None] * means[..., :, None] * means[..., None, :]
    return Moments(
        count=number,
        mean_x=means[..., 1:-1] + middle_x,
        mean_y=np.where(number > 0, means[..., -1] + middle_y, np.nan),
        xx=centred[..., 1:-1, 1:-1],
        xy=centred[..., 1:-1, -1],
        yy=np.maximum(centred[..., -1, -1], 0.0),
    )


def kept_without(cells: Cells, without: list[IntArray]) -> BoolArray:
    """Which GPUs remain when some are left out, shape (m, D)."""
    return np.array([~np.isin(cells.gpus, gone) for gone in without], dtype=bool)


def least_change(matrix: FloatArray, vector: FloatArray, open_share: float) -> FloatArray:
    """Least-norm solution of symmetric systems, open directions left at zero.

    Parameters
    ----------
    matrix : ndarray, shape (..., p, p)
        Positive semi-definite.
    vector : ndarray, shape (..., p)
    open_share : float
        Eigenvalues below this share of the largest count as zero.

    Returns
    -------
    ndarray, shape (..., p)
    """
    value, basis = np.linalg.eigh(matrix)
    closed = value > open_share * np.maximum(value[..., -1:], 0.0)
    inverse = np.divide(1.0, value, out=np.zeros_like(value), where=closed & (value > 0))
    coordinates = np.einsum("...ji,...j->...i", basis, vector) * inverse
    result: FloatArray = np.einsum("...ij,...j->...i", basis, coordinates)
    return result
