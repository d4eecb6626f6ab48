"""How often Python looks for objects that only hold each other."""

import contextlib
import gc
from collections.abc import Iterator

OBJECTS = 5_000
"""New objects before Python looks at them again: at its 700 it looks at every module of every
library again and again while they load."""


@contextlib.contextmanager
def seldom_collected() -> Iterator[None]:
    """Look for unused objects seldom as long as the block lasts, for a process that soon ends."""
    before = gc.get_threshold()
    gc.set_threshold(OBJECTS, *before[1:])
    try:
        yield
    finally:
        gc.set_threshold(*before)
