"""A folder on disk to one frozen study: reading, rules, problems, prices and rates."""

from perfkit.errors import Problem, StudyError
from perfkit.study.problem_list import listing
from perfkit.study.settings import LogFormat, Settings
from perfkit.study.study import Inspection, Study, inspect_study, load_study, stale_notice
from perfkit.study.targets import read_targets
from perfkit.study.value_at import build_machines

__all__ = [
    "Inspection",
    "LogFormat",
    "Problem",
    "Settings",
    "Study",
    "StudyError",
    "build_machines",
    "inspect_study",
    "listing",
    "load_study",
    "read_targets",
    "stale_notice",
]
