"""Kept forecasts against the passes that came later: one card is one trial."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import betainccinv, betaincinv, ndtri

from perfkit.defaults import LEVEL
from perfkit.frames.usable import CONFIGURATION
from perfkit.study import Study
from perfkit.value.measured import measured_cells

SCORED_COLUMNS = (
    *CONFIGURATION,
    "made_on",
    "measured_on",
    "model",
    "fps",
    "pred_low",
    "pred_high",
    "level",
    "measured_fps",
    "log_error",
    "inside",
    "interval_score",
    "scored",
    "reason",
)
NOMINAL = np.arange(1, 20) / 20
"""Coverages at which the calibration picture looks."""


@dataclass(frozen=True, slots=True, eq=False)
class ForecastScores:
    """How kept forecasts fared.

    Attributes
    ----------
    rows : DataFrame
        `SCORED_COLUMNS`, one row per line of forecasts.csv; numbers NaN where it is not scored, and
        `reason` says why.
    cards : DataFrame
        gpu, made_on, rows, inside_share, median_abs_pct, bias_pct, interval_score: one row per
        scored card.
    calibration : DataFrame
        nominal, observed, cards: coverage asked for and reached, each card counting once.
    coverage, coverage_low, coverage_high : float
        Mean over cards of the share inside, with its Clopper-Pearson range at `LEVEL`.
    """

    rows: pd.DataFrame
    cards: pd.DataFrame
    calibration: pd.DataFrame
    coverage: float
    coverage_low: float
    coverage_high: float

    def __str__(self) -> str:
        """Few lines for a terminal."""
        if self.rows.empty:
            return (
                "nothing to score: forecasts.csv has no forecast (make one: perfkit predict --keep)"
            )
        waiting = self.rows[~self.rows["scored"]]
        lines = [f"{len(self.rows) - len(waiting)} of {len(self.rows)} kept forecasts scored"]
        for reason, those in waiting.groupby("reason", sort=False):
            lines.append(f"not scored, {len(those)}: {reason}")
        for card in self.cards.itertuples():
            lines.append(
                f"{card.gpu}, forecast of {card.made_on:%Y-%m-%d}: {card.rows} configurations, "
                f"{card.inside_share:.0%} inside, half off by less than "
                f"{card.median_abs_pct:.1f} %, bias {card.bias_pct:+.1f} %"
            )
        if len(self.cards):
            level = self.rows.loc[self.rows["scored"], "level"].iloc[0]
            lines.append(
                f"coverage over {len(self.cards)} cards: {self.coverage:.0%} "
                f"({self.coverage_low:.0%} to {self.coverage_high:.0%}), asked for {level:.0%}"
            )
        return "\n".join(lines)


def interval_score(
    value: np.ndarray, low: np.ndarray, high: np.ndarray, level: np.ndarray
) -> np.ndarray:
    """Width of a range plus what lies outside it, weighted; smaller is better.

    Parameters
    ----------
    value, low, high : ndarray
        Same unit; here natural logs.
    level : ndarray
        Coverage of the range.

    Returns
    -------
    ndarray

    References
    ----------
    Gneiting and Raftery (2007), *JASA* 102:359-378, equation 43.

    Examples
    --------
    >>> interval_score(np.array([0.0, 3.0]), 1.0, 2.0, 0.9).round(9).tolist()
    [21.0, 21.0]
    """
    outside = np.maximum(low - value, 0) + np.maximum(value - high, 0)
    scores: np.ndarray = (high - low) + 2 / (1 - level) * outside
    return scores


def clopper_pearson(successes: float, trials: int, level: float) -> tuple[float, float]:
    """Range of a probability by inverting the binomial test.

    Parameters
    ----------
    successes : float
        May be a sum of shares.
    trials : int
    level : float

    Returns
    -------
    low, high : float
        NaN without trials.

    References
    ----------
    Clopper and Pearson (1934), *Biometrika* 26:404-413.

    Examples
    --------
    >>> [round(end, 4) for end in clopper_pearson(9, 10, 0.95)]
    [0.555, 0.9975]
    """
    if not trials:
        return np.nan, np.nan
    tail = (1 - level) / 2
    failures = trials - successes
    low = float(betaincinv(successes, failures + 1, tail)) if successes > 0 else 0.0
    high = float(betainccinv(successes + 1, failures, tail)) if failures > 0 else 1.0
    return low, high


def score_forecasts(study: Study, passes: pd.DataFrame) -> ForecastScores:
    """Score every kept forecast that can be.

    Parameters
    ----------
    study : Study
    passes : DataFrame
        As made by :func:`perfkit.summarize_passes`.

    Returns
    -------
    ForecastScores

    Notes
    -----
    A forecast counts when it was made before the day of the card's first pass; of several for one
    card the earliest does. Errors are natural logs of measured / forecast.

    Examples
    --------
    >>> import perfkit as pk
    >>> from perfkit.study.demo import find_demo
    >>> study = pk.load_study(find_demo())
    >>> len(score_forecasts(study, pk.summarize_passes(study)).calibration)
    19
    """
    rows = _joined(study, passes)
    rows["reason"] = _why_not(rows)
    rows["scored"] = rows["reason"] == ""
    measured = np.log(rows["measured_fps"].where(rows["scored"]).to_numpy(float))
    middle, low, high = (
        np.log(rows[name].to_numpy(float)) for name in ("fps", "pred_low", "pred_high")
    )
    level = rows["level"].to_numpy(float)
    rows["log_error"] = measured - middle
    inside = (low <= measured) & (measured <= high)
    rows["inside"] = np.where(rows["scored"], np.where(inside, "yes", "no"), "")
    rows["interval_score"] = interval_score(measured, low, high, level)
    scored = rows[rows["scored"]]
    cards = _cards(scored)
    share = float(cards["inside_share"].sum())
    ends = clopper_pearson(share, len(cards), LEVEL)
    coverage = share / len(cards) if len(cards) else np.nan
    return ForecastScores(rows[list(SCORED_COLUMNS)], cards, _calibration(scored), coverage, *ends)


def _joined(study: Study, passes: pd.DataFrame) -> pd.DataFrame:
    cells = measured_cells(passes).rename(columns={"fps": "measured_fps"})
    cells = cells[[*CONFIGURATION, "measured_fps"]]
    rows = study.forecasts.merge(cells, on=CONFIGURATION, how="left")
    own = passes[passes["source"] == "own"]
    first_of_card = own.groupby("gpu")["date"].min()
    dateless = own.loc[own["date"].isna(), "gpu"].unique()
    day = own.groupby(CONFIGURATION)["date"].min().rename("measured_on").reset_index()
    rows = rows.merge(day, on=CONFIGURATION, how="left")
    rows["first_pass"] = first_of_card.reindex(rows["gpu"]).to_numpy()
    rows["dateless"] = rows["gpu"].isin(dateless)
    rows["never_run"] = ~rows["gpu"].isin(own["gpu"])
    rows["earliest"] = rows.groupby("gpu")["made_on"].transform("min")
    return rows


def _why_not(rows: pd.DataFrame) -> np.ndarray:
    reasons = [
        (rows["never_run"], "the card has not come yet"),
        (rows["dateless"], "a pass of the card has no date: which came first cannot be told"),
        (rows["made_on"] == rows["first_pass"], "made on the day of the card's first pass"),
        (rows["made_on"] > rows["first_pass"], "made after the card's first pass"),
        (rows["made_on"] > rows["earliest"], "an earlier forecast for this card counts"),
        (rows["measured_fps"].isna(), "this configuration has not been run"),
    ]
    repeated = rows.duplicated([*CONFIGURATION, "made_on"])
    reasons.append((repeated, "the same forecast stands above"))
    tests = [test.to_numpy(bool) for test, _ in reasons]
    return np.select(tests, [text for _, text in reasons], default="")


def _cards(scored: pd.DataFrame) -> pd.DataFrame:
    by_card = scored.groupby("gpu", sort=False)
    cards = pd.DataFrame(
        {
            "made_on": by_card["made_on"].first(),
            "rows": by_card.size(),
            "inside_share": (scored["inside"] == "yes").groupby(scored["gpu"], sort=False).mean(),
            "median_abs_pct": 100 * np.expm1(_by_card(scored, scored["log_error"].abs())),
            "bias_pct": 100 * np.expm1(_by_card(scored, scored["log_error"])),
            "interval_score": by_card["interval_score"].mean(),
        }
    )
    return cards.rename_axis("gpu").reset_index()


def _by_card(scored: pd.DataFrame, values: pd.Series) -> pd.Series:
    return values.groupby(scored["gpu"], sort=False).median()


def _calibration(scored: pd.DataFrame) -> pd.DataFrame:
    """Share of forecasts inside ranges of every width, the ranges taken as normal on the log scale.

    A kept line holds one range; the others are widened or narrowed from it.
    """
    low, high = np.log(scored["pred_low"]), np.log(scored["pred_high"])
    scale = (high - low) / 2 / -ndtri((1 - scored["level"]) / 2)
    away = (scored["log_error"].abs() / scale).to_numpy(float)
    limit = -ndtri((1 - NOMINAL) / 2)
    inside = pd.DataFrame(away[:, None] <= limit, index=scored.index)
    by_card = inside.groupby(scored["gpu"]).mean()
    observed = by_card.mean().to_numpy(float) if len(by_card) else np.full(len(NOMINAL), np.nan)
    return pd.DataFrame({"nominal": NOMINAL, "observed": observed, "cards": len(by_card)})
