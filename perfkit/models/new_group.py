"""A mixed model's range for a group it never saw: a new GPU.

The line of a GPU that does not deviate is uncertain in its intercept, in the shared slopes and in
what a workload's slopes deviate by, all of which Henderson's equations hold (Henderson 1975,
*Biometrics* 31:423-447). A new GPU deviates from that line as GPUs do, and a pass as cells do:

var = t^2 + s^2 + s^2 (1 / n_w + k' inv(M) k)

M is the matrix of the equations after centring by workload, k what the row asks of it. The t that
goes with it has as many degrees of freedom as GPUs leave between them.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from perfkit.models.cross_products import Products, closed_basis, products
from perfkit.models.family import Cells, FloatArray, IntArray, Rows
from perfkit.models.moments import SIZE, cell_sums
from perfkit.models.outside_seen import logs

MACHINE = (0, 1)
"""Columns of `perfkit.models.outside_seen.VARIABLES` that a GPU alone decides."""

FLAT = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class NewGpu:
    """Ranges of m rows on a GPU that was never measured, on log FPS.

    Attributes
    ----------
    line : ndarray, shape (m,)
        Standard error of the line.
    device : float
        Standard deviation of GPUs about it; NaN where too few were measured to tell.
    own : float
        Standard deviation of a future pass.
    dof : float
        Degrees of freedom of the t.
    """

    line: FloatArray
    device: float
    own: float
    dof: float

    @property
    def scale(self) -> FloatArray:
        """Of a future pass on the new GPU, shape (m,)."""
        return np.sqrt(self.line**2 + self.device**2 + self.own**2)

    @property
    def mean_scale(self) -> FloatArray:
        """Of the average over passes on the new GPU, shape (m,)."""
        return np.sqrt(self.line**2 + self.device**2)


def gpu_dof(cells: Cells) -> float:
    """GPUs less one, less the rates by which they differ."""
    # Sums about the mean of all cells have the rank of the GPUs' means about theirs.
    sums = cell_sums(cells).first[1:].sum(axis=1)[list(MACHINE)]
    return float(sums.shape[1] - 1 - np.linalg.matrix_rank(sums, tol=FLAT))


def _equations(p: Products, ratio: FloatArray, basis: FloatArray) -> FloatArray:
    """Left-hand side for shared slopes, scaled own slopes and scaled GPUs."""
    root, gpu_root = np.sqrt(ratio[:SIZE]), np.sqrt(ratio[SIZE])
    xx, xz, workloads = p.xx[0], p.xz[0], len(p.xx[0])
    shared, size = basis.shape[1], SIZE * workloads
    gpus = xz.shape[2]
    matrix = np.zeros((shared + size + gpus,) * 2)
    own, last = slice(shared, shared + size), slice(shared + size, None)
    matrix[:shared, :shared] = basis.T @ xx.sum(axis=0) @ basis
    matrix[own, :shared] = (root[:, None] * (xx @ basis)).reshape(size, shared)
    matrix[last, :shared] = gpu_root * (xz.sum(axis=0).T @ basis)
    scaled = xx * root[:, None] * root
    for w in range(workloads):
        here = slice(shared + SIZE * w, shared + SIZE * (w + 1))
        matrix[here, here] = scaled[w]
    matrix[last, own] = gpu_root * (root[:, None] * xz).reshape(size, gpus).T
    matrix[last, last] = ratio[SIZE] * p.zz[0]
    diagonal = np.arange(shared, len(matrix))
    matrix[diagonal, diagonal] += 1.0
    lower = np.tril(matrix)
    return np.asarray(lower + np.tril(matrix, -1).T)


def line_error(cells: Cells, ratio: FloatArray, square: float, rows: Rows) -> FloatArray:
    """Find the standard error of the line of a GPU that does not deviate.

    Parameters
    ----------
    cells : Cells
        What the model was fitted to.
    ratio : ndarray, shape (5,)
        Variances of the four slopes between workloads and of GPUs, over `square`.
    square : float
        Residual variance.
    rows : Rows
        m configurations.

    Returns
    -------
    ndarray, shape (m,)
        NaN for workloads never run, and where the row asks for a slope that the data leave open.
    """
    p = products(cells, np.ones(len(cells.gpus), dtype=bool)[None], np.zeros(SIZE))
    directions, closed = closed_basis(p)
    basis, opened = directions[0][:, closed[0]], directions[0][:, ~closed[0]]
    cover = np.linalg.inv(_equations(p, ratio, basis))
    away, share = _from_middle(cells, rows)
    asked = np.zeros((len(rows), len(cover)))
    shared = basis.shape[1]
    asked[:, :shared] = away @ basis
    own = shared + SIZE * rows.workload[:, None] + np.arange(SIZE)
    np.put_along_axis(asked, own, away * np.sqrt(ratio[:SIZE]), axis=1)
    asked[:, shared + SIZE * p.count.shape[1] :] = -np.sqrt(ratio[SIZE]) * share
    count = p.count[0, rows.workload]
    with np.errstate(divide="ignore"):
        variance = square * (1.0 / count + ((asked @ cover) * asked).sum(axis=1))
    known = (count > 0) & (np.abs(away @ opened) < FLAT).all(axis=1)
    return np.where(known, np.sqrt(variance), np.nan)


def _from_middle(cells: Cells, rows: Rows) -> tuple[FloatArray, FloatArray]:
    """Take logs from the workload's means, (m, 4); GPUs' shares in its cells, (m, D)."""
    sums = cell_sums(cells)
    count = np.maximum(sums.first[0].sum(axis=1), 1.0)
    means = sums.first[1:-1].sum(axis=2).T / count[:, None] + sums.middle[:-1]
    workload: IntArray = rows.workload
    share: npt.NDArray[np.float64] = sums.first[0][workload] / count[workload, None]
    return logs(rows) - means[workload], share
