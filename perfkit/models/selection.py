"""Which family is believed: by errors on GPUs that were left out, and nothing else."""

from abc import ABC, abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Self

import numpy as np

from perfkit.models.family import BoolArray, Cells, Family, FloatArray, IntArray, Rows


@dataclass(frozen=True, slots=True, eq=False)
class LeftOut:
    """What every family said about cells whose GPU its fit had never seen.

    Attributes
    ----------
    cells : Cells
        The n measured cells.
    families : tuple of str
        Names of the F families.
    log_fps : ndarray, shape (n, F)
        Predicted log FPS; NaN where a family had no number (the workload ran on that GPU only).
    """

    cells: Cells
    families: tuple[str, ...]
    log_fps: FloatArray

    def take(self, chosen: IntArray | BoolArray) -> Self:
        """Cells at `chosen`, in that order."""
        return type(self)(self.cells.take(chosen), self.families, self.log_fps[chosen])


def left_out_error(predicted: FloatArray, cells: Cells) -> FloatArray:
    """Predicted less measured log FPS, shape (n,); NaN where nothing was predicted or measured.

    A lower bound is no measurement.
    """
    error: FloatArray = np.where(cells.at_least, np.nan, predicted - cells.log_fps)
    return error


class Weights(ABC):
    """A learnt way to turn the families' numbers into one."""

    @abstractmethod
    def combine(self, log_fps: FloatArray, rows: Rows) -> FloatArray:
        """One log FPS a row out of shape (m, F); NaN where no family has a number."""

    @abstractmethod
    def shares(self, families: Sequence[str]) -> dict[str, float]:
        """Average weight of each family, for a reader."""


@dataclass(frozen=True, slots=True)
class Combination(ABC):
    """A candidate for the final predictor: one family, or a mixture of several.

    Attributes
    ----------
    name : str
        As shown in tables.
    least_gpus : int
        Not a candidate with fewer GPUs than this.
    """

    name: str
    least_gpus: int

    @abstractmethod
    def learn(self, left: LeftOut) -> Weights:
        """Learn weights from left-out predictions alone."""


@dataclass(frozen=True, slots=True)
class OneFamily(Combination):
    """The predictions of one family, unchanged."""

    def learn(self, left: LeftOut) -> "Column":
        """Point at the family's column; nothing is learnt."""
        return Column(left.families.index(self.name))


@dataclass(frozen=True, slots=True)
class Column(Weights):
    """All weight on one family; the others stand in where it has no number.

    Attributes
    ----------
    position : int
        Column of the family.
    """

    position: int

    def combine(self, log_fps: FloatArray, rows: Rows) -> FloatArray:
        """Return the family's column."""
        return log_fps[:, self.position]

    def shares(self, families: Sequence[str]) -> dict[str, float]:
        """Weight 1 on the family."""
        return {name: float(k == self.position) for k, name in enumerate(families)}


def predictions_without(family: Family, cells: Cells, without: list[IntArray]) -> list[FloatArray]:
    """Call `Family.left_out` where some cell remains; NaN where none does."""
    remain = [not np.isin(cells.rows.gpu, gone).all() for gone in without]
    asked = [gone for gone, some in zip(without, remain, strict=True) if some]
    answers = iter(family.left_out(cells, asked) if asked else ())
    return [next(answers) if some else np.full(len(cells), np.nan) for some in remain]


def leave_out_each(families: Sequence[Family], cells: Cells) -> LeftOut:
    """Predict each cell by every family fitted without the cell's GPU.

    Parameters
    ----------
    families : sequence of Family
        F families.
    cells : Cells
        n cells of D GPUs.

    Returns
    -------
    LeftOut
        D fits a family.
    """
    columns = [family.left_out_each(cells) for family in families]
    return LeftOut(cells, tuple(f.name for f in families), np.column_stack(columns))


def pairs_of(gpus: IntArray) -> list[IntArray]:
    """Every GPU alone and with each later one."""
    count = range(len(gpus))
    return [gpus[[a]] if a == b else gpus[[a, b]] for a in count for b in count[a:]]


