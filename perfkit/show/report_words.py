"""What the page says in our own words: beside headings, above tables, and in its glossary."""

from html import escape
from typing import TYPE_CHECKING

from perfkit.defaults import HITCH_FACTOR, LEVEL
from perfkit.frames import usable
from perfkit.show.report_sheets import share

if TYPE_CHECKING:
    from perfkit.analysis import Analysis

WORDS = (
    ("average FPS", "frames divided by seconds. Passes combine as all frames over all seconds."),
    (
        "1 % low",
        "1000 divided by the frame time in ms that one frame in a hundred exceeds. Not known below "
        "1,000 frames.",
    ),
    (
        "slowest 1 %, mean",
        "1000 divided by the mean of the slowest hundredth of frame times: another number, never "
        "compared with the 1 % low.",
    ),
    ("hitch", f"a frame longer than {HITCH_FACTOR} times the running median of its neighbours."),
    (
        "range",
        f"meant to hold a future pass {share(LEVEL)} of the time. Where it is not known, none "
        "is made up.",
    ),
    ("cost per frame", "the price divided by the weighted geometric mean of average FPS."),
    (
        "cost per added frame",
        "what an upgrade costs, less resale, divided by the FPS it adds; not determinable while "
        "the gain is not clearly above zero.",
    ),
    (
        "on the frontier",
        "the share of draws in which no other machine is as cheap and as fast, and better in one.",
    ),
    (
        "basis",
        "measured, borrowed (measured on another system) or predicted; of several, the weakest.",
    ),
    (
        "limited by",
        "the largest part of the modelled frame time: arithmetic, memory, processor, cap or a "
        "fixed cost.",
    ),
    ("drawn and shown", "frames the GPU drew; frames on the screen when some are generated."),
)
"""Terms of the page with their definitions."""

_TITLES = {
    "goes_together": "Which parts go together",
    "cautions": "Before you open a case",
    "claims": "Which sentences hold",
    "ranks": "How likely each place by cost per frame is",
    "flip_prices": "At which price the answer flips",
    "upgrade_games": "What an upgrade does for each game",
    "goals": "Which machine reaches the goals",
    "goal_games": "The goals game by game",
    "last_money": "What the last tenth of the budget buys",
    "give_up_first": "What to give up first when money is short",
    "memory": "Does the memory run as rated",
    "memory_cost": "What the memory costs in frames",
    "settings": "Settings for a goal",
    "setting_steps": "Every step of the render scale",
    "next_runs": "What to film next",
    "sittings": "How many passes a sitting should hold",
    "versions": "Drivers and game versions",
    "energy": "Energy",
    "forecast_scores": "Forecasts against outcomes",
    "forecast_cards": "Forecasts, card by card",
    "calibration": "Do the ranges hold what they promise",
}


def table_title(name: str) -> str:
    """Heading of a further table.

    Parameters
    ----------
    name : str
        Of its CSV file.

    Returns
    -------
    str

    Examples
    --------
    >>> table_title("price_steps")
    'Price steps'
    """
    words = name.replace("_", " ")
    return _TITLES.get(name, words[:1].upper() + words[1:])


def asides() -> dict[str, str]:
    """Paragraphs that stand beside the headings, as HTML by section."""
    texts = {
        "short": "The few numbers that matter. Every one is explained further down, with what "
        "stands behind it.",
        "value": "One row a machine. Below each number is its range; the basis says how many "
        "measured passes stand behind it.",
        "explore": "Each mark is a machine, numbered as in the table. A filled mark is measured, a "
        "hollow one predicted, a broken one borrowed. Along a dotted ray every machine costs the "
        "same per frame; the dashed line joins those that no other beats on price and speed.",
        "upgrades": "What it costs to turn one machine into another, and what that adds.",
        "predictions": "Configurations without a pass, with the range in which a future pass "
        "should fall.",
        "figures": "The same pictures as in the folder <code>figures</code>.",
        "passes": "Every pass, also those that do not count, with what is remarkable about it.",
        "goals": "How likely each machine is to reach every game's goal and floor, and whether the "
        "budget pays for it.",
        "claims": "Each sentence of the script against the data: supported, contradicted or open. "
        "The verdicts hold together, however many sentences there are (Holm's correction).",
        "further": "Other questions that this study's files answer.",
        "limits": "Read this before quoting a number.",
        "words": "What the terms mean here.",
    }
    return {name: f"<p>{text}</p>" for name, text in texts.items()}


def captions(analysis: "Analysis") -> dict[str, str]:
    """Captions that say basis, passes, date and conditions, as HTML by table."""
    settings = analysis.study.settings
    counting = usable(analysis.passes)
    width, height = settings.value_at
    priced = f"Prices in {escape(settings.currency)} of {settings.price_date.isoformat()}"
    at = f"at {width} × {height}, native scale, nothing generated"
    gpus, passes = counting["gpu"].nunique(), len(counting)
    fitted = f"the {passes:,} passes that count, on {gpus:,} GPU{'' if gpus == 1 else 's'}"
    level = share(LEVEL)
    return {
        "value": f"{priced}. Average FPS: weighted geometric mean over the common workloads, {at}. "
        f"Ranges cover {level}.",
        "upgrades": f"{priced}. FPS {at}. Ranges cover {level}.",
        "predictions": f"Model: {escape(analysis.model.family or 'none')}, from {fitted}. "
        f"Ranges cover {level} of future passes.",
        "passes": f"{passes:,} of {len(analysis.passes):,} passes count. Frame times in FPS drawn, "
        "not shown.",
        "flags": "What each remark rests on: the number measured and the threshold it crossed.",
        "model_comparison": "How far each family was off, each GPU in turn predicted as if it had "
        "never been measured. Errors in per cent of FPS; a bias above zero is optimistic.",
        "goals": f"{priced}. Probabilities from draws, {at}.",
        "claims": f"Ratio of left to right, with its range at {level}; for costs and prices, "
        f"{priced[0].lower()}{priced[1:]}.",
        "left_out": "Passes that are no observation of the model, and why.",
    }
