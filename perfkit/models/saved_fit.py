"""What was measured and predicted, kept as plain text so that a price edit need not fit again.

What is kept is only taken for what it was made from: its key covers the passes, specifications,
workloads and log files of the study, the code and the versions of the libraries. Prices, builds and
claims are not in it, for they never touch an FPS.
"""

import functools
import hashlib
import json
import platform
from collections.abc import Callable
from dataclasses import dataclass, field, fields, replace
from functools import cached_property
from importlib.metadata import version
from pathlib import Path
from typing import Any

import pandas as pd

import perfkit
from perfkit.frames.summary import PassSummary
from perfkit.models.evidence_apart import EVIDENCE
from perfkit.models.fit import Fit
from perfkit.models.rates import Catalogue
from perfkit.models.refusals import Known
from perfkit.study import Study
from perfkit.study.exact import frame_of, frame_record
from perfkit.study.folder import Refused, open_inside

_LIBRARIES = ("numpy", "pandas", "scipy", "statsmodels", "pyarrow", "matplotlib")
_MEASURED = ("avg_fps", "low_1pct_fps")


@dataclass(frozen=True, eq=False)
class RememberedFit(Fit):
    """A fit that remembers its answers, and is made anew only for a question never asked before.

    Attributes
    ----------
    answers : dict of str to DataFrame
        Predictions by :func:`question`; evidence, terms and parts by their own names.
    fitted : callable
        Gives the fit itself.
    asked : set of str
        Names of the answers that were asked for by now; only these are worth keeping.
    coming : list of callable
        Each waits for answers that are worked out elsewhere, and gives them by name.
    """

    answers: dict[str, pd.DataFrame] = field(repr=False)
    fitted: Callable[[], Fit] = field(repr=False)
    asked: set[str] = field(default_factory=set, repr=False)
    coming: list[Callable[[], dict[str, pd.DataFrame]]] = field(default_factory=list, repr=False)

    def _answer(self, name: str, work: Callable[[Fit], pd.DataFrame]) -> pd.DataFrame:
        self.asked.add(name)
        while name in EVIDENCE and name not in self.answers and self.coming:
            self.answers.update(self.coming.pop()())
        if name not in self.answers:
            self.answers[name] = work(replace(self.fitted(), study=self.study))
        return self.answers[name].copy()

    @property
    def comparison(self) -> pd.DataFrame:
        """Candidates side by side; see :class:`Fit`."""
        return self._answer("comparison", lambda _: self.fitted().comparison)

    @property
    def errors(self) -> pd.DataFrame:
        """Errors on GPUs left out; see :class:`Fit`."""
        return self._answer("errors", lambda _: self.fitted().errors)

    @property
    def family_errors(self) -> pd.DataFrame:
        """Errors by candidate and workload; see :class:`Fit`."""
        return self._answer("family_errors", lambda _: self.fitted().family_errors)

    @cached_property
    def terms(self) -> pd.DataFrame:
        """Coefficients; see :class:`Fit`."""
        return self._answer("terms", lambda fitted: fitted.terms)

    def predict(self, targets: pd.DataFrame) -> pd.DataFrame:
        """Predict as :meth:`Fit.predict` does."""
        asked = question(self.study, targets)
        return self._answer(asked, lambda fitted: fitted.predict(targets))

    def parts(self) -> pd.DataFrame:
        """Split frame times as :meth:`Fit.parts` does."""
        return self._answer("parts", lambda fitted: fitted.parts())

    def mixed_range(self, targets: pd.DataFrame) -> pd.DataFrame:
        """Predict as :meth:`Fit.mixed_range` does."""
        return replace(self.fitted(), study=self.study).mixed_range(targets)

    def free_range(self, targets: pd.DataFrame) -> pd.DataFrame:
        """Predict as :meth:`Fit.free_range` does."""
        return replace(self.fitted(), study=self.study).free_range(targets)


def remember(fitted: Fit) -> RememberedFit:
    """Let a fit remember what it is asked.

    Parameters
    ----------
    fitted : Fit

    Returns
    -------
    RememberedFit
        The same answers.
    """
    told = {name: getattr(fitted, name) for name in (each.name for each in fields(Fit))}
    return RememberedFit(**told, answers={}, fitted=lambda: fitted)


def question(study: Catalogue, targets: pd.DataFrame) -> str:
    """Name what is asked of a fit: configurations, and the specifications they are looked up in.

    Parameters
    ----------
    study : Study
    targets : DataFrame
        As for :meth:`Fit.predict`.

    Returns
    -------
    str
        A hash.
    """
    return _hash([frame_record(frame) for frame in (targets, study.gpus, study.systems)])