def leave_out_pairs(families: Sequence[Family], cells: Cells) -> FloatArray:
    """Predict each cell without its own GPU and, in turn, without each other GPU as well.

    Returns
    -------
    ndarray, shape (D, n, F)
        Entry [d, i] comes from a fit that saw neither GPU d nor the GPU of cell i. A fit serves
        both orders of its pair, so D (D + 1) / 2 fits a family give every nested leave-one-out.
    """
    gpus = cells.gpus
    count = len(gpus)
    own = np.searchsorted(gpus, cells.rows.gpu)
    pairs = [(a, b) for a in range(count) for b in range(a, count)]
    without = pairs_of(gpus)
    result = np.full((count, len(cells), len(families)), np.nan)
    for f, family in enumerate(families):
        for (a, b), predicted in zip(
            pairs, predictions_without(family, cells, without), strict=True
        ):
            result[a, own == b, f] = predicted[own == b]
            result[b, own == a, f] = predicted[own == a]
    return result


@lru_cache(maxsize=16)
def cross_fitted(combination: Combination, left: LeftOut) -> FloatArray:
    """Combine each GPU's cells with weights learnt from the other GPUs only.

    Returns
    -------
    ndarray, shape (n,)
        Left-out log FPS of the combination itself.
    """
    if isinstance(combination, OneFamily):
        return combination.learn(left).combine(left.log_fps, left.cells.rows)
    result = np.full(len(left.cells), np.nan)
    for gpu in left.cells.gpus:
        mine = left.cells.rows.gpu == gpu
        weights = combination.learn(left.take(~mine))
        result[mine] = weights.combine(left.log_fps[mine], left.cells.rows.take(mine))
    return result


def errors_by_gpu(predicted: FloatArray, cells: Cells) -> FloatArray:
    """Mean absolute left-out error of log FPS of each GPU, shape (D,); NaN without evidence."""
    error = np.abs(left_out_error(predicted, cells))
    known = np.isfinite(error)
    place = np.searchsorted(cells.gpus, cells.rows.gpu[known])
    size = len(cells.gpus)
    count = np.bincount(place, minlength=size).astype(float)
    total = np.bincount(place, error[known], size)
    result: FloatArray = np.divide(total, count, out=np.full(size, np.nan), where=count > 0)
    return result


def pick(errors: FloatArray) -> int:
    """Choose the earliest candidate that is not clearly worse than the best.

    Parameters
    ----------
    errors : ndarray, shape (D, K)
        Error of each of K candidates on each of D GPUs.

    Returns
    -------
    int
        The first whose mean error exceeds the least by no more than the standard error of that
        excess over GPUs; 0 without evidence.
    """
    known = errors[np.isfinite(errors).all(axis=1)]
    if len(known) < 2:
        return 0
    excess = known - known[:, [int(np.argmin(known.mean(axis=0)))]]
    standard_error = excess.std(axis=0, ddof=1) / np.sqrt(len(known))
    return int(np.argmax(excess.mean(axis=0) <= standard_error))


@dataclass(frozen=True, slots=True, eq=False)
class Choice:
    """The combination that is believed, and the evidence for it.

    Attributes
    ----------
    combination : Combination
        The chosen candidate.
    weights : Weights
        Learnt from all left-out predictions given.
    predicted : ndarray, shape (n,)
        Left-out log FPS of the whole procedure: for each GPU's cells by the candidate that the
        other GPUs choose, with weights from the other GPUs.
    scores : dict of str to float
        Mean absolute left-out error of log FPS of each candidate, every GPU counting the same.
    """

    combination: Combination
    weights: Weights
    predicted: FloatArray
    scores: dict[str, float]


def choose(left: LeftOut, candidates: Sequence[Combination]) -> Choice:
    """Choose among candidates by left-out error; see `pick` for the rule.

    Parameters
    ----------
    left : LeftOut
        Left-out predictions of the families.
    candidates : sequence of Combination
        In the order of preference that holds when errors cannot tell.

    Returns
    -------
    Choice
    """
    cells = left.cells
    allowed = [c for c in candidates if c.least_gpus <= len(cells.gpus)]
    predicted = np.column_stack([cross_fitted(c, left) for c in allowed])
    errors = np.column_stack([errors_by_gpu(column, cells) for column in predicted.T])
    best = pick(errors)
    own = predicted[:, best].copy()
    for position, gpu in enumerate(cells.gpus):
        mine = cells.rows.gpu == gpu
        own[mine] = predicted[mine, pick(np.delete(errors, position, axis=0))]
    known = np.isfinite(errors).all(axis=1)
    means = errors[known].mean(axis=0) if known.any() else np.full(len(allowed), np.nan)
    return Choice(
        combination=allowed[best],
        weights=allowed[best].learn(left),
        predicted=own,
        scores={c.name: float(m) for c, m in zip(allowed, means, strict=True)},
    )
