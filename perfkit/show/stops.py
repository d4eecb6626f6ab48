"""Interrupt, terminate and hang-up: one way out for all, and moments not to be cut in two."""

import contextlib
import os
import signal
import threading
from collections.abc import Callable, Iterator
from types import FrameType

_STOPS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
_Handler = Callable[[int, FrameType | None], None]


@contextlib.contextmanager
def stops_raise() -> Iterator[None]:
    """Let terminate and hang-up raise `KeyboardInterrupt`, as an interrupt does.

    Outside the main thread, where Python receives no signals, nothing changes. A process forked
    inside keeps the usual effect of a signal, which ends it at once.
    """
    owner = os.getpid()

    def stop(number: int, _frame: FrameType | None) -> None:
        if os.getpid() == owner:
            raise KeyboardInterrupt
        signal.signal(number, signal.SIG_DFL)
        os.kill(os.getpid(), number)

    with _handled(stop):
        yield


@contextlib.contextmanager
def stops_wait() -> Iterator[None]:
    """Hold every interrupt, terminate and hang-up back until the block is done."""
    held: list[int] = []
    try:
        with _handled(lambda number, _frame: held.append(number)):
            yield
    finally:
        if held:
            signal.raise_signal(held[0])


@contextlib.contextmanager
def _handled(handler: _Handler) -> Iterator[None]:
    """Give each signal that is not ignored to `handler`, and back to its owner at the end."""
    before = {}
    if threading.current_thread() is threading.main_thread():
        for number in _STOPS:
            present = signal.getsignal(number)
            if present is not signal.SIG_IGN and present is not None:
                before[number] = signal.signal(number, handler)
    try:
        yield
    finally:
        for number, present in before.items():
            signal.signal(number, present)
