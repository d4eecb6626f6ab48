"""Seeded studies with one GPU kept back: does its range cover what a future pass then shows?"""

from dataclasses import dataclass

import numpy as np

from perfkit.models.family import Cells
from perfkit.models.ranges import outside
from perfkit.models.registry import RECIPE
from perfkit.models.train import Recipe, train
from tests.models.worlds import cells_of, rows_of, world

ORDER = ("sum", "bent", "limit", "hidden", "roofline", "curved", "power", "bent")
"""Laws in turn; every second one is held by no family."""

UNHELD = ("bent", "hidden", "curved")
LEVEL = 0.90


@dataclass(frozen=True)
class Outcome:
    """What happened to one GPU that was kept back."""

    law: str
    inside_range: np.ndarray  # per configuration
    covered: np.ndarray  # per configuration: a future pass fell into its range
    error: np.ndarray  # predicted less true log FPS of the pass
    scale: np.ndarray
    mean_covered: bool  # mean log FPS over the workloads fell into the range of the mean
    mean_covered_alone: bool  # the same, had the rows been taken for independent
    chosen: str


def strip(cells: Cells, gpu: int) -> Cells:
    return cells.take(cells.rows.gpu != gpu)


def outcome(seed: int, recipe: Recipe = RECIPE, *, gpus: int = 10, workloads: int = 12) -> Outcome:
    """Run one seeded study: the law goes in turn, the GPU kept back too."""
    law = ORDER[seed % len(ORDER)]
    sizes = ((1920, 1080),) if seed % 2 else ((1920, 1080), (2560, 1440))
    w = world(seed, law=law, gpus=gpus, workloads=workloads, sizes=sizes)
    kept_back = (seed // len(ORDER)) % gpus
    trained = train(strip(cells_of(w), kept_back), recipe)
    targets = w.targets(f"G{kept_back:02d}")
    rows = rows_of(w, targets)
    said = trained.predict(rows)
    truth = np.log(targets["fps"].to_numpy())
    low, high = np.log(said.quantile(0.05)), np.log(said.quantile(0.95))
    scales = said.scales
    at = np.flatnonzero(targets["height"].eq(1080).to_numpy())
    miss = abs(np.mean(truth[at] - said.log_fps[at]))
    t = (high - low)[at[0]] / 2 / np.hypot(scales.device, scales.own)[at[0]]
    own = np.sum(scales.own[at] ** 2) / len(at) ** 2
    alone = own + np.sum(scales.device[at] ** 2) / len(at) ** 2
    return Outcome(
        law=law,
        inside_range=~(outside(trained.cells.rows, rows).distance > 0),
        covered=(low <= truth) & (truth <= high),
        error=said.log_fps - truth,
        scale=np.hypot(scales.device, scales.own),
        mean_covered=bool(miss <= t * np.sqrt(scales.device[at].mean() ** 2 + own)),
        mean_covered_alone=bool(miss <= t * np.sqrt(alone)),
        chosen=trained.settled.choice.combination.name,
    )
