"""The ways from one build to another: what is bought, what leaves, what it costs.

The rule: from each build one may go to every other build of the study for which something must be
bought and that either keeps the system (a card is added or replaced) or costs more as a whole (the
next machine up); and to "build + card" for every discrete GPU of gpus.csv that has a price under
its own name, unless a build of the study already is that machine.
"""

from dataclasses import dataclass

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
    made = made[made["reason"] == ""].set_index("build")
    price = build_prices(study).set_index("build")["price"]
    lines = build_lines(study)
    items = dict(iter(lines.groupby("build", sort=False)))
    existing = set(zip(made["system"], made["gpu"], strict=True))
    found = []
    for build, machine in made.iterrows():
        start = items[build]
        for other, target in made.drop(index=build).iterrows():
            stays = target["system"] == machine["system"]
            kind = SAME_SYSTEM if stays else OTHER_SYSTEM
            step = _step(study, str(build), str(other), kind, start, items[other], price[build])
            if step.bought and (stays or price[other] > price[build]):
                found.append(step)
        for card in priced_cards(study):
            if (machine["system"], card) not in existing:
                after = _with_card(study, start, card, machine["system"])
                name = f"{build} + {card}"
                found.append(
                    _step(study, str(build), name, SAME_SYSTEM, start, after, price[build])
                )
    return found


def _with_card(study: Study, start: pd.DataFrame, card: str, system: str) -> pd.DataFrame:
    discrete = study.gpus.loc[study.gpus["kind"] == "discrete", "gpu"]
    is_card = (start["role"] == "card") | start["item"].isin(discrete)
    kept = start[~is_card].assign(gpu=card, system=system)
    quote = item_price(study, card, "new")
    condition = "new"
    if np.isnan(quote.price):
        quote, condition = item_price(study, card, "used"), "used"
    row = {
        "item": card,
        "role": "card",
        "quantity": 1.0,
        "condition": condition,
        "obtained": "bought",
        "system": system,
        "gpu": card,
        "price": quote.price,
    }
    return pd.concat([kept, pd.DataFrame([row])], ignore_index=True)


def _step(
    study: Study,
    from_build: str,
    to_build: str,
    kind: str,
    start: pd.DataFrame,
    after: pd.DataFrame,
    price_from: float,
) -> Candidate:
    had = start.groupby("item", sort=False)["quantity"].sum()
    needs = after.groupby("item", sort=False)["quantity"].sum()
    unit = after.drop_duplicates("item").set_index("item")["price"]
    more = needs.sub(had.reindex(needs.index, fill_value=0))
    more = more[more > 0]
    owned = start[start["obtained"] != "lent"]
    fewer = had.sub(needs.reindex(had.index, fill_value=0))
    fewer = fewer[fewer > 0]
    sold = fewer[fewer.index.isin(owned["item"])]
    worth = pd.Series(
        {item: item_price(study, item, "used").price for item in sold.index}, dtype=float
    )
    no_price = [item for item in more.index if np.isnan(unit[item])]
    no_resale = [item for item in worth.index if np.isnan(worth[item])]
    reasons = [f"no price for {', '.join(no_price)}"] if no_price else []
    if no_resale:
        reasons.append(f"no used price for {', '.join(no_resale)}: no resale counted")
    return Candidate(
        from_build=from_build,
        to_build=to_build,
        kind=kind,
        system=str(after["system"].max()),
        gpu=str(after["gpu"].max()),
        items=after,
        bought=tuple(more.index),
        leaves=tuple(fewer.index),
        spent=float((more * unit[more.index]).sum(skipna=False)),
        resale=float((sold * worth).sum()),
        price_from=float(price_from),
        reason="; ".join(reasons),
    )
