"""Draws in, decisions out: the array maths of value, without names or tables.

Draws lie innermost everywhere: shape (builds, workloads, draws) or (builds, draws).
"""

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


def mean_log_draws(log_draws: FloatArray, weights: FloatArray) -> FloatArray:
    """Log of the weighted geometric mean over workloads, draw by draw.

    Parameters
    ----------
    log_draws : ndarray, shape (builds, workloads, draws)
        Natural log of FPS.
    weights : ndarray, shape (workloads,)
        Weights, not all zero; they need not add up to one.

    Returns
    -------
    ndarray, shape (builds, draws)

    References
    ----------
    Fleming and Wallace (1986), *CACM* 29(3):218-221: ratios are averaged geometrically.

    Examples
    --------
    >>> draws = np.log([[[40.0, 50.0], [90.0, 50.0]]])
    >>> np.exp(mean_log_draws(draws, np.array([1.0, 1.0]))).round(6).tolist()
    [[60.0, 50.0]]
    """
    means: FloatArray = np.matmul(weights / weights.sum(), log_draws)
    return means


def central_range(draws: FloatArray, level: float) -> tuple[FloatArray, FloatArray]:
    """Central range of each row of draws: the quantiles (1 - level) / 2 and (1 + level) / 2.

    Parameters
    ----------
    draws : ndarray, shape (..., draws)
        Type 7 quantiles (Hyndman and Fan 1996) are taken along the last axis.
    level : float
        Coverage in (0, 1).

    Returns
    -------
    low, high : ndarray, shape (...)
        NaN where a draw is NaN.

    Examples
    --------
    >>> low, high = central_range(np.arange(101.0), 0.90)
    >>> round(float(low), 9), round(float(high), 9)
    (5.0, 95.0)
    """
    position = np.array([(1 - level) / 2, (1 + level) / 2]) * (draws.shape[-1] - 1)
    below = np.floor(position).astype(int)
    above = np.minimum(below + 1, draws.shape[-1] - 1)
    ordered = np.sort(draws, axis=-1)  # quicker here than selecting four ranks
    ends = ordered[..., below] + (position - below) * (ordered[..., above] - ordered[..., below])
    ends = np.where(np.isnan(ordered[..., -1:]), np.nan, ends)
    return ends[..., 0], ends[..., 1]


def frontier_probability(prices: FloatArray, speeds: FloatArray) -> FloatArray:
    """Share of draws in which no other build is as cheap and as fast, and better in one of the two.

    Parameters
    ----------
    prices : ndarray, shape (builds,)
    speeds : ndarray, shape (builds, draws)
        Any increasing function of speed: FPS or its logarithm.

    Returns
    -------
    ndarray, shape (builds,)
        NaN for a build whose price or speed is not known; such a build beats nobody.

    Notes
    -----
    Prices are sorted once; in each draw a build must be faster than the running maximum of all
    cheaper ones, and as fast as any other of its own price.

    Examples
    --------
    >>> prices = np.array([500.0, 400.0, 600.0])
    >>> speeds = np.array([[50.0, 50.0], [40.0, 60.0], [45.0, 70.0]])
    >>> frontier_probability(prices, speeds).tolist()
    [0.5, 1.0, 0.5]
    """
    result = np.full(len(prices), np.nan)
    known = np.flatnonzero(np.isfinite(prices) & np.isfinite(speeds).all(axis=-1))
    known = known[np.argsort(prices[known], kind="stable")]
    fastest_cheaper = np.full(speeds.shape[1], -np.inf)
    for group in np.split(known, np.flatnonzero(np.diff(prices[known])) + 1):
        fastest = fastest_cheaper
        for build in group:
            fastest = np.maximum(fastest, speeds[build])
        better = fastest > fastest_cheaper
        for build in group:
            on_frontier = (speeds[build] == fastest) & better
            result[build] = np.count_nonzero(on_frontier) / len(on_frontier)
        fastest_cheaper = fastest
    return result


def rank_probability(costs: FloatArray) -> FloatArray:
    """Probability of each rank by cost per frame, rank 1 being the lowest cost.

    Parameters
    ----------
    costs : ndarray, shape (builds, draws)
        A build with any NaN is not ranked. Of equal costs the earlier row ranks first.

    Returns
    -------
    ndarray, shape (builds, builds)
        Row = build, column = rank - 1; rows of builds that are not ranked are NaN.

    Examples
    --------
    >>> rank_probability(np.array([[9.0, 9.0], [8.0, 10.0]])).tolist()
    [[0.5, 0.5], [0.5, 0.5]]
    """
    count, draws = costs.shape
    result = np.full((count, count), np.nan)
    known = np.flatnonzero(np.isfinite(costs).all(axis=-1))
    order = np.argsort(costs[known], axis=0, kind="stable")
    tally = np.zeros((len(known), count))
    for rank, holders in enumerate(order):
        tally[:, rank] = np.bincount(holders, minlength=len(known)) / draws
    result[known] = tally
    return result


def overtaking_prices(prices: FloatArray, speeds: FloatArray) -> FloatArray:
    """Price below which a build has the lowest cost per frame of all, draw by draw.

    Parameters
    ----------
    prices : ndarray, shape (builds,)
    speeds : ndarray, shape (builds, draws)
        FPS.

    Returns
    -------
    ndarray, shape (builds, draws)
        The best rival's cost per frame times the build's own FPS; NaN without a rival.

    Examples
    --------
    >>> overtaking_prices(np.array([500.0, 300.0]), np.array([[50.0], [60.0]])).tolist()
    [[250.0], [600.0]]
    """
    costs = prices[:, None] / speeds
    costs[~np.isfinite(costs)] = np.inf
    if len(costs) < 2:
        return np.full_like(costs, np.nan)
    draw = np.arange(costs.shape[1])
    best = costs.argmin(axis=0)
    lowest = costs[best, draw]
    costs[best, draw] = np.inf
    next_lowest = costs.min(axis=0)
    rival = np.broadcast_to(lowest, costs.shape).copy()
    rival[best, draw] = next_lowest
    rival[~np.isfinite(rival)] = np.nan
    rival *= speeds
    return rival
