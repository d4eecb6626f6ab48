"""What the last part of the money buys, and what to give up first when a price rises."""

import numpy as np
import pandas as pd

from perfkit.defaults import LEVEL
from perfkit.value.arithmetic import central_range
from perfkit.value.speeds import BuildSpeeds, FloatArray
from perfkit.value.worth import mean_fps

LAST_SHARE = 0.10
"""The last part of the budget that is asked about."""

PRICE_RISE = 0.10
"""The rise of a build's price that is asked about."""

WAYS = 3
"""Ways to save that are listed for each build."""


def last_money(speeds: BuildSpeeds, price: FloatArray, budget: float | None) -> pd.DataFrame:
    """Compare the fastest build under the budget with the fastest under nine tenths of it.

    Parameters
    ----------
    speeds : BuildSpeeds
        Of the study's builds.
    price : ndarray, shape (builds,)
    budget : float or None

    Returns
    -------
    DataFrame
        budget, build, price, fps, smaller_budget, smaller_build, smaller_price, smaller_fps,
        extra_cost, gain_pct, gain_low_pct, gain_high_pct: one row. Without a budget that of the
        dearest build is taken; no row where none costs nine tenths of it or less.
    """
    point, drawn = mean_fps(speeds)
    known = np.isfinite(price) & np.isfinite(point)
    columns = ["budget", "build", "price", "fps", "smaller_budget", "smaller_build"]
    columns += ["smaller_price", "smaller_fps", "extra_cost"]
    columns += ["gain_pct", "gain_low_pct", "gain_high_pct"]
    if not known.any():
        return pd.DataFrame(columns=columns)
    budget = float(price[known].max()) if budget is None else budget
    smaller = budget * (1 - LAST_SHARE)
    within = [np.flatnonzero(known & (price <= money)) for money in (budget, smaller)]
    if not len(within[1]):
        return pd.DataFrame(columns=columns)
    best, less = (int(those[np.argmax(point[those])]) for those in within)
    low, high = central_range(drawn[best] / drawn[less] - 1, LEVEL)
    numbers = [budget, speeds.names[best], price[best], point[best]]
    numbers += [smaller, speeds.names[less], price[less], point[less], price[best] - price[less]]
    numbers += [100 * (point[best] / point[less] - 1), 100 * float(low), 100 * float(high)]
    return pd.DataFrame([numbers], columns=columns)


def give_up_first(
    speeds: BuildSpeeds, price: FloatArray, budget: float | None, lines: pd.DataFrame
) -> pd.DataFrame:
    """List for each build the ways to pay for a risen price that lose the fewest frames.

    Parameters
    ----------
    speeds : BuildSpeeds
        Of the study's builds.
    price : ndarray, shape (builds,)
    budget : float or None
    lines : DataFrame
        As made by :func:`perfkit.study.prices.build_lines`.

    Returns
    -------
    DataFrame
        build, price, to_save (what a rise of a tenth, or the budget, asks for), way, saves,
        fps_lost, lost_low, lost_high, lost_per_100 (FPS for each 100 of the currency saved), order:
        up to `WAYS` rows a build. A way is a cheaper build of the study, or leaving out an item of
        role "other", on which no FPS depends.
    """
    point, drawn = mean_fps(speeds)
    extras = lines[lines["role"] == "other"]
    rows = []
    for at in np.flatnonzero(np.isfinite(point)):
        over = 0.0 if budget is None else price[at] - budget
        to_save = max(over, PRICE_RISE * price[at])
        mine = extras[extras["build"] == speeds.names[at]]
        ways = [
            (f"leave out {item}", amount, 0.0, 0.0, 0.0)
            for item, amount in zip(mine["item"], mine["amount"], strict=True)
            if to_save <= amount < price[at]
        ]
        saves = price[at] - price
        for other in np.flatnonzero((saves >= to_save) & (saves > 0) & np.isfinite(point)):
            low, high = central_range(drawn[at] - drawn[other], LEVEL)
            lost = point[at] - point[other]
            ways.append((speeds.names[other], saves[other], lost, float(low), float(high)))
        ways.sort(key=lambda way: (way[2] / way[1], -way[1]))
        for order, way in enumerate(ways[:WAYS], start=1):
            per_100 = 100 * way[2] / way[1]
            rows.append((speeds.names[at], price[at], to_save, *way, per_100, order))
    columns = ["build", "price", "to_save", "way", "saves", "fps_lost", "lost_low", "lost_high"]
    return pd.DataFrame(rows, columns=[*columns, "lost_per_100", "order"])