def made_from(study: Study) -> str:
    """Name all that FPS and their predictions are made from.

    Parameters
    ----------
    study : Study

    Returns
    -------
    str
        A hash of passes, specifications, workloads, log files, code and versions; "" where a log
        cannot be read.
    """
    settings = study.settings
    logs = {name for name in study.passes["log"] if name}
    if study.log_format is not None and study.log_format.combined:
        logs.add(study.log_format.combined)
    try:
        contents = [[name, _hash_of_log(study.path, name)] for name in sorted(logs)]
    except (OSError, Refused):
        return ""
    frames = (study.passes, study.gpus, study.systems, study.workloads)
    told = [settings.targets_fps, repr(study.log_format), contents, made_by()]
    return _hash([*map(frame_record, frames), *told])


@functools.cache
def made_by() -> str:
    """Name the code and the libraries.

    Returns
    -------
    str
        A hash.
    """
    root = Path(perfkit.__file__).parent
    code = [
        [path.relative_to(root).as_posix(), hashlib.sha256(path.read_bytes()).hexdigest()]
        for path in sorted(root.rglob("*.py"))
    ]
    libraries = [[name, version(name)] for name in _LIBRARIES]
    return _hash([code, libraries, platform.python_version(), platform.machine()])


def _hash_of_log(root: Path, name: str) -> str:
    with open_inside(root, name) as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _hash(told: list[Any]) -> str:
    return hashlib.sha256(json.dumps(told, ensure_ascii=True).encode()).hexdigest()


def kept_text(key: str, summary: PassSummary, model: RememberedFit) -> str:
    """Write down what was measured and predicted.

    Parameters
    ----------
    key : str
        As made by :func:`made_from`.
    summary : PassSummary
    model : RememberedFit

    Returns
    -------
    str
        JSON; of the passes only what was worked out, nothing that the study's files hold.
    """
    typed = set(model.study.passes.columns) if isinstance(model.study, Study) else set()
    added = [name for name in summary.passes if name in _MEASURED or name not in typed]
    told = {
        "key": key,
        "made_by": made_by(),
        "passes": frame_record(summary.passes[added]),
        "flags": frame_record(summary.flags),
        "model": {
            "family": model.family,
            "level": model.level,
            "seed": model.seed,
            "left_out": frame_record(model.left_out),
            "warnings": model.warnings,
            "runs_that_teach": model.runs_that_teach,
        },
        "answers": {name: frame_record(model.answers[name]) for name in sorted(model.asked)},
    }
    return json.dumps(told, ensure_ascii=True, separators=(",", ":")) + "\n"


def recall(
    text: str, key: str, study: Study, fitted: Callable[[pd.DataFrame], Fit]
) -> tuple[PassSummary, RememberedFit] | None:
    """Take up again what was written down.

    Parameters
    ----------
    text : str
        As made by :func:`kept_text`.
    key : str
        As made by :func:`made_from` from the study as it is now.
    study : Study
    fitted : callable
        Makes the fit from the passes, should it be asked something new.

    Returns
    -------
    (PassSummary, RememberedFit) or None
        None where the text was made from anything else, or is no such text.
    """
    try:
        told = json.loads(text)
        if not key or told["key"] != key:
            return None
        added = frame_of(told["passes"])
        passes = study.passes.reset_index(drop=True).assign(**added)
        summary = PassSummary(passes, frame_of(told["flags"]))
        again = functools.cache(lambda: fitted(summary.passes))
        remembered = _remembered(told["model"], told["answers"], study, again)
    except (AttributeError, KeyError, OverflowError, TypeError, ValueError, RecursionError):
        return None
    return summary, remembered


def _remembered(
    told: dict[str, Any], answers: dict[str, Any], study: Study, again: Callable[[], Fit]
) -> RememberedFit:
    nothing, unknown = pd.DataFrame(), pd.Series(dtype=float)
    return RememberedFit(
        family=str(told["family"]),
        level=float(told["level"]),
        seed=int(told["seed"]),
        left_out=frame_of(told["left_out"]),
        warnings=tuple(told["warnings"]),
        runs_that_teach=tuple(told["runs_that_teach"]),
        study=study,
        known=Known(nothing, unknown, unknown, {}, frozenset(), (), frozenset()),
        models=(),
        cells=nothing,
        answers={name: frame_of(record) for name, record in answers.items()},
        fitted=again,
    )
