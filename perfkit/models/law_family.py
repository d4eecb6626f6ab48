"""Laws of frame time as families: one law alone, or several blended and krige'd.

All fits that leave GPUs out are made side by side, workload by workload, and remembered while the
same cells are asked again: a blend and its laws share them.
"""

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import pandas as pd

from perfkit.models.family import PARTS, Cells, Family, Fitted, FloatArray, IntArray, Rows
from perfkit.models.kriging import kernel, krige
from perfkit.models.law_fit import Problem, covariance, fit_law
from perfkit.models.laws import Form, Law, form_of, slopes, take
from perfkit.models.ranges import VARIABLES
from perfkit.models.words import gain_sentence

GPUs = tuple[int, ...]

RATE_FIELDS = ("arithmetic_tflops", "bandwidth_gb_s", "drawn_mpx", "cpu_speed")
"""Fields of `Rows` behind `perfkit.models.ranges.VARIABLES`."""

BLOCK_NUMBERS = 1 << 16
"""Numbers of one array in a block of fits."""

NUDGE = 1e-4
"""Step in a log rate by which elasticities are taken."""


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


@lru_cache(maxsize=16)
def fit_subsets(law: Law, cells: Cells, without: tuple[GPUs, ...]) -> LawFits:
    """Fit a law to the cells left when GPUs are taken out, all workloads side by side.

    Parameters
    ----------
    law : Law
    cells : Cells
    without : tuple of tuples of int
        For each of m fits, the codes of the GPUs that it must not see.

    Returns
    -------
    LawFits
    """
    sorted_cells = subsets(cells, without)
    told = law.told_apart(cells.rows)
    forms = {c: form_of(told, cells.rows.take(part.place)) for c, part in sorted_cells.items()}
    problem = _side_by_side(cells, sorted_cells, forms)
    share = np.concatenate([_gpus_per_cell(cells, part) for part in sorted_cells.values()])
    found, unsure = _in_blocks(problem, share)
    theta, spread, first = {}, {}, 0
    for code, part in sorted_cells.items():
        own = slice(first, first + len(part.used))
        first += len(part.used)
        ran, which = part.which >= 0, part.which[part.which >= 0]
        theta[code] = np.full((len(without), found.shape[1]), np.nan)
        spread[code] = np.full((len(without), *unsure.shape[1:]), np.nan)
        theta[code][ran] = found[own][which]
        spread[code][ran] = unsure[own][which]
    return LawFits(len(without), forms, theta, spread)


def _gpus_per_cell(cells: Cells, part: Subsets) -> FloatArray:
    """GPUs over cells of each subset: cells of one GPU share most of its error."""
    gpu = cells.rows.gpu[part.place]
    ran = part.used @ (gpu[:, None] == np.unique(gpu)) > 0
    return np.asarray(ran.sum(axis=1) / part.used.sum(axis=1))


def _side_by_side(
    cells: Cells, sorted_cells: dict[int, Subsets], forms: dict[int, Form]
) -> Problem:
    """Put the subsets of all workloads into one problem, short ones padded with unused cells."""
    form = next(iter(forms.values()))
    total = sum(len(part.used) for part in sorted_cells.values())
    longest = max(len(part.place) for part in sorted_cells.values())
    features = np.zeros((total, longest, form.size))
    contention, log_ms, used = (np.zeros((total, longest)) for _ in range(3))
    first = 0
    for code, part in sorted_cells.items():
        here, n = slice(first, first + len(part.used)), len(part.place)
        first += len(part.used)
        features[here, :n], contention[here, :n] = forms[code].features(cells.rows.take(part.place))
        log_ms[here, :n] = np.log(1000.0) - cells.log_fps[part.place]
        used[here, :n] = part.used
    return Problem(form, features, contention, log_ms, used)


