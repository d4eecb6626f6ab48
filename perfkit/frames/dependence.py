"""How much an average is worth when neighbouring frames resemble each other."""

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from scipy.special import stdtr

from perfkit.frames.order import Floats
from perfkit.frames.side_by_side import Rows, stack

FEWEST_VALUES = 16
"""Below this a block length cannot be told, and no standard error is given."""

MOST_VALUES = 512
"""Longer passes are first averaged over runs of 2, 4, 8 ... frames until no more are left."""

_QUIET = 5  # lags in a row; log10(n) where n is a million or more


def block_length(values: Floats) -> float:
    """Block length for the circular block bootstrap of a mean (Politis and White).

    Parameters
    ----------
    values : ndarray of float, shape (n,)
        A stationary series, n at least 16 and below a million.

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
    rows = stack([values])
    return float(_block_lengths(_centred(rows), rows.counts)[0])


def _centred(rows: Rows) -> Floats:
    """Take its mean from each row, shape (rows, width); zeros beyond its end."""
    means = np.add.reduce(rows.values, axis=1, keepdims=True) / rows.counts
    centred: Floats = np.where(rows.inside, rows.values - means, 0.0)
    return centred


def _block_lengths(centred: Floats, counts: NDArray[np.int64]) -> Floats:
    """Find the block length of each centred row."""
    n = counts.astype(float)
    width = centred.shape[1]
    # As many lags as the longest series of this width has; none beyond a row's own counts.
    widest = int(np.ceil(np.sqrt(width))) + _QUIET
    padded = np.pad(centred, ((0, 0), (0, widest)))
    products = np.einsum("ij,ikj->ik", centred, sliding_window_view(padded, width, axis=1))
    energy = products[:, [0]]
    bandwidth = _bandwidths(centred, counts, products)
    lags = np.arange(1, widest + 1)
    flat_top = np.clip(2.0 - lags * (2 / bandwidth), 0.0, 1.0)
    weighted = flat_top * products[:, 1:]
    g = 2 * np.add.reduce(lags * weighted, axis=1, keepdims=True) / n
    spectrum = (2 * np.add.reduce(weighted, axis=1, keepdims=True) + energy) / n
    longest = np.ceil(np.minimum(3 * np.sqrt(n), n / 3))
    with np.errstate(divide="ignore", invalid="ignore"):
        found = (2 * g**2 / (4 / 3 * spectrum**2) * n) ** (1 / 3)
    return np.where(energy > 0, np.fmin(found, longest), 1.0)[:, 0]


def _bandwidths(centred: Floats, counts: NDArray[np.int64], products: Floats) -> NDArray[np.int64]:
    """Twice the first lag of five autocorrelations in a row that are not significant, or most."""
    lags = np.arange(products.shape[1] - 1)
    limit = 2 * np.sqrt(np.log10(counts) / counts)
    # Each autocorrelation is scaled by the parts of the series that enter it.
    head = centred[:, : len(lags)]
    tail = np.take_along_axis(centred, counts - 1 - lags, axis=1)
    energy = products[:, [0]]
    without_first = energy - np.cumsum(head * head, axis=1)
    without_last = energy - np.cumsum(tail * tail, axis=1)
    scale = np.sqrt(np.maximum(without_first * without_last, 0.0))
    small = np.abs(products[:, :-1]) < limit * scale
    in_a_row = np.logical_and.reduce(sliding_window_view(small, _QUIET, axis=1), axis=2)
    first = in_a_row.argmax(axis=1)[:, None]
    most = np.ceil(np.sqrt(counts)).astype(np.int64) + _QUIET
    found = np.take_along_axis(in_a_row, first, axis=1)
    return np.where(found, np.minimum(2 * first, most), most)


def block_standard_errors(
    centred: Floats, counts: NDArray[np.int64], lengths: NDArray[np.int64]
) -> Floats:
    """Exact standard errors of means under the circular block bootstrap.

    Parameters
    ----------
    centred : ndarray of float, shape (rows, width)
        Series less their means, one per row, then zeros.
    counts : ndarray of int, shape (rows, 1)
        Lengths n of the series.
    lengths : ndarray of int, shape (rows, 1)
        Block lengths, 1 to n.

    Returns
    -------
    ndarray of float, shape (rows,)
        Root of ``length/n`` times the variance of all n circular block means, which is what
        resampling approaches with ever more draws.

    References
    ----------
    .. [1] D. N. Politis and J. P. Romano (1992), "A circular block-resampling procedure for
       stationary data", in Exploring the Limits of Bootstrap, 263-270 (from memory).

    Examples
    --------
    >>> block_standard_errors(np.array([[-1.0, 1.0]]), np.array([[2]]), np.array([[1]]))
    array([0.70710678])
    """
    width = centred.shape[1]
    sums = np.zeros((len(centred), width + 1))
    np.cumsum(centred, axis=1, out=sums[:, 1:])
    starts = np.arange(width)
    ends = starts + lengths
    beyond = ends > counts
    ends = np.minimum(np.where(beyond, ends - counts, ends), width)
    block_sums = np.take_along_axis(sums, ends, axis=1) - sums[:, :-1]
    block_sums += np.where(beyond, sums[:, -1:], 0.0)
    block_sums[starts >= counts] = 0.0
    block_sums *= block_sums
    squares = np.add.reduce(block_sums, axis=1)
    errors: Floats = np.sqrt(squares / lengths[:, 0]) / counts[:, 0]
    return errors


def _with_block_errors(centred: Floats, counts: NDArray[np.int64]) -> tuple[Floats, Floats]:
    """Form the standard error of each row's mean, and the block length behind it."""
    lengths = np.maximum(1, np.ceil(_block_lengths(centred, counts))).astype(np.int64)
    return block_standard_errors(centred, counts, lengths[:, None]), lengths.astype(float)


