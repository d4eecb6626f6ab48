"""Two further ranges for a GPU never measured: a mixed model's, and one without a distribution."""

from collections.abc import Callable

import numpy as np
import pandas as pd

from perfkit.models.family import Family, FloatArray, Rows
from perfkit.models.jackknife import free_range, least_count
from perfkit.models.observations import CONFIGURATION, to_rows
from perfkit.models.predictions import Model
from perfkit.models.train import Trained, quantile
from perfkit.models.workload_slopes import LEAST_GPUS, WorkloadSlopes

MIXED = ("fps", "pred_low", "pred_high", "mean_low", "mean_high", "sd_line", "sd_gpu", "sd_pass")
FREE = ("fps", "pred_low", "pred_high", "gpus", "guaranteed")
NOTHING_FITTED = "nothing was fitted"
NO_RATE = "a rate of this GPU is not known"
TOO_FEW = (
    f"a mixed model needs {LEAST_GPUS} GPUs, some of them run more than once, to tell how GPUs "
    "deviate, and more GPUs than rates by which they differ"
)


def _table(
    model: Model | None,
    rates: pd.DataFrame,
    reason: pd.Series,
    numbers: tuple[str, ...],
    work: Callable[[Model, Rows], dict[str, FloatArray]],
) -> pd.DataFrame:
    """Fill numbers where no reason speaks against them."""
    out = rates[CONFIGURATION].assign(**dict.fromkeys(numbers, np.nan), dof=np.nan)
    out["reason"] = reason.where(reason.ne("") | (model is not None), NOTHING_FITTED)
    if model is None:
        return out
    known = rates["arithmetic_tflops"].notna()
    if model.bandwidth:
        known &= rates["bandwidth_gb_s"].notna()
    out["reason"] = out["reason"].mask(out["reason"].eq("") & ~known, NO_RATE)
    given = np.flatnonzero(out["reason"].eq(""))
    if not len(given):
        return out
    names = model.trained.cells.rows.names
    asked = rates.iloc[given]
    rows = to_rows(names, asked, bandwidth=model.bandwidth, cpu_fill=model.cpu_fill)
    for name, values in work(model, rows).items():
        out.loc[out.index[given], name] = values
    return out


def _cycle(model: Model, rows: Rows, log_fps: FloatArray) -> FloatArray:
    """Find by how much a pass that sees part of a round of its load lies below the average."""
    return model.cycles.shift(rows.names.workloads, rows.workload, log_fps)


def mixed_table(
    model: Model | None, rates: pd.DataFrame, reason: pd.Series, level: float
) -> pd.DataFrame:
    """Predict by the mixed model, with its range for a GPU that it never saw.

    Parameters
    ----------
    model : Model or None
    rates : DataFrame
        m configurations with rates.
    reason : Series
        Why no number is given; "" where one is.
    level : float
        Coverage.

    Returns
    -------
    DataFrame
        The configuration, `MIXED`, dof and reason.
    """

    def work(model: Model, rows: Rows) -> dict[str, FloatArray]:
        fit = WorkloadSlopes("").fit(model.trained.cells)
        new, centre = fit.new_gpu(rows), fit.log_fps(rows)
        centre = centre - _cycle(model, rows, centre)
        dof = np.full(len(rows), new.dof if np.isfinite(new.device) else 0.0)
        ends = [(0.5 - level / 2), (0.5 + level / 2)]
        low, high = (quantile(centre, new.scale, dof, end) for end in ends)
        mean_low, mean_high = (quantile(centre, new.mean_scale, dof, end) for end in ends)
        spread = (new.line, np.full(len(rows), new.device), np.full(len(rows), new.own))
        values = (np.exp(centre), low, high, mean_low, mean_high, *spread)
        return dict(zip(MIXED, values, strict=True)) | {"dof": dof}

    out = _table(model, rates, reason, MIXED, work)
    unsure = out["reason"].eq("") & out["pred_low"].isna()
    return out.assign(reason=out["reason"].mask(unsure, TOO_FEW))


def heaviest(trained: Trained) -> Family:
    """Find the family with the largest weight in what is believed."""
    families = trained.recipe.families
    shares = trained.settled.choice.weights.shares([family.name for family in families])
    return max(families, key=lambda family: shares[family.name])


def free_table(
    model: Model | None, rates: pd.DataFrame, reason: pd.Series, level: float
) -> pd.DataFrame:
    """Predict by the heaviest family, with a range that assumes no distribution of errors.

    Parameters
    ----------
    model, rates, reason, level
        As for :func:`mixed_table`.

    Returns
    -------
    DataFrame
        The configuration, family, `FREE` and reason.
    """

    def work(model: Model, rows: Rows) -> dict[str, FloatArray]:
        trained = model.trained
        family = heaviest(trained)
        fitted = trained.fitted[trained.recipe.families.index(family)]
        found = free_range(family, trained.cells, rows, level)
        centre = fitted.log_fps(rows)
        shift = _cycle(model, rows, centre)
        finite = np.isfinite(found.low)
        ends = [np.where(finite, np.exp(end - shift), np.nan) for end in (found.low, found.high)]
        guaranteed = np.where(finite, found.guaranteed, np.nan)
        values = (np.exp(centre - shift), *ends, found.gpus.astype(float), guaranteed)
        return dict(zip(FREE, values, strict=True))

    alone = model is not None and len(model.trained.cells.gpus) < 2
    one = reason.mask(reason.eq("") & alone, "one GPU was measured, and none can be left out")
    out = _table(model, rates, one, FREE, work).drop(columns="dof")
    few = out["reason"].eq("") & out["pred_low"].isna()
    text = (
        f"a range at {level:.0%} without a distribution needs {least_count(level)} GPUs that ran "
        "the workload"
    )
    out.insert(len(CONFIGURATION), "family", heaviest(model.trained).name if model else "")
    return out.assign(reason=out["reason"].mask(few, text))
