"""A workload run on one GPU only: which parts its frame time may have, and what each would mean.

Shares of the parts of a frame time are sampled; those that reproduce the workload's frame times at
home - its resolutions, its memory rates - are kept, and tell the frame time elsewhere. The other
workloads, kept at home likewise, say how far off that is.
"""

from dataclasses import dataclass

import numpy as np

from perfkit.defaults import SEED
from perfkit.models.family import BoolArray, Cells, FloatArray, IntArray, Rows
from perfkit.models.laws import MOST_CONTENTION, MOST_SHARPNESS, Law, form_of, take

SAMPLED = Law(("k0", "kp", "k1", "k3", "k7", "k2", "k4", "k5"), competes=True, share_sd=1.5)
"""Parts whose shares are sampled around what `perfkit.models.laws` expects."""

SAMPLES = 8192
MATCH_SCALE = 0.03
MATCH_DOF = 4.0
"""Scale and degrees of freedom of the t by which a sample's misses at home are judged."""

LEAST_WEIGHT = 1e-6
"""Samples with less weight, the best counting 1, are dropped."""

LEAST_SCALE = 0.05
"""Part of the scale of log FPS that no knowledge of the parts removes."""

TO_SAMPLES = 1.0
"""That the samples' own spread is right counts as much as this many other workloads."""

OUTER = 0.05
OUTER_Z = 1.645
"""Tail by which the samples' spread is told, and its normal quantile."""


def sampled(law: Law, home: Rows, log_ms: FloatArray, asked: Rows) -> tuple[FloatArray, FloatArray]:
    """Predict a workload from its frame times on one GPU.

    Parameters
    ----------
    law : Law
        Whose parts are sampled.
    home : Rows
        The n configurations that were measured.
    log_ms : ndarray, shape (n,)
        Their log frame times.
    asked : Rows
        m others of the same workload.

    Returns
    -------
    log_ms, scale : ndarray, shape (m,)
        Weighted median, and half the distance of the outer quantiles over that of a normal.
    """
    form = form_of(law, home)
    features, contention = form.features(home)
    rng = np.random.default_rng(SEED)
    theta = form.mean + form.sd * rng.standard_normal((SAMPLES, len(form.mean)))
    theta[:, : form.size] -= features.mean(axis=0)
    theta[:, -2] = np.clip(theta[:, -2], 0.0, MOST_SHARPNESS)
    theta[:, -1] = np.clip(np.abs(theta[:, -1]), 0.0, MOST_CONTENTION)
    miss = log_ms - take(form, theta, features, contention).log_ms
    level = np.median(miss, axis=1)
    square = ((miss - level[:, None]) / MATCH_SCALE) ** 2
    fits = -(MATCH_DOF + 1) / 2 * np.log1p(square / MATCH_DOF).sum(axis=1)
    weight = np.exp(fits - fits.max())
    kept = weight > LEAST_WEIGHT
    said = take(form, theta[kept], *form.features(asked)).log_ms + level[kept, None]
    order = np.argsort(said, axis=0)
    reached = np.cumsum(weight[kept][order], axis=0)
    reached = (reached - 0.5 * weight[kept][order]) / reached[-1]
    ranked = np.take_along_axis(said, order, axis=0)
    low, middle, high = (
        np.array([np.interp(q, r, s) for r, s in zip(reached.T, ranked.T, strict=True)])
        for q in (OUTER, 0.5, 1.0 - OUTER)
    )
    return middle, (high - low) / (2.0 * OUTER_Z)


@dataclass(frozen=True, slots=True, eq=False)
class Borrowed:
    """Workloads that ran on one GPU only.

    Attributes
    ----------
    cells : Cells
    law : Law
        As far as the cells tell its parts apart.
    home : ndarray of int, shape (workloads,)
        Code of that GPU; -1 for workloads that ran on none or on several.
    factor : ndarray, shape (workloads,)
        How many times wider than their samples the other workloads' errors were; NaN where fewer
        than two can tell.
    dof : ndarray, shape (workloads,)
        Other workloads that told, less one.
    """

    cells: Cells
    law: Law
    home: IntArray
    factor: FloatArray
    dof: FloatArray

    def of(self, rows: Rows) -> BoolArray:
        """Tell rows whose workload borrows, on a GPU that is not its home."""
        home = self.home[rows.workload]
        result: BoolArray = (home >= 0) & (home != rows.gpu)
        return result

    def predict(self, rows: Rows) -> tuple[FloatArray, FloatArray]:
        """Log FPS and its scale, shape (m,) each; NaN for rows that do not borrow."""
        log_fps, scale = np.full((2, len(rows)), np.nan)
        borrows = self.of(rows)
        for code in np.unique(rows.workload[borrows]):
            mine = np.flatnonzero(borrows & (rows.workload == code))
            log_fps[mine], scale[mine] = _from_home(
                self.cells, self.law, int(self.home[code]), int(code), rows.take(mine)
            )
        return log_fps, scale * self.factor[rows.workload]


def _from_home(
    cells: Cells, law: Law, home: int, workload: int, asked: Rows
) -> tuple[FloatArray, FloatArray]:
    """Log FPS and scale of a workload from its cells on `home`."""
    mine = (cells.rows.workload == workload) & (cells.rows.gpu == home)
    log_ms = np.log(1000.0) - cells.log_fps[mine]
    middle, scale = sampled(law, cells.rows.take(mine), log_ms, asked)
    return np.log(1000.0) - middle, np.hypot(scale, LEAST_SCALE)


def _alike(cells: Cells, law: Law, home: int) -> list[float]:
    """Mean squared error over squared scale of each workload seen elsewhere, kept on `home`."""
    workload, gpu = cells.rows.workload, cells.rows.gpu
    result = []
    for other in np.unique(workload[(gpu == home) & ~cells.at_least]):
        away = np.flatnonzero((workload == other) & (gpu != home) & ~cells.at_least)
        if not len(away):
            continue
        said, scale = _from_home(cells, law, home, int(other), cells.rows.take(away))
        result.append(float(np.mean(((said - cells.log_fps[away]) / scale) ** 2)))
    return result


def borrow(cells: Cells) -> Borrowed:
    """Find the workloads that ran on one GPU, and learn from the others what that costs.

    Each other workload that ran there and elsewhere is in turn kept on that one GPU and predicted
    elsewhere.
    """
    rows = cells.rows
    size = len(rows.names.workloads)
    law = SAMPLED.told_apart(rows)
    home, factor, dof = np.full(size, -1, dtype=np.intp), np.full(size, np.nan), np.zeros(size)
    for code in np.unique(rows.workload):
        gpus = np.unique(rows.gpu[rows.workload == code])
        if len(gpus) > 1 or len(cells.gpus) < 2:
            continue
        home[code] = gpus[0]
        squares = _alike(cells, law, int(gpus[0]))
        if len(squares) > 1:
            total = np.sum(squares) + TO_SAMPLES
            factor[code] = np.sqrt(total / (len(squares) + TO_SAMPLES))
            dof[code] = len(squares) - 1.0
    return Borrowed(cells, law, home, factor, dof)
