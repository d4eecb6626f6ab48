"""Seeded studies with one GPU kept back: how often its range covers a future pass."""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from perfkit.models.family import Cells
from perfkit.models.observations import names_of, to_rows
from perfkit.models.outside_seen import outside
from perfkit.models.rates import attach_rates
from perfkit.models.registry import RECIPE
from perfkit.models.train import Recipe, train
from tests.models.worlds import World, rows_of, world

ORDER = ("sum", "bent", "limit", "hidden", "roofline", "curved", "power", "bent")
"""Laws in turn; every second one is held by no family."""

UNHELD = ("bent", "hidden", "curved")
GPUS = (7, 11, 15)
"""GPUs of a study, the one kept back included, in turn."""


def quick_cells(w: World) -> Cells:
    """Cells of a world whose configurations all have the same number of passes, in order."""
    count = len(w.passes) // len(w.truth)
    fps = w.passes["avg_fps"].to_numpy().reshape(-1, count)
    rates = attach_rates(w.study, w.truth)
    nothing = np.full(len(fps), np.nan)
    between = np.log(fps).std(axis=1, ddof=1)
    return Cells(
        rows=to_rows(names_of(w.study), rates, bandwidth=True, cpu_fill=1.0),
        log_fps=np.log(fps.mean(axis=1)),
        load_shift=np.zeros(len(fps)),
        scatter=between**2 * (1 - 1 / count),
        at_least=np.zeros(len(fps), dtype=bool),
        log_low_ratio=nothing,
        passes=np.full(len(fps), float(count)),
        frames=nothing,
        seconds=nothing,
        pass_sd=float(np.sqrt(np.mean(between**2))),
    )


@dataclass(frozen=True)
class Outcome:
    """What happened to one GPU that was kept back; arrays have one entry per configuration."""

    seed: int
    law: str
    inside_range: np.ndarray
    covered: np.ndarray  # a future pass fell into its range
    error: np.ndarray  # predicted less true log FPS of that pass
    width: np.ndarray  # of the range, in log FPS
    mean_covered: bool  # mean log FPS over the workloads fell into the range of the mean
    mean_covered_alone: bool  # the same, had the rows been taken for independent
    chosen: str


def outcome(seed: int, recipe: Recipe = RECIPE, *, gpus: int = 0, law: str = "") -> Outcome:
    """Run one seeded study: law, number of GPUs and the GPU kept back go in turn."""
    law = law or ORDER[seed % len(ORDER)]
    gpus = gpus or GPUS[seed % len(GPUS)]
    w = world(seed, law=law, gpus=gpus, sizes=((1920, 1080),))
    kept_back = (seed // len(ORDER)) % gpus
    cells = quick_cells(w)
    trained = train(cells.take(cells.rows.gpu != kept_back), recipe)
    targets = w.targets(f"G{kept_back:02d}")
    rows = rows_of(w, targets)
    said = trained.predict(rows)
    truth = np.log(targets["fps"].to_numpy())
    low, high = np.log(said.quantile(0.05)), np.log(said.quantile(0.95))
    device, own = said.scales.device, said.scales.own
    t = ((high - low) / 2 / np.hypot(device, own))[0]
    miss = abs(np.mean(truth - said.log_fps))
    single = np.sum(own**2) / len(own) ** 2
    return Outcome(
        seed=seed,
        law=law,
        inside_range=~(outside(trained.cells.rows, rows).distance > 0),
        covered=(low <= truth) & (truth <= high),
        error=said.log_fps - truth,
        width=high - low,
        mean_covered=bool(miss <= t * np.sqrt(device.mean() ** 2 + single)),
        mean_covered_alone=bool(miss <= t * np.sqrt(np.sum(device**2 + own**2)) / len(own)),
        chosen=trained.settled.choice.combination.name,
    )


def table(outcomes: Iterable[Outcome]) -> pd.DataFrame:
    """One row per configuration that was kept back."""
    return pd.concat(
        [
            pd.DataFrame(
                {
                    "seed": one.seed,
                    "law": one.law,
                    "inside_range": one.inside_range,
                    "covered": one.covered,
                    "error": one.error,
                    "width": one.width,
                    "chosen": one.chosen,
                }
            )
            for one in outcomes
        ],
        ignore_index=True,
    )