def run_sums(times: Floats, halvings: int) -> Floats:
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
    sums: Floats = np.einsum("ij->i", times[: runs << halvings].reshape(runs, 1 << halvings))
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


def standard_errors(runs: Rows, variances: Floats) -> tuple[Floats, Floats]:
    """Tell the standard error of the mean frame time and the effective number of frames.

    Parameters
    ----------
    runs : Rows
        Means of runs of frames in ms, a pass per row, at most 512 of each; the frames themselves
        where they are few.
    variances : ndarray of float, shape (passes,)
        Variance of the single frame times of each pass in ms^2, divisor n.

    Returns
    -------
    se_ms : ndarray of float, shape (passes,)
        Standard error of the mean in ms; NaN below 16 runs.
    effective_frames : ndarray of float, shape (passes,)
        Variance of the frame times over se_ms squared; above n where long and short frames
        alternate; NaN where the standard error is 0 or not known.

    Examples
    --------
    >>> standard_errors(stack([np.ones(3)]), np.zeros(1))
    (array([nan]), array([nan]))
    """
    errors = np.full(len(runs.counts), np.nan)
    enough = runs.counts[:, 0] >= FEWEST_VALUES
    if enough.any():
        known = runs.some(enough)
        errors[enough] = _with_block_errors(_centred(known), known.counts)[0]
    with np.errstate(divide="ignore", invalid="ignore"):
        effective = np.where(errors > 0, variances / errors**2, np.nan)
    return errors, effective


def line_changes(rows: Rows, least: float = 0.0) -> tuple[Floats, Floats]:
    """Tell how far series move along straight lines, and whether they might by chance.

    Parameters
    ----------
    rows : Rows
        The series.
    least : float
        Changes smaller than this are not judged.

    Returns
    -------
    change : ndarray of float, shape (rows,)
        Slope of the least squares line times the length of the series; NaN below 16 values.
    chance : ndarray of float, shape (rows,)
        Two-sided p of a change so large in a series that only wanders: the standard error is root
        of 12 times that of the mean of what the line leaves, by the circular block bootstrap; the t
        has two degrees of freedom fewer than there are blocks. 1 where not judged.

    Examples
    --------
    >>> series = np.arange(100.0) + np.tile([0.5, -0.5], 50)
    >>> change, chance = line_changes(stack([series]))
    >>> change.round(), chance < 1e-9
    (array([100.]), array([ True]))
    """
    n = rows.counts.astype(float)
    place = np.where(rows.inside, np.arange(rows.values.shape[1]) - (n - 1) / 2, 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = np.add.reduce(place * rows.values, axis=1, keepdims=True) * 12 / (n * (n**2 - 1))
    change = np.where(n >= FEWEST_VALUES, slope * n, np.nan)[:, 0]
    chance = np.ones(len(change))
    judged = np.abs(change) >= least
    if judged.any():
        left = _centred(rows.some(judged)) - slope[judged] * place[judged]
        errors, lengths = _with_block_errors(left, rows.counts[judged])
        blocks = n[judged, 0] / lengths
        with np.errstate(divide="ignore", invalid="ignore"):
            score = np.abs(change[judged]) / (np.sqrt(12) * errors)
        p = 2 * stdtr(np.maximum(1.0, blocks - 2), -score)
        chance[judged] = np.where(np.isnan(score), 1.0, p)
    return change, chance
