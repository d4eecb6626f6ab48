"""How much an average is worth when neighbouring frames resemble each other."""

import math

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtr

FEWEST_VALUES = 16
"""Below this a block length cannot be told, and no standard error is given."""

MOST_VALUES = 512
"""Longer passes are first averaged over runs of 2, 4, 8 ... frames until no more are left."""


def block_length(values: NDArray[np.float64]) -> float:
    """Block length for the circular block bootstrap of a mean (Politis and White).

    Parameters
    ----------
    values : ndarray of float, shape (n,)
        A stationary series, n at least 16.

    Returns
    -------
    float
        ``(2 g^2 / d)^(1/3) n^(1/3)`` with g and d from flat-top weighted autocovariances, not above
        ``ceil(min(3 sqrt(n), n/3))``; 1 for a constant series.

    References
    ----------
    .. [1] D. N. Politis and H. White (2004), "Automatic block-length selection for the dependent
       bootstrap", Econometric Reviews 23:53-70, doi:10.1081/ETC-120028836.
    .. [2] A. Patton, D. N. Politis and H. White (2009), "Correction", Econometric Reviews
       28:372-375, doi:10.1080/07474930802459016.

    Examples
    --------
    >>> block_length(np.ones(100))
    1.0
    """
    n = len(values)
    centred = values - float(np.add.reduce(values)) / n
    runs = max(5, int(math.log10(n)))
    most = min(math.ceil(math.sqrt(n)) + runs, n - 2)
    padded = np.zeros(n + most)
    padded[:n] = centred
    products = np.correlate(padded, centred, mode="valid")
    energy = float(products[0])
    if energy <= 0:
        return 1.0
    quiet = _first_quiet_lag(centred, products, runs)
    width = most if quiet < 0 else min(2 * max(quiet, 1), most)
    lags = np.arange(1.0, width + 1)
    weighted = np.minimum(1.0, 2 - lags * (2 / width)) * products[1 : width + 1]
    g = 2 * float(np.add.reduce(lags * weighted)) / n
    spectrum = (2 * float(np.add.reduce(weighted)) + energy) / n
    longest = float(math.ceil(min(3 * math.sqrt(n), n / 3)))
    if spectrum == 0:
        return longest
    return min(float((2 * g**2 / (4 / 3 * spectrum**2) * n) ** (1 / 3)), longest)


def _first_quiet_lag(centred: NDArray[np.float64], products: NDArray[np.float64], runs: int) -> int:
    """Find the first lag from which `runs` autocorrelations in a row are not significant, or -1."""
    n, most = len(centred), len(products) - 1
    limit = 2 * math.sqrt(math.log10(n) / n)
    # Each autocorrelation is scaled by the parts of the series that enter it.
    head, tail = centred[:most], centred[: n - most - 1 : -1]
    without_first = products[0] - np.cumsum(head * head)
    without_last = products[0] - np.cumsum(tail * tail)
    scale = np.sqrt(np.maximum(without_first * without_last, 0.0))
    small = np.abs(products[:most]) < limit * scale
    marks: bytes = small.tobytes()
    return marks.find(b"\1" * runs)


def block_standard_error(values: NDArray[np.float64], length: int) -> float:
    """Exact standard error of the mean under the circular block bootstrap.

    Parameters
    ----------
    values : ndarray of float, shape (n,)
        The series.
    length : int
        Block length, 1 to n.

    Returns
    -------
    float
        Root of ``length/n`` times the variance of all n circular block means, which is what
        resampling approaches with ever more draws.

    References
    ----------
    .. [1] D. N. Politis and J. P. Romano (1992), "A circular block-resampling procedure for
       stationary data", in Exploring the Limits of Bootstrap, 263-270 (from memory).

    Examples
    --------
    >>> block_standard_error(np.array([1.0, 3.0]), 1)
    0.7071067811865476
    """
    n = len(values)
    circle = np.empty(n + length)
    circle[0] = 0.0
    circle[1 : n + 1] = values - float(np.add.reduce(values)) / n
    circle[n + 1 :] = circle[1:length]
    sums = np.cumsum(circle)
    block_sums = sums[length:] - sums[:-length]
    block_sums *= block_sums
    return math.sqrt(float(np.add.reduce(block_sums)) / length) / n


