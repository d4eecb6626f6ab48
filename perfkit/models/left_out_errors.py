"""How far off the models are, on GPUs that took no part in anything."""

import numpy as np
import pandas as pd

from perfkit.models.family import Cells, FloatArray
from perfkit.models.observations import CONFIGURATION
from perfkit.models.train import Nested, Recipe, nested_errors

CHOSEN_ANEW = "chosen anew each time"
"""Name of the row whose choice, too, was made without the GPU that was left out."""

COMPARISON = (
    "family",
    "median_abs_pct",
    "p90_abs_pct",
    "bias_pct",
    "interval_score",
    "coverage",
    "chosen",
)
BY_WORKLOAD = ("family", "workload", "cells", "median_abs_pct", "bias_pct")
ERRORS = ("family", "fps", "predicted", "pred_low", "pred_high")
KEYS = ("gpu", "system", "workload")
SIZE = ("width", "height", "render_scale")
MPX = ("drawn_mpx", "output_mpx")
_KINDS = {"family": "str", "gpu": "str", "system": "str", "workload": "str", "chosen": "bool"}
_KINDS |= {"width": "int64", "height": "int64", "cells": "int64"}


def interval_score(
    log_fps: FloatArray, low: FloatArray, high: FloatArray, level: float
) -> FloatArray:
    """Width of each range plus 2 / (1 - level) times the miss; less is better.

    Parameters
    ----------
    log_fps, low, high : ndarray, shape (n,)
        What happened and the ends of the range, on one scale.
    level : float
        Nominal coverage.

    References
    ----------
    Gneiting and Raftery (2007), *JASA* 102:359-378, equation 43.

    Examples
    --------
    >>> interval_score(np.array([3.0]), np.array([0.0]), np.array([2.0]), 0.9).round(6)
    array([22.])
    """
    miss = np.maximum(low - log_fps, 0.0) + np.maximum(log_fps - high, 0.0)
    result: FloatArray = high - low + 2.0 / (1.0 - level) * miss
    return result


def summary(name: str, cells: Cells, nested: Nested, level: float) -> dict[str, object]:
    """Errors in percent of FPS, and how good the ranges were, over measured cells."""
    known = np.isfinite(nested.log_fps) & ~cells.at_least
    if not known.any():
        return {"family": name, **dict.fromkeys(COMPARISON[1:-1], np.nan)}
    truth = cells.log_fps[known]
    error = 100.0 * np.expm1(nested.log_fps[known] - truth)
    low, high = np.log(nested.low[known]), np.log(nested.high[known])
    ranged = np.isfinite(low)
    inside = ((low <= truth) & (truth <= high))[ranged]
    scores = interval_score(truth, low, high, level)[ranged]
    return {
        "family": name,
        "median_abs_pct": float(np.median(np.abs(error))),
        "p90_abs_pct": float(np.percentile(np.abs(error), 90)),
        "bias_pct": 100.0 * float(np.expm1(np.mean(nested.log_fps[known] - truth))),
        "interval_score": float(np.mean(scores)) if ranged.any() else np.nan,
        "coverage": float(np.mean(inside)) if ranged.any() else np.nan,
    }


def by_workload(names: list[str], cells: Cells, nested: list[Nested]) -> pd.DataFrame:
    """Errors of the candidates by workload, in percent of FPS."""
    workloads = np.array(cells.rows.names.workloads, dtype=object)
    error = np.array([one.log_fps for one in nested]) - cells.log_fps
    candidate, cell = np.nonzero(np.isfinite(error) & ~cells.at_least)
    error = error[candidate, cell]
    rows = pd.DataFrame(
        {
            "family": candidate,
            "workload": pd.Series(workloads[cells.rows.workload[cell]], dtype="str"),
            "size": 100.0 * np.abs(np.expm1(error)),
            "error": error,
        }
    )
    table = rows.groupby(["family", "workload"], as_index=False).agg(
        cells=("size", "size"), median_abs_pct=("size", "median"), bias_pct=("error", "mean")
    )
    table["bias_pct"] = 100.0 * np.expm1(table["bias_pct"])
    table["family"] = pd.Series(np.array(names, dtype=object)[table["family"]], dtype="str")
    return table


