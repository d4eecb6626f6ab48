"""What a build is worth: cost per frame, with its range, beside every rival."""

import numpy as np
import pandas as pd

from perfkit.defaults import DRAWS, LEVEL, SEED
from perfkit.study import Study
from perfkit.study.prices import build_lines, build_prices
from perfkit.value.arithmetic import (
    central_range,
    frontier_probability,
    mean_log_draws,
    overtaking_prices,
    rank_probability,
)
from perfkit.value.builds import machines
from perfkit.value.speeds import BuildSpeeds, FloatArray, SpeedBook, speed_book

_UNKNOWN_SPREAD = "range not known: no configuration was run twice"


def build_speeds(
    study: Study, passes: pd.DataFrame, table: pd.DataFrame, *, draws: int = DRAWS, seed: int = SEED
) -> BuildSpeeds:
    """Gather the speeds of the study's builds.

    Parameters
    ----------
    study : Study
    passes : DataFrame
        As made by :func:`perfkit.summarize_passes`.
    table : DataFrame
        Predictions, as made by ``model.predict``.
    draws, seed : int
        As in :func:`perfkit.value.speeds.speed_book`.

    Returns
    -------
    BuildSpeeds
        One machine per build, in file order.
    """
    return speeds_of_builds(study, speed_book(study, passes, table, draws=draws, seed=seed))


def speeds_of_builds(study: Study, book: SpeedBook) -> BuildSpeeds:
    """Pick the speeds of the study's builds out of all that are known.

    Parameters
    ----------
    study : Study
    book : SpeedBook

    Returns
    -------
    BuildSpeeds
        One machine per build, in file order.
    """
    return book.speeds(machines(study).rename(columns={"build": "name"}))


def mean_fps(speeds: BuildSpeeds) -> tuple[FloatArray, FloatArray]:
    """Weighted geometric mean FPS over the common workloads.

    Parameters
    ----------
    speeds : BuildSpeeds

    Returns
    -------
    point : ndarray, shape (machines,)
        FPS; NaN for a machine that is not compared.
    draws : ndarray, shape (machines, draws)
        FPS.
    """
    point = np.full(len(speeds.names), np.nan)
    drawn = np.full((len(speeds.names), speeds.log_draws.shape[-1]), np.nan)
    common, compared = speeds.common, speeds.compared
    if common.any():
        weights = speeds.weights[common]
        logs = np.log(speeds.fps[np.ix_(compared, common)])
        point[compared] = np.exp(logs @ weights / weights.sum())
        drawn[compared] = mean_log_draws(speeds.log_draws[np.ix_(compared, common)], weights)
    return point, np.exp(drawn, out=drawn)


def value_table(study: Study, passes: pd.DataFrame, table: pd.DataFrame) -> pd.DataFrame:
    """Say what each build costs per frame, and whether another is as cheap and as fast.

    Parameters
    ----------
    study : Study
    passes : DataFrame
        As made by :func:`perfkit.summarize_passes`.
    table : DataFrame
        Predictions, as made by ``model.predict``; used only where nothing was measured.

    Returns
    -------
    DataFrame
        One row per build in file order: build, price, currency, price_date, basis, fps, fps_low,
        fps_high, cost_per_frame, cost_low, cost_high, on_frontier, share_<target> for each
        target; then missing (workloads without a number), workloads (how many the mean is
        over), passes (measured passes behind it), best_value (probability of the lowest cost
        per frame), overtakes_below (price under which it would have the lowest), card_price and
        card_cost_per_frame (the discrete card alone), level, flags, reason.

    Notes
    -----
    `fps` is the weighted geometric mean of average FPS over the workloads that have a number on
    every compared build, at ``value_at``, native scale, nothing generated. Ranges come from draws
    that share one error per predicted device; prices do not touch them.

    References
    ----------
    Fleming and Wallace (1986), *CACM* 29(3):218-221.

    Examples
    --------
    >>> import perfkit as pk
    >>> from perfkit.study.demo import find_demo
    >>> study = pk.load_study(find_demo())
    >>> passes = pk.summarize_passes(study)
    >>> table = pk.fit(study, passes).predict(study.targets)
    >>> value = pk.value_table(study, passes, table)
    >>> bool((value["cost_low"].dropna() <= value["cost_high"].dropna()).all())
    True
    """
    return value_of_builds(study, build_speeds(study, passes, table))


