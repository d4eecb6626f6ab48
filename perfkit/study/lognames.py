"""What names of logs and of their columns state outright: unit, frame time, size, workload."""

import re
from collections.abc import Sequence

from perfkit.study.settings import UNITS

_WORDS = re.compile(r"[^0-9A-Za-z]+")
_SIZE = re.compile(r"(?<![0-9A-Za-z])([1-9][0-9]{2,4})x([1-9][0-9]{2,4})(?![0-9A-Za-z])")

_RUN = re.compile(r"(.+?)[ _-]+[1-9][0-9]{2,4}x[1-9][0-9]{2,4}(?:[ _-]+[0-9]{1,3})?")


def stated_unit(column: str) -> str:
    """Return the one unit of time that stands in a column's name as a word, else "".

    Examples
    --------
    >>> stated_unit("frame_ms"), stated_unit("Frame time (us)"), stated_unit("frames")
    ('ms', 'us', '')
    """
    units = [word for word in _WORDS.split(column) if word in UNITS]
    return units[0] if len(units) == 1 else ""


def stated_frame_time(headers: Sequence[Sequence[str]]) -> str:
    """Return the column that by its name holds frame times in every log, else "".

    That is the only column there is, or the only one with a frame and a unit of time in its name.

    Examples
    --------
    >>> stated_frame_time([["time_s", "frame_ms", "gpu_ms"], ["frame_ms"]])
    'frame_ms'
    """
    seen = dict.fromkeys(name for header in headers for name in header)
    if len(seen) > 1:
        seen = dict.fromkeys(name for name in seen if _is_frame_time(name))
    found = next(iter(seen)) if len(seen) == 1 else ""
    return found if all(found in header for header in headers) else ""


def _is_frame_time(column: str) -> bool:
    words = {word.lower() for word in _WORDS.split(column)}
    return bool(words & {"frame", "frametime"}) and stated_unit(column) != ""


def stated_size(log: str) -> tuple[str, str]:
    """Return the picture size in a log's name, else two empty texts.

    Examples
    --------
    >>> stated_size("hill 1920x1080 2.csv"), stated_size("hill 2.csv")
    (('1920', '1080'), ('', ''))
    """
    sizes = set(_SIZE.findall(log))
    return sizes.pop() if len(sizes) == 1 else ("", "")


def stated_workload(title: str) -> str:
    """Return what stands before the picture size, with at most a number behind it, else "".

    Examples
    --------
    >>> stated_workload("hill 1920x1080 2"), stated_workload("hill_1920x1080")
    ('hill', 'hill')
    >>> stated_workload("hill 2"), stated_workload("hill 1920x1080 low")
    ('', '')
    """
    found = _RUN.fullmatch(title)
    return found[1] if found and stated_size(title)[0] else ""
