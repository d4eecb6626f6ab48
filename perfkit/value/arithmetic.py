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
    rows = draws.reshape(-1, draws.shape[-1])
    room = np.empty((min(_BUILDS, len(rows)), rows.shape[1]))
    ends = [_ends(rows[at : at + _BUILDS], level, room) for at in range(0, len(rows), _BUILDS)]
    low, high = np.concatenate([np.empty((2, 0)), *ends], axis=1).reshape(2, *draws.shape[:-1])
    return low, high


_BUILDS = 16
"""Rows of draws that stay in a processor's cache together."""

_FEW = 1000
_KEYS = 255


def _ends(rows: FloatArray, level: float, room: FloatArray) -> FloatArray:
    """Lower and upper quantile of each row, shape (2, rows).

    Of many draws only those near the wanted ranks are put in order: a key of one byte says in which
    255th of the row's width a draw lies, sorting the keys says which keys hold the ranks.
    """
    least, most = rows.min(axis=1), rows.max(axis=1)
    known = ~np.isnan(least)
    if not known.all():
        ends = np.full((2, len(rows)), np.nan)
        if known.any():
            ends[:, known] = _ends(rows[known], level, room)
        return ends
    count = rows.shape[1]
    position = np.array([(1 - level) / 2, (1 + level) / 2]) * (count - 1)
    ranks = position.astype(int)
    if count < _FEW or not (np.isfinite(least) & np.isfinite(most)).all():
        ordered = np.sort(rows, axis=1)
        pairs = [(ordered[:, rank], ordered[:, min(rank + 1, count - 1)]) for rank in ranks]
    else:
        keys = _byte_keys(rows, least, most, room[: len(rows)])
        sorted_keys = np.sort(keys, axis=1, kind="stable")  # a radix sort
        pairs = [_ranked(rows, keys, sorted_keys, int(rank)) for rank in ranks]
    ends = np.empty((2, len(rows)))
    for end, share, (lower, upper) in zip(ends, position - ranks, pairs, strict=True):
        end[:] = lower + share * (upper - lower)
    return ends


def _byte_keys(
    rows: FloatArray, least: FloatArray, most: FloatArray, room: FloatArray
) -> npt.NDArray[np.uint8]:
    """Keys that rise with the draws of a row, equal for neighbours."""
    width = most - least
    with np.errstate(divide="ignore", over="ignore"):
        scale = _KEYS / width
    scale[np.isinf(scale)] = 0.0  # equal draws, or nearly: one key
    np.subtract(rows, least[:, None], out=room)
    room *= scale[:, None]
    return room.astype(np.uint8)


def _ranked(
    rows: FloatArray, keys: npt.NDArray[np.uint8], sorted_keys: npt.NDArray[np.uint8], rank: int
) -> tuple[FloatArray, FloatArray]:
    """Draws of a rank and the next, from those alone whose keys may hold them."""
    count = rows.shape[1]
    first, last = sorted_keys[:, rank, None], sorted_keys[:, rank + 1, None]
    row, column = np.divmod(np.flatnonzero((keys >= first) & (keys <= last)), count)
    sizes = np.bincount(row, minlength=len(rows))
    some = np.full((len(rows), sizes.max()), np.inf)
    some[np.arange(some.shape[1]) < sizes[:, None]] = rows[row, column]
    some.sort(axis=1)
    if rank < count // 2:
        below = np.count_nonzero(sorted_keys[:, :rank] < first, axis=1)
    else:
        below = count - sizes - np.count_nonzero(sorted_keys[:, rank:] > last, axis=1)
    every, place = np.arange(len(rows)), rank - below
    return some[every, place], some[every, place + 1]


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
    known = np.flatnonzero(np.isfinite(prices) & np.isfinite(speeds.sum(axis=1)))
    known = known[np.argsort(prices[known], kind="stable")]
    if not len(known):
        return result
    fastest_cheaper = np.full(speeds.shape[1], -np.inf)
    draws = speeds.shape[1]
    for group in np.split(known, np.flatnonzero(np.diff(prices[known])) + 1):
        if len(group) == 1:
            better = speeds[group[0]] > fastest_cheaper
            result[group[0]] = np.count_nonzero(better) / draws
            np.maximum(fastest_cheaper, speeds[group[0]], out=fastest_cheaper)
            continue
        fastest = np.maximum(fastest_cheaper, speeds[group].max(axis=0))
        better = fastest > fastest_cheaper
        for build in group:
            result[build] = np.count_nonzero((speeds[build] == fastest) & better) / draws
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
    known = np.flatnonzero(np.isfinite(costs).all(axis=1))
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
    with np.errstate(invalid="ignore"):
        least = prices / speeds.max(axis=1)  # NaN where a draw is not known
    lowest, next_lowest = _lowest_costs(prices, speeds, least)
    result: FloatArray = lowest * speeds
    for build in np.flatnonzero(~(least > lowest.max())):
        # the best of all has the next best for a rival
        best = prices[build] / speeds[build] == lowest
        result[build, best] = next_lowest[best] * speeds[build, best]
    return result


def _lowest_costs(
    prices: FloatArray, speeds: FloatArray, least: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Lowest and next lowest cost per frame, draw by draw; NaN where there is none.

    `least` is each build's least cost, NaN where not known: a build that is never among the two
    lowest need not be looked at draw by draw.
    """
    lowest = np.full(speeds.shape[1], np.inf)
    next_lowest = lowest.copy()
    for build in np.argsort(np.where(np.isnan(least), -np.inf, least), kind="stable"):
        if least[build] > next_lowest.max():
            break
        cost = prices[build] / speeds[build]
        cost[np.isnan(cost)] = np.inf
        np.minimum(next_lowest, np.maximum(lowest, cost), out=next_lowest)
        np.minimum(lowest, cost, out=lowest)
    known = np.isfinite(lowest), np.isfinite(next_lowest)
    return np.where(known[0], lowest, np.nan), np.where(known[1], next_lowest, np.nan)
