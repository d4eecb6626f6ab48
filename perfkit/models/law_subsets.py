"""One law fitted to many subsets of cells, each different subset of a workload only once.

What was found for a subset is remembered by what it was found from: the law, the workload's cells
and which of them took part. Leaving out each GPU, each pair of GPUs, the choice made anew without
a GPU and the widths of its ranges all ask for the same few subsets.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from perfkit.models.family import PARTS, Cells, FloatArray, IntArray, Rows
from perfkit.models.law_fit import Problem, covariance, fit_law
from perfkit.models.laws import Form, Law, form_of, slopes, take

GPUs = tuple[int, ...]

BLOCK_NUMBERS = 1 << 16
"""Numbers of one array in a block of fits."""

PADDED_TO = 8
"""Workloads are padded with unused cells to a multiple of this, so that workloads of about the
same size are fitted side by side, and what is found for one does not depend on the others."""


@dataclass(frozen=True, slots=True, eq=False)
class Subsets:
    """Cells of one workload, and which of them each of m fits may see.

    Attributes
    ----------
    place : ndarray of int, shape (n,)
        Positions of the workload's cells.
    used : ndarray, shape (k, n)
        One row per different subset that is not empty; 1 where a cell takes part.
    which : ndarray of int, shape (m,)
        Row of `used` that each fit takes; -1 where nothing is left.
    """

    place: IntArray
    used: FloatArray
    which: IntArray


@lru_cache(maxsize=4)
def subsets(cells: Cells, without: tuple[GPUs, ...]) -> dict[int, Subsets]:
    """Sort the cells by workload and find the different subsets of each.

    Parameters
    ----------
    cells : Cells
    without : tuple of tuples of int
        For each of m fits, the codes of the GPUs that it must not see.

    Returns
    -------
    dict of int to Subsets
        By code of the workload.
    """
    seen = np.array([~np.isin(cells.rows.gpu, gone) for gone in without], dtype=float)
    result = {}
    for code in np.unique(cells.rows.workload):
        place = np.flatnonzero(cells.rows.workload == code)
        used, which = np.unique(seen[:, place], axis=0, return_inverse=True)
        empty = int(not used[0].any())
        result[int(code)] = Subsets(place, used[empty:], which.reshape(-1) - empty)
    return result


@dataclass(frozen=True, slots=True, eq=False)
class LawFits:
    """One law fitted to m subsets of the cells of each workload.

    Attributes
    ----------
    count : int
        m.
    forms : dict of int to Form
        By code of the workload.
    theta : dict of int to ndarray, shape (m, J + 2)
        Parameters; NaN where a subset has no cell of the workload.
    spread : dict of int to ndarray, shape (m, J + 2, J + 2)
        Their covariance; NaN likewise.
    """

    count: int
    forms: dict[int, Form]
    theta: dict[int, FloatArray]
    spread: dict[int, FloatArray]

    def log_ms(self, rows: Rows) -> FloatArray:
        """Log frame time by every fit, shape (m, n); NaN for workloads that it never saw."""
        result = np.full((self.count, len(rows)), np.nan)
        for code, form in self.forms.items():
            mine = np.flatnonzero(rows.workload == code)
            if len(mine):
                arrays = form.features(rows.take(mine))
                result[:, mine] = take(form, self.theta[code], *arrays).log_ms
        return result

    def variance(self, rows: Rows) -> FloatArray:
        """Variance of the log frame time that uncertain parameters give, shape (m, n)."""
        result = np.full((self.count, len(rows)), np.nan)
        for code, form in self.forms.items():
            mine = np.flatnonzero(rows.workload == code)
            if len(mine):
                features, contention = form.features(rows.take(mine))
                taken = take(form, self.theta[code], features, contention)
                slope = slopes(form, taken, contention)
                result[:, mine] = ((slope @ self.spread[code]) * slope).sum(axis=-1)
        return result

    def parts(self, rows: Rows) -> FloatArray:
        """Frame time (ms) by cause, shape (n, 4), by the first fit."""
        result = np.full((len(rows), len(PARTS)), np.nan)
        for code, form in self.forms.items():
            mine = np.flatnonzero(rows.workload == code)
            if len(mine):
                arrays = form.features(rows.take(mine))
                result[mine] = take(form, self.theta[code][:1], *arrays).part[0] @ form.causes
        return result


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


def _missing(memory: list[Found], used: FloatArray) -> FloatArray:
    """Subsets that nothing is remembered of."""
    if not memory:
        return used
    known = memory[0].rows
    return used[[row.tobytes() not in known for row in used]]


def _remember(memory: list[Found], used: FloatArray, theta: FloatArray, spread: FloatArray) -> None:
    """Add to what is remembered, in one step, so that a reader never meets half of it."""
    rows = dict(memory[0].rows) if memory else {}
    rows |= {row.tobytes(): len(rows) + k for k, row in enumerate(used)}
    if memory:
        theta = np.concatenate([memory[0].theta, theta])
        spread = np.concatenate([memory[0].spread, spread])
    memory[:] = [Found(rows, theta, spread)]


@dataclass(frozen=True, slots=True, eq=False)
class Asked:
    """Subsets of one workload's cells that one law is to be fitted to.

    Attributes
    ----------
    workload : Workload
    memory : list of Found
        As by `found`.
    used : ndarray, shape (k, n)
        Different subsets, none of them empty.
    """

    workload: Workload
    memory: list[Found]
    used: FloatArray


def _fit_missing(asked: list[Asked]) -> None:
    """Fit what is not remembered, workloads of about the same size side by side."""
    missing = [_missing(one.memory, one.used) for one in asked]
    padded = [-(-len(one.workload.log_ms) // PADDED_TO) * PADDED_TO for one in asked]
    for size in sorted(set(padded)):
        chosen = [k for k, p in enumerate(padded) if p == size and len(missing[k])]
        if not chosen:
            continue
        picked = [(asked[k].workload, missing[k]) for k in chosen]
        problem, share = _side_by_side(picked, size)
        theta, spread = _in_blocks(problem, share)
        ends = np.cumsum([len(missing[k]) for k in chosen])[:-1]
        for k, own, unsure in zip(
            chosen, np.split(theta, ends), np.split(spread, ends), strict=True
        ):
            _remember(asked[k].memory, missing[k], own, unsure)


def _of_whole(cells: Cells, without: tuple[GPUs, ...]) -> tuple[Cells, tuple[GPUs, ...]]:
    """Ask the same of the cells that some are a part of."""
    if cells.whole is None:
        return cells, without
    return cells.whole, tuple(tuple(sorted({*cells.gone, *more})) for more in without)


def fit_ahead(laws: Sequence[Law], asked: Sequence[tuple[Cells, tuple[GPUs, ...]]]) -> None:
    """Fit laws to all that will be asked for, many small fits side by side being quicker.

    Parameters
    ----------
    laws : sequence of Law
    asked : sequence of (Cells, tuple of tuples of int)
        What `fit_subsets` will be called with; then it finds all remembered.
    """
    for law in laws:
        together: dict[int, list[Asked]] = {}
        for cells, without in (_of_whole(*one) for one in asked):
            sorted_cells = subsets(cells, without)
            for code, (workload, memory) in _workloads(law, cells).items():
                one = Asked(workload, memory, sorted_cells[code].used)
                together.setdefault(id(memory), []).append(one)
        _fit_missing(
            [
                Asked(same[0].workload, same[0].memory, _different([one.used for one in same]))
                for same in together.values()
            ]
        )


def _different(used: list[FloatArray]) -> FloatArray:
    """Keep one of each subset."""
    return used[0] if len(used) == 1 else np.unique(np.concatenate(used), axis=0)


@lru_cache(maxsize=16)
def fit_subsets(law: Law, cells: Cells, without: tuple[GPUs, ...]) -> LawFits:
    """Fit a law to the cells left when GPUs are taken out, all workloads side by side.

    Parameters
    ----------
    law : Law
    cells : Cells
        Cells that are others without some GPUs (`Cells.without`) count as these, with the GPUs
        missing from every subset.
    without : tuple of tuples of int
        For each of m fits, the codes of the GPUs that it must not see.

    Returns
    -------
    LawFits
    """
    if cells.whole is not None:
        return fit_subsets(law, *_of_whole(cells, without))
    sorted_cells = subsets(cells, without)
    workloads = _workloads(law, cells)
    _fit_missing([Asked(*workloads[code], part.used) for code, part in sorted_cells.items()])
    theta, spread = {}, {}
    for code, part in sorted_cells.items():
        workload, memory = workloads[code]
        width = workload.form.size + 2
        ran, which = part.which >= 0, part.which[part.which >= 0]
        theta[code] = np.full((len(without), width), np.nan)
        spread[code] = np.full((len(without), width, width), np.nan)
        if len(part.used):
            place = np.array([memory[0].rows[row.tobytes()] for row in part.used])[which]
            theta[code][ran] = memory[0].theta[place]
            spread[code][ran] = memory[0].spread[place]
    forms = {code: workload.form for code, (workload, _) in workloads.items()}
    return LawFits(len(without), forms, theta, spread)


@lru_cache(maxsize=16)
def _workloads(law: Law, cells: Cells) -> dict[int, tuple[Workload, list[Found]]]:
    """Cells by code of the workload as a law sees them, and what is remembered of each."""
    told = law.told_apart(cells.rows)
    result = {}
    for code in np.unique(cells.rows.workload):
        workload = _workload(told, cells, np.flatnonzero(cells.rows.workload == code))
        result[int(code)] = workload, found(told, workload.key)
    return result


def _workload(told: Law, cells: Cells, place: IntArray) -> Workload:
    rows = cells.rows.take(place)
    form = form_of(told, rows)
    log_ms = np.log(1000.0) - cells.log_fps[place]
    return Workload(form, *form.features(rows), log_ms, rows.gpu)


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


def as_key(without: list[IntArray]) -> tuple[GPUs, ...]:
    """Turn arrays of codes into something that can be remembered."""
    return tuple(tuple(int(code) for code in gone) for gone in without)