def errors_by_workload(errors: pd.DataFrame) -> pd.DataFrame:
    """Sum up `Fit.errors` of each workload; see `Fit.by_workload`."""
    known = errors[errors["predicted"].notna()]
    ratio = np.log(known["predicted"].astype(float) / known["fps"].astype(float))
    inside = known["fps"].between(known["pred_low"], known["pred_high"])
    rows = pd.DataFrame(
        {
            "workload": known["workload"],
            "size": 100.0 * np.abs(np.expm1(ratio)),
            "log_ratio": ratio,
            "inside": inside.astype(float),
        }
    )
    grouped = rows.groupby("workload", as_index=False).agg(
        cells=("size", "size"),
        median_abs_pct=("size", "median"),
        bias_pct=("log_ratio", "mean"),
        coverage=("inside", "mean"),
    )
    return grouped.assign(bias_pct=100.0 * np.expm1(grouped["bias_pct"].astype(float)))


def error_rows(table: pd.DataFrame, cells: Cells, nested: Nested) -> pd.DataFrame:
    """One row per measured cell: what was measured and what was said without its GPU."""
    names = cells.rows.names
    rows = pd.DataFrame(
        {
            "gpu": np.array(names.gpus, dtype=object)[cells.rows.gpu],
            "system": np.array(names.systems, dtype=object)[cells.rows.system],
            "workload": np.array(names.workloads, dtype=object)[cells.rows.workload],
            "drawn_mpx": cells.rows.drawn_mpx,
            "output_mpx": cells.rows.output_mpx,
            "family": list(nested.chosen),
            "fps": np.exp(cells.log_fps),
            "predicted": np.exp(nested.log_fps),
            "pred_low": nested.low,
            "pred_high": nested.high,
        }
    )
    rows[list(ERRORS[1:])] /= np.exp(cells.load_shift)[:, None]
    rows = rows[~cells.at_least]
    free = table.loc[~table["at_least"], [*CONFIGURATION, *MPX]]
    # A size on its side has as many pixels: those that have the same go in turn.
    keys = [*KEYS, *MPX]
    rows, free = (each.assign(turn=each.groupby(keys).cumcount()) for each in (rows, free))
    merged = rows.merge(free, on=[*keys, "turn"], how="left")
    return merged[[*KEYS, *SIZE, *ERRORS]]


def _empty(columns: tuple[str, ...]) -> pd.DataFrame:
    return pd.DataFrame(
        {name: pd.Series(dtype=_KINDS.get(name, "float64")) for name in columns},
        index=pd.RangeIndex(0),
    )


Evidence = tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]
"""comparison, errors, family_errors of a `Fit`."""


def no_evidence() -> Evidence:
    """Give empty tables, for what was fitted to no two GPUs."""
    return _empty(COMPARISON), _empty((*KEYS, *SIZE, *ERRORS)), _empty(BY_WORKLOAD)


def evidence(
    cells: Cells, recipe: Recipe, winner: str, table: pd.DataFrame, level: float
) -> Evidence:
    """Compare the candidates, and list the honest errors cell by cell.

    Parameters
    ----------
    cells : Cells
        What was fitted to.
    recipe : Recipe
    winner : str
        Name of the candidate that is believed.
    table : DataFrame
        Cells with their configurations.
    level : float
        Coverage of the ranges.

    Returns
    -------
    comparison, errors, family_errors : DataFrame
        See `Fit`.
    """
    if len(cells.gpus) < 2:
        return no_evidence()
    count = len(cells.gpus)
    candidates = [c for c in recipe.combinations if c.least_gpus <= count]
    alone = [Recipe(recipe.families, (c,), recipe.width) for c in candidates]
    *each, anew = nested_errors(cells, [*alone, recipe], level)
    names, scored = [*(c.name for c in candidates), CHOSEN_ANEW], [*each, anew]
    rows = [summary(*one, level) for one in zip(names, [cells] * len(names), scored, strict=True)]
    comparison = pd.DataFrame(rows).assign(chosen=lambda f: f["family"].eq(winner))
    return (
        comparison[list(COMPARISON)],
        error_rows(table, cells, anew),
        by_workload(names, cells, scored),
    )
