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
from numpy.typing import NDArray

from perfkit.models.family import FloatArray, IntArray

HARMONICS = 3
"""Harmonics of a cycle."""

LEAST_SHARE = 0.1
"""Part of the variance within passes that a cycle must explain in passes it was not fitted to."""

LEAST_ROUNDS = 1.5
"""Rounds that the longest pass must see."""

LEAST_FRAMES = 10.0
"""Frames a round of a fast pass, at least."""

BINS = 4096
ROWS = 64
"""Bins of a profile stand in so many rows when its waves are summed."""

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
        log_load = basis(np.arange(GRID) / GRID) @ self.weights
        return float(1.0 / np.mean(np.exp(-log_load)))

    def shift(self, traces: list[FloatArray]) -> FloatArray:
        """Log of how much longer each pass's frames were for the part of the cycle it saw."""
        load = self.load(starts(traces))
        count = np.array([len(times) for times in traces])
        return np.asarray(np.log(np.add.reduceat(load, np.cumsum(count) - count) / count))

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
        frames = rounds + np.interp(part, phase, done)  # one a round, by what load is relative to
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
        Log frame time less the pass's median, clipped; then less the pass's mean.
    count : ndarray of int, shape (passes,)
        Frames of each pass, at least one.
    fast_s : float
        Mean frame time of a fast pass.
    """

    start_s: FloatArray
    log_ms: FloatArray
    count: IntArray
    fast_s: float

    def waves(self, period_s: float) -> FloatArray:
        """Take away each pass's mean from the `basis` of a period, shape (2 HARMONICS, n)."""
        return within(basis(self.start_s / period_s).T, self.count)


def starts(traces: list[FloatArray]) -> FloatArray:
    """Seconds at which each frame began, from the first of its pass on, one pass after the other.

    Parameters
    ----------
    traces : list of ndarray
        Frame times in ms of each pass.
    """
    return np.concatenate([(np.cumsum(times) - times) / 1000.0 for times in traces])


def within(values: FloatArray, count: IntArray) -> FloatArray:
    """Take away each pass's mean, along the last axis."""
    first = np.cumsum(count) - count
    mean = np.add.reduceat(values, first, axis=-1) / count
    return np.asarray(values - np.repeat(mean, count, axis=-1))


def relative(traces: list[FloatArray]) -> list[FloatArray]:
    """Log frame times less the median's of each pass."""
    return [np.log(times / np.median(times)) for times in traces]


def together(traces: list[FloatArray], logs: list[FloatArray]) -> Frames:
    """Put the frames of passes, and their :func:`relative` logs, together."""
    joined = np.concatenate(logs)
    limit = CLIP * 1.4826 * float(np.median(np.abs(joined)))
    count = np.array([len(t) for t in traces], dtype=np.intp)
    return Frames(
        start_s=starts(traces),
        log_ms=within(np.clip(joined, -limit, limit), count),
        count=count,
        fast_s=float(np.quantile([t.mean() for t in traces], 0.1)) / 1000.0,
    )


def _least_squares(frames: Frames, period_s: float) -> FloatArray:
    design = frames.waves(period_s)
    gram = design @ design.T + 1e-9 * design.shape[1] * np.eye(len(design))
    return np.asarray(np.linalg.solve(gram, design @ frames.log_ms))


def explained(frames: Frames, cycle: LoadCycle) -> float:
    """Part of the variance within passes that a cycle explains."""
    target = frames.log_ms
    missed = target - cycle.weights @ frames.waves(cycle.period_s)
    total = float(target @ target)
    return 1.0 - float(missed @ missed) / total if total > 0 else 0.0


def _periods(frames: Frames) -> FloatArray:
    """Periods at the highest peaks of the mean profile's spectrum, looked at closer."""
    longest = float(frames.start_s.max())
    place = np.minimum((frames.start_s / longest * BINS).astype(int), BINS - 1)
    count = np.bincount(place, minlength=BINS).astype(float)
    profile = np.bincount(place, frames.log_ms, BINS)
    power = np.abs(np.fft.rfft(profile, BINS * PADDING)) ** 2
    frequency = np.arange(len(power)) / (PADDING * longest)
    sought = frequency >= LEAST_ROUNDS / longest
    sought &= frequency <= 1.0 / (LEAST_FRAMES * frames.fast_s)
    sought[1:-1] &= (power[1:-1] >= power[:-2]) & (power[1:-1] >= power[2:])
    peaks = np.flatnonzero(sought)
    peaks = peaks[np.argsort(-power[peaks], kind="stable")][:PEAKS]
    if not len(peaks):
        return np.empty(0)
    best = frequency[peaks]
    for reach in LOOKS:
        near = (best[:, None] + reach * np.linspace(-1.0, 1.0, 21) / longest).ravel()
        gained = _gains(near, longest / BINS, np.stack([count, profile]))
        best = near[[int(np.argmax(gained))]]
    return np.asarray(1.0 / best)


def _wave_sums(frequency: FloatArray, bin_s: float, sums: FloatArray) -> NDArray[np.complex128]:
    """Sum numbers of bins times exp(2 pi i h f t), h from 0 to 2 `HARMONICS`, t a bin's middle.

    A bin's wave is its row's times that of its place in the row, so few have to be worked out.

    Parameters
    ----------
    frequency : ndarray, shape (m,)
        f, in Hz.
    bin_s : float
        Seconds of a bin.
    sums : ndarray, shape (k, BINS)

    Returns
    -------
    ndarray, shape (2 HARMONICS + 1, m, k)
    """
    table = sums.reshape(len(sums), ROWS, -1)
    width = table.shape[2]
    turn = 2j * np.pi * frequency[:, None] * bin_s
    of_row, of_place = (
        np.exp(turn * width * np.arange(ROWS)),
        np.exp(turn * (np.arange(width) + 0.5)),
    )
    row, place = np.ones_like(of_row), np.ones_like(of_place)
    result = []
    for _ in range(2 * HARMONICS + 1):
        by_row = place @ table.transpose(0, 2, 1)
        result.append((by_row * row).sum(axis=-1).T)
        row, place = row * of_row, place * of_place
    return np.stack(result)


def _gains(frequency: FloatArray, bin_s: float, sums: FloatArray) -> FloatArray:
    """Sum of squares that a cycle of each frequency takes off the profile.

    In waves exp(i a angle), a from -`HARMONICS` to `HARMONICS`, the product of two is a third, so
    all cross-products are sums over 2 `HARMONICS` waves. `sums` are the frames of each bin, and the
    sum of their log frame times.
    """
    waves = _wave_sums(frequency, bin_s, sums)
    both = np.concatenate([waves[:0:-1].conj(), waves])
    order = np.arange(-HARMONICS, HARMONICS + 1)
    gram = np.moveaxis(both[2 * HARMONICS + order - order[:, None], :, 0], 2, 0)
    gram += 1e-9 * sums[0].sum() * np.eye(len(order))
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
    shares, logs = [], relative(traces)
    folds = [together(traces[fold::2], logs[fold::2]) for fold in (0, 1)]
    for learnt, kept in (folds, folds[::-1]):
        periods = _periods(learnt)
        if not len(periods):
            return None
        cycle = LoadCycle(float(periods[0]), _least_squares(learnt, float(periods[0])))
        shares.append(explained(kept, cycle))
    if min(shares) < LEAST_SHARE:
        return None
    every = together(traces, logs)
    periods = _periods(every)
    if not len(periods):
        return None
    return LoadCycle(float(periods[0]), _least_squares(every, float(periods[0])))
