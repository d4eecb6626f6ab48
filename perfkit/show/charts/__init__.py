"""The charts: one file each, one question each.

A chart has ``NAME`` (its file name), ``TITLE`` (its question), ``data(analysis)`` (a tidy frame
with everything drawn), ``words(data, page)`` and ``draw(data, page)``. It needs nothing but its
frame and the page to be drawn again.
"""

from types import ModuleType

from perfkit.show.charts import (
    accuracy,
    averages,
    cards,
    cost,
    curves,
    flip,
    forecasts,
    frontier,
    memory,
    next_runs,
    prices,
    settings,
    spread,
    trace,
)

CHARTS: tuple[ModuleType, ...] = (
    averages,
    trace,
    spread,
    memory,
    settings,
    cards,
    accuracy,
    curves,
    forecasts,
    cost,
    frontier,
    flip,
    prices,
    next_runs,
)
"""In the order of the story: what was measured, what a card would do, what it is worth."""

OF_PASSES = {averages.NAME, trace.NAME, spread.NAME}
"""Charts that need no fit, so that they can be drawn while one is made."""

OF_TABLES = {memory.NAME, settings.NAME, forecasts.NAME, next_runs.NAME, accuracy.NAME}
"""Charts of what is worked out last."""
