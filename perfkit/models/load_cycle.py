"""A scene whose load comes round again, and what that does to passes of different length.

A scripted scene often repeats: the load depends on the time since the pass began. A pass that sees
two and a half rounds has another average than one that sees three, and a slow GPU that draws few
frames a round meets the load at few moments only. Both are no property of the GPU. Here the
cycle is found in the frame times of all passes of a workload, each pass is brought to the average
over whole cycles, and a prediction is brought back to a pass of the usual length.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from perfkit.models.family import FloatArray

HARMONICS = 3
"""Harmonics of a cycle."""

LEAST_SHARE = 0.1
"""Part of the variance within passes that a cycle must explain in passes it was not fitted to."""

LEAST_ROUNDS = 1.5
"""Rounds that the longest pass must see."""

LEAST_FRAMES = 10.0
"""Frames a round of a fast pass, at least."""

BINS = 4096
PADDING = 4
PEAKS = 3
"""How the period is sought: a spectrum of the mean profile, its highest peaks looked at closer."""

LOOKS = (0.5, 0.05)
"""How far around a peak it is looked closer, one look after the other, in rounds of the longest
pass."""

CLIP = 4.0
"""Frames further than this many scaled median deviations from their pass are taken as that far."""

FINE_FRAMES = 60.0
"""From so many frames a round on, a pass is treated as if frames were infinitely short."""

MOST_FRAMES = 5000
"""Frames after which a stepped pass is taken as long enough."""

GRID = 256


def basis(phase: FloatArray) -> FloatArray:
    """Sines, then cosines, of `HARMONICS` harmonics; phase in rounds, shape (n, 2 HARMONICS).

    Higher harmonics follow from the first by addition theorems, which is quicker than more sines.
    """
    angle = 2.0 * np.pi * phase
    result = np.empty((2 * HARMONICS, len(phase)))
    sine, cosine = result[:HARMONICS], result[HARMONICS:]
    np.sin(angle, out=sine[0])
    np.cos(angle, out=cosine[0])
    for k in range(1, HARMONICS):
        sine[k] = sine[k - 1] * cosine[0] + cosine[k - 1] * sine[0]
        cosine[k] = cosine[k - 1] * cosine[0] - sine[k - 1] * sine[0]
    return result.T


@dataclass(frozen=True, slots=True, eq=False)
class LoadCycle:
    """How a workload's load depends on the time since the pass began.

    Attributes
    ----------
    period_s : float
    weights : ndarray, shape (2 HARMONICS,)
        Log load as combination of `basis`.
    """

    period_s: float
    weights: FloatArray

    def load(self, seconds: FloatArray) -> FloatArray:
        """Load at times since the pass began, relative to the average over a cycle."""
        result: FloatArray = np.exp(basis(seconds / self.period_s) @ self.weights) / self._average()
        return result

    def _average(self) -> float:
        """Load that a long pass sees: frames are many where they are short."""
        log_load = basis((np.arange(GRID) + 0.5) / GRID) @ self.weights
        return float(1.0 / np.mean(np.exp(-log_load)))

    def shift(self, times_ms: FloatArray) -> float:
        """Log of how much longer a pass's frames were for the part of the cycle it saw."""
        start = (np.cumsum(times_ms) - times_ms) / 1000.0
        return float(np.log(np.mean(self.load(start))))

    def expected_shift(self, log_ms: FloatArray, seconds: FloatArray) -> FloatArray:
        """Shift of passes that are still to come.

        Parameters
        ----------
        log_ms : ndarray, shape (n,)
            Log frame time at average load; NaN gives NaN.
        seconds : ndarray, shape (n,)
            How long the passes will be, positive.

        Returns
        -------
        ndarray, shape (n,)
        """
        frame_s = np.exp(log_ms) / 1000.0
        result = self._smooth(seconds)
        coarse = (frame_s > self.period_s / FINE_FRAMES) & (seconds < MOST_FRAMES * frame_s)
        if coarse.any():
            result[coarse] = self._stepped(frame_s[coarse], seconds[coarse])
        return np.where(np.isfinite(log_ms), result, np.nan)

    def _smooth(self, seconds: FloatArray) -> FloatArray:
        """Short frames: seconds over the integral of frames per load."""
        phase = np.linspace(0.0, 1.0, GRID + 1)
        rate = 1.0 / self.load(phase * self.period_s)
        done = np.concatenate([[0.0], np.cumsum((rate[1:] + rate[:-1]) / 2) / GRID])
        rounds, part = np.divmod(seconds / self.period_s, 1.0)
        frames = rounds * done[-1] + np.interp(part, phase, done)
        result: FloatArray = np.log(seconds / self.period_s / frames)
        return result

    def _stepped(self, frame_s: FloatArray, seconds: FloatArray) -> FloatArray:
        """Long frames: frame after frame, until the pass is as long as it will be."""
        time, count = np.zeros(len(frame_s)), np.zeros(len(frame_s))
        going = np.ones(len(frame_s), dtype=bool)
        while going.any():
            step = frame_s * self.load(time)
            time = np.where(going, time + step, time)
            count += going
            going &= time + step / 2 < seconds
        result: FloatArray = np.log(time / count / frame_s)
        return result


