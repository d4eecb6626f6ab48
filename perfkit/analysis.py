"""The whole road in one call: a study in, everything that can be said about it out."""

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import pandas as pd

from perfkit.frames import summarize
from perfkit.models import Fit, fit
from perfkit.models.saved_fit import RememberedFit, made_from, recall, remember
from perfkit.progress import QUIET, Progress
from perfkit.study import Study
from perfkit.value import decision_tables, needed_targets
from perfkit.value.speeds import SpeedBook, speed_book
from perfkit.value.upgrades import upgrades_of
from perfkit.value.worth import speeds_of_builds, value_of_builds


@dataclass(frozen=True, eq=False)
class Analysis:
    """Everything perfkit says about one study.

    What follows from the passes is worked out when first asked for, and kept: who shows it can
    begin with what is known first.

    Attributes
    ----------
    study : Study
        What was read.
    passes : DataFrame
        One row per pass, in file order.
    flags : DataFrame
        One row per flag on a pass, with its numbers and a sentence.
    fitted : callable
        Gives `model`.
    key : str
        Names all that FPS and their predictions were made from; "" where that was not asked for.
    progress : Progress
        Where to say what is being worked out.
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
    """

    study: Study
    passes: pd.DataFrame
    flags: pd.DataFrame
    fitted: Callable[[], Fit] = field(repr=False)
    key: str = ""
    progress: Progress = field(default=QUIET, repr=False)

    @cached_property
    def model(self) -> Fit:
        """The chosen family and the evidence for the choice.

        Examples
        --------
        >>> import perfkit as pk
        >>> from perfkit.study.demo import find_demo
        >>> study = pk.load_study(find_demo())
        >>> passes = pk.summarize_passes(study)
        >>> few = passes[passes["workload"] == "Velm Circuit, low"]
        >>> analysis = pk.Analysis(study, few, few.head(0), lambda: pk.fit(study, few))
        >>> analysis.model.level
        0.9
        """
        return self.fitted()

    @cached_property
    def predictions(self) -> pd.DataFrame:
        """The rows of ``targets.csv`` in order, then what the builds need.

        Examples
        --------
        >>> import perfkit as pk
        >>> from perfkit.study.demo import find_demo
        >>> study = pk.load_study(find_demo())
        >>> passes = pk.summarize_passes(study)
        >>> few = passes[passes["workload"] == "Velm Circuit, low"]
        >>> analysis = pk.Analysis(study, few, few.head(0), lambda: pk.fit(study, few))
        >>> bool(len(analysis.predictions) >= len(study.targets))
        True
        """
        model = self.model
        asked = asked_configurations(self.study, self.passes)
        self.progress.say(f"predicting {len(asked)} configurations that nobody measured")
        return model.predict(asked)

    @cached_property
    def speeds(self) -> SpeedBook:
        """Every configuration at ``value_at``, measured or predicted, with its draws.

        Examples
        --------
        >>> import perfkit as pk
        >>> from perfkit.study.demo import find_demo
        >>> study = pk.load_study(find_demo())
        >>> passes = pk.summarize_passes(study)
        >>> few = passes[passes["workload"] == "Velm Circuit, low"]
        >>> analysis = pk.Analysis(study, few, few.head(0), lambda: pk.fit(study, few))
        >>> set(analysis.speeds.rows["basis"]) <= {"measured", "borrowed", "predicted"}
        True
        """
        predictions = self.predictions
        self.progress.say(f"weighing {self.study.builds['build'].nunique()} builds")
        return speed_book(self.study, self.passes, predictions)

    @cached_property
    def value(self) -> pd.DataFrame:
        """One row per build.

        Examples
        --------
        >>> import perfkit as pk
        >>> from perfkit.study.demo import find_demo
        >>> study = pk.load_study(find_demo())
        >>> passes = pk.summarize_passes(study)
        >>> few = passes[passes["workload"] == "Velm Circuit, low"]
        >>> analysis = pk.Analysis(study, few, few.head(0), lambda: pk.fit(study, few))
        >>> list(analysis.value.columns[:3])
        ['build', 'price', 'currency']
        """
        return value_of_builds(self.study, speeds_of_builds(self.study, self.speeds))

    @cached_property
    def upgrades(self) -> pd.DataFrame:
        """One row per way from one build to another.

        Examples
        --------
        >>> import perfkit as pk
        >>> from perfkit.study.demo import find_demo
        >>> study = pk.load_study(find_demo())
        >>> passes = pk.summarize_passes(study)
        >>> few = passes[passes["workload"] == "Velm Circuit, low"]
        >>> analysis = pk.Analysis(study, few, few.head(0), lambda: pk.fit(study, few))
        >>> list(analysis.upgrades.columns[:2])
        ['from_build', 'to_build']
        """
        return upgrades_of(self.study, self.speeds)

    @cached_property
    def tables(self) -> dict[str, pd.DataFrame]:
        """Every further decision, by the name of its table.

        Examples
        --------
        >>> import perfkit as pk
        >>> from perfkit.study.demo import find_demo
        >>> study = pk.load_study(find_demo())
        >>> passes = pk.summarize_passes(study)
        >>> few = passes[passes["workload"] == "Velm Circuit, low"]
        >>> analysis = pk.Analysis(study, few, few.head(0), lambda: pk.fit(study, few))
        >>> "goals" in analysis.tables
        True
        """
        return decision_tables(self.study, self.passes, self.model, self.speeds)


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
    study: Study,
    *,
    client: Any = None,
    progress: Progress = QUIET,
    kept: str | None = None,
    beside: Callable[[RememberedFit], object] | None = None,
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
    beside : callable, optional
        Handed a fit as soon as it is made, to work out its evidence meanwhile.

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
    if taken is not None:
        progress.say("measured and fitted before, nothing of that has changed")
        summary, model = taken
        return Analysis(study, summary.passes, summary.flags, lambda: model, key, progress)
    progress.say(f"reading the frame times of {len(study.passes)} passes")
    summary = summarize(study, client=client, progress=progress)

    def fitted() -> Fit:
        progress.say("fitting the families, leaving each GPU out in turn")
        model = remember(fit(study, summary.passes))
        if beside is not None:
            beside(model)
        return model

    return Analysis(study, summary.passes, summary.flags, fitted, key, progress)
