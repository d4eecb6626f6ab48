"""What to run next: how much each run narrows an answer, for each minute it takes."""

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import ndtri

from perfkit.defaults import LEVEL
from perfkit.frames.usable import CONFIGURATION
from perfkit.models.rates import attach_rates
from perfkit.study import Study
from perfkit.value.builds import machines
from perfkit.value.design import FloatArray, log_det_gain
from perfkit.value.measured import measured_cells
from perfkit.value.sittings import PASS_MINUTES
from perfkit.value.speeds import BuildSpeeds, SpeedBook

LISTED = 30
"""Runs that are listed."""


@dataclass(frozen=True, slots=True, eq=False)
class Belief:
    """What is known of the log speed of one machine on its workloads, as a normal law.

    Attributes
    ----------
    shared : ndarray, shape (workloads,)
        Scale of the error that all predicted rows share; 0 where measured.
    own : ndarray, shape (workloads,)
        Scale of each row's own error.
    weights : ndarray, shape (workloads,)
        Adding up to one.
    """

    shared: FloatArray
    own: FloatArray
    weights: FloatArray


def narrowed(belief: Belief, noise: float) -> tuple[float, FloatArray]:
    """Scale of a machine's mean now, and after one pass of each workload.

    Parameters
    ----------
    belief : Belief
    noise : float
        Standard deviation of log FPS between passes.

    Returns
    -------
    now : float
    after : ndarray, shape (workloads,)

    Notes
    -----
    The covariance of the rows is shared shared' + diag(own^2); seeing row r with variance noise^2
    takes (K w)_r^2 / (K_rr + noise^2) from the variance w' K w of the mean, the textbook update of
    a normal law.

    Examples
    --------
    >>> belief = Belief(np.array([0.1, 0.1]), np.zeros(2), np.array([0.5, 0.5]))
    >>> now, after = narrowed(belief, 0.0)
    >>> round(now, 6), after.tolist()
    (0.1, [0.0, 0.0])
    """
    shared_mean = float(belief.shared @ belief.weights)
    variance = shared_mean**2 + float(np.square(belief.weights * belief.own).sum())
    covariance = belief.shared * shared_mean + np.square(belief.own) * belief.weights
    row = np.square(belief.shared) + np.square(belief.own) + noise**2
    taken = np.divide(np.square(covariance), row, out=np.zeros_like(row), where=row > 0)
    return math.sqrt(variance), np.sqrt(np.maximum(0.0, variance - taken))


def next_runs(
    study: Study, passes: pd.DataFrame, book: SpeedBook, speeds: BuildSpeeds
) -> pd.DataFrame:
    """Rank runs by how much they narrow the cost per frame of the builds, per minute.

    Parameters
    ----------
    study : Study
    passes : DataFrame
        As made by :func:`perfkit.summarize_passes`.
    book : SpeedBook
        Speeds measured and predicted.
    speeds : BuildSpeeds
        Of the study's builds.

    Returns
    -------
    DataFrame
        order, system, gpu, workload, width, height, at_hand (yes where the GPU has own passes in
        that system), builds (whose answer it narrows), half_range_pct, half_range_after_pct (of
        the build's cost per frame, at `LEVEL`, by normal law), narrows_pct, minutes,
        narrows_pct_per_minute, model_gain (growth of log det of the design log FPS on log rates):
        at most `LISTED` rows; runs with a GPU at hand first.
    """
    columns = ["order", "system", "gpu", "workload", "width", "height", "at_hand", "builds"]
    columns += ["half_range_pct", "half_range_after_pct", "narrows_pct", "minutes"]
    columns += ["narrows_pct_per_minute", "model_gain"]
    cells = measured_cells(passes)
    noise = _noise(cells)
    if not math.isfinite(noise) or not speeds.common.any():
        return pd.DataFrame(columns=columns)
    found = _narrowings(study, book.rows, speeds, noise)
    if found.empty:
        return pd.DataFrame(columns=columns)
    width, height = study.settings.value_at
    own = passes.loc[passes["source"] == "own", ["system", "gpu"]].drop_duplicates()
    there = pd.MultiIndex.from_frame(found[["system", "gpu"]]).isin(pd.MultiIndex.from_frame(own))
    seconds = cells.groupby("workload")["seconds"].mean()
    length = found["workload"].map(seconds).fillna(cells["seconds"].mean()).fillna(60.0) / 60
    found = found.assign(
        width=width, height=height, render_scale=1.0, at_hand=np.where(there, "yes", "no")
    )
    found["minutes"] = length + PASS_MINUTES
    found["narrows_pct"] = found["half_range_pct"] - found["half_range_after_pct"]
    found["narrows_pct_per_minute"] = found["narrows_pct"] / found["minutes"]
    found["model_gain"] = _model_gain(study, cells, found)
    found = found.sort_values(
        ["at_hand", "narrows_pct_per_minute"], ascending=[False, False], kind="stable"
    ).head(LISTED)
    return found.assign(order=np.arange(1, len(found) + 1))[columns].reset_index(drop=True)


def _noise(cells: pd.DataFrame) -> float:
    single = (cells["own_log_scale"] * np.sqrt(cells["passes"].astype(float))).dropna()
    return float(single.iloc[0]) if len(single) else math.nan


def _narrowings(
    study: Study, rows: pd.DataFrame, speeds: BuildSpeeds, noise: float
) -> pd.DataFrame:
    """One row per machine and common workload; a machine of several builds stands once."""
    built = machines(study)
    built = built[speeds.compared & (built["reason"] == "").to_numpy()]
    facts = rows.set_index(["system", "gpu", "workload"])
    games = [name for name, shared in zip(speeds.workloads, speeds.common, strict=True) if shared]
    weights = speeds.weights[speeds.common] / speeds.weights[speeds.common].sum()
    z = float(-ndtri((1 - LEVEL) / 2))
    found = []
    for (system, gpu), those in built.groupby(["system", "gpu"], sort=False):
        mine = facts.loc[[(system, gpu, game) for game in games]]
        belief = Belief(
            mine["scale_device"].to_numpy(float), mine["scale_own"].to_numpy(float), weights
        )
        now, after = narrowed(belief, noise)
        found.append(
            pd.DataFrame(
                {
                    "system": system,
                    "gpu": gpu,
                    "workload": games,
                    "builds": "; ".join(those["build"]),
                    "half_range_pct": 100 * math.expm1(z * now),
                    "half_range_after_pct": 100 * np.expm1(z * after),
                }
            )
        )
    return pd.concat(found, ignore_index=True) if found else pd.DataFrame()


def _model_gain(study: Study, cells: pd.DataFrame, runs: pd.DataFrame) -> FloatArray:
    """Growth of the design on log rates; NaN where a rate is not known."""
    terms = ["arithmetic_tflops", "bandwidth_gb_s", "drawn_mpx"]
    seen, asked = (
        np.log(attach_rates(study, frame[CONFIGURATION])[terms].to_numpy(float))
        for frame in (cells, runs)
    )
    seen = seen[np.isfinite(seen).all(axis=1)]
    known = np.isfinite(asked).all(axis=1)
    gain = np.full(len(runs), np.nan)
    if len(seen) and known.any():
        center = seen.mean(axis=0)
        one = np.column_stack([np.ones(len(seen)), seen - center])
        gain[known] = log_det_gain(
            one, np.column_stack([np.ones(known.sum()), asked[known] - center])
        )
    return np.where(np.isinf(gain), np.nan, gain)