def run_sums(times: NDArray[np.float64], halvings: int) -> NDArray[np.float64]:
    """Sum runs of 2^halvings neighbouring values.

    Parameters
    ----------
    times : ndarray of float, shape (n,)
        The series; an incomplete run at its end is left out.
    halvings : int
        Binary logarithm of the run length.

    Returns
    -------
    ndarray of float, shape (n >> halvings,)

    Examples
    --------
    >>> run_sums(np.arange(9.0), 2).tolist()
    [6.0, 22.0]
    """
    if halvings == 0:
        return times
    runs = len(times) >> halvings
    sums: NDArray[np.float64] = np.einsum(
        "ij->i", times[: runs << halvings].reshape(runs, 1 << halvings)
    )
    return sums


def halvings_for(count: int) -> int:
    """Tell how often a series is halved before its dependence is looked at.

    Parameters
    ----------
    count : int
        Its length.

    Returns
    -------
    int
        Smallest k with ``count >> k`` at most 512.

    Examples
    --------
    >>> halvings_for(512), halvings_for(15_000)
    (0, 5)
    """
    return (count // (MOST_VALUES + 1)).bit_length()


def standard_error(runs: NDArray[np.float64], variance: float) -> tuple[float, float]:
    """Tell the standard error of the mean frame time and the effective number of frames.

    Parameters
    ----------
    runs : ndarray of float, shape (m,)
        Means of runs of frames in ms, m at most 512; the frames themselves where they are few.
    variance : float
        Variance of the single frame times in ms^2, divisor n.

    Returns
    -------
    se_ms : float
        Standard error of the mean in ms; NaN below 16 frames.
    effective_frames : float
        Variance of the frame times over se_ms squared; above n where long and short frames
        alternate; NaN where the standard error is 0 or not known.

    Examples
    --------
    >>> standard_error(np.ones(3), 0.0)
    (nan, nan)
    """
    if len(runs) < FEWEST_VALUES:
        return math.nan, math.nan
    error = block_standard_error(runs, max(1, math.ceil(block_length(runs))))
    return error, variance / error**2 if error > 0 else math.nan


def line_change(values: NDArray[np.float64], least: float = 0.0) -> tuple[float, float]:
    """Tell how far a series moves along a straight line, and whether it might by chance.

    Parameters
    ----------
    values : ndarray of float, shape (m,)
        The series.
    least : float
        Changes smaller than this are not judged.

    Returns
    -------
    change : float
        Slope of the least squares line times the length of the series; NaN below 16 values.
    chance : float
        Two-sided p of a change so large in a series that only wanders: the standard error is root
        of 12 times that of the mean of what the line leaves, by the circular block bootstrap; the t
        has two degrees of freedom fewer than there are blocks. 1 where not judged.

    Examples
    --------
    >>> change, chance = line_change(np.arange(100.0) + np.tile([0.5, -0.5], 50))
    >>> round(change), chance < 1e-9
    (100, True)
    """
    count = len(values)
    if count < FEWEST_VALUES:
        return math.nan, 1.0
    place = np.arange(count) - (count - 1) / 2
    slope = float(np.add.reduce(place * values)) * 12 / (count * (count**2 - 1.0))
    change = slope * count
    if abs(change) < least:
        return change, 1.0
    left = values - values.mean() - slope * place
    length = max(1, math.ceil(block_length(left)))
    error = math.sqrt(12) * block_standard_error(left, length)
    if error == 0:
        return change, 0.0 if change else 1.0
    return change, 2 * float(stdtr(max(1.0, count / length - 2), -abs(change) / error))
