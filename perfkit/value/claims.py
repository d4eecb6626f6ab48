"""Sentences of a script against the data: supported, contradicted or open."""

import math
from dataclasses import asdict, dataclass

import numpy as np
import pandas as pd

from perfkit.defaults import LEVEL
from perfkit.value.claim_evidence import Evidence, gather_evidence
from perfkit.value.claim_sides import Record
from perfkit.value.contrast import Contrast, bounds, relation_p, strata_to_turn
from perfkit.value.pass_counts import MOST_PASSES, passes_needed

POWER = 0.8
"""Probability with which the passes still needed would settle a claim (common practice)."""

SUPPORTED, CONTRADICTED, OPEN = "supported", "contradicted", "open"


@dataclass(frozen=True, slots=True)
class Finding:
    """What the data say about one claim.

    Attributes
    ----------
    verdict : str
        supported, contradicted or open.
    estimate, low, high : float
        left / right and its range at `LEVEL`.
    p_value : float
        Two-sided, before the correction for the number of claims; 0 where no chance is involved.
    p_holm : float
        After it.
    passes_left, passes_right : int
        Passes behind the two sides.
    workloads : int
        Workloads compared.
    basis : str
        measured, borrowed, predicted, or price.
    passes_needed : float
        Further passes of each configuration that would settle an open claim; NaN if settled.
    flip_price : float
        Price of `left` at which the sentence turns true or false; NaN where no price is in it.
    games_to_turn : float
        Fewest workloads whose removal puts the estimate on the other side; NaN where none does.
    turned_by : str
        Those workloads.
    reason : str
        Why it is open, or what a reader should know.
    """

    verdict: str
    estimate: float
    low: float
    high: float
    p_value: float
    p_holm: float
    passes_left: int
    passes_right: int
    workloads: int
    basis: str
    passes_needed: float
    flip_price: float
    games_to_turn: float
    turned_by: str
    reason: str


def holm(p_values: list[float]) -> list[float]:
    """Correct for the number of claims; NaN is not a claim with chance in it.

    Parameters
    ----------
    p_values : list of float

    Returns
    -------
    list of float

    References
    ----------
    Holm (1979), *Scandinavian J. Statistics* 6:65-70.

    Examples
    --------
    >>> holm([0.01, math.nan, 0.04])
    [0.02, nan, 0.04]
    """
    values = np.asarray(p_values, dtype=float)
    order = np.argsort(values)[: int(np.isfinite(values).sum())]
    steps = values[order] * np.arange(len(order), 0, -1)
    values[order] = np.minimum(np.maximum.accumulate(steps), 1.0)
    return [float(value) for value in values]


def check_claims(record: Record) -> pd.DataFrame:
    """Check every sentence of claims.csv.

    Parameters
    ----------
    record : Record
        As made by :func:`perfkit.value.claim_sides.record_of`; its predictions are used where a
        side was never measured.

    Returns
    -------
    DataFrame
        The columns of claims.csv, then those of `Finding`; one row per claim in file order. The
        family-wise error over all claims stays under 1 - `LEVEL` (Holm).

    Notes
    -----
    Averages and 1 % lows are compared at ``value_at``, native scale, by a Welch test on log pass
    values within each workload; a side that was never measured is compared by draws.

    Examples
    --------
    >>> import perfkit as pk
    >>> from perfkit.value.claim_sides import record_of
    >>> from perfkit.value.speeds import speed_book
    >>> from perfkit.study.demo import find_demo
    >>> study = pk.load_study(find_demo())
    >>> passes = pk.summarize_passes(study)
    >>> table = pk.fit(study, passes).predict(study.targets)
    >>> found = check_claims(record_of(study, passes, speed_book(study, passes, table)))
    >>> set(found["verdict"]) <= {"supported", "contradicted", "open"}
    True
    """
    claims = record.study.claims[list(_CLAIM)]
    asked = claims[["left", "right", "measure", "workload"]].itertuples(index=False, name=None)
    evidence = [gather_evidence(record, *claim) for claim in asked]
    limits = [
        bounds(relation, 0.0 if math.isnan(margin) else margin / 100)
        for relation, margin in claims[["relation", "margin_pct"]].itertuples(
            index=False, name=None
        )
    ]
    p_values = [_two_sided(found, *limit) for found, limit in zip(evidence, limits, strict=True)]
    corrected = holm([p if e.chance else math.nan for p, e in zip(p_values, evidence, strict=True)])
    findings = [
        asdict(_finding(found, limit, p, q, len(claims)))
        for found, limit, p, q in zip(evidence, limits, p_values, corrected, strict=True)
    ]
    columns = list(Finding.__slots__)
    result = pd.DataFrame(findings, columns=columns, index=claims.index)
    return pd.concat([claims, result], axis=1).reset_index(drop=True)


