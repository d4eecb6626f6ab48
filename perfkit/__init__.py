"""Performance-per-dollar research for budget gaming PCs.

The usual road, one call a step::

    import perfkit as pk

    study = pk.load_study("data/demo")
    passes = pk.summarize_passes(study)            # one row per pass
    model = pk.fit(study, passes)                  # best family by leave-one-GPU-out error
    table = model.predict(study.targets)           # one row per configuration
    value = pk.value_table(study, passes, table)   # measured where measured, predicted where not

Names are looked up when first used, so ``import perfkit`` alone stays fast.
"""

import importlib

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any

__version__ = "0.1.0"

_HOME = {
    "Analysis": "perfkit.analysis",
    "Fit": "perfkit.models",
    "MissingExtra": "perfkit.errors",
    "OutputError": "perfkit.errors",
    "PerfkitError": "perfkit.errors",
    "Problem": "perfkit.errors",
    "Study": "perfkit.study",
    "StudyError": "perfkit.errors",
    "analyse": "perfkit.analysis",
    "compare": "perfkit.frames",
    "fit": "perfkit.models",
    "load_study": "perfkit.study",
    "summarize_passes": "perfkit.frames",
    "upgrade_table": "perfkit.value",
    "value_table": "perfkit.value",
}

__all__ = [
    "Analysis",
    "Fit",
    "MissingExtra",
    "OutputError",
    "PerfkitError",
    "Problem",
    "Study",
    "StudyError",
    "__version__",
    "analyse",
    "compare",
    "fit",
    "load_study",
    "summarize_passes",
    "upgrade_table",
    "value_table",
]


def __getattr__(name: str) -> "Any":
    if name in _HOME:
        return getattr(importlib.import_module(_HOME[name]), name)
    raise AttributeError(f"module 'perfkit' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
