"""What an honest reviewer would want to be told about one pass."""

import math
from collections.abc import Iterator
from dataclasses import dataclass

from perfkit.frames import thresholds as limit
from perfkit.frames.signs import Signs
from perfkit.frames.statistics import FRAMES_FOR_01PCT, FRAMES_FOR_1PCT, FrameStatistics

_UNITS_MS = {"s": 1e3, "ms": 1.0, "us": 1e-3, "ns": 1e-6}


@dataclass(frozen=True, slots=True)
class Flag:
    """One thing to be told about a pass.

    Attributes
    ----------
    code : str
        One of `perfkit.frames.thresholds.CODES`.
    measured : float
        The number that decided.
    threshold : float
        What it was held against.
    unit : str
        Unit of both.
    sentence : str
        The same in words, with the other numbers that matter.
    """

    code: str
    measured: float
    threshold: float
    unit: str
    sentence: str


@dataclass(frozen=True, slots=True)
class Circumstances:
    """What passes.csv and systems.csv say about a pass; NaN where they do not.

    Attributes
    ----------
    cap_fps, refresh_hz : float
        Frame cap and refresh rate of the run.
    generated_per_drawn : float
        Generated frames for each drawn one.
    counts : str
        What one row of a log is, "drawn" or "shown".
    unit : str
        Unit of the logs.
    typed_fps : float
        Average typed into passes.csv.
    avg_fps : float
        Average of the pass in drawn frames.
    ram_mtps, ram_rated_mtps : float
        Memory rate configured and rated.
    """

    cap_fps: float
    refresh_hz: float
    generated_per_drawn: float
    counts: str
    unit: str
    typed_fps: float
    avg_fps: float
    ram_mtps: float
    ram_rated_mtps: float


def pass_flags(found: FrameStatistics | None, given: Circumstances) -> list[Flag]:
    """Tell what is to be told about one pass by itself.

    Parameters
    ----------
    found : FrameStatistics or None
        What its frame times say; None where it has none.
    given : Circumstances
        What the study says.

    Returns
    -------
    list of Flag
        In the order of the codes.
    """
    flags = [*_generated(found, given), *_memory_rate(given)]
    if found is None:
        flags += _stated_cap(given)
    else:
        flags += [*_unit(found, given), *_cumulative(found), *_short(found)]
        coarse = list(_coarse_timer(found))
        steps = [] if coarse else list(_sync(found.signs, given))
        flags += [*coarse, *steps, *_cap(found.signs, given, shape=not (coarse or steps))]
        flags += _drift(found.signs)
        flags += [] if coarse or steps else _two_modes(found.signs)
    return sorted(flags, key=lambda flag: limit.CODES.index(flag.code))


def _fps(ms: float) -> str:
    return f"{1000 / ms:.4g} FPS"


def _cap(signs: Signs, given: Circumstances, shape: bool) -> Iterator[Flag]:
    sharp = signs.below_share <= limit.CAP_BELOW.value
    stated = abs(signs.edge_ms * given.cap_fps / 1000 - 1) <= limit.CAP_MATCH.value
    needed = limit.STATED_CAP_SHARE if stated else limit.CAP_SHARE
    if sharp and (shape or stated) and signs.edge_share >= needed.value:
        known = "the stated cap" if stated else "a cap or a display that nobody stated"
        yield Flag(
            "cap",
            signs.edge_share,
            needed.value,
            needed.unit,
            f"{signs.edge_share:.0%} of the frames last {signs.edge_ms:.4g} ms "
            f"({_fps(signs.edge_ms)}) to half a per cent and hardly any is shorter: {known} held "
            "this pass, so its average only says at least.",
        )
    else:
        yield from _stated_cap(given)


def _stated_cap(given: Circumstances) -> Iterator[Flag]:
    reach = given.avg_fps * (1 + given.generated_per_drawn) / given.cap_fps
    if reach >= limit.CAP_REACH.value:
        yield Flag(
            "cap",
            reach,
            limit.CAP_REACH.value,
            limit.CAP_REACH.unit,
            f"The average is {reach:.1%} of the stated cap of {given.cap_fps:g} FPS: it only says "
            "at least.",
        )


