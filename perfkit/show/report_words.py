"""What the page says in our own words: beside headings, above tables, and in its glossary."""

from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING

from perfkit.defaults import HITCH_FACTOR, LEVEL
from perfkit.frames.usable import usable
from perfkit.show.report_sheets import share

if TYPE_CHECKING:
    from perfkit.analysis import Analysis

WORDS = (
    ("machine", "a build of the study: a system, the GPU that draws its frames, and a price."),
    ("system", "everything around the GPU: processor, memory, board, supply."),
    ("workload", "a game at a stated preset. A pass is one run of it."),
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
    ("flag", "a sign that something other than the game was measured too, such as a frame cap."),
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
    "ranks": "How likely each place by cost per frame is",
    "flip_prices": "At which price the answer flips",
    "upgrade_games": "What an upgrade does for each game",
    "upgrade_rivals": "At which price one upgrade overtakes another",
    "goal_games": "The goals game by game",
    "last_money": "What the last tenth of the budget buys",
    "give_up_first": "What to give up first when money is short",
    "memory": "Does the memory run as rated",
    "memory_cost": "What slower memory costs in frames",
    "settings": "The highest render scale that reaches the goal",
    "setting_steps": "Every step of the render scale",
    "sittings": "How many passes a sitting should hold",
    "within_pass": "Run once: what its own frames leave open",
    "versions": "Which drivers and game versions count together",
    "energy": "What the power costs",
    "inputs": "What went in: settings, prices, parts, specifications",
    "flags": "Every flag on a pass, with its numbers",
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
        "trust": "Each GPU in turn was predicted as if it had never been measured, and the "
        "prediction set beside its passes. That is how far to trust the section above.",
        "next": "One more pass of which configuration would narrow the ranges most for the time it "
        "takes.",
        "passes": "Every pass, also those that do not count, with its flags.",
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
    gpus, passes = counting["gpu"].nunique(), len(counting)
    facts = Facts(
        priced=f"Prices in {escape(settings.currency)} of {settings.price_date.isoformat()}",
        at=f"at {width} × {height}, native scale, nothing generated",
        fitted=f"the {passes:,} passes that count, on {gpus:,} GPU{'' if gpus == 1 else 's'}",
        family=escape(analysis.model.family or "none"),
    )
    counted = f"{passes:,} of {len(analysis.passes):,} passes count."
    return _of_decisions(facts) | _of_evidence(facts, counted)


@dataclass(frozen=True, slots=True)
class Facts:
    """What several captions say, as HTML."""

    priced: str
    at: str
    fitted: str
    family: str
    level: str = share(LEVEL)

    @property
    def model(self) -> str:
        """Which family, and what it was fitted to."""
        return f"Model: {self.family}, from {self.fitted}"

    @property
    def drawn(self) -> str:
        """Where probabilities come from."""
        return (
            f"Probabilities from draws, {self.at}; what was not measured is predicted. {self.model}"
        )

    @property
    def ranges(self) -> str:
        """How wide the ranges are."""
        return f"Ranges cover {self.level}."


def _of_decisions(facts: Facts) -> dict[str, str]:
    at_prices = f"{facts.priced}. FPS {facts.at}. {facts.ranges}"
    return {
        "value": f"{facts.priced}. Average FPS: weighted geometric mean over the common workloads, "
        f"{facts.at}. {facts.ranges}",
        "ranks": f"{facts.priced}. {facts.drawn}.",
        "flip_prices": f"At this price both machines cost the same per frame. {at_prices}",
        "energy": "Power as logged in the passes counted at the right; where only one part was "
        "read, the machine draws more. Costs by the study's own tariff and hours.",
        "upgrades": at_prices,
        "upgrade_games": f"FPS {facts.at}; the basis is the weaker of the two machines'. "
        f"{facts.ranges}",
        "upgrade_rivals": "Below this price of what it buys, an upgrade's added frame costs less "
        f"than the other's. {at_prices}",
        "goes_together": "From the study's own table of parts. A margin below zero is short of "
        "what is needed.",
        "cautions": "Common practice; where a manual says otherwise, the manual is right.",
        "goals": f"{facts.priced}. {facts.drawn}.",
        "goal_games": f"{facts.drawn}.",
        "settings": f"The highest scale of each side at which the goal is reached, "
        f"{facts.level} sure. {facts.drawn}.",
        "setting_steps": f"The scale of each side. {facts.drawn}.",
        "last_money": at_prices,
        "give_up_first": at_prices,
        "claims": f"Ratio of left to right, with its range at {facts.level}; for costs and prices, "
        f"{facts.priced[0].lower()}{facts.priced[1:]}.",
    }


def _of_evidence(facts: Facts, counted: str) -> dict[str, str]:
    return {
        "passes": f"{counted} FPS count frames drawn, not frames generated in between.",
        "flags": "What each flag rests on: the number measured and the threshold it crossed.",
        "within_pass": "From the frames of the one pass alone; the spread between passes, which is "
        "usually wider, is not included, and no cost or verdict uses these ranges. "
        f"{facts.ranges}",
        "versions": "Passes under two versions count together where runs under both agree, or "
        "where the shift between them is known.",
        "memory": "As set and as rated in the study's table of systems.",
        "memory_cost": f"The same GPU and games on two systems. {facts.ranges}",
        "predictions": f"{facts.model}. Ranges cover {facts.level} of future passes.",
        "model_comparison": f"From {facts.fitted}. Errors in per cent of FPS; a bias above zero is "
        f"optimistic; {facts.level} should lie inside the range; a lower interval score is better.",
        "forecast_scores": "Forecasts kept before the first pass of a card, and what came.",
        "forecast_cards": "Forecasts of one card are off together, so a card counts once.",
        "calibration": "Share of forecasts inside ranges of every width, each card counted once.",
        "next_runs": f"Half the range of cost per frame at {facts.level}, now and with one more "
        f"pass of about the usual length. {facts.model}.",
        "sittings": "From passes repeated within and between sittings.",
        "inputs": "Facts of the study behind the numbers, as they counted on the price date; "
        "passes have their own table.",
        "left_out": "Passes that are no observation of the model, and why.",
    }
