"""Every threshold of the flags, with its reason. Nothing else in the room decides a flag."""

from dataclasses import dataclass

CODES = (
    "cap",
    "sync",
    "drift",
    "first_slow",
    "two_modes",
    "outlier",
    "unit",
    "cumulative",
    "short",
    "coarse_timer",
    "generated",
    "memory_rate",
)
"""Codes of the flags in the order in which they are given."""


@dataclass(frozen=True, slots=True)
class Threshold:
    """One number that decides a flag.

    Attributes
    ----------
    value : float
        The number.
    unit : str
        Its unit.
    reason : str
        Why this number and not another.
    """

    value: float
    unit: str
    reason: str


CAP_SHARE = Threshold(
    0.5,
    "share of frames",
    "half of all frames equally long to 0.5 %: a scene that is free to vary by 1 % reaches 0.2",
)
STATED_CAP_SHARE = Threshold(
    0.2,
    "share of frames",
    "where a cap is stated, a fifth of the frames standing on it show that it held",
)
CAP_BELOW = Threshold(
    0.02, "share of frames", "under a cap hardly a frame is shorter; a free scene has 10 % there"
)
CAP_REACH = Threshold(
    0.97, "of the stated cap", "limiters that wait by sleeping end up to 3 % below their rate"
)
CAP_MATCH = Threshold(
    0.01, "relative", "a held rate within 1 % of the stated one is that one; timers are better"
)
STEP_SHARE = Threshold(
    0.9, "share of frames", "on a fixed refresh nearly all are multiples; by chance 4 to 16 % are"
)
SECOND_STEP = Threshold(
    0.05, "share of frames", "frames that missed a refresh must be more than a few hitches"
)
DRIFT_CHANGE = Threshold(
    0.05, "relative change", "heat and clocks move averages by more; scene content often by less"
)
DRIFT_CHANCE = Threshold(
    0.001, "chance", "passes that only wander look so in at most 2 %; a 15 % drift is seen in 98 %"
)
MODES_BETWEEN = Threshold(
    0.8, "share of variance", "a normal spread has 0.64 between its halves, an even one 0.75"
)
MODES_VALLEY = Threshold(
    0.05,
    "share of frames",
    "between two states lies almost no frame; a smooth swing has 14 % there",
)
MODES_SMALLER = Threshold(0.1, "share of frames", "a state lasts; a few long frames are hitches")
MODES_APART = Threshold(1.1, "ratio", "states closer than 10 % change no verdict")
PASSES_APART = Threshold(
    0.03, "relative change", "a smaller difference between passes decides nothing for a viewer"
)
PASSES_SCORE = Threshold(
    4.5, "standard deviations", "among a thousand clean passes fewer than one goes so far by chance"
)
REST_AGREES = Threshold(
    0.5, "of the difference", "a pass is out of line only if the others stand together"
)
LEAST_SPREAD = Threshold(
    0.003, "relative", "no bench repeats better than 0.3 % (common practice, no source)"
)
SHORTEST_MEDIAN = Threshold(
    0.1, "ms", "10,000 FPS: no game; a frame time in ms read as microseconds looks so"
)
LONGEST_MEDIAN = Threshold(
    5_000.0, "ms", "0.2 FPS: no game; a frame time in ms read as seconds looks so"
)
TYPED_RATIO = Threshold(
    100.0, "ratio", "a typed average this far from the log's is a wrong unit, not a bad run"
)
CUMULATIVE_FRAMES = Threshold(
    20.0, "frames", "twenty frames rising by chance: one in two million million million"
)
TICKS = Threshold(
    3.0, "ticks", "nine tenths of the frames within three ticks: the tick exceeds their deviation"
)
MEMORY_RATIO = Threshold(
    0.98, "configured over rated", "rates are named in round numbers, up to 2 % off the real ones"
)
