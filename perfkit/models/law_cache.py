"""Fits of a law to subsets of a workload's cells: many side by side, each made once and remembered.

What was found for a subset is remembered by what it was found from: the law, the workload's cells
and which of them took part. Leaving out each GPU, each pair of GPUs, the choice made anew without
a GPU and the widths of its ranges all ask for the same few subsets.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from perfkit.models.family import BoolArray, Cells, FloatArray, IntArray
from perfkit.models.law_fit import Problem, covariance, fit_law
from perfkit.models.laws import Form, Law, form_of

BLOCK_NUMBERS = 1 << 16
"""Numbers of one array in a block of fits."""

PADDED_TO = 16
"""Workloads are padded with unused cells to a multiple of this, so that workloads of about the
same size are fitted side by side, and what is found for one does not depend on the others."""


@dataclass(frozen=True, slots=True, eq=False)
class Workload:
    """Cells of one workload as a law sees them.

    Attributes
    ----------
    form : Form
    features : ndarray, shape (n, J)
    contention, log_ms : ndarray, shape (n,)
    gpu : ndarray of int, shape (n,)
    """

    form: Form
    features: FloatArray
    contention: FloatArray
    log_ms: FloatArray
    gpu: IntArray

    @property
    def key(self) -> bytes:
        """The cells as bytes."""
        arrays = (self.features, self.contention, self.log_ms, self.gpu)
        return b"".join(array.tobytes() for array in arrays)


@dataclass(slots=True)
class Found:
    """What was found so far for subsets of one workload's cells.

    Attributes
    ----------
    rows : dict of bytes to int
        Which row of the arrays belongs to which subset.
    theta : ndarray, shape (k, J + 2)
    spread : ndarray, shape (k, J + 2, J + 2)
    """

    rows: dict[bytes, int]
    theta: FloatArray
    spread: FloatArray


@lru_cache(maxsize=1024)
def found(told: Law, key: bytes) -> list[Found]:
    """Recall what is known of a law and a workload's cells: a list of at most one entry."""
    return []


@lru_cache(maxsize=16)
def workloads_of(law: Law, cells: Cells) -> dict[int, tuple[Workload, list[Found]]]:
    """Cells by code of the workload as a law sees them, and what is remembered of each."""
    told = law.told_apart(cells.rows)
    result = {}
    for code in np.unique(cells.rows.workload):
        place = np.flatnonzero(cells.rows.workload == code)
        rows = cells.rows.take(place)
        form = form_of(told, rows)
        log_ms = np.log(1000.0) - cells.log_fps[place]
        workload = Workload(form, *form.features(rows), log_ms, rows.gpu)
        result[int(code)] = workload, found(told, workload.key)
    return result


@dataclass(frozen=True, slots=True, eq=False)
class Asked:
    """Subsets of one workload's cells that one law is to be fitted to.

    Attributes
    ----------
    workload : Workload
    memory : list of Found
        As by `found`.
    used : dict of bytes to ndarray of bool, shape (n,)
        Which cells take part, by its own bytes; some cell does in each.
    """

    workload: Workload
    memory: list[Found]
    used: dict[bytes, BoolArray]

    def missing(self) -> dict[bytes, BoolArray]:
        """Leave what nothing is remembered of."""
        known = self.memory[0].rows if self.memory else {}
        return {key: row for key, row in self.used.items() if key not in known}


def fit_missing(asked: list[Asked]) -> None:
    """Fit what is not remembered, workloads of about the same size side by side.

    Parameters
    ----------
    asked : list of Asked
        Of one law, each workload's cells once.
    """
    missing = [one.missing() for one in asked]
    padded = [-(-len(one.workload.log_ms) // PADDED_TO) * PADDED_TO for one in asked]
    for size in sorted(set(padded)):
        chosen = [k for k, p in enumerate(padded) if p == size and missing[k]]
        if not chosen:
            continue
        used = [np.array(list(missing[k].values()), dtype=float) for k in chosen]
        picked = [(asked[k].workload, rows) for k, rows in zip(chosen, used, strict=True)]
        theta, spread = _in_blocks(*_side_by_side(picked, size))
        ends = np.cumsum([len(rows) for rows in used])[:-1]
        for k, own, unsure in zip(
            chosen, np.split(theta, ends), np.split(spread, ends), strict=True
        ):
            _remember(asked[k].memory, list(missing[k]), own, unsure)


def _remember(
    memory: list[Found], keys: list[bytes], theta: FloatArray, spread: FloatArray
) -> None:
    """Add to what is remembered, in one step, so that a reader never meets half of it."""
    rows = dict(memory[0].rows) if memory else {}
    rows |= {key: len(rows) + k for k, key in enumerate(keys)}
    if memory:
        theta = np.concatenate([memory[0].theta, theta])
        spread = np.concatenate([memory[0].spread, spread])
    memory[:] = [Found(rows, theta, spread)]


def _gpus_per_cell(gpu: IntArray, used: FloatArray) -> FloatArray:
    """GPUs over cells of each subset: cells of one GPU share most of its error."""
    ran = used @ (gpu[:, None] == np.unique(gpu)) > 0
    return np.asarray(ran.sum(axis=1) / used.sum(axis=1))


def _side_by_side(
    picked: list[tuple[Workload, FloatArray]], size: int
) -> tuple[Problem, FloatArray]:
    """Put the subsets of some workloads into one problem, padded to `size` cells."""
    form = picked[0][0].form
    total = sum(len(used) for _, used in picked)
    features = np.zeros((total, size, form.size))
    contention, log_ms, taken = (np.zeros((total, size)) for _ in range(3))
    first = 0
    for workload, used in picked:
        here, n = slice(first, first + len(used)), len(workload.log_ms)
        first += len(used)
        features[here, :n], contention[here, :n] = workload.features, workload.contention
        log_ms[here, :n] = workload.log_ms
        taken[here, :n] = used
    share = np.concatenate([_gpus_per_cell(workload.gpu, used) for workload, used in picked])
    return Problem(form, features, contention, log_ms, taken), share


def _in_blocks(problem: Problem, share: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Fit in blocks that stay in the cache of the processor; parameters and covariances."""
    step = max(1, BLOCK_NUMBERS // max(1, problem.features[:1].size))
    theta, spread = [], []
    for first in range(0, len(share), step):
        here = slice(first, first + step)
        block = Problem(
            problem.form,
            problem.features[here],
            problem.contention[here],
            problem.log_ms[here],
            problem.used[here],
        )
        theta.append(fit_law(block))
        spread.append(covariance(block, theta[-1], share[here]))
    return np.concatenate(theta), np.concatenate(spread)
