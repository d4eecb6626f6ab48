"""Interrupt, terminate and hang-up: one way out for all, and moments not to be cut in two."""

import contextlib
import os
import signal
import threading
from collections.abc import Iterator
from types import FrameType

_STOPS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


class Stops:
    """Signals that ask a run to stop: held back, or raised as `KeyboardInterrupt` where allowed.

    A process forked meanwhile keeps the usual effect of a signal, which ends it at once.
    """

    def __init__(self) -> None:
        self._owner = os.getpid()
        self._allowed = False
        self._held: list[int] = []

    @contextlib.contextmanager
    def allowed(self) -> Iterator[None]:
        """Let the first stop raise, also one that came before; later ones are held again."""
        self._allowed = True
        try:
            if self._held:
                self._raise()
            yield
        finally:
            self._allowed = False

    def _raise(self) -> None:
        self._allowed = False
        self._held.clear()
        raise KeyboardInterrupt

    def _receive(self, number: int, _frame: FrameType | None) -> None:
        if os.getpid() != self._owner:
            signal.signal(number, signal.SIG_DFL)
            os.kill(os.getpid(), number)
        self._held.append(number)
        if self._allowed:
            self._raise()

    @contextlib.contextmanager
    def receiving(self) -> Iterator["Stops"]:
        """Receive each signal that is not ignored; at the end raise what is still held.

        Outside the main thread, where Python receives no signals, nothing changes.
        """
        before = {}
        if threading.current_thread() is threading.main_thread():
            for number in _STOPS:
                present = signal.getsignal(number)
                if present is not signal.SIG_IGN and present is not None:
                    before[number] = signal.signal(number, self._receive)
        try:
            yield self
        finally:
            for number, present in before.items():
                signal.signal(number, present)
            if self._held:
                raise KeyboardInterrupt
