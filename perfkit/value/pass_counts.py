"""How many passes a statement needs."""

import math

import numpy as np
from scipy.special import nctdtr, stdtrit

MOST_PASSES = 1000
"""Nobody films more passes of one scene; a statement that needs more is too fine to make."""


def t_power(shift: float, spread: float, passes: float, dof: float, alpha: float) -> float:
    """Probability that a one-sided t test shows a shift.

    Parameters
    ----------
    shift, spread : float
        True shift and standard deviation between passes, same unit.
    passes : float
        Passes behind the mean.
    dof : float
        Degrees of freedom of the estimated spread.
    alpha : float
        One-sided error rate.

    Returns
    -------
    float
        By the noncentral t distribution.

    Examples
    --------
    >>> round(t_power(3, 2, 6, 5, 0.025), 4)
    0.8325
    """
    away = abs(shift) / spread * math.sqrt(passes)
    missed = nctdtr(dof, away, -stdtrit(dof, alpha))
    # SciPy's function is NaN where it underflows: there the shift is never missed.
    return float(1.0 - np.nan_to_num(missed)) if math.isfinite(away) else math.nan


def passes_needed(
    shift: float,
    spread: float,
    alpha: float,
    power: float,
    *,
    cells: int = 1,
    most: int = MOST_PASSES,
) -> float:
    """Find how many passes a cell a one-sided t test needs to show a shift.

    Parameters
    ----------
    shift : float
        True shift of the statement's mean.
    spread : float
        Standard deviation of that mean with one pass a cell.
    alpha : float
        One-sided error rate.
    power : float
        Probability of showing the shift.
    cells : int
        Cells whose passes estimate the spread; each gives passes - 1 degrees of freedom.
    most : int
        Where to stop looking.

    Returns
    -------
    float
        At least 2; infinite where more than `most` would be needed; NaN where spread or shift are
        not known.

    Examples
    --------
    >>> passes_needed(1.0, 1.0, 0.05, 0.9)
    11.0
    """
    if not (spread > 0 and np.isfinite(shift)):
        return math.nan

    def enough(passes: int) -> bool:
        return t_power(shift, spread, passes, cells * (passes - 1), alpha) >= power

    if shift == 0 or not enough(most):
        return math.inf
    low, high = 1, most
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return float(high)
