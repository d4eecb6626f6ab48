"""Which columns of each further decision the page shows, and in which words."""

from collections.abc import Callable
from dataclasses import dataclass, field

import pandas as pd

from perfkit.show.report_html import stranger
from perfkit.show.report_sheets import (
    Column,
    amount,
    any_column,
    any_columns,
    dates,
    fps,
    general,
    money,
    number,
    ranged,
    share,
    size,
    small,
    tenth,
    text,
)

Form = Callable[[float], str]


@dataclass(frozen=True, slots=True)
class Field:
    """One column of a page's table, made from columns of a frame.

    Attributes
    ----------
    names : tuple of str
        Columns it shows; it is left out when one of them is missing.
    make : callable
        From the frame to the column.
    """

    names: tuple[str, ...]
    make: Callable[[pd.DataFrame], Column]


@dataclass(frozen=True, slots=True)
class Recipe:
    """How a table is shown; a column that no field names is shown as it is.

    Attributes
    ----------
    fields : tuple of Field
    hidden : frozenset of str
        Columns that only the CSV holds.
    """

    fields: tuple[Field, ...]
    hidden: frozenset[str] = field(default_factory=frozenset)

    def columns(self, frame: pd.DataFrame) -> list[Column]:
        """Make the columns of a frame."""
        there = set(map(str, frame.columns))
        used = [one for one in self.fields if there.issuperset(one.names)]
        named = {name for one in used for name in one.names} | self.hidden
        others = [any_column(str(name), frame[name]) for name in frame if name not in named]
        return [one.make(frame) for one in used] + others


def _text(title: str, name: str, *, wordy: bool = False) -> Field:
    return Field((name,), lambda frame: text(title, _plain(frame[name]), wordy=wordy))


def _plain(values: pd.Series) -> list[str]:
    return ["" if pd.isna(value) else str(value) for value in values]


def _number(title: str, name: str, form: Form = general, unknown: str = "not known") -> Field:
    return Field((name,), lambda frame: number(title, frame[name], form, unknown))


def _ranged(title: str, names: tuple[str, str, str], form: Form) -> Field:
    return Field(names, lambda frame: ranged(title, frame, names, form))


def _day(title: str, name: str) -> Field:
    return Field((name,), lambda frame: dates(title, frame[name]))


def _with_unit(title: str, value: str, unit: str) -> Field:
    def make(frame: pd.DataFrame) -> Column:
        plain = number(title, frame[value], general, "")
        cells = [
            f"{cell} {stranger(what)}" if cell and what else cell
            for cell, what in zip(plain.cells, _plain(frame[unit]), strict=True)
        ]
        return Column(title, cells, plain.keys)

    return Field((value, unit), make)


def _changed(title: str, old: str, new: str) -> Field:
    def make(frame: pd.DataFrame) -> Column:
        pairs = zip(_plain(frame[old]), _plain(frame[new]), strict=True)
        return Column(title, [f"{stranger(was)} to {stranger(now)}" for was, now in pairs])

    return Field((old, new), make)


_SIZE = Field(("width", "height"), size)
_MACHINE = _text("Machine", "build")
_GAME = _text("Game and preset", "workload")
_BASIS = _text("Basis", "basis")
_WHY = _text("Remarks", "reason", wordy=True)
_GOAL = _number("Goal, FPS", "goal_fps", general, "none")
_AVERAGE = _number("Average FPS", "fps", fps)

