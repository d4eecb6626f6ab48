"""The ratio of two uncertain quantities, and when it has no finite range."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import stdtrit

from perfkit.defaults import LEVEL

FloatArray = npt.NDArray[np.float64]

BOUNDED = "bounded"
EXCLUSIVE = "all but a range"
WHOLE_LINE = "whole line"


@dataclass(frozen=True, slots=True, eq=False)
class RatioRange:
    """Ranges of ratios by Fieller's theorem; arrays of one shape.

    Attributes
    ----------
    ratio : ndarray
        numerator / denominator.
    low, high : ndarray
        Ends of the range where it is bounded, NaN elsewhere.
    g : ndarray
        Squared (t x standard error / denominator): at 1 or above the denominator may be zero.
    case : ndarray of str
        "bounded"; "all but a range" (both tails remain possible); "whole line".
    level : float
        Coverage.
    """

    ratio: FloatArray
    low: FloatArray
    high: FloatArray
    g: FloatArray
    case: npt.NDArray[np.str_]
    level: float


def fieller(
    numerator: npt.ArrayLike,
    denominator: npt.ArrayLike,
    var_numerator: npt.ArrayLike,
    var_denominator: npt.ArrayLike,
    covariance: npt.ArrayLike = 0.0,
    *,
    dof: float = np.inf,
    level: float = LEVEL,
) -> RatioRange:
    """Range of numerator / denominator by closed form, for any number of pairs at once.

    Parameters
    ----------
    numerator, denominator : array_like
        Estimates, broadcast against each other.
    var_numerator, var_denominator, covariance : array_like
        Variances and covariance of the estimates (not of single values).
    dof : float
        Degrees of freedom of the variances; infinite for known ones.
    level : float
        Coverage in (0, 1).

    Returns
    -------
    RatioRange

    References
    ----------
    Fieller (1954), *JRSS B* 16:175-185: all values r for which
    (a - r b)^2 <= t^2 (var_a - 2 r cov + r^2 var_b).

    Examples
    --------
    >>> found = fieller(14, 7, 9, 4, dof=10)
    >>> float(found.ratio), round(float(found.low), 4), round(float(found.high), 4)
    (2.0, 1.0514, 4.4143)
    """
    a, b, var_a, var_b, cov = np.broadcast_arrays(
        *(
            np.asarray(each, dtype=float)
            for each in (numerator, denominator, var_numerator, var_denominator, covariance)
        )
    )
    t2 = float(stdtrit(dof, (1 - level) / 2)) ** 2
    with np.errstate(divide="ignore", invalid="ignore"):
        curve = b**2 - t2 * var_b
        middle = a * b - t2 * cov
        # middle^2 - curve (a^2 - t2 var_a), its largest terms already taken from each other
        first = b**2 * var_a - 2 * a * b * cov + a**2 * var_b
        discriminant = t2 * (first - t2 * (var_a * var_b - cov**2))
        bounded = (curve > 0) & (discriminant >= 0)
        half = np.sqrt(np.where(bounded, discriminant, np.nan))
        low, high = (middle - half) / curve, (middle + half) / curve
        ratio, g = a / b, t2 * var_b / b**2
    case = np.where(bounded, BOUNDED, np.where(discriminant > 0, EXCLUSIVE, WHOLE_LINE))
    case = np.where(np.isnan(discriminant), "", case)
    return RatioRange(ratio, low, high, g, case, level)