def _in_blocks(problem: Problem, share: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Fit in blocks that stay in the cache of the processor; parameters and covariances."""
    step = max(1, BLOCK_NUMBERS // max(1, problem.features[:1].size))
    found, unsure = [], []
    for first in range(0, len(share), step):
        here = slice(first, first + step)
        block = Problem(
            problem.form,
            problem.features[here],
            problem.contention[here],
            problem.log_ms[here],
            problem.used[here],
        )
        found.append(fit_law(block))
        unsure.append(covariance(block, found[-1], share[here]))
    return np.concatenate(found), np.concatenate(unsure)


def as_key(without: list[IntArray]) -> tuple[GPUs, ...]:
    """Turn arrays of codes into something that can be remembered."""
    return tuple(tuple(int(code) for code in gone) for gone in without)


@dataclass(frozen=True, slots=True)
class LawFamily(Family):
    """One law, each workload by itself, held by weak priors where cells are few.

    Attributes
    ----------
    law : Law
    """

    law: Law

    def fit(self, cells: Cells) -> "LawFit":
        """Fit the law to all cells."""
        return LawFit(cells, (self.law,), kriged=False)

    def left_out(self, cells: Cells, without: list[IntArray]) -> list[FloatArray]:
        """Fit side by side."""
        fits = fit_subsets(self.law, cells, as_key(without))
        return list(np.log(1000.0) - fits.log_ms(cells.rows))


@dataclass(frozen=True, slots=True)
class Blend(Family):
    """The mean of several laws in logs, and what they all miss carried to near GPUs.

    Nothing is chosen, so nothing has to be learnt from few GPUs.

    Attributes
    ----------
    laws : tuple of Law
    """

    laws: tuple[Law, ...]

    def fit(self, cells: Cells) -> "LawFit":
        """Fit every law to all cells."""
        return LawFit(cells, self.laws, kriged=True)

    def left_out(self, cells: Cells, without: list[IntArray]) -> list[FloatArray]:
        """Fit side by side."""
        log_ms = blended(self.laws, cells, as_key(without), cells.rows, kriged=True)
        return list(np.log(1000.0) - log_ms)


def blended(
    laws: tuple[Law, ...], cells: Cells, without: tuple[GPUs, ...], rows: Rows, *, kriged: bool
) -> FloatArray:
    """Log frame time of n rows by the blend of laws that saw only some GPUs, shape (m, n)."""
    fits = [fit_subsets(law, cells, without) for law in laws]
    said = np.mean([fit.log_ms(rows) for fit in fits], axis=0)
    if not kriged:
        return np.asarray(said)
    of_cells = said if rows is cells.rows else np.mean([f.log_ms(cells.rows) for f in fits], axis=0)
    residual = np.log(1000.0) - cells.log_fps - of_cells
    for code, part in subsets(cells, without).items():
        mine = np.flatnonzero(rows.workload == code)
        ran = part.which >= 0
        if not len(mine) or not ran.any():
            continue
        near = cells.rows.take(part.place)
        # One row of residuals a subset: fits with the same cells have the same residuals.
        first = np.unique(part.which[ran], return_index=True)[1]
        own = residual[np.flatnonzero(ran)[first]][:, part.place]
        weights = krige(kernel(near, near), own, part.used)
        added = weights @ kernel(near, rows.take(mine))
        said[np.ix_(ran, mine)] += added[part.which[ran]]
    return np.asarray(said)


def law_variance(
    laws: tuple[Law, ...], cells: Cells, without: tuple[GPUs, ...], rows: Rows
) -> FloatArray:
    """Variance of log FPS that the uncertain parameters of laws give, shape (m, n).

    The mean over the laws, which saw the same cells; NaN where a fit had no cell of the workload.
    """
    fits = [fit_subsets(law, cells, without) for law in laws]
    return np.asarray(np.mean([fit.variance(rows) for fit in fits], axis=0))


@dataclass(frozen=True, slots=True, eq=False)
class LawFit(Fitted):
    """Laws fitted to cells.

    Attributes
    ----------
    cells : Cells
        What they were fitted to.
    laws : tuple of Law
    kriged : bool
        Whether misses are carried to near GPUs.
    """

    cells: Cells
    laws: tuple[Law, ...]
    kriged: bool

    def log_fps(self, rows: Rows) -> FloatArray:
        """Mean over laws, and kriging."""
        log_ms = blended(self.laws, self.cells, ((),), rows, kriged=self.kriged)[0]
        return np.asarray(np.log(1000.0) - log_ms)

    def parts(self, rows: Rows) -> FloatArray:
        """Mean of the laws' parts."""
        fits = [fit_subsets(law, self.cells, ((),)) for law in self.laws]
        return np.asarray(np.mean([fit.parts(rows) for fit in fits], axis=0))

    def terms(self) -> pd.DataFrame:
        """Say what 10 % more of each rate would do, by workload, at its middle configuration.

        Standard errors by the jackknife over GPUs.
        """
        gpus = self.cells.gpus
        without = (
            (),
            *as_key([gpus[k : k + 1] for k in range(len(gpus))] if len(gpus) > 2 else []),
        )
        middle = self._middles()
        base = self._laws(middle, without)
        tables = []
        for term, name in zip(VARIABLES, RATE_FIELDS, strict=True):
            if np.ptp(getattr(self.cells.rows, name)) == 0.0:
                continue
            nudged = replace(middle, **{name: getattr(middle, name) * np.exp(NUDGE)})
            slope = (base - self._laws(nudged, without)) / NUDGE
            away = slope[1:] - slope[1:].mean(axis=0) if len(without) > 2 else slope[1:]
            count = max(len(without) - 1, 1)
            error = np.sqrt((count - 1) / count * np.square(away).sum(axis=0))
            tables.append(
                pd.DataFrame(
                    {
                        "term": term,
                        "workload": np.array(middle.names.workloads, dtype=object)[middle.workload],
                        "estimate": slope[0],
                        "std_error": error if len(without) > 2 else np.nan,
                    }
                )
            )
        if not tables:
            return Fitted.terms(self)
        tidy = pd.concat(tables, ignore_index=True)
        tidy["sentence"] = [
            f"{workload}: {gain_sentence(term, gain)}"
            for workload, term, gain in zip(
                tidy["workload"], tidy["term"], tidy["estimate"], strict=True
            )
        ]
        return tidy[["term", "workload", "estimate", "std_error", "sentence"]]

    def _laws(self, rows: Rows, without: tuple[GPUs, ...]) -> FloatArray:
        return blended(self.laws, self.cells, without, rows, kriged=False)

    def _middles(self) -> Rows:
        """One configuration a workload: the cell of middle frame time."""
        workload = self.cells.rows.workload
        picked = []
        for code in np.unique(workload):
            place = np.flatnonzero(workload == code)
            order = place[np.argsort(self.cells.log_fps[place], kind="stable")]
            picked.append(order[len(order) // 2])
        return self.cells.rows.take(np.array(picked, dtype=np.intp))