_CLAIM = ("claim", "left", "measure", "relation", "right", "margin_pct", "workload")


def _two_sided(evidence: Evidence, low: float, high: float) -> float:
    if evidence.contrast is None:
        return math.nan
    if not evidence.chance:
        return 0.0
    if evidence.draws is not None:
        holds = (low <= evidence.draws) & (evidence.draws <= high)
        true, false = int((~holds).sum()), int(holds.sum())
        return min(1.0, 2 * (min(true, false) + 1) / (len(holds) + 1))
    if not math.isfinite(evidence.contrast.std_error):
        return math.nan
    return min(1.0, 2 * min(relation_p(evidence.contrast, low, high)))


def _finding(
    evidence: Evidence, limit: tuple[float, float], p: float, p_holm: float, claims: int
) -> Finding:
    contrast = evidence.contrast or Contrast(math.nan, math.nan, math.nan, math.nan, ())
    verdict = _verdict(evidence, limit, p_holm)
    low, high = evidence.ratio_range()
    threshold = _nearest(contrast.log_ratio, *limit)
    needed, why = math.nan, ""
    if verdict == OPEN and evidence.draws is None and evidence.contrast is not None:
        needed, why = _still_needed(evidence, contrast, threshold, claims)
    turning = _games_to_turn(evidence, contrast, threshold)
    return Finding(
        verdict=verdict,
        estimate=math.exp(contrast.log_ratio),
        low=low,
        high=high,
        p_value=p,
        p_holm=p_holm if evidence.chance else p,
        passes_left=evidence.passes[0],
        passes_right=evidence.passes[1],
        workloads=len(set(evidence.workloads)),
        basis=evidence.basis,
        passes_needed=needed,
        flip_price=evidence.price_left * math.exp(threshold - contrast.log_ratio),
        games_to_turn=float(len(turning)) if turning else math.nan,
        turned_by="; ".join(turning),
        reason="; ".join(filter(None, [evidence.reason, why])),
    )


def _verdict(evidence: Evidence, limit: tuple[float, float], p_holm: float) -> str:
    if evidence.contrast is None:
        return OPEN
    if evidence.chance and not p_holm < 1 - LEVEL:
        return OPEN
    holds = limit[0] <= evidence.contrast.log_ratio <= limit[1]
    return SUPPORTED if holds else CONTRADICTED


def _nearest(log_ratio: float, low: float, high: float) -> float:
    """End of the claimed range that the estimate would have to cross."""
    if math.isinf(low):
        return high
    return low if math.isinf(high) or abs(log_ratio - low) < abs(log_ratio - high) else high


def _games_to_turn(evidence: Evidence, contrast: Contrast, threshold: float) -> list[str]:
    if not evidence.workloads or not math.isfinite(threshold):
        return []
    strata = pd.DataFrame({"weight": evidence.weights, "log": contrast.by_stratum})
    strata["log"] *= strata["weight"]
    games = strata.groupby(np.array(evidence.workloads), sort=False).sum()
    turning = strata_to_turn(games["log"] / games["weight"], games["weight"], threshold)
    return [str(games.index[at]) for at in turning]


def _still_needed(
    evidence: Evidence, contrast: Contrast, threshold: float, claims: int
) -> tuple[float, str]:
    alpha = (1 - LEVEL) / 2 / claims
    shift = contrast.log_ratio - threshold
    total = passes_needed(shift, contrast.spread, alpha, POWER, cells=evidence.cells)
    if math.isnan(total):
        return math.nan, "spread between passes not known: run each configuration twice"
    if math.isinf(total):
        return math.nan, f"too close to call: more than {MOST_PASSES} passes would be needed"
    return max(1.0, total - evidence.fewest), ""