def _sync(signs: Signs, given: Circumstances) -> Iterator[Flag]:
    on_steps = signs.step_share >= limit.STEP_SHARE.value
    if on_steps and signs.second_step_share >= limit.SECOND_STEP.value:
        yield Flag(
            "sync",
            signs.step_share,
            limit.STEP_SHARE.value,
            limit.STEP_SHARE.unit,
            f"{signs.step_share:.0%} of the frames last a multiple of {signs.step_ms:.4g} ms, "
            f"{signs.second_step_share:.0%} not the usual one: the frames waited for a display at "
            f"{1000 / signs.step_ms:.4g} Hz.",
        )
        return
    held = signs.edge_share >= limit.CAP_SHARE.value and signs.below_share <= limit.CAP_BELOW.value
    refreshes = signs.edge_ms * given.refresh_hz / 1000
    if held and abs(refreshes / max(1.0, round_or_nan(refreshes)) - 1) <= limit.CAP_MATCH.value:
        yield Flag(
            "sync",
            signs.edge_share,
            limit.CAP_SHARE.value,
            limit.CAP_SHARE.unit,
            f"{signs.edge_share:.0%} of the frames last {signs.edge_ms:.4g} ms, "
            f"{round(refreshes)} refresh of the {given.refresh_hz:g} Hz display: it held the pass.",
        )


def round_or_nan(value: float) -> float:
    """Round to a whole number, leaving what is not known as it is.

    Parameters
    ----------
    value : float

    Returns
    -------
    float

    Examples
    --------
    >>> round_or_nan(1.6), round_or_nan(math.nan)
    (2.0, nan)
    """
    return value if math.isnan(value) else float(round(value))


def _drift(signs: Signs) -> Iterator[Flag]:
    change = math.expm1(signs.drift_log)
    enough = abs(change) >= limit.DRIFT_CHANGE.value
    if enough and signs.drift_chance <= limit.DRIFT_CHANCE.value:
        way = "longer" if change > 0 else "shorter"
        yield Flag(
            "drift",
            change,
            math.copysign(limit.DRIFT_CHANGE.value, change),
            limit.DRIFT_CHANGE.unit,
            f"From start to end the frames get {abs(change):.0%} {way}, steadily: the machine "
            "warmed up or the scene changes, so the average depends on when the pass stops.",
        )


def _two_modes(signs: Signs) -> Iterator[Flag]:
    apart = signs.high_mode_ms / signs.low_mode_ms
    if (
        signs.between_share >= limit.MODES_BETWEEN.value
        and signs.valley_share <= limit.MODES_VALLEY.value
        and signs.smaller_share >= limit.MODES_SMALLER.value
        and apart >= limit.MODES_APART.value
    ):
        yield Flag(
            "two_modes",
            signs.between_share,
            limit.MODES_BETWEEN.value,
            limit.MODES_BETWEEN.unit,
            f"The frames fall into two groups, around {signs.low_mode_ms:.4g} ms and "
            f"{signs.high_mode_ms:.4g} ms, with {signs.valley_share:.0%} between them and "
            f"{signs.smaller_share:.0%} in the smaller: the average describes neither.",
        )


