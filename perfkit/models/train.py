"""From cells to a trained predictor: fit, leave out, choose, widen. Arrays only."""

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
from scipy.special import stdtrit

from perfkit.models.direct_lows import Lows, fit_lows, with_lows
from perfkit.models.family import BoolArray, Cells, Family, Fitted, FloatArray, IntArray, Rows
from perfkit.models.intervals import Scales, Spread, Width
from perfkit.models.selection import (
    Choice,
    Combination,
    LeftOut,
    choose,
    leave_out_each,
    leave_out_pairs,
    pairs_of,
)

BOUND_ROUNDS = 5
"""Rounds of finding which lower bounds a fit would fall under."""


@dataclass(frozen=True, slots=True)
class Recipe:
    """What to try and how to choose.

    Attributes
    ----------
    families : tuple of Family
        In order of preference.
    combinations : tuple of Combination
        Candidates for the final predictor, in order of preference.
    width : Width
        How ranges are learnt.
    """

    families: tuple[Family, ...]
    combinations: tuple[Combination, ...]
    width: Width


@dataclass(frozen=True, slots=True, eq=False)
class Settled:
    """What left-out predictions alone decide: who is believed, and how wide.

    Attributes
    ----------
    choice : Choice
    spread : Spread
    """

    choice: Choice
    spread: Spread


@dataclass(frozen=True, slots=True, eq=False)
class Predicted:
    """Predictions of m rows as arrays.

    Attributes
    ----------
    log_fps : ndarray, shape (m,)
        Median; NaN where the workload was never run.
    scales : Scales
        Of a future pass's log FPS.
    log_low_ratio : ndarray, shape (m,)
        Median of log(1 % low / average).
    low_scale : ndarray, shape (m,)
        Scale of a future pass's log 1 % low.
    """

    log_fps: FloatArray
    scales: Scales
    log_low_ratio: FloatArray
    low_scale: FloatArray

    def borrowed(
        self, chosen: BoolArray, log_fps: FloatArray, scale: FloatArray, dof: FloatArray
    ) -> "Predicted":
        """Replace rows by numbers from elsewhere, whose scale is the rows' own."""
        scales = Scales(
            device=np.where(chosen, 0.0, self.scales.device),
            own=np.where(chosen, scale, self.scales.own),
            own_mean=np.where(chosen, scale, self.scales.own_mean),
            dof=np.where(chosen, dof, self.scales.dof),
        )
        return replace(
            self,
            log_fps=np.where(chosen, log_fps, self.log_fps),
            scales=scales,
            low_scale=np.where(chosen, scale, self.low_scale),
        )

    def quantile(self, probability: float) -> FloatArray:
        """FPS of a future pass at `probability`."""
        scale = np.hypot(self.scales.device, self.scales.own)
        return quantile(self.log_fps, scale, self.scales.dof, probability)

    def mean_quantile(self, probability: float) -> FloatArray:
        """Average FPS over passes at `probability`."""
        scale = np.hypot(self.scales.device, self.scales.own_mean)
        return quantile(self.log_fps, scale, self.scales.dof, probability)

    def low_quantile(self, probability: float) -> FloatArray:
        """1 % low of a future pass at `probability`, at most the average's."""
        centre = self.log_fps + self.log_low_ratio
        low = quantile(centre, self.low_scale, self.scales.dof, probability)
        return np.minimum(low, self.quantile(probability))


def quantile(
    centre: FloatArray, scale: FloatArray, dof: FloatArray, probability: float
) -> FloatArray:
    """Quantile of exp(centre + scale t_dof); NaN without degrees of freedom."""
    t = stdtrit(dof, probability)
    result: FloatArray = np.exp(np.clip(centre + scale * t, -700.0, 700.0))
    return result


@dataclass(frozen=True, slots=True, eq=False)
class Trained:
    """A predictor fitted to cells.

    Attributes
    ----------
    recipe : Recipe
    cells : Cells
        What it was fitted to, lower bounds that hold included.
    fitted : tuple of Fitted
        Every family, in the order of `recipe.families`.
    left : LeftOut
        Left-out predictions of every family.
    settled : Settled
        Choice and width.
    low : Lows
        Model of log(1 % low / average).
    low_spread : Spread
        Width of the log 1 % low.
    """

    recipe: Recipe
    cells: Cells
    fitted: tuple[Fitted, ...]
    left: LeftOut
    settled: Settled
    low: Lows
    low_spread: Spread

    def predict(self, rows: Rows) -> Predicted:
        """Predict m rows of a GPU never measured."""
        each = np.column_stack([fit.log_fps(rows) for fit in self.fitted])
        log_fps = self.settled.choice.weights.combine(each, rows)
        ratio = self.low.log_ratio(rows)
        low = self.low_spread.scales(rows, log_fps + ratio)
        return Predicted(
            log_fps=log_fps,
            scales=self.settled.spread.scales(rows, log_fps),
            log_low_ratio=ratio,
            low_scale=np.hypot(low.device, low.own),
        )


def settle(left: LeftOut, recipe: Recipe) -> Settled:
    """Decide from left-out predictions alone."""
    choice = choose(left, recipe.combinations)
    return Settled(choice, recipe.width.learn(left.cells, choice.predicted))


