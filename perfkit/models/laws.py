"""Laws of frame time: parts that follow one rate each, some adding up, some hiding each other.

t = k0 + kp / S + (a^q + m^q + r^q + s^q)^(1/q),   all k >= 0

a = (k1 P + k3 + k7 O) / C                 arithmetic
m = (k2 P + k4) / B * (C / B / i)^g        memory; the more units ask, the worse it serves (g >= 0)
r = k5 P                                   a rate that no specification scales
s = k6 / S                                 processor

t frame time (ms), P drawn and O output megapixels, C arithmetic rate, B bandwidth, S processor
speed, i the middle of C / B over the cells. At q = 1 everything adds up; a large q is a hard limit.
Contention, the factor with g, is what a plain roofline lacks: units that share a memory wait for
each other, so memory time falls faster with bandwidth than 1 / B when the units stay.

Arrays only; `perfkit.models.law_fit` finds the parameters.
"""

from dataclasses import dataclass
from functools import reduce

import numpy as np

from perfkit.models.family import PARTS, FloatArray, Rows

ADDS = 0
"""Limit number of parts that simply add to the frame time."""

LOG_FLOOR = 60.0
"""Logs of parts are kept within this of zero, so that nothing overflows on a bad step."""


@dataclass(frozen=True, slots=True)
class Part:
    """One part of a frame time: k times powers of what a configuration offers.

    Attributes
    ----------
    cause : str
        One of `perfkit.models.family.PARTS`.
    limit : int
        `ADDS`, or a number: parts with one number add up, different numbers hide each other.
    powers : tuple of float
        Exponents of drawn pixels, output pixels, arithmetic rate, bandwidth, processor speed.
    share : float
        Log of the part's share of a middling frame time that is expected before seeing data.
    """

    cause: str
    limit: int
    powers: tuple[float, float, float, float, float]
    share: float


PART = {
    "k0": Part("fixed cost", ADDS, (0, 0, 0, 0, 0), -4.0),
    "kp": Part("processor", ADDS, (0, 0, 0, 0, -1), -4.0),
    "k1": Part("arithmetic", 1, (1, 0, -1, 0, 0), -2.0),
    "k3": Part("arithmetic", 1, (0, 0, -1, 0, 0), -4.0),
    "k7": Part("arithmetic", 1, (0, 1, -1, 0, 0), -4.0),
    "k2": Part("memory", 2, (1, 0, 0, -1, 0), -2.0),
    "k4": Part("memory", 2, (0, 0, 0, -1, 0), -4.0),
    "k5": Part("fixed cost", 3, (1, 0, 0, 0, 0), -5.0),
    "k6": Part("processor", 4, (0, 0, 0, 0, -1), -4.0),
}
"""The parts of the module's formula. Shares: pixels dominate, the rest is small until shown."""

START_SHARE = -2.0
"""Every part starts a fit at this log share, so that none is lost before it was tried."""

SHARPNESS = 3.0
SHARPNESS_SD = 0.7
"""Expected q, and standard deviation of its log."""

CONTENTION_SD = 0.25
"""Standard deviation of g around none."""

MOST_SHARPNESS, MOST_CONTENTION = 4.0, 3.0
"""Bounds of log q and g."""


@dataclass(frozen=True, slots=True)
class Law:
    """Which parts take part.

    Attributes
    ----------
    parts : tuple of str
        Keys of `PART`.
    competes : bool
        False: all parts add up, whatever their limit.
    share_sd : float
        Standard deviation of each log share around its expectation.
    """

    parts: tuple[str, ...]
    competes: bool
    share_sd: float

    def told_apart(self, rows: Rows) -> "Law":
        """Leave out parts that these rows cannot tell from others.

        Without bandwidth there is no memory part; the processor's added part needs two processor
        speeds, the output's part a render scale.
        """
        gone = set()
        if np.all(rows.bandwidth_gb_s == 1.0):
            gone |= {"k2", "k4"}
        if np.ptp(rows.cpu_speed) == 0.0:
            gone.add("kp")
        if np.allclose(rows.drawn_mpx, rows.output_mpx, rtol=1e-9, atol=0.0):
            gone.add("k7")
        return Law(tuple(p for p in self.parts if p not in gone), self.competes, self.share_sd)


