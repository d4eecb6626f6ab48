"""Configurations run once: how far their own frames leave the average and the 1 % low open.

A block bootstrap of the frames of one pass. It says what the pass itself leaves open and nothing
about the next pass, which starts warmer, loads other assets, meets another background task: the
spread between passes is not in it, and its basis says so in every row. No cost per frame, claim or
forecast uses these ranges.
"""

import math

import numpy as np
import pandas as pd

from perfkit.defaults import LEVEL
from perfkit.frames.dependence import FEWEST_VALUES, block_length, halvings_for, run_sums
from perfkit.frames.traces import read_traces
from perfkit.frames.usable import CONFIGURATION, countable
from perfkit.study import Study
from perfkit.value.arithmetic import FloatArray, central_range
from perfkit.value.bootstrap import block_starts, bootstrap_pass
from perfkit.value.builds import compared_configurations

RESAMPLES = 1000
FEWEST_FRAMES = 1000
"""Frames below which a pass has no 1 % low (common practice, no source)."""

LISTED = 100
"""Configurations that are listed: each is read again."""

BASIS = "within one pass: spread between passes not included"


def block_frames(frame_ms: FloatArray) -> int:
    """Frames in a block, so that neighbours that resemble each other stay together.

    Parameters
    ----------
    frame_ms : ndarray, shape (frames,)
        At least 16.

    Returns
    -------
    int
        By the rule of Politis and White (2004), found on runs of frames where there are many.

    Examples
    --------
    >>> block_frames(np.random.default_rng(1).lognormal(2, 0.1, 400)) < 20
    True
    """
    halvings = halvings_for(len(frame_ms))
    length = math.ceil(block_length(run_sums(frame_ms, halvings)))
    return min(len(frame_ms), length << halvings)


def within_pass_table(study: Study, passes: pd.DataFrame) -> pd.DataFrame:
    """Give ranges within the pass for what was run once.

    Parameters
    ----------
    study : Study
    passes : DataFrame
        As made by :func:`perfkit.summarize_passes`.

    Returns
    -------
    DataFrame
        system, gpu, workload, width, height, render_scale, pass_id, frames, block_frames, avg_fps,
        avg_low, avg_high, low_1pct_fps, low_1pct_low, low_1pct_high (NaN below 1,000 frames),
        basis, level, reason: one row per configuration with a single countable pass whose frame
        times are there, at most `LISTED`; those on which builds are compared come first.
    """
    alone = countable(passes).drop_duplicates(CONFIGURATION, keep=False)
    compared = pd.MultiIndex.from_frame(compared_configurations(study))
    others = ~pd.MultiIndex.from_frame(alone[CONFIGURATION]).isin(compared)
    alone = alone.iloc[np.argsort(others, kind="stable")].head(LISTED)
    traces = read_traces(study, set(alone["pass_id"])) if len(alone) else {}
    rows = [
        (*names, *_ranges(traces[pass_id]))
        for *names, pass_id in alone[[*CONFIGURATION, "pass_id", "pass_id"]].itertuples(
            index=False, name=None
        )
        if len(traces.get(pass_id, ())) >= FEWEST_VALUES
    ]
    numbers = ["frames", "block_frames", "avg_fps", "avg_low", "avg_high"]
    numbers += ["low_1pct_fps", "low_1pct_low", "low_1pct_high", "basis", "level", "reason"]
    return pd.DataFrame(rows, columns=[*CONFIGURATION, "pass_id", *numbers])


def _ranges(frame_ms: FloatArray) -> tuple[object, ...]:
    frames, block = len(frame_ms), block_frames(frame_ms)
    drawn = bootstrap_pass(frame_ms, block_starts(frames, block, RESAMPLES), block)
    average = 1000 * frames / float(frame_ms.sum())
    ends = [float(end) for end in central_range(drawn.avg_fps, LEVEL)]
    low, lows, reason = math.nan, [math.nan, math.nan], f"{frames:,} frames: no 1 % low"
    if frames >= FEWEST_FRAMES:
        low, reason = 1000 / float(np.quantile(frame_ms, 0.99)), ""
        lows = [float(end) for end in central_range(drawn.low_1pct_fps, LEVEL)]
    return frames, block, average, *ends, low, *lows, BASIS, LEVEL, reason