def value_of_builds(study: Study, speeds: BuildSpeeds) -> pd.DataFrame:
    """Make the table of :func:`value_table` from speeds already gathered.

    Parameters
    ----------
    study : Study
    speeds : BuildSpeeds
        Of the study's builds.

    Returns
    -------
    DataFrame
    """
    priced = build_prices(study)
    price = priced["price"].to_numpy(float)
    point, drawn = mean_fps(speeds)
    low, high = central_range(drawn, LEVEL)
    card = _card_prices(study, priced["build"])
    worth = pd.DataFrame(
        {
            "build": priced["build"],
            "price": price,
            "currency": priced["currency"],
            "price_date": priced["price_date"],
            "basis": [speeds.weakest_basis(b) if c else "" for b, c in enumerate(speeds.compared)],
            "fps": point,
            "fps_low": low,
            "fps_high": high,
            "cost_per_frame": price / point,
            "cost_low": price / high,
            "cost_high": price / low,
            "on_frontier": frontier_probability(price, drawn),
            **target_shares(speeds, study.settings.targets_fps),
            "missing": ["; ".join(speeds.missing(b)) for b in range(len(price))],
            "workloads": np.where(speeds.compared, speeds.common.sum(), 0),
            "passes": speeds.passes[:, speeds.common].sum(axis=1).astype(int),
            "best_value": rank_probability(price[:, None] / drawn)[:, :1].ravel(),
            "overtakes_below": np.median(overtaking_prices(price, drawn), axis=1),
            "card_price": card,
            "card_cost_per_frame": card / point,
            "level": LEVEL,
            "flags": priced["flags"],
        }
    )
    unknown = machines(study)["reason"]
    worth["reason"] = [
        "; ".join(filter(None, [price_reason, *_why_no_number(machine, speeds, at)]))
        for at, (price_reason, machine) in enumerate(zip(priced["reason"], unknown, strict=True))
    ]
    return worth


def target_shares(speeds: BuildSpeeds, targets_fps: tuple[float, ...]) -> dict[str, FloatArray]:
    """Weighted share of the common workloads whose average reaches each target.

    Parameters
    ----------
    speeds : BuildSpeeds
    targets_fps : tuple of float

    Returns
    -------
    dict of str to ndarray, shape (machines,)
        By column name, ``share_60`` for a target of 60.
    """
    weights = speeds.weights[speeds.common]
    if not len(weights):
        nothing = np.full(len(speeds.names), np.nan)
        return {f"share_{target:g}": nothing for target in targets_fps}
    shares = {}
    for target in targets_fps:
        reached = (speeds.fps[:, speeds.common] >= target) @ weights / weights.sum()
        shares[f"share_{target:g}"] = np.where(speeds.compared, reached, np.nan)
    return shares


def _card_prices(study: Study, builds: pd.Series) -> FloatArray:
    lines = build_lines(study)
    cards = lines[lines["role"] == "card"]
    return cards.groupby("build")["amount"].sum(skipna=False).reindex(builds).to_numpy(float)


def _why_no_number(unknown: str, speeds: BuildSpeeds, machine: int) -> list[str]:
    if unknown:
        return [unknown]
    if not speeds.compared[machine]:
        count = int(np.isfinite(speeds.fps[machine]).sum())
        why = next(filter(None, speeds.reason[machine]), "")
        return [f"{count} of {len(speeds.workloads)} workloads have a number here ({why})"]
    if not speeds.common.any():
        return ["no workload has a number on every compared build"]
    if np.isnan(speeds.log_draws[machine, speeds.common]).any():
        return [_UNKNOWN_SPREAD]
    return []
