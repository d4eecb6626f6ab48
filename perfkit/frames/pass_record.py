"""What one reading of a pass keeps of it: exact numbers and some hundred values."""

import math
from dataclasses import dataclass

import numpy as np

from perfkit.frames.dependence import halvings_for, run_sums
from perfkit.frames.hitches import count_hitches
from perfkit.frames.order import Floats, place, put_in_place, quantile_in_place, quantile_near
from perfkit.frames.signs import HEAD, MOST_HALVINGS, one_of_each_run, rises

_FEW = 8


@dataclass(frozen=True, slots=True)
class PassRecord:
    """Numbers of one pass from which all its statistics follow.

    Attributes
    ----------
    frames : int
        Number of frames.
    total_ms : float
        Sum of the frame times.
    variance : float
        Variance of the frame times in ms^2, divisor n.
    hitches : int
        Frames longer than 2.5 times the running median of their neighbours.
    q50_ms, q95_ms, q99_ms, q999_ms : float
        Quantiles of the frame times, type 7.
    slowest_ms : float
        Mean of the ceil(n/100) longest frames.
    pacing_ms : float
        Median of the steps between neighbours; NaN for a single frame.
    above_ms : tuple of float
        Time in frames above each target's frame time.
    ranked : ndarray of float, shape (m,)
        One frame time in ms of each of m runs of 2^k frames, rising; m at most 512.
    run_means : ndarray of float, shape (m,)
        Means of these runs in ms, in order.
    rising : bool
        Whether every frame looked at is longer than the one before.
    """

    frames: int
    total_ms: float
    variance: float
    hitches: int
    q50_ms: float
    q95_ms: float
    q99_ms: float
    q999_ms: float
    slowest_ms: float
    pacing_ms: float
    above_ms: tuple[float, ...]
    ranked: Floats
    run_means: Floats
    rising: bool


def record_pass(times: Floats, targets_fps: tuple[float, ...] = ()) -> PassRecord:
    """Take the record of a pass that is there as one array.

    Parameters
    ----------
    times : ndarray of float, shape (n,)
        Frame times in ms, in order, positive and finite; n at least 1.
    targets_fps : tuple of float
        Rates whose frame time divides smooth from too slow.

    Returns
    -------
    PassRecord

    Examples
    --------
    >>> record_pass(np.array([10.0, 30.0]), (60.0,)).above_ms
    (30.0,)
    """
    count = len(times)
    total = float(np.add.reduce(times))
    work = times - total / count
    np.square(work, out=work)
    variance = float(np.add.reduce(work)) / count
    halvings = halvings_for(count)
    fine = min(halvings, MOST_HALVINGS)
    means = run_sums(run_sums(times, fine), halvings - fine) / (1 << halvings)
    sample = one_of_each_run(times, fine)[:: 1 << (halvings - fine)][: len(means)]
    ranked = np.sort(sample)
    steps = np.subtract(times[1:], times[:-1], out=work[1:])
    np.abs(steps, out=steps)
    high, floor = _highest(times, ranked)
    top = _top(high, _needed(count))
    low = float(np.minimum.reduce(times))
    return PassRecord(
        frames=count,
        total_ms=total,
        variance=variance,
        hitches=count_hitches(times, low),
        q50_ms=quantile_near(times, 0.5, ranked),
        q95_ms=quantile_in_place(top, 0.95, stop=0, below=count - len(top)),
        **tail_numbers(top[-tail_length(count) :], count),
        pacing_ms=_median_step(steps, halvings),
        above_ms=tuple(
            time_above(high if 1000 / fps >= floor else times, 1000 / fps, low, total)
            for fps in targets_fps
        ),
        ranked=ranked,
        run_means=means,
        rising=rises(times[:HEAD], sample),
    )


def _median_step(steps: Floats, halvings: int) -> float:
    if not len(steps):
        return math.nan
    return quantile_near(steps, 0.5, np.sort(steps[:: 1 << halvings]))


def _needed(count: int) -> int:
    """Tell how many of the longest frames decide the highest quantiles."""
    return max(count - place(count, 0.95)[0], tail_length(count))


def _highest(times: Floats, ranked: Floats) -> tuple[Floats, float]:
    """Take the highest 5 % and few more, all from a bound on that the sample suggests."""
    count, size = len(times), len(ranked)
    needed = _needed(count)
    expected = size * needed / count
    first = size - math.ceil(expected + 3 * math.sqrt(expected) + 2)
    if first > 0:
        floor = float(ranked[first])
        high = times.compress(times >= floor)
        if len(high) >= needed:
            return high, floor
    return times, 0.0


def _top(high: Floats, needed: int) -> Floats:
    """Put the highest values in order, all or, if these are many, as many as are needed."""
    top = high.copy()
    if len(top) > 2 * needed:
        put_in_place(top, (len(top) - needed,))
        top = top[len(top) - needed :]
    top.sort()
    return top


def tail_numbers(tail: Floats, count: int) -> dict[str, float]:
    """Tell what the longest frames say.

    Parameters
    ----------
    tail : ndarray of float, shape (tail_length(count),)
        The longest frame times in ms, rising.
    count : int
        Frames in the pass.

    Returns
    -------
    dict of str to float
        q99_ms, q999_ms and slowest_ms of a `PassRecord`.

    Examples
    --------
    >>> tail_numbers(np.array([1.0, 2.0, 3.0]), 100)["slowest_ms"]
    3.0
    """
    below, slowest = count - len(tail), math.ceil(count / 100)
    return {
        "q99_ms": quantile_in_place(tail, 0.99, below=below),
        "q999_ms": quantile_in_place(tail, 0.999, below=below),
        "slowest_ms": float(np.add.reduce(tail[len(tail) - slowest :])) / slowest,
    }


def time_above(times: Floats, limit_ms: float, low_ms: float, total_ms: float) -> float:
    """Sum the frame times above a limit.

    Parameters
    ----------
    times : ndarray of float, shape (n,)
        Frame times in ms; those at or below the limit may be left out.
    limit_ms : float
        The limit; a frame of just this length is not above it.
    low_ms : float
        The shortest of all frames.
    total_ms : float
        Sum of all of them.

    Returns
    -------
    float
        In ms.

    Examples
    --------
    >>> time_above(np.array([10.0, 20.0, 30.0]), 20.0, 10.0, 60.0)
    30.0
    """
    if low_ms > limit_ms:
        return total_ms
    above = times > limit_ms
    some = int(np.count_nonzero(above))
    if some * _FEW <= len(times):
        return float(np.add.reduce(times.compress(above)))
    return float(np.einsum("i,i->", times, above.astype(np.float64)))


def tail_length(count: int) -> int:
    """Tell how many of the longest frames decide both lows and the slowest 1 %.

    Parameters
    ----------
    count : int
        Frames in the pass.

    Returns
    -------
    int
        ceil(count/100) + 2, or all.

    Examples
    --------
    >>> tail_length(1_000), tail_length(2)
    (12, 2)
    """
    return min(count, math.ceil(count / 100) + 2)
