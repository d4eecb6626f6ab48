"""What sentences are held against, and what the names in them stand for."""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from perfkit.frames.usable import CONFIGURATION, countable, pooled_log_spread
from perfkit.study import Study, build_machines
from perfkit.study.prices import ItemPrice, build_prices, price_list
from perfkit.value.speeds import SpeedBook

COLUMNS = {"average": "avg_fps", "cost_per_frame": "avg_fps", "low_1pct": "low_1pct_fps"}
"""Column of the passes behind each measure."""


@dataclass(frozen=True, slots=True)
class Side:
    """One side of a sentence.

    Attributes
    ----------
    name : str
        A build, a GPU, an item, or a number.
    number : float
        NaN unless it is a number.
    system : str
        Of a build; "" for a GPU in any system.
    gpu : str
        "" unless it is a build or a GPU.
    price : float
        NaN where not known.
    """

    name: str
    number: float = math.nan
    system: str = ""
    gpu: str = ""
    price: float = math.nan


@dataclass(frozen=True, slots=True, eq=False)
class Record:
    """All that sentences are held against.

    Attributes
    ----------
    study : Study
    book : SpeedBook
        Speeds measured and predicted.
    counted : DataFrame
        Countable passes at ``value_at``, native scale.
    spreads : dict of str to (float, int)
        Spread between passes of a configuration and its degrees of freedom, by column.
    cells : dict of str to DataFrame
        By column, as :func:`strata` gives them by GPU, workload and system.
    systems : dict of str to tuple of str
        Systems in which a GPU was run or predicted, in file order.
    builds : dict of str to Side
    prices : callable
        Price of an item in a condition.
    """

    study: Study
    book: SpeedBook
    counted: pd.DataFrame
    spreads: dict[str, tuple[float, int]]
    cells: dict[str, pd.DataFrame]
    systems: dict[str, tuple[str, ...]]
    builds: dict[str, Side]
    prices: Callable[[str, str], ItemPrice]


def record_of(study: Study, passes: pd.DataFrame, book: SpeedBook) -> Record:
    """Gather what sentences are held against.

    Parameters
    ----------
    study : Study
    passes : DataFrame
        As made by :func:`perfkit.summarize_passes`.
    book : SpeedBook
        As made by :func:`perfkit.value.speeds.speed_book`.

    Returns
    -------
    Record
    """
    width, height = study.settings.value_at
    kept = countable(passes)
    configuration = kept.groupby(CONFIGURATION, sort=False).ngroup()
    spreads = {name: pooled_log_spread(kept[name], configuration) for name in COLUMNS.values()}
    kept = kept[(kept["width"] == width) & (kept["height"] == height) & (kept["render_scale"] == 1)]
    cells = {
        name: strata(kept, name, ["gpu", "workload", "system"], spread)
        for name, spread in spreads.items()
    }
    priced = build_prices(study)
    machines = build_machines(study.builds)
    builds = {
        name: Side(name, math.nan, system, gpu, price)
        for (name, system, gpu), price in zip(
            machines.itertuples(index=False, name=None), priced["price"], strict=True
        )
    }
    systems = _systems_of_gpus(study, kept, book.table)
    return Record(study, book, kept, spreads, cells, systems, builds, price_list(study))


def _systems_of_gpus(study: Study, *seen: pd.DataFrame) -> dict[str, tuple[str, ...]]:
    pairs = pd.concat([rows[["gpu", "system"]] for rows in seen]).drop_duplicates()
    found: dict[str, set[str]] = {}
    for gpu, system in pairs.itertuples(index=False, name=None):
        found.setdefault(gpu, set()).add(system)
    in_order = study.systems["system"].tolist()
    return {gpu: tuple(name for name in in_order if name in there) for gpu, there in found.items()}


def strata(
    passes: pd.DataFrame, column: str, by: list[str], spread: tuple[float, int]
) -> pd.DataFrame:
    """Combine log passes; the spread of a lone pass is that of the whole study.

    Parameters
    ----------
    passes : DataFrame
        Those without a number are left out.
    column : str
        Of FPS.
    by : list of str
        Columns that name a stratum.
    spread : tuple of (float, int)
        Of the whole study and its degrees of freedom.

    Returns
    -------
    DataFrame
        mean, variance, passes, basis, shift (standard error of what brought older versions to the
        newest), dof; one row a stratum in order of first appearance.
    """
    known = passes[passes[column].notna()]
    noted = known.assign(log=np.log(known[column]), borrowed=known["source"] == "borrowed")
    groups = noted.groupby(by, sort=False)
    logs = groups["log"]
    found = pd.DataFrame({"mean": logs.mean(), "variance": logs.var(), "passes": logs.count()})
    found["basis"] = np.where(groups["borrowed"].any(), "borrowed", "measured")
    found["shift"] = 0.0
    if "se_log_version_shift" in known:
        found["shift"] = groups["se_log_version_shift"].mean()
    own = found["variance"] > np.finfo(float).eps ** 2
    found["dof"] = (found["passes"] - 1.0).where(own, float(spread[1]))
    found["variance"] = found["variance"].where(own, spread[0] ** 2)
    return found


def find_side(record: Record, name: str) -> Side:
    """Resolve a name of a sentence: a build goes before a GPU, a GPU before an item.

    Parameters
    ----------
    record : Record
    name : str

    Returns
    -------
    Side
        Neither number, GPU nor price where the name is unknown.
    """
    if name in record.builds:
        return record.builds[name]
    gpu = name if name in set(record.study.gpus["gpu"]) else ""
    price = record.prices(name, "new").price
    if math.isnan(price):
        price = record.prices(name, "used").price
    if gpu or not math.isnan(price):
        return Side(name, gpu=gpu, price=price)
    try:
        return Side(name, number=float(name))
    except ValueError:
        return Side(name)
