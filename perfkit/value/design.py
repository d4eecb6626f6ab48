"""Which further rows of a regression teach it most."""

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


def leverage(design: FloatArray, candidates: FloatArray) -> FloatArray:
    """Variance of the fitted value at each candidate, in units of one observation's variance.

    Parameters
    ----------
    design : ndarray, shape (rows, terms)
        What was observed.
    candidates : ndarray, shape (candidates, terms)

    Returns
    -------
    ndarray, shape (candidates,)
        Infinite where the design says nothing about the candidate.

    References
    ----------
    Fedorov (1972), *Theory of Optimal Experiments*: x' M^-1 x, and
    det(M + x x') = det(M) (1 + x' M^-1 x).

    Examples
    --------
    >>> leverage(np.eye(2), np.array([[1.0, 1.0], [0.0, 2.0]])).tolist()
    [2.0, 4.0]
    """
    _, size, right = np.linalg.svd(design, full_matrices=False)
    known = size > size.max(initial=0.0) * max(design.shape) * np.finfo(float).eps
    inside = (candidates @ right[known].T) / size[known]
    outside = candidates - (candidates @ right[known].T) @ right[known]
    new = np.square(outside).sum(axis=1) > 1e-18 * np.square(candidates).sum(axis=1)
    return np.where(new, np.inf, np.square(inside).sum(axis=1))


def log_det_gain(design: FloatArray, candidates: FloatArray) -> FloatArray:
    """Growth of log det(X'X) by one row at each candidate.

    Parameters
    ----------
    design, candidates : ndarray
        As in :func:`leverage`.

    Returns
    -------
    ndarray, shape (candidates,)

    Examples
    --------
    >>> log_det_gain(np.eye(2), np.array([[1.0, 0.0]])).round(6).tolist()
    [0.693147]
    """
    return np.log1p(leverage(design, candidates))