def with_bounds(measured: Cells, bounds: Cells, family: Family) -> Cells:
    """Add the lower bounds that a fit to the measured cells would fall under.

    Parameters
    ----------
    measured, bounds : Cells
        Free cells, and capped ones whose `log_fps` is the bound.
    family : Family
        Judges the bounds.

    Returns
    -------
    Cells
        Bounds of workloads never measured free are left out: nothing says how far above they lie.
    """
    bounds = bounds.take(np.isin(bounds.rows.workload, measured.rows.workload))
    active = np.zeros(len(bounds), dtype=bool)
    for _ in range(BOUND_ROUNDS if len(bounds) else 0):
        said = family.fit(joined(measured, bounds.take(active))).log_fps(bounds.rows)
        below = active | (said < bounds.log_fps)
        if (below == active).all():
            break
        active = below
    return joined(measured, bounds.take(active))


def joined(first: Cells, second: Cells) -> Cells:
    """All cells of both; names and `pass_sd` of the first."""
    if not len(second):
        return first
    rows = {
        name: np.concatenate([getattr(first.rows, name), getattr(second.rows, name)])
        for name in Rows.__dataclass_fields__
        if name != "names"
    }
    values = {
        field.name: np.concatenate([getattr(first, field.name), getattr(second, field.name)])
        for field in fields(Cells)
        if field.init and field.name not in {"rows", "pass_sd"}
    }
    return Cells(rows=Rows(first.rows.names, **rows), **values, pass_sd=first.pass_sd)


def prepare(families: Sequence[Family], asked: list[tuple[Cells, list[IntArray]]]) -> None:
    """Tell families of fits to all cells, without each GPU, and without some more."""
    every = [
        (cells, [np.array([], dtype=np.intp), *cells.gpus[:, None], *more])
        for cells, more in asked
        if len(cells)
    ]
    for family in families:
        family.prepare(every)


def train(cells: Cells, recipe: Recipe) -> Trained:
    """Fit all families, leave each GPU out in turn, choose and widen.

    Parameters
    ----------
    cells : Cells
        At least one cell.
    recipe : Recipe

    Returns
    -------
    Trained
        With one GPU the ranges are NaN: nothing says how GPUs differ.
    """
    of_lows = with_lows(cells)
    prepare(recipe.families, [(cells, recipe.width.leaves_out(cells)), *((c, []) for c in of_lows)])
    left = leave_out_each(recipe.families, cells)
    settled = settle(left, recipe)
    low, left_ratio = fit_lows(cells, of_lows, recipe.families[0])
    of_low = replace(cells, log_fps=cells.log_fps + cells.log_low_ratio)
    return Trained(
        recipe=recipe,
        cells=cells,
        fitted=tuple(family.fit(cells) for family in recipe.families),
        left=left,
        settled=settled,
        low=low,
        low_spread=recipe.width.learn(of_low, settled.choice.predicted + left_ratio),
    )


@dataclass(frozen=True, slots=True, eq=False)
class Nested:
    """Honest left-out predictions: the GPU told on took no part in choice, weights or width.

    Attributes
    ----------
    log_fps, low, high : ndarray, shape (n,)
        Median log FPS and ends of the range, as if the cell's GPU had never been measured.
    chosen : tuple of str
        Name of what was chosen without the cell's GPU.
    """

    log_fps: FloatArray
    low: FloatArray
    high: FloatArray
    chosen: tuple[str, ...]


def nested_errors(cells: Cells, recipes: Sequence[Recipe], level: float) -> list[Nested]:
    """Leave each GPU out of everything: fits, choice, weights, widths.

    Parameters
    ----------
    cells : Cells
    recipes : sequence of Recipe
        Variants to score; all use the same families.
    level : float
        Coverage of the range.

    Returns
    -------
    list of Nested
        One a recipe; NaN where a recipe needs more GPUs than leaving one out keeps.
    """
    families = recipes[0].families
    called = tuple(family.name for family in families)
    gone = pairs_of(cells.gpus)
    for width in dict.fromkeys(recipe.width for recipe in recipes):
        for gpu in cells.gpus:
            gone += [np.append(more, gpu) for more in width.leaves_out(cells.without([gpu]))]
    prepare(families, [(cells, gone)])
    pairs = leave_out_pairs(families, cells)
    numbers = np.full((len(recipes), 3, len(cells)), np.nan)
    chosen = np.full((len(recipes), len(cells)), "", dtype=object)
    for position, gpu in enumerate(cells.gpus):
        mine = cells.rows.gpu == gpu
        if mine.all():
            continue
        # One object for all recipes: what depends on it alone is then worked out once.
        left = LeftOut(cells.without([gpu]), called, pairs[position][~mine])
        rows, each = cells.rows.take(mine), pairs[position][mine]
        for number, recipe in enumerate(recipes):
            if all(c.least_gpus > len(left.cells.gpus) for c in recipe.combinations):
                continue
            settled = settle(left, recipe)
            numbers[number][:, mine] = _ranges(settled, rows, each, level)
            chosen[number, mine] = settled.choice.combination.name
    return [
        Nested(log_fps, low, high, tuple(names))
        for (log_fps, low, high), names in zip(numbers, chosen, strict=True)
    ]


def _ranges(settled: Settled, rows: Rows, each: FloatArray, level: float) -> FloatArray:
    """Log FPS, and the ends of its range as FPS, shape (3, m)."""
    log_fps = settled.choice.weights.combine(each, rows)
    scales = settled.spread.scales(rows, log_fps)
    scale = np.hypot(scales.device, scales.own)
    low = quantile(log_fps, scale, scales.dof, 0.5 - level / 2)
    high = quantile(log_fps, scale, scales.dof, 0.5 + level / 2)
    return np.stack([log_fps, low, high])
