"""From passes to a `Fit`: what teaches, which models are trained on it, what to warn of."""

import pandas as pd

from perfkit.defaults import LEVEL, SEED
from perfkit.models.advice import runs_that_teach, warnings_about
from perfkit.models.borrowing import borrow
from perfkit.models.cycles import Cycles, find_cycles, keep_helpful
from perfkit.models.fit import Fit
from perfkit.models.observations import KNOWN_SHARE, Observations, gather, to_cells, to_rows
from perfkit.models.predictions import Model
from perfkit.models.rates import Catalogue
from perfkit.models.refusals import what_is_known
from perfkit.models.registry import LIMIT, RECIPE
from perfkit.models.train import Recipe, train, with_bounds


def _models(seen: Observations, cycles: Cycles, recipe: Recipe) -> tuple[Model, ...]:
    """Train with bandwidth where it is known, and without where some GPU's is not."""
    table = seen.table
    speeds = table["cpu_speed"].dropna()
    cpu_fill = float(speeds.median()) if len(speeds) else 1.0
    known = table["bandwidth_gb_s"].notna()
    enough = table.loc[known, "gpu"].nunique() >= KNOWN_SHARE * table["gpu"].nunique()
    parts = [(True, table[known]), (False, table)] if enough else [(False, table)]
    unknown_somewhere = seen.bandwidth_gaps or not known.all()
    models = []
    for bandwidth, part in parts:
        if not bandwidth and enough and not unknown_somewhere:
            continue
        rows = to_rows(seen.names, part, bandwidth=bandwidth, cpu_fill=cpu_fill)
        cells = to_cells(seen, part, rows)
        measured, bounds = cells.take(~cells.at_least), cells.take(cells.at_least)
        if len(measured):
            measured, kept = keep_helpful(measured, cycles, LIMIT)
            trained = train(with_bounds(measured, bounds, recipe.families[0]), recipe)
            models.append(Model(trained, bandwidth, cpu_fill, borrow(trained.cells), kept))
    return tuple(models)


def fit(
    study: Catalogue,
    passes: pd.DataFrame,
    *,
    level: float = LEVEL,
    seed: int = SEED,
    recipe: Recipe = RECIPE,
) -> Fit:
    """Fit every family to the passes and choose by the error on GPUs left out.

    Parameters
    ----------
    study : Study
        Specifications of GPUs and systems.
    passes : DataFrame
        One row per pass as from `summarize_passes`.
    level : float
        Coverage of the ranges, between 0 and 1.
    seed : int
        Default seed of draws; fitting itself is deterministic.
    recipe : Recipe
        Families, candidates and the rule for widths.

    Returns
    -------
    Fit
        Poor data raise nothing: predictions are then NaN with a reason.

    Raises
    ------
    ValueError
        `level` is not between 0 and 1.

    Examples
    --------
    >>> import perfkit as pk
    >>> from perfkit.study.demo import find_demo
    >>> study = pk.load_study(find_demo())
    >>> pk.fit(study, pk.summarize_passes(study)).level
    0.9
    """
    if not 0.0 < level < 1.0:
        raise ValueError(f"level must lie between 0 and 1, got {level!r}; 0.9 covers 90 %")
    passes = passes.reset_index(drop=True)
    seen, cycles = find_cycles(study, passes, gather(study, passes))
    models = _models(seen, cycles, recipe)
    main = models[0] if models else None
    return Fit(
        family=main.trained.settled.choice.combination.name if main else "",
        level=level,
        seed=seed,
        left_out=seen.left_out,
        warnings=warnings_about(seen, passes, main),
        runs_that_teach=runs_that_teach(seen),
        study=study,
        known=what_is_known(seen, passes),
        models=models,
        cells=seen.table,
    )
