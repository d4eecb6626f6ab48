"""Centred cross-products of columns, log FPS and indicators of GPUs, for subsets of cells."""

from dataclasses import dataclass, fields, replace

import numpy as np

from perfkit.models.family import BoolArray, Cells, FloatArray
from perfkit.models.moments import Moments, cell_sums, subset_moments

OPEN = 1e-10
"""A direction with less than this share of the largest eigenvalue counts as left open."""


def times(matrix: FloatArray, vector: FloatArray) -> FloatArray:
    """Matrices times vectors, over leading axes."""
    result: FloatArray = (matrix @ vector[..., None])[..., 0]
    return result


@dataclass(frozen=True, slots=True, eq=False)
class Products:
    """Cross-products of m subsets of cells of W workloads on D GPUs, centred by workload.

    Attributes
    ----------
    count : ndarray, shape (m, W)
        Cells.
    free : ndarray, shape (m,)
        Cells less workloads with any: what their intercepts leave.
    xx : ndarray, shape (m, W, 4, 4)
    xy : ndarray, shape (m, W, 4)
    yy : ndarray, shape (m, W)
        Of the four columns and y.
    xz : ndarray, shape (m, W, 4, D)
        Of the columns and the indicators of GPUs.
    zz : ndarray, shape (m, D, D)
    zy : ndarray, shape (m, D)
        Of the indicators, summed over workloads.
    """

    count: FloatArray
    free: FloatArray
    xx: FloatArray
    xy: FloatArray
    yy: FloatArray
    xz: FloatArray
    zz: FloatArray
    zy: FloatArray

    def take(self, chosen: BoolArray | slice) -> "Products":
        """Keep some subsets."""
        return Products(*(getattr(self, field.name)[chosen] for field in fields(self)))


def products_of_columns(cells: Cells, kept: BoolArray, slopes: FloatArray) -> Products:
    """Cross-products as by `products`, with no GPU told from another (D is 0)."""
    return _of_moments(subset_moments(cells, kept), slopes)


def _of_moments(plain: Moments, slopes: FloatArray) -> Products:
    number, size = plain.count, len(plain.count)
    xy = plain.xy - times(plain.xx, slopes)
    return Products(
        count=number,
        free=(number - (number > 0)).sum(axis=1),
        xx=plain.xx,
        xy=xy,
        yy=np.maximum(plain.yy - (plain.xy + xy) @ slopes, 0.0),
        xz=np.zeros((*plain.xy.shape, 0)),
        zz=np.zeros((size, 0, 0)),
        zy=np.zeros((size, 0)),
    )


def products(cells: Cells, kept: BoolArray, slopes: FloatArray) -> Products:
    """Cross-products of subsets of GPUs.

    Parameters
    ----------
    cells : Cells
        n cells of D GPUs.
    kept : ndarray of bool, shape (m, D)
        Which GPUs each subset holds, in the order of `cells.gpus`.
    slopes : ndarray, shape (4,)
        y is log FPS less what these slopes say.

    Returns
    -------
    Products
    """
    sums, plain = cell_sums(cells), subset_moments(cells, kept)
    number = plain.count
    own = sums.first[:, None] * kept[:, None, :]
    mean_x = np.moveaxis(plain.mean_x - sums.middle[:-1], -1, 0)
    mean_y = np.nan_to_num(plain.mean_y - sums.middle[-1])
    xz = np.moveaxis(own[1:-1] - mean_x[..., None] * own[0], 0, 2)
    of_y = (own[-1] - mean_y[..., None] * own[0]).sum(axis=1)
    share = own[0] / np.where(number > 0, number, 1.0)[..., None]
    zz = -np.swapaxes(own[0], 1, 2) @ share
    diagonal = np.arange(zz.shape[1])
    zz[:, diagonal, diagonal] += own[0].sum(axis=1)
    return replace(
        _of_moments(plain, slopes),
        xz=xz,
        zz=zz,
        zy=of_y - np.einsum("mwjd,j->md", xz, slopes),
    )


def closed_basis(p: Products) -> tuple[FloatArray, BoolArray]:
    """Directions of the columns, (m, 4, 4), and which of them the data determine, (m, 4)."""
    value, basis = np.linalg.eigh(p.xx.sum(axis=1))
    return basis, value > OPEN * value[:, -1:]
