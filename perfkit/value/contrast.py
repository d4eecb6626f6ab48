"""One comparison on the log scale: its range, how sure its direction is, what would turn it."""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.special import stdtr

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Sample:
    """Log values of passes in some strata (usually workloads), summarised.

    Attributes
    ----------
    mean : ndarray, shape (strata,)
        Mean of the log values.
    variance : ndarray, shape (strata,)
        Variance of a single value.
    dof : ndarray, shape (strata,)
        Degrees of freedom of that variance.
    passes : ndarray, shape (strata,)
        Number of values.
    """

    mean: FloatArray
    variance: FloatArray
    dof: FloatArray
    passes: FloatArray


@dataclass(frozen=True, slots=True)
class Contrast:
    """Natural log of a ratio, with its uncertainty.

    Attributes
    ----------
    log_ratio, std_error, dof : float
        Student t around `log_ratio`; `std_error` 0 for a comparison without chance in it.
    spread : float
        What the standard error would be with one pass in every cell.
    by_stratum : tuple of float
        Log ratio in each stratum.
    """

    log_ratio: float
    std_error: float
    dof: float
    spread: float
    by_stratum: tuple[float, ...]


def welch(left: Sample, right: Sample | None, weights: FloatArray, offset: float = 0.0) -> Contrast:
    """Compare weighted means of strata, each stratum with its own spread.

    Parameters
    ----------
    left : Sample
    right : Sample or None
        Same strata; None when `left` is set against a fixed number.
    weights : ndarray, shape (strata,)
    offset : float
        Added to the log ratio: minus the log of the fixed number, or a known log factor.

    Returns
    -------
    Contrast

    References
    ----------
    Welch (1947), *Biometrika* 34:28-35; degrees of freedom after Satterthwaite (1946).

    Examples
    --------
    >>> a = Sample(np.array([1.0]), np.array([0.04]), np.array([3.0]), np.array([4.0]))
    >>> found = welch(a, a, np.ones(1))
    >>> found.log_ratio, round(found.std_error, 6), found.dof
    (0.0, 0.141421, 6.0)
    """
    share = weights / weights.sum()
    sides = [left] if right is None else [left, right]
    terms = np.concatenate([share**2 * side.variance / side.passes for side in sides])
    freedom = np.concatenate([side.dof for side in sides])
    single = sum(float((share**2 * side.variance).sum()) for side in sides)
    variance = float(terms.sum())
    with np.errstate(invalid="ignore", divide="ignore"):
        dof = variance**2 / float((terms**2 / freedom).sum())
    differences = left.mean - (0.0 if right is None else right.mean) + offset
    return Contrast(
        log_ratio=float(share @ differences),
        std_error=variance**0.5,
        dof=dof,
        spread=single**0.5,
        by_stratum=tuple(differences),
    )


def with_error(contrast: Contrast, std_error: float, dof: float) -> Contrast:
    """Add an independent error that further passes do not make smaller.

    Parameters
    ----------
    contrast : Contrast
    std_error, dof : float
        Of the log of a factor in it, such as a shift between versions; 0 for none.

    Returns
    -------
    Contrast

    References
    ----------
    Satterthwaite (1946), *Biometrics Bulletin* 2:110-114, for the degrees of freedom.

    Examples
    --------
    >>> found = with_error(Contrast(0.1, 0.03, 6.0, 0.06, (0.1,)), 0.04, 6.0)
    >>> round(found.std_error, 9), round(found.dof, 3)
    (0.05, 11.128)
    """
    if not std_error > 0:
        return contrast
    terms = np.array([contrast.std_error**2, std_error**2])
    total = float(terms.sum())
    freedom = total**2 / float((terms**2 / [contrast.dof, dof]).sum())
    return replace(contrast, std_error=total**0.5, dof=freedom)


def bounds(relation: str, margin: float) -> tuple[float, float]:
    """Log ratios between which a relation holds.

    Parameters
    ----------
    relation : {"above", "below", "same"}
    margin : float
        As a fraction: above means at least 1 + margin times, below at most 1 - margin times, same
        within a factor of 1 + margin either way.

    Returns
    -------
    low, high : float

    Raises
    ------
    ValueError
        The relation is none of the three.

    Examples
    --------
    >>> bounds("above", 0.0)
    (0.0, inf)
    """
    if relation == "above":
        return float(np.log1p(margin)), np.inf
    if relation == "below":
        return -np.inf, float(np.log1p(-margin)) if margin < 1 else -np.inf
    if relation == "same":
        return -float(np.log1p(margin)), float(np.log1p(margin))
    raise ValueError(f"relation is {relation!r}; allowed: above, below, same")


def relation_p(contrast: Contrast, low: float, high: float) -> tuple[float, float]:
    """One-sided error rates at which a relation could be called true, and false.

    Parameters
    ----------
    contrast : Contrast
    low, high : float
        Log ratios between which the relation holds.

    Returns
    -------
    p_true, p_false : float
        `p_true` is that of the worse of the two one-sided tests (Schuirmann 1987); `p_false` that
        of the better one, twice where the relation can fail on both sides (Bonferroni).

    References
    ----------
    Schuirmann (1987), *J. Pharmacokinetics and Biopharmaceutics* 15:657-680.

    Examples
    --------
    >>> relation_p(Contrast(0.5, 0.0, 1.0, 0.0, ()), 0.0, np.inf)
    (0.0, 1.0)
    """
    if contrast.std_error == 0:
        true = low <= contrast.log_ratio <= high
        return (0.0, 1.0) if true else (1.0, 0.0)
    room = np.array([contrast.log_ratio - low, high - contrast.log_ratio]) / contrast.std_error
    holds: FloatArray = np.asarray(stdtr(contrast.dof, -room))
    fails: FloatArray = np.asarray(stdtr(contrast.dof, room))
    reachable = int(np.isfinite([low, high]).sum())
    return float(holds.max()), min(1.0, float(reachable * fails.min()))


def strata_to_turn(
    differences: npt.ArrayLike, weights: npt.ArrayLike, threshold: float
) -> list[int]:
    """Fewest strata whose removal puts the weighted mean on the other side of a threshold.

    Parameters
    ----------
    differences, weights : array_like, shape (strata,)
    threshold : float

    Returns
    -------
    list of int
        Positions, the most telling first; empty when even the last one left keeps the side.

    Notes
    -----
    The sum of weight x (difference - threshold) decides the side, so dropping its largest terms
    first needs the fewest.

    Examples
    --------
    >>> strata_to_turn([0.3, -0.1, -0.1], [1, 1, 1], 0.0)
    [0]
    """
    pull = np.asarray(weights, dtype=float) * (np.asarray(differences, dtype=float) - threshold)
    side = np.sign(pull.sum()) or 1.0
    order = np.argsort(-side * pull, kind="stable")
    left = pull.sum() - np.cumsum(pull[order])
    turned = np.flatnonzero(side * left[:-1] < 0)
    return [int(at) for at in order[: turned[0] + 1]] if len(turned) else []