def _unit(found: FrameStatistics, given: Circumstances) -> Iterator[Flag]:
    median = found.median_ms
    low, high = limit.SHORTEST_MEDIAN, limit.LONGEST_MEDIAN
    ratio, wrong = given.typed_fps / found.avg_fps, limit.TYPED_RATIO.value
    if not low.value <= median <= high.value:
        edge = low if median < low.value else high
        raw = median / _UNITS_MS[given.unit]
        fits = [u for u, ms in _UNITS_MS.items() if low.value * 10 <= raw * ms <= high.value / 10]
        hint = f" In {' or '.join(fits)} it would be a game's." if fits else ""
        yield Flag(
            "unit",
            median,
            edge.value,
            edge.unit,
            f"The median frame time is {raw:.4g} {given.unit}, that is {_fps(median)}: the unit is "
            f"probably another.{hint}",
        )
    elif ratio >= wrong or ratio <= 1 / wrong:
        yield Flag(
            "unit",
            ratio,
            wrong if ratio >= wrong else 1 / wrong,
            limit.TYPED_RATIO.unit,
            f"passes.csv says {given.typed_fps:.4g} FPS, the log {found.avg_fps:.4g}: one of the "
            "units is wrong.",
        )


def _cumulative(found: FrameStatistics) -> Iterator[Flag]:
    if found.signs.rising and found.frames >= limit.CUMULATIVE_FRAMES.value:
        yield Flag(
            "cumulative",
            float(found.frames),
            limit.CUMULATIVE_FRAMES.value,
            limit.CUMULATIVE_FRAMES.unit,
            "Every frame looked at is longer than the one before: the column is the running time, "
            "not the time of each frame.",
        )


def _short(found: FrameStatistics) -> Iterator[Flag]:
    for needed, lost in ((FRAMES_FOR_1PCT, "neither a 1 % nor a"), (FRAMES_FOR_01PCT, "no")):
        if found.frames < needed:
            yield Flag(
                "short",
                float(found.frames),
                float(needed),
                "frames",
                f"{found.frames:,} frames in {found.seconds:.3g} s give {lost} 0.1 % low, which "
                f"takes {FRAMES_FOR_01PCT:,} frames.",
            )
            return


def _coarse_timer(found: FrameStatistics) -> Iterator[Flag]:
    signs = found.signs
    if found.frames < limit.CUMULATIVE_FRAMES.value:
        return
    if math.isnan(signs.tick_ms):
        yield Flag(
            "coarse_timer",
            0.0,
            limit.TICKS.value,
            limit.TICKS.unit,
            f"All frames looked at last {signs.edge_ms:.6g} ms: the timer is coarser than the "
            "spread, so lows and hitches say nothing.",
        )
    elif signs.spread_ms <= limit.TICKS.value * signs.tick_ms * (1 + 1e-9):
        yield Flag(
            "coarse_timer",
            signs.spread_ms / signs.tick_ms,
            limit.TICKS.value,
            limit.TICKS.unit,
            f"Frame times move in ticks of {signs.tick_ms:.4g} ms and nine tenths of them lie "
            f"within {signs.spread_ms:.4g} ms: the timer is coarser than the spread, so lows and "
            "pacing are rounded.",
        )


def _generated(found: FrameStatistics | None, given: Circumstances) -> Iterator[Flag]:
    if not given.generated_per_drawn > 0 or (found is not None and given.counts == "drawn"):
        return
    if found is None:
        what = "the typed average is taken as drawn frames"
    else:
        what = "the log counts shown frames, so only the average of drawn frames is known"
    yield Flag(
        "generated",
        given.generated_per_drawn,
        0.0,
        "generated per drawn frame",
        f"{given.generated_per_drawn:g} generated frames per drawn one: {what} "
        f"({given.avg_fps:.4g} FPS drawn, "
        f"{given.avg_fps * (1 + given.generated_per_drawn):.4g} shown).",
    )


def _memory_rate(given: Circumstances) -> Iterator[Flag]:
    ratio = given.ram_mtps / given.ram_rated_mtps
    if ratio < limit.MEMORY_RATIO.value:
        half = (
            " Near a half it may be a clock written for a transfer rate."
            if 0.45 <= ratio <= 0.55
            else ""
        )
        yield Flag(
            "memory_rate",
            ratio,
            limit.MEMORY_RATIO.value,
            limit.MEMORY_RATIO.unit,
            f"The memory ran at {given.ram_mtps:g} MT/s, {ratio:.0%} of its rated "
            f"{given.ram_rated_mtps:g} MT/s.{half}",
        )
