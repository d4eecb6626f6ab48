"""One law fitted to many subsets of the cells of all workloads at once."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from perfkit.models.family import BoolArray, Cells, FloatArray, IntArray, Rows
from perfkit.models.law_cache import Asked, fit_missing, workloads_of
from perfkit.models.laws import Form, Law, Taken, slopes, take

GPUs = tuple[int, ...]

BLOCK_NUMBERS = 1 << 20
"""Parameters taken at once when many rows are predicted by many fits."""


@dataclass(frozen=True, slots=True, eq=False)
class Subsets:
    """Cells of one workload, and which of them each of m fits may see.

    Attributes
    ----------
    place : ndarray of int, shape (n,)
        Positions of the workload's cells.
    used : dict of bytes to ndarray of bool, shape (n,)
        Which cells take part, by its own bytes: k different subsets that are not empty.
    which : ndarray of int, shape (m,)
        Which of `used` each fit takes; -1 where nothing is left.
    """

    place: IntArray
    used: dict[bytes, BoolArray]
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
    seen = np.array([~np.isin(cells.rows.gpu, gone) for gone in without])
    result = {}
    for code in np.unique(cells.rows.workload):
        place = np.flatnonzero(cells.rows.workload == code)
        used: dict[bytes, BoolArray] = {}
        which = np.full(len(seen), -1, dtype=np.intp)
        number: dict[bytes, int] = {}
        for k, row in enumerate(seen[:, place]):
            if row.any():
                key = row.tobytes()
                used.setdefault(key, row)
                which[k] = number.setdefault(key, len(number))
        result[int(code)] = Subsets(place, used, which)
    return result


@dataclass(frozen=True, slots=True, eq=False)
class LawFits:
    """One law fitted to m subsets of the cells of each of w workloads.

    Attributes
    ----------
    form : Form
        Of all workloads but for its centre.
    centre : ndarray, shape (w,)
        Of each workload's form.
    theta : ndarray, shape (m, w, J + 2)
        Parameters by code of the workload; NaN where a subset has no cell of it.
    spread : ndarray, shape (m, w, J + 2, J + 2)
        Their covariance; NaN likewise.
    """

    form: Form
    centre: FloatArray
    theta: FloatArray
    spread: FloatArray

    def _blocks(self, rows: Rows) -> Iterator[tuple[slice, Rows]]:
        """Rows in blocks, so that memory does not grow with fits times rows."""
        step = max(1, BLOCK_NUMBERS // self.theta[:, 0].size)
        for first in range(0, len(rows), step):
            here = slice(first, first + step)
            yield here, rows.take(here)

    def _taken(self, rows: Rows) -> tuple[Taken, FloatArray]:
        """Each row by its workload's parameters, and contention."""
        features, contention = self.form.features(rows)
        contention = contention - self.centre[rows.workload]
        return take(self.form, self.theta[:, rows.workload], features, contention), contention

    def log_ms(self, rows: Rows) -> FloatArray:
        """Log frame time by every fit, shape (m, n); NaN for workloads that it never saw."""
        result = np.empty((len(self.theta), len(rows)))
        for here, some in self._blocks(rows):
            result[:, here] = self._taken(some)[0].log_ms
        return result

    def log_ms_and_variance(self, rows: Rows) -> tuple[FloatArray, FloatArray]:
        """Log frame time, and its variance by uncertain parameters, shape (m, n) each."""
        log_ms, variance = np.empty((2, len(self.theta), len(rows)))
        for here, some in self._blocks(rows):
            taken, contention = self._taken(some)
            slope = slopes(self.form, taken, contention)
            log_ms[:, here] = taken.log_ms
            for code in np.unique(some.workload):
                mine = np.flatnonzero(some.workload == code)
                own = slope[:, mine]
                square = ((own @ self.spread[:, code]) * own).sum(axis=-1)
                variance[:, here.start + mine] = square
        return log_ms, variance

    def parts(self, rows: Rows) -> FloatArray:
        """Frame time (ms) by cause, shape (n, 4), by the first fit."""
        return np.asarray(self._taken(rows)[0].part[0] @ self.form.causes)


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
        What `fit_subsets` will be called with; it then finds all remembered.
    """
    for law in laws:
        together: dict[int, Asked] = {}
        for cells, without in (_of_whole(*one) for one in asked):
            sorted_cells = subsets(cells, without)
            for code, (workload, memory) in workloads_of(law, cells).items():
                one = together.setdefault(id(memory), Asked(workload, memory, {}))
                one.used.update(sorted_cells[code].used)
        fit_missing(list(together.values()))


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
    fit_ahead((law,), ((cells, without),))
    workloads = workloads_of(law, cells)
    form = replace(next(iter(workloads.values()))[0].form, centre=0.0)
    count, width = len(cells.rows.names.workloads), form.size + 2
    centre = np.full(count, np.nan)
    theta = np.full((len(without), count, width), np.nan)
    spread = np.full((len(without), count, width, width), np.nan)
    for code, part in subsets(cells, without).items():
        workload, memory = workloads[code]
        centre[code] = workload.form.centre
        if part.used:
            ran = part.which >= 0
            place = np.array([memory[0].rows[key] for key in part.used])[part.which[ran]]
            theta[ran, code] = memory[0].theta[place]
            spread[ran, code] = memory[0].spread[place]
    return LawFits(form, centre, theta, spread)


def as_key(without: list[IntArray]) -> tuple[GPUs, ...]:
    """Turn arrays of codes into something that can be remembered."""
    return tuple(tuple(int(code) for code in gone) for gone in without)
