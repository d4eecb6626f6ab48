"""The ways from one build to another: what is bought, what leaves, what it costs.

The rule: from each build one may go to every other build of the study for which something must be
bought and that either keeps the system (a card is added or replaced) or costs more as a whole (the
next machine up); and to "build + card" for every discrete GPU of gpus.csv that has a price under
its own name, unless a build of the study already is that machine.
"""

import math
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

from perfkit.study import Study
from perfkit.study.prices import ItemPrice, build_lines, build_prices, price_list
from perfkit.value.builds import machines, priced_cards
from perfkit.value.parts import Line

SAME_SYSTEM, OTHER_SYSTEM = "card", "machine"


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """One way from a build to another machine.

    Attributes
    ----------
    from_build, to_build : str
        `to_build` is a build of the study, or "build + card".
    kind : str
        "card" where the system stays, "machine" where it changes.
    system, gpu : str
        Of the machine reached.
    lines : tuple of Line
        Its parts.
    bought, leaves : tuple of str
        Items to buy, items no longer needed.
    spent : float
        Price of what is bought; NaN where a price is not known.
    resale : float
        Used price of what leaves, as far as it is known; 0 where nothing is.
    price_from : float
        Price of the whole build one starts from.
    reason : str
        What is not known about the prices.
    """

    from_build: str
    to_build: str
    kind: str
    system: str
    gpu: str
    lines: tuple[Line, ...]
    bought: tuple[str, ...]
    leaves: tuple[str, ...]
    spent: float
    resale: float
    price_from: float
    reason: str

    @property
    def added_cost(self) -> float:
        """What the step costs, less resale."""
        return self.spent - self.resale


def candidates(study: Study) -> list[Candidate]:
    """List every way from a build to another machine, by the rule above.

    Parameters
    ----------
    study : Study

    Returns
    -------
    list of Candidate
        By from_build in file order; builds before "build + card".
    """
    return list(_candidates(study))


@lru_cache(maxsize=1)  # several tables ask for the same study
def _candidates(study: Study) -> tuple[Candidate, ...]:
    built = _built(study)
    existing = {(machine.system, machine.gpu) for machine in built}
    prices = price_list(study)
    discrete = frozenset(study.gpus.loc[study.gpus["kind"] == "discrete", "gpu"])
    cards = priced_cards(study)
    found = []
    for start in built:
        for after in built:
            if after is not start:
                step = _step(start, after, prices)
                dearer = after.price > start.price
                if step.bought and (step.kind == SAME_SYSTEM or dearer):
                    found.append(step)
        for card in cards:
            if (start.system, card) not in existing:
                found.append(_step(start, _with_card(start, card, discrete, prices), prices))
    return tuple(found)


Prices = Callable[[str, str], ItemPrice]


@dataclass(frozen=True, slots=True)
class _Machine:
    name: str
    system: str
    gpu: str
    lines: tuple[Line, ...]
    price: float


def _built(study: Study) -> list[_Machine]:
    made = machines(study)
    made = made[made["reason"] == ""]
    price = build_prices(study).set_index("build")["price"]
    rows = build_lines(study).assign(gpu=study.builds["gpu"])
    lines: dict[str, list[Line]] = {}
    for build, *fields in rows[["build", *Line._fields]].itertuples(index=False, name=None):
        lines.setdefault(build, []).append(Line(*fields))
    return [
        _Machine(build, system, gpu, tuple(lines[build]), float(price[build]))
        for build, system, gpu in made[["build", "system", "gpu"]].itertuples(
            index=False, name=None
        )
    ]


def _with_card(start: _Machine, card: str, discrete: frozenset[str], prices: Prices) -> _Machine:
    condition = "used" if math.isnan(prices(card, "new").price) else "new"
    price = prices(card, condition).price
    kept = (line for line in start.lines if line.role != "card" and line.item not in discrete)
    added = Line(card, "card", 1.0, card, condition, "bought", price, "")
    return _Machine(f"{start.name} + {card}", start.system, card, (*kept, added), math.nan)


def _step(start: _Machine, after: _Machine, prices: Prices) -> Candidate:
    had, needs = _count(start.lines), _count(after.lines)
    bought, leaves = needs - had, had - needs
    price = _unit_prices(after.lines, bought, prices)
    lent = {line.item for line in start.lines if line.obtained == "lent"}
    resale = {item: prices(item, "used").price for item in leaves if item not in lent}
    unpriced = [item for item in bought if math.isnan(price[item])]
    unsold = [item for item, worth in resale.items() if math.isnan(worth)]
    reasons = [f"no price for {', '.join(unpriced)}"] if unpriced else []
    if unsold:
        reasons.append(f"no used price for {', '.join(unsold)}: no resale counted")
    return Candidate(
        from_build=start.name,
        to_build=after.name,
        kind=SAME_SYSTEM if start.system == after.system else OTHER_SYSTEM,
        system=after.system,
        gpu=after.gpu,
        lines=after.lines,
        bought=tuple(bought),
        leaves=tuple(leaves),
        spent=math.fsum(count * price[item] for item, count in bought.items()),
        resale=math.fsum(leaves[item] * resale[item] for item in resale if item not in unsold),
        price_from=start.price,
        reason="; ".join(reasons),
    )


def _count(lines: tuple[Line, ...]) -> Counter[str]:
    pieces: Counter[str] = Counter()
    for line in lines:
        pieces[line.item] += int(line.quantity)
    return pieces


def _unit_prices(lines: tuple[Line, ...], bought: Counter[str], prices: Prices) -> dict[str, float]:
    """Price of one piece of each item bought; a bundle's only where all of it is bought."""
    broken = {line.bundle for line in lines if line.item not in bought}
    return {
        line.item: prices(line.item, line.condition).price
        if line.bundle and line.bundle in broken
        else line.price
        for line in reversed(lines)
        if line.item in bought
    }
