"""What tests of several rooms share."""

import gc
from collections.abc import Iterator

import pytest


@pytest.fixture
def few_objects() -> Iterator[None]:
    """Hide what is loaded from the garbage collector.

    statsmodels' Holm correction collects garbage at every call, which takes half a second in a
    process with this many modules.
    """
    gc.freeze()
    yield
    gc.unfreeze()
