"""Unused objects are looked for seldom during a command, and as before after it."""

import gc

import pytest

from perfkit.collecting import OBJECTS, seldom_collected


def test_as_before_after_an_error() -> None:
    before = gc.get_threshold()
    found = []

    def failing() -> None:
        with seldom_collected():
            found.append(gc.get_threshold())
            raise MemoryError

    with pytest.raises(MemoryError):
        failing()
    assert found == [(OBJECTS, *before[1:])]
    assert gc.get_threshold() == before


def test_fewer_looks() -> None:
    def looks() -> int:
        before = sum(each["collections"] for each in gc.get_stats())
        held = [[place] for place in range(50_000)]
        assert len(held) == 50_000
        return sum(each["collections"] for each in gc.get_stats()) - before

    usual = looks()
    with seldom_collected():
        seldom = looks()
    assert 0 < seldom < usual / 4
