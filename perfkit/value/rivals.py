"""Builds against each other: who ranks where, and at which price that changes."""

import numpy as np
import pandas as pd

from perfkit.defaults import LEVEL
from perfkit.value.arithmetic import central_range, rank_probability
from perfkit.value.speeds import BuildSpeeds, FloatArray
from perfkit.value.worth import mean_fps


def rank_table(speeds: BuildSpeeds, price: FloatArray) -> pd.DataFrame:
    """Say how likely each build takes each rank by cost per frame.

    Parameters
    ----------
    speeds : BuildSpeeds
        Of the study's builds.
    price : ndarray, shape (builds,)

    Returns
    -------
    DataFrame
        build, rank (1 is the lowest cost), probability; only ranks with a probability above zero.
    """
    _, drawn = mean_fps(speeds)
    chances = rank_probability(price[:, None] / drawn)
    build, rank = np.nonzero(chances > 0)
    names = np.array(speeds.names, dtype=object)[build]
    return pd.DataFrame({"build": names, "rank": rank + 1, "probability": chances[build, rank]})


def flip_table(speeds: BuildSpeeds, price: FloatArray) -> pd.DataFrame:
    """Say at which price a build's cost per frame equals each rival's.

    Parameters
    ----------
    speeds : BuildSpeeds
        Of the study's builds.
    price : ndarray, shape (builds,)

    Returns
    -------
    DataFrame
        build, rival, price, flip_price, flip_low, flip_high, change_pct (of the price that gets
        there), now (cheaper per frame, dearer per frame): one row per ordered pair of builds with
        a price and a speed. Below `flip_price` the build is cheaper per frame than the rival.
    """
    point, drawn = mean_fps(speeds)
    known = np.flatnonzero(np.isfinite(price) & np.isfinite(point))
    rows = []
    for at in known:
        rivals = known[known != at]
        flip = price[rivals] * point[at] / point[rivals]
        low, high = central_range(price[rivals, None] * drawn[at] / drawn[rivals], LEVEL)
        rows.append(
            pd.DataFrame(
                {
                    "build": speeds.names[at],
                    "rival": [speeds.names[rival] for rival in rivals],
                    "price": price[at],
                    "flip_price": flip,
                    "flip_low": low,
                    "flip_high": high,
                    "change_pct": 100 * (flip / price[at] - 1),
                    "now": np.where(price[at] < flip, "cheaper per frame", "dearer per frame"),
                }
            )
        )
    columns = ["build", "rival", "price", "flip_price", "flip_low", "flip_high"]
    columns += ["change_pct", "now"]
    return pd.concat(rows, ignore_index=True) if rows else pd.DataFrame(columns=columns)