@dataclass(frozen=True, slots=True, eq=False)
class Form:
    """A law as arrays. Parameters are log k (J of them), log q and g, in this order.

    Attributes
    ----------
    powers : ndarray, shape (J, 5)
    limits : ndarray, shape (J, limits)
        1 in the column of the limit that a part belongs to; all zero for parts that add.
    adds : ndarray, shape (J,)
        1 for parts that add to the frame time.
    memory : ndarray, shape (J,)
        1 for parts that contention slows, else 0.
    causes : ndarray, shape (J, 4)
        1 in the column of a part's cause in `perfkit.models.family.PARTS`, else 0.
    mean, start, sd : ndarray, shape (J + 2,)
        Expectation, first value and spread of the parameters; log k as log shares.
    centre : float
        Middle of log C / B, where contention counts as one.
    """

    powers: FloatArray
    limits: FloatArray
    adds: FloatArray
    memory: FloatArray
    causes: FloatArray
    mean: FloatArray
    start: FloatArray
    sd: FloatArray
    centre: float

    @property
    def size(self) -> int:
        """Number of parts."""
        return len(self.adds)

    def features(self, rows: Rows) -> tuple[FloatArray, FloatArray]:
        """Log of each part for k = 1, shape (n, J), and log C / B from the centre, (n,)."""
        logs = np.log(
            np.column_stack(
                [
                    rows.drawn_mpx,
                    rows.output_mpx,
                    rows.arithmetic_tflops,
                    rows.bandwidth_gb_s,
                    rows.cpu_speed,
                ]
            )
        )
        return logs @ self.powers.T, logs[:, 2] - logs[:, 3] - self.centre


def form_of(law: Law, rows: Rows) -> Form:
    """Write a law as arrays for the cells it will be fitted to.

    Parameters
    ----------
    law : Law
    rows : Rows
        At least one measured configuration.

    Returns
    -------
    Form
    """
    parts = [PART[name] for name in law.parts]
    memory = np.array([part.cause == "memory" for part in parts], dtype=float)
    count = len(parts)
    limit = np.array([part.limit if law.competes else ADDS for part in parts])
    ratio = np.log(rows.arithmetic_tflops / rows.bandwidth_gb_s)
    return Form(
        powers=np.array([part.powers for part in parts], dtype=float),
        limits=(limit[:, None] == np.unique(limit[limit != ADDS])).astype(float),
        adds=(limit == ADDS).astype(float),
        memory=memory,
        causes=np.array([[part.cause == cause for cause in PARTS] for part in parts], dtype=float),
        mean=np.array([*(part.share for part in parts), np.log(SHARPNESS), 0.0]),
        start=np.array([*[START_SHARE] * count, np.log(SHARPNESS), 0.1 * memory.any()]),
        sd=np.array([*[law.share_sd] * count, SHARPNESS_SD, CONTENTION_SD]),
        centre=float(np.mean(ratio)),
    )


@dataclass(frozen=True, slots=True, eq=False)
class Taken:
    """A law taken at m parameter vectors and n rows.

    Attributes
    ----------
    part : ndarray, shape (m, n, J)
        Frame time by part, what hides behind a larger limit counting little; adds up to the
        frame time.
    log_ms : ndarray, shape (m, n)
        Log frame time.
    by_sharpness : ndarray, shape (m, n)
        Slope of the frame time (ms) in log q.
    """

    part: FloatArray
    log_ms: FloatArray
    by_sharpness: FloatArray


def _sum(values: FloatArray) -> FloatArray:
    """Sum along the last axis, a product being quicker than a sum of few."""
    return np.asarray(values @ np.ones(values.shape[-1]))


def take(form: Form, theta: FloatArray, features: FloatArray, contention: FloatArray) -> Taken:
    """Evaluate a law.

    Parameters
    ----------
    form : Form
    theta : ndarray, shape (m, J + 2) or, of each row its own, (m, n, J + 2)
    features : ndarray, shape (n, J) or (m, n, J)
    contention : ndarray, shape (n,) or (m, n)

    Returns
    -------
    Taken
    """
    size = form.size
    theta = theta if theta.ndim > 2 else theta[:, None]
    logs = theta[..., :size] + features
    if form.memory.any():
        logs = logs + (theta[..., size + 1] * contention)[..., None] * form.memory
    part = np.exp(np.clip(logs, -LOG_FLOOR, LOG_FLOOR))
    by_sharpness = np.zeros(part.shape[:2])
    if form.limits.shape[1]:
        limit = part @ form.limits
        log_limit = np.log(limit)
        power = np.exp(theta[..., size])
        scaled = power[..., None] * log_limit
        top = np.array(reduce(np.maximum, np.moveaxis(scaled, -1, 0)))
        weight = np.exp(scaled - top[..., None])
        total = _sum(weight)
        weight /= total[..., None]
        log_sum = (top + np.log(total)) / power
        hidden = np.exp(log_sum)
        part *= (hidden[..., None] * weight / limit) @ form.limits.T + form.adds
        by_sharpness = hidden * (_sum(weight * log_limit) - log_sum)
    return Taken(part, np.log(_sum(part)), by_sharpness)


def slopes(form: Form, taken: Taken, contention: FloatArray) -> FloatArray:
    """Slopes of the log frame time in every parameter, shape (m, n, J + 2).

    The slope in log k is the part's share of the frame time.
    """
    size = form.size
    result = np.empty((*taken.log_ms.shape, size + 2))
    time = np.exp(taken.log_ms)
    np.divide(taken.part, time[..., None], out=result[..., :size])
    result[..., size] = taken.by_sharpness / time
    result[..., size + 1] = (result[..., :size] @ form.memory) * contention
    return result
