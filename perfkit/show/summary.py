"""The few sentences that matter about one study, for the terminal and the top of the page."""

from pathlib import Path

import numpy as np
import pandas as pd

from perfkit.analysis import Analysis
from perfkit.frames.usable import usable
from perfkit.models.left_out_errors import CHOSEN_ANEW
from perfkit.show.tables import all_tables


def counted(number: int, thing: str, plural: str = "") -> str:
    """Count things in words: ``1 pass``, ``3 passes``.

    Parameters
    ----------
    number : int
    thing : str
        Singular.
    plural : str
        Where it is not the singular with an s.

    Returns
    -------
    str

    Examples
    --------
    >>> counted(1, "pass", "passes"), counted(3, "game")
    ('1 pass', '3 games')
    """
    return f"{number:,} {thing if number == 1 else plural or thing + 's'}"


def _measured(analysis: Analysis) -> str:
    passes = analysis.passes
    counting = usable(passes)
    flags = analysis.flags
    flagged = flags.loc[flags["code"] != "short", "pass_id"].nunique()
    return (
        f"{len(counting):,} of {counted(len(passes), 'pass', 'passes')} count: "
        f"{counted(counting['gpu'].nunique(), 'GPU')} in "
        f"{counted(counting['system'].nunique(), 'system')}, "
        f"{counted(counting['workload'].nunique(), 'workload')}; "
        f"{counted(flagged, 'pass', 'passes')} flagged for more than being short"
    )


def _modelled(analysis: Analysis) -> str:
    model = analysis.model
    if not model.family:
        return f"No other GPU can be predicted: {'; '.join(model.warnings)}"
    # The chosen family's own errors helped to choose it; those of the whole procedure did not.
    tried = model.comparison[model.comparison["family"].eq(CHOSEN_ANEW)]
    tried = tried.dropna(subset=["median_abs_pct"])
    if tried.empty:
        return f"No prediction was held against a GPU left out: {'; '.join(model.warnings)}"
    errors = tried.iloc[0]
    return (
        f"Predictions by {model.family}: on a GPU it had not seen, half were off by less than "
        f"{errors['median_abs_pct']:.1f} %, nine in ten by less than {errors['p90_abs_pct']:.0f} %"
    )


def _worth(value: pd.DataFrame) -> str:
    priced = value.dropna(subset=["cost_per_frame"])
    if priced.empty:
        return "No build has both a price and a speed, so no cost per frame is given"
    best = priced.nsmallest(1, "cost_per_frame").iloc[0]
    return (
        f"Lowest cost per frame: {best['build']}, {best['cost_per_frame']:.2f} {best['currency']} "
        f"({_range(best)}), {best['basis']}"
    )


def _upgrade(upgrades: pd.DataFrame, currency: str) -> str | None:
    told = upgrades.dropna(subset=["cost_per_added_frame"])
    told = told[told["goes_together"] != "no"]
    if told.empty:
        return None
    best = told.nsmallest(1, "cost_per_added_frame").iloc[0]
    together = "" if best["goes_together"] == "yes" else " (whether it goes together: not checked)"
    return (
        f"Cheapest added frame: {best['from_build']} to {best['to_build']}{together}, "
        f"{best['cost_per_added_frame']:.2f} {currency} "
        f"({_range(best)})"
    )


def _range(best: pd.Series) -> str:
    if not np.isfinite(best["cost_low"]):
        return "range not known"
    return f"{best['cost_low']:.2f} to {best['cost_high']:.2f}"


def findings(analysis: Analysis) -> list[str]:
    """Say what was measured, how far predictions go, and what is worth its price.

    Parameters
    ----------
    analysis : Analysis

    Returns
    -------
    list of str
        One sentence each, plain text, no full stop.
    """
    sentences = [_measured(analysis), _modelled(analysis), _worth(analysis.value)]
    upgrade = _upgrade(analysis.upgrades, analysis.study.settings.currency)
    return [*sentences, *([upgrade] if upgrade else [])]


def closing_lines(analysis: Analysis, out: Path, charts: int) -> list[str]:
    """Where the report is and the few numbers that matter.

    Parameters
    ----------
    analysis : Analysis
    out : Path
        The folder just written; it may be another run's by now, so nothing is read there.
    charts : int
        How many were drawn.

    Returns
    -------
    list of str
    """
    tables = len(all_tables(analysis))
    return [
        *findings(analysis),
        f"{out}: {counted(tables, 'table')}, {counted(charts, 'chart')}; "
        f"open {out / 'report.html'}",
    ]
