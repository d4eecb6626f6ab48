"""How far one pass can be trusted: a block bootstrap of its average and its 1 % low."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from perfkit.defaults import SEED

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]
Counts = npt.NDArray[np.int16] | npt.NDArray[np.int32]

LOW = 0.99
"""Quantile of the frame times behind a 1 % low."""


@dataclass(frozen=True, slots=True, eq=False)
class PassDraws:
    """Resampled statistics of one pass.

    Attributes
    ----------
    avg_fps, low_1pct_fps : ndarray, shape (resamples,)
    """

    avg_fps: FloatArray
    low_1pct_fps: FloatArray


def block_starts(frames: int, block: int, resamples: int, seed: int = SEED) -> IntArray:
    """Draw where the blocks of each resample begin.

    Parameters
    ----------
    frames, block : int
        Frames in the pass and in a block.
    resamples : int
    seed : int

    Returns
    -------
    ndarray of int, shape (resamples, ceil(frames / block))
        Any frame may begin a block; blocks run on over the end (circular blocks).

    Examples
    --------
    >>> block_starts(10, 4, 3).shape
    (3, 3)
    """
    generator = np.random.default_rng(seed)
    return generator.integers(0, frames, (resamples, -(-frames // block)), dtype=np.intp)


def bootstrap_pass(frame_ms: FloatArray, starts: IntArray, block: int) -> PassDraws:
    """Resample a pass by circular blocks without writing any resample out.

    Parameters
    ----------
    frame_ms : ndarray, shape (frames,)
        Frame times in ms.
    starts : ndarray of int, shape (resamples, blocks)
        As made by :func:`block_starts`. The last block is cut so that each resample has as many
        frames as the pass.
    block : int
        Frames in a block.

    Returns
    -------
    PassDraws
        The same numbers as from explicit resampling, up to rounding of sums.

    Notes
    -----
    A resample's mean needs only prefix sums at the ends of its blocks. Its type 7 quantile needs
    only how often each of the longest frames occurs. Prefix counts say how many of the longest a
    block holds down to some marks; added over the blocks they tell between which two marks the
    quantile lies, and only the few frames between those marks are looked for in every block. Should
    a resample hold too few of the longest, it is looked at in full.

    References
    ----------
    Politis and Romano (1992), *A circular block-resampling procedure for stationary data*.

    Examples
    --------
    >>> draws = bootstrap_pass(np.full(2000, 10.0), block_starts(2000, 50, 4), 50)
    >>> draws.avg_fps.tolist(), draws.low_1pct_fps.tolist()
    ([100.0, 100.0, 100.0, 100.0], [100.0, 100.0, 100.0, 100.0])
    """
    frames = len(frame_ms)
    last = frames - block * (starts.shape[1] - 1)
    prefix = np.concatenate([[0.0], np.cumsum(np.concatenate([frame_ms, frame_ms[:block]]))])
    total = prefix[starts + block] - prefix[starts]
    total[:, -1] = prefix[starts[:, -1] + last] - prefix[starts[:, -1]]
    average = 1000.0 * frames / total.sum(axis=1)
    return PassDraws(average, 1000.0 / _upper_quantiles(frame_ms, starts, block, last))


@dataclass(frozen=True, slots=True, eq=False)
class _Ranks:
    """The longest frames, and how many of them each block holds down to some marks.

    `longest` are positions, longest first; `marks` are numbers of frames; `whole` and `cut` count,
    for each start and mark, the frames among the first `marks` in a block and in the last block.
    """

    longest: IntArray
    marks: IntArray
    whole: Counts
    cut: Counts


def _rank_frames(frame_ms: FloatArray, wanted: int, block: int, last: int) -> _Ranks:
    frames = len(frame_ms)
    kept = min(frames, 2 * wanted)
    longest = np.argpartition(frame_ms, frames - kept)[frames - kept :]
    longest = longest[np.argsort(-frame_ms[longest], kind="stable")]
    marks = np.unique((wanted * _SHARES).round().astype(np.intp))
    rank = np.full(frames, frames, dtype=np.intp)
    rank[longest] = np.arange(kept)
    held = np.concatenate([rank, rank[:block]])[:, None] < marks
    kind = np.int16 if frames <= np.iinfo(np.int16).max else np.int32  # sums stay below `frames`
    prefix = np.zeros((frames + block + 1, len(marks)), dtype=kind)
    np.cumsum(held, axis=0, dtype=kind, out=prefix[1:])
    whole, cut = (prefix[size : size + frames] - prefix[:frames] for size in (block, last))
    return _Ranks(longest, marks, whole, cut)


def _upper_quantiles(frame_ms: FloatArray, starts: IntArray, block: int, last: int) -> FloatArray:
    frames = len(frame_ms)
    position = LOW * (frames - 1)
    share = position - int(position)
    wanted = frames - int(position)  # from the top; the upper of the two frames is one rank higher
    ranks = _rank_frames(frame_ms, wanted, block, last)
    counts = np.empty((len(starts), len(ranks.marks)), dtype=ranks.whole.dtype)
    for row in range(0, len(starts), _ROWS):  # gathered blocks stay in the cache
        some = starts[row : row + _ROWS]
        held = counts[row : row + _ROWS]
        ranks.whole[some[:, :-1]].sum(axis=1, dtype=counts.dtype, out=held)
        held += ranks.cut[some[:, -1]]
    lower, upper = _frame_times(frame_ms, starts, ranks, counts, wanted, block, last)
    result = lower + share * (upper - lower)
    for odd in np.flatnonzero(np.isnan(result)):
        result[odd] = np.quantile(_resample(frame_ms, starts[odd], block, last), LOW)
    return result


def _frame_times(
    frame_ms: FloatArray,
    starts: IntArray,
    ranks: _Ranks,
    counts: Counts,
    wanted: int,
    block: int,
    last: int,
) -> tuple[FloatArray, FloatArray]:
    """Find the times of the frames of rank `wanted` and one above, in each resample.

    NaN where they are not both among the longest, down to the mark that `wanted` needs.
    """
    frames = len(frame_ms)
    # differences below zero wrap to numbers far above a block
    kind: type[np.unsignedinteger] = np.uint32
    if frames + block <= np.iinfo(np.uint16).max:
        kind = np.uint16
    begins = starts.astype(kind)
    goals = wanted, max(wanted - 1, 1)
    mark = (counts < wanted).sum(axis=1)
    first = (counts < goals[1]).sum(axis=1)
    lower, upper = np.full((2, len(starts)), np.nan)
    for low, high in np.unique(np.stack([first, mark], axis=1), axis=0):
        if high == len(ranks.marks):
            continue
        rows = np.flatnonzero((first == low) & (mark == high))
        some = ranks.longest[ranks.marks[low - 1] : ranks.marks[high]]
        times = _times_in(some.astype(kind), begins[rows], block, last)
        early = np.flatnonzero(some < block)  # also held by blocks that run on over the end
        times[early] += _times_in((some[early] + frames).astype(kind), begins[rows], block, last)
        held = np.cumsum(times, axis=0) + counts[rows, low - 1]
        for goal, found in zip(goals, (lower, upper), strict=True):
            found[rows] = frame_ms[some[np.argmax(held >= goal, axis=0)]]
    return lower, upper


def _times_in(
    some: npt.NDArray[np.unsignedinteger],
    begins: npt.NDArray[np.unsignedinteger],
    block: int,
    last: int,
) -> IntArray:
    """How often frames stand in the blocks of each resample, shape (frames, resamples)."""
    begun = some[:, None, None] - begins
    whole: IntArray = np.count_nonzero(begun[..., :-1] < block, axis=-1)
    return whole + (begun[..., -1] < last)


_AWAY = np.linspace(-1.0, 1.0, 21)
_SHARES = 1 + np.sign(_AWAY) * _AWAY**2
"""Marks as shares of the wanted rank: close together where most resamples have their quantile.

The first mark is 0, so every rank lies above one.
"""

_ROWS = 32


def _resample(frame_ms: FloatArray, begins: IntArray, block: int, last: int) -> FloatArray:
    at = (begins[:, None] + np.arange(block)) % len(frame_ms)
    drawn: FloatArray = frame_ms[at].ravel()[: block * (len(begins) - 1) + last]
    return drawn
