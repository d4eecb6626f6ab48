"""Every further decision about a study, as one table each."""

import numpy as np
import pandas as pd

from perfkit.frames.versions import version_table
from perfkit.models import Fit
from perfkit.study import Study
from perfkit.study.prices import build_lines
from perfkit.value.budget import give_up_first, last_money
from perfkit.value.claim_sides import record_of
from perfkit.value.claims import check_claims
from perfkit.value.energy import energy_table
from perfkit.value.goals import goal_games, goal_table
from perfkit.value.inputs import input_table
from perfkit.value.memory import memory_check, memory_cost
from perfkit.value.next_runs import next_runs
from perfkit.value.render_scales import scale_probabilities, setting_table
from perfkit.value.rivals import flip_table, rank_table
from perfkit.value.scores import score_forecasts
from perfkit.value.sittings import sitting_table
from perfkit.value.speeds import SpeedBook
from perfkit.value.together import CAUTIONS, together_table
from perfkit.value.upgrade_games import upgrade_games
from perfkit.value.upgrade_rivals import upgrade_rivals
from perfkit.value.within_pass import within_pass_table
from perfkit.value.worth import speeds_of_builds


def decision_tables(
    study: Study, passes: pd.DataFrame, model: Fit, book: SpeedBook
) -> dict[str, pd.DataFrame]:
    """Make the tables that say what follows from speeds and prices.

    Parameters
    ----------
    study : Study
    passes : DataFrame
        As made by :func:`perfkit.summarize_passes`.
    model : Fit
        As made by :func:`perfkit.fit`.
    book : SpeedBook
        As made by :func:`perfkit.value.speeds.speed_book`.

    Returns
    -------
    dict of str to DataFrame
        By name; a decision that the study does not ask for is absent.

    Examples
    --------
    >>> import perfkit as pk
    >>> from perfkit.study.demo import find_demo
    >>> from perfkit.value import needed_targets
    >>> from perfkit.value.speeds import speed_book
    >>> study = pk.load_study(find_demo())
    >>> passes = pk.summarize_passes(study)
    >>> model = pk.fit(study, passes[passes["workload"] == "Velm Circuit, low"])
    >>> table = model.predict(needed_targets(study, passes))
    >>> tables = decision_tables(study, passes, model, speed_book(study, passes, table))
    >>> {"goals", "memory", "claims"} <= set(tables)
    True
    """
    speeds = speeds_of_builds(study, book)
    lines = build_lines(study)
    record = record_of(study, passes, book)
    price = np.array([side.price for side in record.builds.values()])
    budget = study.settings.budget
    steps = scale_probabilities(study, passes, model.predict)
    forecasts = _forecast_tables(study, passes) if len(study.forecasts) else {}
    tables = {
        "goes_together": together_table(study),
        "ranks": rank_table(speeds, price),
        "flip_prices": flip_table(speeds, price),
        "upgrade_games": upgrade_games(study, book, model.predict),
        "upgrade_rivals": upgrade_rivals(study, book),
        "goals": goal_table(study, speeds, price),
        "goal_games": goal_games(study, speeds),
        "last_money": last_money(speeds, price, budget),
        "give_up_first": give_up_first(speeds, price, budget, lines),
        "memory": memory_check(study),
        "memory_cost": memory_cost(record),
        "settings": setting_table(steps),
        "setting_steps": steps,
        "claims": check_claims(record),
        **forecasts,
        "next_runs": next_runs(study, passes, book, speeds),
        "sittings": sitting_table(passes),
        "within_pass": within_pass_table(study, passes),
        "versions": version_table(passes, study.workloads),
        "energy": energy_table(study, passes),
        "inputs": input_table(study),
    }
    if len(study.builds):
        tables["cautions"] = pd.DataFrame({"caution": CAUTIONS})
    return {name: frame for name, frame in tables.items() if len(frame)}


def _forecast_tables(study: Study, passes: pd.DataFrame) -> dict[str, pd.DataFrame]:
    scores = score_forecasts(study, passes)
    calibration = scores.calibration if len(scores.cards) else scores.cards
    return {
        "forecast_scores": scores.rows,
        "forecast_cards": scores.cards,
        "calibration": calibration,
    }
