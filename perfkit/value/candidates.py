"""The ways from one build to another: what is bought, what leaves, what it costs.

The rule: from each build one may go to every other build of the study for which something must be
bought and that either keeps the system (a card is added or replaced) or costs more as a whole (the
next machine up); and to "build + card" for every discrete GPU of gpus.csv that has a price under
its own name, unless a build of the study already is that machine.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np
import pandas as pd

from perfkit.study import Study
from perfkit.study.prices import build_lines, build_prices, item_price
from perfkit.value.builds import machines, priced_cards

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
    items : DataFrame
        Its parts: item, quantity, role, gpu.
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
    items: pd.DataFrame
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
    made = machines(study)
    made = made[made["reason"] == ""]
    price = build_prices(study).set_index("build")["price"]
    lines = build_lines(study).assign(system=study.builds["system"], gpu=study.builds["gpu"])
    items = dict(iter(lines.groupby("build", sort=False)))
    existing = set(zip(made["system"], made["gpu"], strict=True))
    quote: Quote = cache(lambda item, condition: item_price(study, item, condition).price)
    cards = priced_cards(study)
    found = []
    for build, system in zip(made["build"], made["system"], strict=True):
        start = _Machine(build, system, "", items[build], price[build])
        for other, its_system, gpu in zip(made["build"], made["system"], made["gpu"], strict=True):
            if other != build:
                after = _Machine(other, its_system, gpu, items[other], price[other])
                step = _step(start, after, quote)
                stays = its_system == system
                if step.bought and (stays or after.price > start.price):
                    found.append(step)
        for card in cards:
            if (system, card) not in existing:
                found.append(_step(start, _with_card(study, start, card, quote), quote))
    return found


Quote = Callable[[str, str], float]


@dataclass(frozen=True, slots=True, eq=False)
class _Machine:
    name: str
    system: str
    gpu: str
    lines: pd.DataFrame
    price: float


def _with_card(study: Study, start: _Machine, card: str, quote: Quote) -> _Machine:
    discrete = study.gpus.loc[study.gpus["kind"] == "discrete", "gpu"]
    lines = start.lines
    kept = lines[(lines["role"] != "card") & ~lines["item"].isin(discrete)]
    condition = "used" if np.isnan(quote(card, "new")) else "new"
    row = {
        "item": card,
        "role": "card",
        "quantity": 1.0,
        "condition": condition,
        "obtained": "bought",
        "price": quote(card, condition),
        "bundle": "",
        "gpu": card,
    }
    added = pd.concat([kept, pd.DataFrame([row])], ignore_index=True)
    return _Machine(f"{start.name} + {card}", start.system, card, added, np.nan)


def _step(start: _Machine, after: _Machine, quote: Quote) -> Candidate:
    had, needs = (
        machine.lines.groupby("item", sort=False)["quantity"].sum() for machine in (start, after)
    )
    more = needs.sub(had.reindex(needs.index, fill_value=0))
    more = more[more > 0]
    fewer = had.sub(needs.reindex(had.index, fill_value=0))
    fewer = fewer[fewer > 0]
    unit = _unit_prices(after.lines, more.index, quote)
    ours = start.lines.loc[start.lines["obtained"] != "lent", "item"]
    sold = fewer[fewer.index.isin(ours)]
    worth = pd.Series([quote(item, "used") for item in sold.index], sold.index, dtype=float)
    unpriced, unsold = unit.index[unit.isna()], worth.index[worth.isna()]
    reasons = [f"no price for {', '.join(unpriced)}"] if len(unpriced) else []
    if len(unsold):
        reasons.append(f"no used price for {', '.join(unsold)}: no resale counted")
    return Candidate(
        from_build=start.name,
        to_build=after.name,
        kind=SAME_SYSTEM if start.system == after.system else OTHER_SYSTEM,
        system=after.system,
        gpu=after.gpu,
        items=after.lines,
        bought=tuple(more.index),
        leaves=tuple(fewer.index),
        spent=float((more * unit).sum(skipna=False)),
        resale=float((sold * worth).sum()),
        price_from=float(start.price),
        reason="; ".join(reasons),
    )


def _unit_prices(lines: pd.DataFrame, bought: pd.Index, quote: Quote) -> pd.Series:
    """Price of one piece of each item bought; a bundle's only where all of it is bought."""
    rows = lines.drop_duplicates("item").set_index("item").loc[bought]
    whole = lines["item"].isin(bought).groupby(lines["bundle"]).all()
    apart = (rows["bundle"] != "") & ~rows["bundle"].map(whole).astype(bool)
    alone = [
        quote(str(item), condition) if split else price
        for item, condition, price, split in zip(
            rows.index, rows["condition"], rows["price"], apart, strict=True
        )
    ]
    return pd.Series(alone, rows.index, dtype=float)
