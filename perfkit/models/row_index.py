"""What least squares on the logs of rates needs of the rows alone, worked out once.

Fits to the same rows differ in their log FPS only. So the rows are sorted by GPU and workload into
runs of equal length, columns are centred by workload and turned to length one, and the equations
without each GPU are solved, all before a log FPS is looked at. A fit is then one product of small
matrices and a few sums.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from perfkit.models.family import FloatArray, IntArray, Rows
from perfkit.models.moments import least_change
from perfkit.models.outside_seen import VARIABLES, logs

SIZE = len(VARIABLES)

USUAL_SLOPES = np.array([0.5, 0.4, -0.7, 0.1])
"""Slopes that hold in directions the data leave open (common practice, no source)."""

OPEN = 1e-5
"""A direction with less than this share of the largest singular value counts as left open."""

FLAT = 1e-12
"""A log that varies less than this does not vary."""


@dataclass(frozen=True, slots=True, eq=False)
class RowIndex:
    """n rows of W workloads on D GPUs, sorted, in C chunks of L places.

    A GPU's rows fill one chunk or several; places left over point to row 0, and their columns are
    zero.

    Attributes
    ----------
    gpus : ndarray of int, shape (D,)
        Codes, ascending.
    place : ndarray of int, shape (C, L)
        Row at each place.
    home : ndarray of int, shape (n,)
        Flat place of each row.
    first : ndarray of int, shape (D,)
        First chunk of each GPU.
    run : ndarray of int, shape (k,)
        Flat places at which a run of one workload on one GPU starts, left-over places being runs.
    run_workload, run_gpu : ndarray of int, shape (k,)
        Of each run; W and 0 for left-over places.
    count : ndarray, shape (W, D)
        Rows.
    number : ndarray, shape (W,)
        Rows on all GPUs; NaN where it never ran.
    mean : ndarray, shape (W, 4)
        Mean logs of a workload; NaN where it never ran.
    centred, turned : ndarray, shape (C, 4, L)
        Logs about their workload's mean; the same, as orthogonal columns of length one, zero in
        directions that the rows leave open.
    back : ndarray, shape (4, 4)
        Slopes from products of turned columns and log FPS.
    rest : ndarray, shape (4,)
        What `USUAL_SLOPES` say in directions left open.
    """

    gpus: IntArray
    place: IntArray
    home: IntArray
    first: IntArray
    run: IntArray
    run_workload: IntArray
    run_gpu: IntArray
    count: FloatArray
    number: FloatArray
    mean: FloatArray
    centred: FloatArray
    turned: FloatArray
    back: FloatArray
    rest: FloatArray

    def by_gpu(self, chunks: FloatArray) -> FloatArray:
        """Sum chunks of GPUs, shape (D, ...)."""
        if len(chunks) == len(self.first):
            return chunks
        return np.asarray(np.add.reduceat(chunks, self.first, axis=0))

    def products(self, columns: FloatArray, values: FloatArray) -> FloatArray:
        """Products of (C, 4, L) columns and (C, L) values of each GPU, shape (D, 4)."""
        return self.by_gpu((columns @ values[..., None])[..., 0])

    def by_workload(self, values: FloatArray) -> FloatArray:
        """Sum (C, L) values by workload, shape (W,)."""
        runs, size = np.add.reduceat(values.ravel(), self.run), len(self.count)
        sums = np.bincount(self.run_workload, runs, size)
        return np.asarray(sums[:size], dtype=np.float64)

    def by_both(self, values: FloatArray) -> FloatArray:
        """Sum (C, L) values by GPU and workload, shape (D, W)."""
        runs, size = np.add.reduceat(values.ravel(), self.run), len(self.count) + 1
        table = np.bincount(self.run_gpu * size + self.run_workload, runs, size * len(self.gpus))
        return np.asarray(table.reshape(len(self.gpus), size)[:, :-1], dtype=np.float64)


def _chunks(gpu: IntArray, count: int) -> tuple[IntArray, IntArray, int]:
    """Flat places of rows sorted by GPU; first chunk of each GPU; length of a chunk."""
    rows = np.bincount(gpu, minlength=count)
    length = -(-len(gpu) // count)
    number = -(-rows // length)
    first = np.concatenate([[0], np.cumsum(number)])
    before = np.repeat(np.cumsum(rows) - rows, rows)
    return first[gpu] * length + np.arange(len(gpu)) - before, first, length


@lru_cache(maxsize=4)
def row_index(rows: Rows) -> RowIndex:
    """Sort n rows and prepare their columns.

    Chunks are as long as the mean of the GPUs' rows, so that less than half of the places are left
    over.
    """
    gpus, gpu = np.unique(rows.gpu, return_inverse=True)
    workloads, count = len(rows.names.workloads), len(gpus)
    order = np.lexsort((rows.workload, gpu))
    filled, first, length = _chunks(gpu[order], count)
    chunks = int(first[-1])
    size = chunks * length
    place = np.zeros(size, dtype=np.intp)
    place[filled] = order
    kind, owner = np.full(size, workloads), np.zeros(size, dtype=np.intp)
    kind[filled], owner[filled] = rows.workload[order], gpu[order]
    run = np.flatnonzero(np.diff(owner * (workloads + 1) + kind, prepend=-1))
    design = logs(rows)
    cells = np.bincount(rows.workload * count + gpu, minlength=workloads * count)
    cells = cells.reshape(workloads, count)
    number = np.where(cells.any(axis=1), cells.sum(axis=1), np.nan)
    total = [np.bincount(rows.workload, column, workloads) for column in design.T]
    mean = np.column_stack(total) / number[:, None]
    centred = design - mean[rows.workload]
    left, length_of, right = np.linalg.svd(centred, full_matrices=False)
    closed = length_of > OPEN * length_of[0]
    basis = right[closed]

    def chunked(columns: FloatArray) -> FloatArray:
        table = np.zeros((size, SIZE))
        table[filled, : columns.shape[1]] = columns[order]
        return np.ascontiguousarray(np.swapaxes(table.reshape(chunks, length, SIZE), 1, 2))

    back = np.zeros((SIZE, SIZE))
    back[:, : len(basis)] = basis.T / length_of[closed]
    return RowIndex(
        gpus=gpus,
        place=place.reshape(chunks, length),
        home=filled[np.argsort(order)],
        first=first[:-1],
        run=run,
        run_workload=kind[run],
        run_gpu=owner[run],
        count=cells.astype(float),
        number=number,
        mean=mean,
        centred=chunked(centred),
        turned=chunked(left[:, closed]),
        back=back,
        rest=USUAL_SLOPES - basis.T @ (basis @ USUAL_SLOPES),
    )


@dataclass(frozen=True, slots=True, eq=False)
class ErrorIndex:
    """What clustered errors of slopes need of the rows.

    Attributes
    ----------
    ran : ndarray of int, shape (R,)
        Workloads that ran.
    explained : ndarray, shape (4 D, R + 4)
        What intercepts and slopes explain of each GPU's pull on the slopes.
    correction : ndarray, shape (4,)
        For few GPUs and rows; NaN for slopes without an error.
    """

    ran: IntArray
    explained: FloatArray
    correction: FloatArray


@lru_cache(maxsize=4)
def error_index(rows: Rows) -> ErrorIndex:
    """Prepare clustered errors of the slopes."""
    index, design = row_index(rows), logs(rows)
    ran = np.flatnonzero(np.isfinite(index.number))
    of_workload = np.stack([index.by_both(index.turned[:, k]) for k in range(SIZE)], axis=1)[
        ..., ran
    ]
    raw = [index.products(index.turned, column.take(index.place)) for column in design.T]
    explained = np.concatenate([of_workload, np.stack(raw, axis=2)], axis=2)
    varies = np.square(index.centred).sum(axis=(0, 2)) > FLAT**2 * len(rows)
    width, gpus = int(varies.sum()), len(index.gpus)
    spare = len(rows) - width - len(ran)
    told = width == np.count_nonzero(index.back.any(axis=0)) and gpus > width and spare > 0
    number = gpus / (gpus - 1) * (len(rows) - 1) / spare if told else np.nan
    return ErrorIndex(
        ran=ran,
        explained=(index.back @ explained).reshape(gpus * SIZE, -1),
        correction=np.where(varies, number, np.nan),
    )


@dataclass(frozen=True, slots=True, eq=False)
class LeftOutIndex:
    """Equations without each GPU.

    Attributes
    ----------
    solve : ndarray, shape (D, 4, 4 + W)
        Slopes from the products of centred columns and log FPS, and from sums of log FPS by
        workload, over the other GPUs.
    rest : ndarray, shape (D, 4)
        What is added to them.
    away : ndarray, shape (D, W, 4)
        Mean logs of a workload on the other GPUs, about its mean.
    count : ndarray, shape (D, W)
        Rows on the other GPUs; NaN where there is none.
    cell : ndarray of int, shape (C, L)
        Flat position in a table of GPUs and workloads, of each place.
    owner : ndarray of int, shape (C,)
        GPU of each chunk.
    """

    solve: FloatArray
    rest: FloatArray
    away: FloatArray
    count: FloatArray
    cell: IntArray
    owner: IntArray


@lru_cache(maxsize=4)
def left_out_index(rows: Rows) -> LeftOutIndex:
    """Prepare the fits without each GPU; at least two GPUs."""
    index = row_index(rows)
    own = index.by_gpu(index.centred @ np.swapaxes(index.centred, 1, 2))
    sums = np.stack([index.by_both(index.centred[:, k]) for k in range(SIZE)], axis=1)
    others = (np.nan_to_num(index.number)[:, None] - index.count).T
    share = np.divide(sums, others[:, None], out=np.zeros_like(sums), where=others[:, None] > 0)
    gram = own.sum(axis=0) - own - share @ np.swapaxes(sums, 1, 2)
    unit = np.broadcast_to(np.eye(SIZE), (len(gram), SIZE, SIZE))
    inverse = np.stack([least_change(gram, unit[:, k], OPEN**2) for k in range(SIZE)], axis=2)
    others[others == 0] = np.nan
    workload = rows.workload.take(index.place)
    owner = np.searchsorted(index.first, np.arange(len(index.place)), side="right") - 1
    return LeftOutIndex(
        solve=np.concatenate([inverse, inverse @ share], axis=2),
        rest=USUAL_SLOPES - (inverse @ gram) @ USUAL_SLOPES,
        away=-np.swapaxes(share, 1, 2),
        count=others,
        cell=owner[:, None] * len(index.count) + workload,
        owner=owner,
    )
