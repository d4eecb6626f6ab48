"""Laws of frame time as families: one law alone, or several blended and krige'd.

All fits that leave GPUs out are made side by side, workload by workload, and remembered: a blend
and its laws share them (`perfkit.models.law_subsets`).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from perfkit.models.family import Cells, Family, Fitted, FloatArray, IntArray, Rows
from perfkit.models.kriging import kernel, krige
from perfkit.models.law_subsets import GPUs, as_key, fit_ahead, fit_subsets, subsets
from perfkit.models.laws import Law
from perfkit.models.outside_seen import VARIABLES
from perfkit.models.sentences import gain_sentence

RATE_FIELDS = ("arithmetic_tflops", "bandwidth_gb_s", "drawn_mpx", "cpu_speed")
"""Fields of `Rows` behind `perfkit.models.outside_seen.VARIABLES`."""

NUDGE = 1e-4
"""Step in a log rate by which elasticities are taken."""


@dataclass(frozen=True, slots=True)
class LawFamily(Family):
    """One law, each workload by itself, held by weak priors where cells are few.

    Attributes
    ----------
    law : Law
    """

    law: Law

    def prepare(self, asked: Sequence[tuple[Cells, list[IntArray]]]) -> None:
        """Fit the law to all subsets side by side."""
        fit_ahead((self.law,), [(cells, as_key(without)) for cells, without in asked])

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

    def prepare(self, asked: Sequence[tuple[Cells, list[IntArray]]]) -> None:
        """Fit every law to all subsets side by side."""
        fit_ahead(self.laws, [(cells, as_key(without)) for cells, without in asked])

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
        own = np.nan_to_num(own)  # a law without a number has no miss to carry
        weights = krige(kernel(near, near), own, np.array(list(part.used.values()), dtype=float))
        added = weights @ kernel(near, rows.take(mine))
        said[np.ix_(ran, mine)] += added[part.which[ran]]
    return np.asarray(said)


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
