"""A workload run on one GPU only borrows its slopes; how wide its range must then be."""

from dataclasses import dataclass

import numpy as np

from perfkit.models.family import BoolArray, FloatArray, Rows
from perfkit.models.ranges import logs
from perfkit.models.train import Trained


@dataclass(frozen=True, slots=True, eq=False)
class Borrowed:
    """Workloads that ran on one GPU only.

    Attributes
    ----------
    home : ndarray of int, shape (workloads,)
        Code of that GPU; -1 for workloads that ran on none or on several.
    place : ndarray, shape (workloads, 4)
        Mean logs of rates where the workload ran.
    per_ln : ndarray, shape (workloads,)
        Error of log FPS per ln-distance from home, from the other workloads treated alike; NaN
        where no other workload can tell.
    dof : ndarray, shape (workloads,)
        Other workloads that told, less one.
    """

    home: FloatArray
    place: FloatArray
    per_ln: FloatArray
    dof: FloatArray

    def of(self, rows: Rows) -> BoolArray:
        """Tell rows whose workload borrows, on a GPU that is not its home."""
        home = self.home[rows.workload]
        result: BoolArray = (home >= 0) & (home != rows.gpu)
        return result

    def scale(self, rows: Rows) -> FloatArray:
        """Further scale of log FPS, shape (m,)."""
        distance = np.linalg.norm((logs(rows) - self.place[rows.workload])[:, RATES], axis=1)
        result: FloatArray = self.per_ln[rows.workload] * distance
        return result


RATES = [0, 1, 3]
"""Columns of `perfkit.models.ranges.VARIABLES` that belong to the machine, not to the picture."""


def _alike(trained: Trained, home: int, but: int) -> list[float]:
    """Squared error per squared ln-distance of each other workload, kept on `home` only."""
    cells = trained.cells
    workload, gpu = cells.rows.workload, cells.rows.gpu
    at_home = np.unique(workload[gpu == home])
    place = logs(cells.rows)[gpu == home].mean(axis=0)
    weights = trained.settled.choice.weights
    names = [family.name for family in trained.recipe.families]
    shares = weights.shares(names)
    heard = np.array([shares[name] > 0 for name in names])
    result = []
    for other in at_home[at_home != but]:
        away = (workload == other) & (gpu != home)
        if not away.any():
            continue
        rows = cells.rows.take(away)
        rest = cells.take(~away)
        each = np.full((len(rows), len(heard)), np.nan)
        for column in np.flatnonzero(heard):
            each[:, column] = trained.recipe.families[column].fit(rest).log_fps(rows)
        said = weights.combine(each, rows)
        error = np.where(cells.at_least[away], np.nan, said - cells.log_fps[away])
        distance = (logs(rows) - place)[:, RATES]
        known = np.isfinite(error)
        square = float(np.sum(distance[known] ** 2))
        if square > 0:
            result.append(float(np.sum(error[known] ** 2)) / square)
    return result


def borrow(trained: Trained) -> Borrowed:
    """Find the workloads that ran on one GPU, and learn from the others what that costs.

    Each other workload that ran there and elsewhere is in turn kept on that one GPU and predicted
    elsewhere; the error grows with the ln-distance of the rates.
    """
    rows = trained.cells.rows
    size = len(rows.names.workloads)
    home, per_ln, dof = np.full(size, -1.0), np.full(size, np.nan), np.zeros(size)
    place = np.zeros((size, logs(rows).shape[1]))
    for code in np.unique(rows.workload):
        mine = rows.workload == code
        gpus = np.unique(rows.gpu[mine])
        if len(gpus) > 1 or len(trained.cells.gpus) < 2:
            continue
        home[code] = gpus[0]
        place[code] = logs(rows)[mine].mean(axis=0)
        ratios = _alike(trained, int(gpus[0]), int(code))
        if len(ratios) > 1:
            per_ln[code] = np.sqrt(np.mean(ratios))
            dof[code] = len(ratios) - 1.0
    return Borrowed(home, place, per_ln, dof)
