"""How much an average is worth when neighbouring frames resemble each other."""

import math

import numpy as np
from numpy.typing import NDArray

FEWEST_VALUES = 16
"""Below this a block length cannot be told, and no standard error is given."""

MOST_VALUES = 2048
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
    centred = values - values.mean()
    runs = max(5, int(math.log10(n)))
    most = min(math.ceil(math.sqrt(n)) + runs, n - 2)
    padded = np.concatenate([centred, np.zeros(most)])
    products = np.correlate(padded, centred, mode="valid")
    if products[0] <= 0:
        return 1.0
    # Each autocorrelation is scaled by the parts of the series that enter it.
    squares = np.concatenate([[0.0], np.cumsum(centred**2)])
    lags = np.arange(most + 1)
    scale = np.sqrt(np.maximum((squares[n] - squares[lags + 1]) * squares[n - lags - 1], 0))
    with np.errstate(divide="ignore", invalid="ignore"):
        small = np.abs(products) / scale < 2 * math.sqrt(math.log10(n) / n)
    together = np.convolve(small, np.ones(runs, dtype=int), mode="valid")[: most - runs + 1]
    quiet = np.flatnonzero(together == runs)
    width = min(2 * max(int(quiet[0]), 1), most) if len(quiet) else most
    k = np.arange(1, width + 1)
    weights = np.minimum(1.0, 2 * (1 - k / width))
    covariances = products[1 : width + 1] / n
    g = 2 * float(np.sum(weights * k * covariances))
    spectrum = products[0] / n + 2 * float(np.sum(weights * covariances))
    longest = math.ceil(min(3 * math.sqrt(n), n / 3))
    if spectrum == 0:
        return float(longest)
    length = float(2 * g**2 / (4 / 3 * spectrum**2) * n) ** (1 / 3)
    return min(length, float(longest))


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
    centred = values - values.mean()
    sums = np.concatenate([[0.0], np.cumsum(np.concatenate([centred, centred[: length - 1]]))])
    block_means = (sums[length:] - sums[:-length]) / length
    return math.sqrt(length / n * float(np.mean(block_means**2)))


def standard_error(times: NDArray[np.float64]) -> tuple[float, float]:
    """Tell the standard error of the mean frame time and the effective number of frames.

    Parameters
    ----------
    times : ndarray of float, shape (n,)
        Frame times in ms.

    Returns
    -------
    se_ms : float
        Standard error of the mean in ms; NaN below 16 frames.
    effective_frames : float
        Variance of the frame times over se_ms squared; above n where long and short frames
        alternate; NaN where the standard error is 0 or not known.

    Examples
    --------
    >>> standard_error(np.ones(3))
    (nan, nan)
    """
    n = len(times)
    if n < FEWEST_VALUES:
        return math.nan, math.nan
    runs = times
    while len(runs) > MOST_VALUES:
        runs = runs[: len(runs) // 2 * 2].reshape(-1, 2).mean(axis=1)
    error = block_standard_error(runs, max(1, math.ceil(block_length(runs))))
    return error, float(np.var(times)) / error**2 if error > 0 else math.nan
