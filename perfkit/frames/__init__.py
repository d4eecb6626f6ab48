"""Frame times: log readers, one row of statistics per pass, flags, comparisons."""

from perfkit.frames.compare import Comparison, compare
from perfkit.frames.measure import log_problems
from perfkit.frames.summary import PassSummary, summarize, summarize_passes
from perfkit.frames.usable import combine, usable

__all__ = [
    "Comparison",
    "PassSummary",
    "combine",
    "compare",
    "log_problems",
    "summarize",
    "summarize_passes",
    "usable",
]
