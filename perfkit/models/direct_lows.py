"""The 1 % low by the law of the averages: what else the slow frames owe to the hardware.

A ratio to the average that one workload keeps everywhere is only right where slow frames have the
same causes as the others. Here a family is fitted to the 1 % lows as it is to the averages, and the
ratio is what lies between the two fits. That such a fit is offered beside the ratio was decided on
the four devices of the long passes on which its error is told, so that error flatters.
"""

from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np

from perfkit.models.family import Cells, Family, Fitted, FloatArray, Rows
from perfkit.models.lows import fit_ratio, left_out_ratio


class Lows(Protocol):
    """A model of log(1 % low / average)."""

    def log_ratio(self, rows: Rows) -> FloatArray:
        """Median log ratio of each row, at most 0."""


@dataclass(frozen=True, slots=True, eq=False)
class DirectLows:
    """Two fits of one family.

    Attributes
    ----------
    lows, averages : Fitted
        To the same cells.
    otherwise : Lows
        For workloads that neither saw.
    """

    lows: Fitted
    averages: Fitted
    otherwise: Lows

    def log_ratio(self, rows: Rows) -> FloatArray:
        """Median log ratio of each row, at most 0."""
        between = np.minimum(self.lows.log_fps(rows) - self.averages.log_fps(rows), 0.0)
        return np.where(np.isfinite(between), between, self.otherwise.log_ratio(rows))


def with_lows(cells: Cells) -> tuple[Cells, Cells]:
    """Cells that have a 1 % low: with it in place of the average, and as they are."""
    known = cells.take(np.isfinite(cells.log_low_ratio))
    return replace(known, log_fps=known.log_fps + known.log_low_ratio), known


def _left_out_direct(cells: Cells, of_lows: tuple[Cells, Cells], family: Family) -> FloatArray:
    result = np.full(len(cells), np.nan)
    lows, averages = of_lows
    gpus = averages.gpus
    each = [gpus[k : k + 1] for k in range(len(gpus))]
    own = np.searchsorted(gpus, averages.rows.gpu), np.arange(len(averages))
    between = np.array(family.left_out(lows, each))[own]
    between -= np.array(family.left_out(averages, each))[own]
    result[np.isfinite(cells.log_low_ratio)] = np.minimum(between, 0.0)
    return result


def fit_lows(cells: Cells, of_lows: tuple[Cells, Cells], family: Family) -> tuple[Lows, FloatArray]:
    """Fit a family to the 1 % lows; where no GPU can be left out, one ratio a workload.

    Parameters
    ----------
    cells : Cells
        n cells.
    of_lows : tuple of two Cells
        By `with_lows`.
    family : Family

    Returns
    -------
    Lows
    ndarray, shape (n,)
        Left-out log ratios.
    """
    ratio, left_ratio = fit_ratio(cells), left_out_ratio(cells)
    lows, averages = of_lows
    if len(averages.gpus) < 2:
        return ratio, left_ratio
    direct = _left_out_direct(cells, of_lows, family)
    fitted = DirectLows(family.fit(lows), family.fit(averages), ratio)
    return fitted, np.where(np.isfinite(direct), direct, left_ratio)