RECIPES: dict[str, Recipe] = {
    "goes_together": Recipe((
        _MACHINE, _text("Check", "check"), _text("Goes together", "verdict"),
        _with_unit("Margin", "number", "unit"), _text("What was compared", "sentence", wordy=True),
    )),
    "cautions": Recipe((_text("Caution", "caution", wordy=True),)),
    "ranks": Recipe((
        _MACHINE, _number("Place by cost per frame", "rank"),
        _number("Share of draws", "probability", share),
    )),
    "flip_prices": Recipe((
        _MACHINE, _text("Against", "rival"), _text("Today", "now"),
        _number("Its price now", "price", amount),
        _ranged("The answer flips at", ("flip_price", "flip_low", "flip_high"), amount),
        _number("That is a change of, %", "change_pct", tenth),
    )),
    "upgrade_games": Recipe((
        _text("From", "from_build"), _text("To", "to_build"), _GAME,
        _ranged("Gain, %", ("added_pct", "added_low_pct", "added_high_pct"), tenth),
        _number("FPS before", "fps_from", fps), _number("FPS after", "fps_to", fps),
        _GOAL, _text("Goal reached after", "reaches_goal"), _text("Then limited by", "stopped_by"),
        _BASIS, _WHY,
    )),
    "upgrade_rivals": Recipe((
        _text("From", "from_build"), _text("To", "to_build"), _text("Against", "rival"),
        _text("An added frame is today", "now"), _number("It costs now", "spent", amount),
        _ranged(
            "It overtakes below", ("overtakes_below", "overtakes_low", "overtakes_high"), amount
        ),
        _number("That is a change of, %", "change_pct", tenth),
        _number("Games", "workloads"), _WHY,
    ), frozenset({"level"})),
    "goal_games": Recipe((
        _MACHINE, _GAME, _GOAL, _AVERAGE, _number("Chance of the goal", "p_goal", share),
        _number("Floor, FPS", "floor_fps", general, "none"),
        _number("1 % low, FPS", "low_1pct_fps", fps),
        _number("Chance of the floor", "p_floor", share), _BASIS, _WHY,
    )),
    "last_money": Recipe((
        _text("Fastest for the budget", "build"), _number("Budget", "budget", amount),
        _number("Its price", "price", amount), _AVERAGE,
        _text("Fastest for a tenth less", "smaller_build"),
        _number("Smaller budget", "smaller_budget", amount),
        _number("Price there", "smaller_price", amount),
        _number("Average FPS there", "smaller_fps", fps),
        _number("Extra cost", "extra_cost", amount),
        _ranged("What it buys, %", ("gain_pct", "gain_low_pct", "gain_high_pct"), tenth),
    )),
    "give_up_first": Recipe((
        _MACHINE, _number("Price", "price", amount), _number("Order", "order"),
        _text("Take instead", "way"), _number("Saves", "saves", amount),
        _ranged("FPS lost", ("fps_lost", "lost_low", "lost_high"), fps),
        _number("FPS lost per 100 saved", "lost_per_100", fps),
        _number("To save", "to_save", amount),
    )),
    "memory": Recipe((
        _text("System", "system"), _text("Verdict", "verdict"),
        _number("Set to, MT/s", "configured_mtps"), _number("Rated for, MT/s", "rated_mtps"),
        _number("Share of the rating", "ratio", share), _number("Channels", "channels"),
        _number("Bandwidth, GB/s", "bandwidth_gb_s"),
        _number("At its rating, GB/s", "rated_bandwidth_gb_s"),
        _text("Worth a look", "question", wordy=True),
    )),
    "memory_cost": Recipe((
        _text("System", "system"), _text("Against", "against"), _text("GPU", "gpu"),
        _ranged("FPS kept", ("fps_ratio", "fps_low", "fps_high"), share),
        _number("Bandwidth kept", "bandwidth_ratio", share),
        _number("Memory rate kept", "rate_ratio", share),
        _number("Channels", "channels"), _number("Channels there", "against_channels"),
        _number("Games", "workloads"), _BASIS, _WHY,
    )),
    "settings": Recipe((
        _MACHINE, _GAME, _GOAL, _number("Render scale", "render_scale", general, "none"), _AVERAGE,
        _number("Chance of the goal", "probability", share),
        _number("Next scale up", "next_scale", general, ""),
        _number("Chance there", "next_probability", share, ""), _BASIS, _WHY,
    )),
    "setting_steps": Recipe((
        _MACHINE, _GAME, _GOAL, _number("Render scale", "render_scale"), _AVERAGE,
        _number("Chance of the goal", "probability", share), _BASIS, _WHY,
    )),
    "inputs": Recipe((
        _text("Kind", "kind"), _text("Name", "name"), _text("Fact", "fact"), _text("Is", "value"),
    )),
    "within_pass": Recipe((
        _text("GPU", "gpu"), _GAME, _text("System", "system"), _SIZE, _text("Pass", "pass_id"),
        _ranged("Average FPS", ("avg_fps", "avg_low", "avg_high"), fps),
        _ranged("1 % low, FPS", ("low_1pct_fps", "low_1pct_low", "low_1pct_high"), fps),
        _number("Frames", "frames", amount), _number("Frames a block", "block_frames", amount),
        _text("Basis", "basis", wordy=True), _WHY,
    ), frozenset({"render_scale", "level"})),
    "next_runs": Recipe((
        _number("Order", "order"), _text("GPU", "gpu"), _GAME, _text("System", "system"), _SIZE,
        _text("Card at hand", "at_hand"), _text("Machines it concerns", "builds", wordy=True),
        _number("Half range now, %", "half_range_pct", tenth),
        _number("With one more pass, %", "half_range_after_pct", tenth),
        _number("Minutes", "minutes", tenth),
        _number("Narrower by, points a minute", "narrows_pct_per_minute", small),
    ), frozenset({"narrows_pct", "model_gain", "render_scale"})),
    "sittings": Recipe((
        _number("Passes a sitting", "passes_per_sitting"),
        _number("Spread within a sitting, %", "within_pct", tenth),
        _number("Spread between sittings, %", "between_pct", tenth),
        _number("Passes", "passes", amount), _number("Sittings", "sittings", amount),
        _number("Configurations", "configurations", amount),
        _number("Minutes a pass", "pass_minutes", tenth),
        _number("Minutes to set up", "setup_minutes", tenth), _WHY,
    )),
    "versions": Recipe((
        _text("What changed", "kind"), _text("Of", "of"), _changed("Version", "old", "new"),
        _text("What is done", "verdict"), _number("Run under both", "bridges"),
        _ranged("Shift, %", ("log_ratio_pct", "low_pct", "high_pct"), tenth),
        _number("Allowed, %", "margin_pct", tenth), _WHY,
    )),
    "energy": Recipe((
        _MACHINE, _text("Game and preset (none: all)", "workload"),
        _number("Power, W", "power_w", tenth), _text("Measured at", "measured_at"), _AVERAGE,
        _number("J per frame", "joules_per_frame", small),
        _number("Cost an hour", "cost_per_hour", small),
        _number("Cost a year", "cost_per_year", money), _number("Passes", "passes", amount),
    ), frozenset({"kwh_per_1000_frames", "cost_per_1000_frames"})),
    "forecast_scores": Recipe((
        _text("GPU", "gpu"), _GAME, _text("System", "system"), _SIZE,
        _ranged("Forecast FPS", ("fps", "pred_low", "pred_high"), fps),
        _number("Measured FPS", "measured_fps", fps), _text("Inside the range", "inside"),
        _day("Made on", "made_on"), _day("Measured on", "measured_on"), _text("Model", "model"),
        _number("Interval score", "interval_score", small, ""), _WHY,
    ), frozenset({"render_scale", "level", "log_error", "scored"})),
    "forecast_cards": Recipe((
        _text("GPU", "gpu"), _day("Forecast made on", "made_on"), _number("Forecasts", "rows"),
        _number("Inside the range", "inside_share", share),
        _number("Median error, %", "median_abs_pct", tenth),
        _number("Bias, %", "bias_pct", tenth),
        _number("Interval score", "interval_score", small),
    )),
    "calibration": Recipe((
        _number("Promised", "nominal", share), _number("Found inside", "observed", share),
        _number("GPUs", "cards"),
    )),
    "flags": Recipe((
        _text("Pass", "pass_id"), _text("Flag", "code"),
        _text("What was found", "sentence", wordy=True),
        _with_unit("Measured", "measured", "unit"), _number("Threshold", "threshold", general, ""),
    )),
    "model_comparison": Recipe((
        _text("Family", "family"),
        Field(("chosen",), lambda f: Column("Used", ["yes" if c else "" for c in f["chosen"]])),
        _number("Median error, %", "median_abs_pct", tenth),
        _number("Nine in ten below, %", "p90_abs_pct", tenth),
        _number("Bias, %", "bias_pct", tenth), _number("Inside the range", "coverage", share),
        _number("Interval score", "interval_score", small),
    )),
    "left_out": Recipe((_text("Pass", "pass_id"), _text("Why", "reason", wordy=True))),
}  # fmt: skip
"""By name of the table."""


def further_columns(name: str) -> Callable[[pd.DataFrame], list[Column]]:
    """Give the way to show a further table.

    Parameters
    ----------
    name : str
        Of its CSV file.

    Returns
    -------
    callable
        From a frame to its columns.

    Examples
    --------
    >>> frame = pd.DataFrame({"build": ["a"], "rank": [1], "probability": [0.25], "more_ms": [2]})
    >>> [column.title for column in further_columns("ranks")(frame)]
    ['Machine', 'Place by cost per frame', 'Share of draws', 'More, ms']
    """
    return RECIPES[name].columns if name in RECIPES else any_columns
