"""How far one pass can be trusted: a block bootstrap of its average and its 1 % low."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from perfkit.defaults import SEED

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]

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
    only how often each of the longest frames occurs. Prefix counts say how many of the first 6, 12,
    18 ... longest a block holds; added over the blocks they tell between which two marks the
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
    whole: npt.NDArray[np.int32]
    cut: npt.NDArray[np.int32]


def _rank_frames(frame_ms: FloatArray, wanted: int, block: int, last: int) -> _Ranks:
    frames = len(frame_ms)
    kept = min(frames, 2 * wanted)
    longest = np.argpartition(frame_ms, frames - kept)[frames - kept :]
    longest = longest[np.argsort(-frame_ms[longest], kind="stable")]
    marks = np.unique(np.linspace(0, kept, _MARKS + 1).astype(np.intp))[1:]
    rank = np.full(frames, frames, dtype=np.intp)
    rank[longest] = np.arange(kept)
    held = np.concatenate([rank, rank[:block]])[:, None] < marks
    prefix = np.zeros((frames + block + 1, len(marks)), dtype=np.int32)
    np.cumsum(held, axis=0, out=prefix[1:])
    whole, cut = (prefix[size : size + frames] - prefix[:frames] for size in (block, last))
    return _Ranks(longest, marks, whole, cut)


def _upper_quantiles(frame_ms: FloatArray, starts: IntArray, block: int, last: int) -> FloatArray:
    frames = len(frame_ms)
    position = LOW * (frames - 1)
    share = position - int(position)
    wanted = frames - int(position)  # from the top; the upper of the two frames is one rank higher
    ranks = _rank_frames(frame_ms, wanted, block, last)
    counts = np.empty((len(starts), len(ranks.marks)), dtype=np.int32)
    for row in range(0, len(starts), _ROWS):  # gathered blocks stay in the cache
        some = starts[row : row + _ROWS]
        ranks.whole[some[:, :-1]].sum(axis=1, out=counts[row : row + _ROWS])
        counts[row : row + _ROWS] += ranks.cut[some[:, -1]]
    lower, upper = (
        _frame_times(frame_ms, starts, ranks, counts, goal, block, last)
        for goal in (wanted, max(wanted - 1, 1))
    )
    result = lower + share * (upper - lower)
    for odd in np.flatnonzero(np.isnan(result)):
        result[odd] = np.quantile(_resample(frame_ms, starts[odd], block, last), LOW)
    return result


def _frame_times(
    frame_ms: FloatArray,
    starts: IntArray,
    ranks: _Ranks,
    counts: npt.NDArray[np.int32],
    goal: int,
    block: int,
    last: int,
) -> FloatArray:
    """Time of the frame of rank `goal` in each resample; NaN where it is not among the longest."""
    frames = np.int32(len(frame_ms))
    begins = starts.astype(np.int32)
    mark = (counts < goal).sum(axis=1)
    found = np.full(len(starts), np.nan)
    for place in np.unique(mark[mark < len(ranks.marks)]):
        rows = np.flatnonzero(mark == place)
        first = int(ranks.marks[place - 1]) if place else 0
        some = ranks.longest[first : ranks.marks[place]]
        begun = some.astype(np.int32)[:, None, None] - begins[rows]
        np.add(begun, frames, out=begun, where=begun < 0)
        times = np.count_nonzero(begun[..., :-1] < block, axis=-1) + (begun[..., -1] < last)
        base = counts[rows, place - 1] if place else 0
        reached = np.cumsum(times, axis=0) + base >= goal
        found[rows] = frame_ms[some[np.argmax(reached, axis=0)]]
    return found


_MARKS = 48
_ROWS = 32


def _resample(frame_ms: FloatArray, begins: IntArray, block: int, last: int) -> FloatArray:
    at = (begins[:, None] + np.arange(block)) % len(frame_ms)
    drawn: FloatArray = frame_ms[at].ravel()[: block * (len(begins) - 1) + last]
    return drawn
