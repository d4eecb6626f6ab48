"""The whole road in one call: a study in, everything that can be said about it out."""

from dataclasses import dataclass
from typing import Any

import pandas as pd

from perfkit.frames import summarize
from perfkit.models import Fit, fit
from perfkit.models.saved_fit import made_from, recall, remember
from perfkit.progress import QUIET, Progress
from perfkit.study import Study
from perfkit.value import decision_tables, needed_targets
from perfkit.value.speeds import SpeedBook, speed_book
from perfkit.value.upgrades import upgrades_of
from perfkit.value.worth import speeds_of_builds, value_of_builds


@dataclass(frozen=True, slots=True)
class Analysis:
    """Everything perfkit says about one study.

    Attributes
    ----------
    study : Study
        What was read.
    passes : DataFrame
        One row per pass, in file order.
    flags : DataFrame
        One row per flag on a pass, with its numbers and a sentence.
    model : Fit
        The chosen family and the evidence for the choice.
    predictions : DataFrame
        The rows of ``targets.csv`` in order, then what the builds need; FPS with ranges.
    speeds : SpeedBook
        Every configuration at ``value_at``, measured or predicted, with its draws.
    value : DataFrame
        One row per build.
    upgrades : DataFrame
        One row per way from one build to another.
    tables : dict of str to DataFrame
        Every further decision, by the name of its table.
    key : str
        Names all that FPS and their predictions were made from; "" where that was not asked for.
    """

    study: Study
    passes: pd.DataFrame
    flags: pd.DataFrame
    model: Fit
    predictions: pd.DataFrame
    speeds: SpeedBook
    value: pd.DataFrame
    upgrades: pd.DataFrame
    tables: dict[str, pd.DataFrame]
    key: str = ""


def asked_configurations(study: Study, passes: pd.DataFrame) -> pd.DataFrame:
    """List what must be predicted: the targets in order, then what builds need.

    Parameters
    ----------
    study : Study
    passes : DataFrame
        As made by :func:`perfkit.summarize_passes`.

    Returns
    -------
    DataFrame
        system, gpu, workload, width, height, render_scale; no configuration of the second
        part repeats one of the first.
    """
    keys = ["system", "gpu", "workload", "width", "height", "render_scale"]
    targets = study.targets[keys]
    needed = needed_targets(study, passes)[keys]
    fresh = needed.merge(targets.drop_duplicates(), on=keys, how="left", indicator=True)
    needed = needed[(fresh["_merge"] == "left_only").to_numpy()]
    return pd.concat([targets, needed], ignore_index=True)


def analyse(
    study: Study, *, client: Any = None, progress: Progress = QUIET, kept: str | None = None
) -> Analysis:
    """Take a study from frame times to decisions.

    Parameters
    ----------
    study : Study
        As read by :func:`perfkit.load_study`.
    client : distributed.Client, optional
        Spreads the reading of logs over a cluster; the result is the same to the last bit.
    progress : Progress, optional
        Where to say what is being done.
    kept : str, optional
        What an earlier analysis kept, by :func:`perfkit.models.saved_fit.kept_text`, or "". Where
        it was made from the same passes, specifications and logs by the same code, nothing is
        measured or fitted again. When given, the result has its `key`.

    Returns
    -------
    Analysis

    Raises
    ------
    StudyError
        A log cannot be used; every bad log is listed.

    Examples
    --------
    >>> import perfkit as pk
    >>> from perfkit.study.demo import find_demo
    >>> analysis = pk.analyse(pk.load_study(find_demo()))
    >>> list(analysis.value.columns[:3])
    ['build', 'price', 'currency']
    """
    key = "" if kept is None else made_from(study)
    taken = recall(kept, key, study, lambda passes: fit(study, passes)) if kept else None
    if taken is None:
        progress.say(f"reading the frame times of {len(study.passes)} passes")
        summary = summarize(study, client=client, progress=progress)
        progress.say("fitting the families, leaving each GPU out in turn")
        model = remember(fit(study, summary.passes))
    else:
        progress.say("measured and fitted before, nothing of that has changed")
        summary, model = taken
    passes = summary.passes
    asked = asked_configurations(study, passes)
    progress.say(f"predicting {len(asked)} configurations that nobody measured")
    predictions = model.predict(asked)
    progress.say(f"weighing {study.builds['build'].nunique()} builds")
    speeds = speed_book(study, passes, predictions)
    return Analysis(
        study=study,
        passes=passes,
        flags=summary.flags,
        model=model,
        predictions=predictions,
        speeds=speeds,
        value=value_of_builds(study, speeds_of_builds(study, speeds)),
        upgrades=upgrades_of(study, speeds),
        tables=decision_tables(study, passes, model, speeds),
        key=key,
    )