@dataclass(frozen=True, slots=True, eq=False)
class PassLength:
    """How long passes are, by their frame time.

    Attributes
    ----------
    log_ms, log_seconds : ndarray, shape (n,)
        Measured, by ascending frame time, smoothed.
    slopes : tuple of float
        Of log seconds on log frame time beyond the fast and the slow end.
    beyond : PassLength or None
        Whose shape to follow beyond the ends instead, as far as it goes.
    """

    log_ms: FloatArray
    log_seconds: FloatArray
    slopes: tuple[float, float]
    beyond: "PassLength | None" = None

    def log_length(self, log_ms: FloatArray) -> FloatArray:
        """Log of seconds at these log frame times."""
        nearest = np.clip(log_ms, self.log_ms[0], self.log_ms[-1])
        said = np.interp(nearest, self.log_ms, self.log_seconds)
        if self.beyond is not None:
            said += self.beyond.log_length(log_ms) - self.beyond.log_length(nearest)
        else:
            further = log_ms - nearest
            said += np.where(further < 0, self.slopes[0], self.slopes[1]) * further
        return np.asarray(said)

    def seconds(self, log_ms: FloatArray) -> FloatArray:
        """Length of passes with this log frame time."""
        return np.asarray(np.exp(self.log_length(log_ms)))


