"""The record of a pass that is read piece by piece and may be longer than memory."""

import math
from collections.abc import Callable, Iterable, Iterator

import numpy as np

from perfkit.frames.dependence import halvings_for, run_sums
from perfkit.frames.hitches import HitchCounter
from perfkit.frames.order import Floats
from perfkit.frames.pass_record import (
    PassRecord,
    record_pass,
    tail_length,
    tail_numbers,
    time_above,
)
from perfkit.frames.signs import HEAD, MOST_HALVINGS, one_of_each_run, rises
from perfkit.frames.streamed_order import KEEP, Largest, Middle, quantile_again

WHOLE = 1 << 17
"""Passes of at most this many frames are held and handled as one array."""

_BLOCK = 1 << 15

Blocks = Iterable[Floats]


class PassReader:
    """Takes the frame times of one pass in pieces and gives its record.

    The result depends on the frame times alone, not on how they were cut: sums run over blocks of
    32,768 frames counted from the start of the pass, everything else is exact.

    Parameters
    ----------
    targets_fps : tuple of float
        Rates for the time shares.
    most_frames : int
        How many frames the pass can have; the longest hundredth of them is held.
    keep : int
        Frames held around each median of a long pass.
    """

    def __init__(self, targets_fps: tuple[float, ...], most_frames: int, keep: int = KEEP) -> None:
        self._targets = targets_fps
        self._most = most_frames
        self._keep = keep
        self._waiting: list[Floats] = []
        self._count = 0
        self._long: _LongPass | None = None

    def add(self, times: Floats) -> None:
        """Take the next frames.

        Parameters
        ----------
        times : ndarray of float, shape (n,)
            Frame times in ms; may be kept, so must not change later.
        """
        self._waiting.append(times)
        self._count += len(times)
        if self._count > WHOLE and self._long is None:
            self._long = _LongPass(self._targets, self._most, self._keep)
        if self._long is not None and sum(map(len, self._waiting)) >= _BLOCK:
            self._drain(self._long)

    def _drain(self, long: "_LongPass") -> None:
        joined = _joined(self._waiting)
        full = len(joined) // _BLOCK * _BLOCK
        for first in range(0, full, _BLOCK):
            long.add(joined[first : first + _BLOCK])
        self._waiting = [joined[full:].copy()]

    @property
    def count(self) -> int:
        """Frames taken so far."""
        return self._count

    def finish(self, again: Callable[[], Blocks]) -> PassRecord:
        """Give the record, the pass having ended.

        Parameters
        ----------
        again : callable
            Starts a new reading of the pass; used only for a very long pass whose middle drifted.

        Returns
        -------
        PassRecord

        Raises
        ------
        ValueError
            If there was no frame.
        """
        if not self._count:
            raise ValueError("a pass needs at least one frame, got none")
        if self._long is None:
            return record_pass(_joined(self._waiting), self._targets)
        self._long.add(_joined(self._waiting))
        return self._long.finish(again)


def _joined(parts: list[Floats]) -> Floats:
    return parts[0] if len(parts) == 1 else np.concatenate(parts)


class _LongPass:
    def __init__(self, targets_fps: tuple[float, ...], most_frames: int, keep: int) -> None:
        self._above: list[tuple[float, list[float]]] = [(1000 / fps, []) for fps in targets_fps]
        self._sums: list[tuple[int, float]] = []
        self._squares: list[float] = []
        self._runs: list[Floats] = []
        self._samples: list[Floats] = []
        self._head: Floats
        self._last = math.nan
        self._hitches = HitchCounter()
        self._tail = Largest(tail_length(most_frames))
        self._middles = {"q50_ms": Middle(0.5, keep), "q95_ms": Middle(0.95, keep)}
        self._pacing = Middle(0.5, keep)

    def add(self, block: Floats) -> None:
        if not len(block):
            return
        if not self._sums:
            self._head = block[:HEAD].copy()
        total = float(np.add.reduce(block))
        off = block - total / len(block)
        np.square(off, out=off)
        self._sums.append((len(block), total))
        self._squares.append(float(np.add.reduce(off)))
        self._runs.append(run_sums(block, MOST_HALVINGS))
        first_run = (len(self._sums) - 1) * (_BLOCK >> MOST_HALVINGS)
        self._samples.append(one_of_each_run(block, MOST_HALVINGS, first_run))
        low = float(np.minimum.reduce(block))
        for limit, above in self._above:
            above.append(time_above(block, limit, low, total))
        self._hitches.add(block, low)
        self._tail.add(block)
        for middle in self._middles.values():
            middle.add(block)
        self._pacing.add(_steps(block, self._last))
        self._last = float(block[-1])

    def finish(self, again: Callable[[], Blocks]) -> PassRecord:
        count, total = sum(n for n, _ in self._sums), math.fsum(s for _, s in self._sums)
        halvings = halvings_for(count)
        means = run_sums(np.concatenate(self._runs), halvings - MOST_HALVINGS) / (1 << halvings)
        sample = np.concatenate(self._samples)[:: 1 << (halvings - MOST_HALVINGS)][: len(means)]
        found = {name: middle.value() for name, middle in self._middles.items()}
        for name, share in (("q50_ms", 0.5), ("q95_ms", 0.95)):
            if math.isnan(found[name]):
                found[name] = quantile_again(again, count, share)
        pacing = self._pacing.value()
        if math.isnan(pacing):
            pacing = quantile_again(lambda: _all_steps(again()), count - 1, 0.5)
        tail = self._tail.sorted()
        return PassRecord(
            frames=count,
            total_ms=total,
            variance=self._variance(count, total),
            hitches=self._hitches.count(),
            **found,
            **tail_numbers(tail[len(tail) - tail_length(count) :], count),
            pacing_ms=pacing,
            above_ms=tuple(math.fsum(above) for _, above in self._above),
            ranked=np.sort(sample),
            run_means=means,
            rising=rises(self._head, sample),
        )

    def _variance(self, count: int, total: float) -> float:
        mean = total / count
        apart = [n * (s / n - mean) ** 2 for n, s in self._sums]
        return math.fsum([*self._squares, *apart]) / count


def _steps(block: Floats, before: float) -> Floats:
    steps = np.empty(len(block))
    steps[0] = block[0] - before
    np.subtract(block[1:], block[:-1], out=steps[1:])
    np.abs(steps, out=steps)
    return steps[1:] if math.isnan(before) else steps


def _all_steps(blocks: Blocks) -> Iterator[Floats]:
    before = math.nan
    for block in blocks:
        if len(block):
            yield _steps(block, before)
            before = float(block[-1])
