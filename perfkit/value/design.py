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


def d_optimal(candidates: FloatArray, rows: int) -> list[int]:
    """Choose rows, with repeats, whose det(X'X) no single exchange makes larger.

    Parameters
    ----------
    candidates : ndarray, shape (candidates, terms)
    rows : int
        At least as many as terms.

    Returns
    -------
    list of int
        Positions, ascending. The best of exchanges started from each candidate in turn.

    References
    ----------
    Fedorov (1972); Atkinson, Donev and Tobias (2007), *Optimum Experimental Designs, with SAS*,
    chapter 12.

    Examples
    --------
    >>> line = np.array([[1.0, x] for x in (-1.0, 0.0, 1.0)])
    >>> d_optimal(line, 4)
    [0, 0, 2, 2]
    """
    best: tuple[float, list[int]] = (-np.inf, [])
    for start in range(len(candidates)):
        chosen = _greedy(candidates, rows, start)
        value = _exchange(candidates, chosen)
        if value > best[0] * (1 + 1e-9):
            best = value, sorted(chosen)
    return best[1]


def _greedy(candidates: FloatArray, rows: int, start: int) -> list[int]:
    chosen = [start]
    while len(chosen) < rows:
        reach = leverage(candidates[chosen], candidates)
        size = np.square(candidates).sum(axis=1)
        chosen.append(int(np.argmax(np.where(np.isinf(reach), 1e12 + size, reach))))
    return chosen


def _exchange(candidates: FloatArray, chosen: list[int]) -> float:
    """Swap rows while the determinant grows; `chosen` is changed in place."""
    value = float(np.linalg.det(candidates[chosen].T @ candidates[chosen]))
    while True:
        best = value, 0, chosen[0]
        for place in range(len(chosen)):
            rest = candidates[chosen[:place] + chosen[place + 1 :]]
            moment = rest.T @ rest
            grown = moment + candidates[:, :, None] * candidates[:, None, :]
            dets = np.linalg.det(grown)
            at = int(np.argmax(dets))
            if dets[at] > best[0] * (1 + 1e-9):
                best = float(dets[at]), place, at
        if best[0] <= value * (1 + 1e-9):
            return value
        value = best[0]
        chosen[best[1]] = best[2]