def pass_length(
    log_ms: FloatArray, seconds: FloatArray, beyond: PassLength | None = None
) -> PassLength:
    """Learn the length of passes: a running median of five.

    Beyond an end the length stays (slope 0) or the number of frames does (slope 1), or lies
    between, as in the outer fifth of the passes.

    Parameters
    ----------
    log_ms, seconds : ndarray, shape (n,)
        Of measured passes; at least one.
    beyond : PassLength, optional
        Of all passes of a study: one logger, one rule.
    """
    order = np.argsort(log_ms, kind="stable")
    x, y = log_ms[order], np.log(seconds[order])
    smooth = pd.Series(y).rolling(5, center=True, min_periods=1).median().to_numpy()
    outer = max(2, len(x) // 5)

    def slope(x: FloatArray, y: FloatArray) -> float:
        spread = np.sum((x - x.mean()) ** 2)
        if spread <= 0.0:
            return 0.0
        return float(np.clip(np.sum((x - x.mean()) * y) / spread, 0.0, 1.0))

    ends = slope(x[:outer], y[:outer]), slope(x[-outer:], y[-outer:])
    return PassLength(x, smooth, ends, beyond)


@dataclass(frozen=True, slots=True, eq=False)
class Frames:
    """Frames of several passes of one workload, one after the other.

    Attributes
    ----------
    start_s : ndarray, shape (n,)
        Time since the pass began.
    log_ms : ndarray, shape (n,)
        Log frame time less the pass's median, clipped.
    owner : ndarray of int, shape (n,)
        Which pass, from 0.
    fast_s : float
        Mean frame time of a fast pass.
    """

    start_s: FloatArray
    log_ms: FloatArray
    owner: FloatArray
    fast_s: float

    def within(self, values: FloatArray) -> FloatArray:
        """Take away each pass's mean, along the first axis."""
        count = np.bincount(self.owner)
        table = values.reshape(len(values), -1)
        mean = np.stack([np.bincount(self.owner, c) / count for c in table.T], axis=1)
        return np.asarray((table - mean[self.owner]).reshape(values.shape))


def together(traces: list[FloatArray]) -> Frames:
    """Put the frames of passes together."""
    logs = [np.log(t) - np.log(np.median(t)) for t in traces]
    joined = np.concatenate(logs)
    limit = CLIP * 1.4826 * float(np.median(np.abs(joined)))
    return Frames(
        start_s=np.concatenate([(np.cumsum(t) - t) / 1000.0 for t in traces]),
        log_ms=np.clip(joined, -limit, limit),
        owner=np.repeat(np.arange(len(traces)), [len(t) for t in traces]),
        fast_s=float(np.quantile([t.mean() for t in traces], 0.1)) / 1000.0,
    )


def _least_squares(frames: Frames, period_s: float) -> FloatArray:
    design = frames.within(basis(frames.start_s / period_s))
    target = frames.within(frames.log_ms)
    gram = design.T @ design + 1e-9 * len(design) * np.eye(design.shape[1])
    return np.asarray(np.linalg.solve(gram, design.T @ target))


def explained(frames: Frames, cycle: LoadCycle) -> float:
    """Part of the variance within passes that a cycle explains."""
    target = frames.within(frames.log_ms)
    said = frames.within(basis(frames.start_s / cycle.period_s) @ cycle.weights)
    total = float(target @ target)
    return 1.0 - float(np.sum((target - said) ** 2)) / total if total > 0 else 0.0


def _periods(frames: Frames) -> FloatArray:
    """Periods at the highest peaks of the mean profile's spectrum, looked at closer."""
    longest = float(frames.start_s.max())
    if longest <= 0.0:
        return np.empty(0)
    place = np.minimum((frames.start_s / longest * BINS).astype(int), BINS - 1)
    count = np.bincount(place, minlength=BINS)
    profile = np.bincount(place, frames.within(frames.log_ms), BINS)
    power = np.abs(np.fft.rfft(profile, BINS * PADDING)) ** 2
    frequency = np.arange(len(power)) / (PADDING * longest)
    sought = frequency >= LEAST_ROUNDS / longest
    sought &= frequency <= 1.0 / (LEAST_FRAMES * frames.fast_s)
    sought[1:-1] &= (power[1:-1] >= power[:-2]) & (power[1:-1] >= power[2:])
    peaks = np.flatnonzero(sought)
    peaks = peaks[np.argsort(-power[peaks], kind="stable")][:PEAKS]
    if not len(peaks):
        return np.empty(0)
    filled = np.flatnonzero(count)
    middle = (filled + 0.5) / BINS * longest
    target, weight = profile[filled] / count[filled], count[filled].astype(float)
    best = frequency[peaks]
    for reach in LOOKS:
        near = (best[:, None] + reach * np.linspace(-1.0, 1.0, 21) / longest).ravel()
        near = near[near > 0]
        best = near[[int(np.argmax(_gains(near, middle, target, weight)))]]
    return np.asarray(1.0 / best)


def _gains(
    frequency: FloatArray, seconds: FloatArray, target: FloatArray, weight: FloatArray
) -> FloatArray:
    """Weighted sum of squares that a cycle of each frequency takes off the profile.

    In waves exp(i a angle), a from -`HARMONICS` to `HARMONICS`, the product of two is a third, so
    all cross-products are sums over 2 `HARMONICS` waves.
    """
    turn = np.exp(2j * np.pi * frequency[:, None] * seconds)
    sums = np.stack([weight, weight * target], axis=1)
    waves = [np.broadcast_to(sums.sum(axis=0), (len(frequency), 2)), turn @ sums]
    power = turn
    for _ in range(2 * HARMONICS - 1):
        power = power * turn
        waves.append(power @ sums)
    both = np.stack([*(wave.conj() for wave in waves[:0:-1]), *waves])
    order = np.arange(-HARMONICS, HARMONICS + 1)
    gram = np.moveaxis(both[2 * HARMONICS + order - order[:, None], :, 0], 2, 0)
    gram += 1e-9 * weight.sum() * np.diag(np.where(order == 0, 1.0, 2.0))
    product = both[2 * HARMONICS - order, :, 1].T
    gained = (product.conj() * np.linalg.solve(gram, product[..., None])[..., 0]).sum(axis=1)
    return np.asarray(gained.real)


def find_cycle(traces: list[FloatArray]) -> LoadCycle | None:
    """Find the cycle of a workload's load in the frame times of its passes.

    Parameters
    ----------
    traces : list of ndarray
        Frame times in ms of each pass.

    Returns
    -------
    LoadCycle or None
        None where no cycle explains `LEAST_SHARE` of the variance in passes it was not fitted to.
    """
    traces = [t for t in traces if len(t) > 1]
    if len(traces) < 4:
        return None
    shares = []
    for fold in (0, 1):
        learnt = together(traces[fold::2])
        periods = _periods(learnt)
        if not len(periods):
            return None
        cycle = LoadCycle(float(periods[0]), _least_squares(learnt, float(periods[0])))
        shares.append(explained(together(traces[1 - fold :: 2]), cycle))
    if min(shares) < LEAST_SHARE:
        return None
    every = together(traces)
    periods = _periods(every)
    if not len(periods):
        return None
    return LoadCycle(float(periods[0]), _least_squares(every, float(periods[0])))
