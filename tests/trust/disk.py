"""Every call to the disk below one folder, named; one of them goes wrong when asked.

What Python asks of the disk for perfkit goes through the functions replaced here, and the writes
and closes of files through a class of our own. Calls are named by what they do to which file, so
that the order in which threads come to them does not matter.
"""

import builtins
import contextlib
import errno
import fcntl
import io
import os
import re
import signal
import threading
import warnings
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from perfkit.show import output

BY_NAME = ("mkdir", "rmdir", "unlink", "remove", "symlink", "link", "rename", "replace", "open",
           "listdir", "scandir", "chmod", "truncate")  # fmt: skip
BY_HANDLE = ("fsync", "fchmod", "ftruncate")
TAKES_SPACE = {"mkdir", "symlink", "link", "rename", "replace", "exchange", "create", "write"}
_TOKEN = re.compile(r"\.perfkit-[0-9a-f]{8}")


@dataclass(frozen=True, slots=True, order=True)
class Call:
    """One call of a run.

    Attributes
    ----------
    what : str
        Such as ``"write"``.
    path : str
        Below the folder, the run's own number left out.
    turn : int
        Counts the calls of this name, from 1.
    """

    what: str
    path: str
    turn: int


Trouble = Callable[[Call], None]


def fails(call: Call) -> None:
    """Refuse one call."""
    raise OSError(errno.EIO, "planted", call.path)


def no_memory(call: Call) -> None:
    """Have no memory left at one call."""
    raise MemoryError


def stops(call: Call) -> None:
    """Be asked to end, by an interrupt or by a terminate."""
    os.kill(os.getpid(), signal.SIGINT if call.turn % 2 else signal.SIGTERM)


def dies(call: Call) -> None:
    """Be killed."""
    os.kill(os.getpid(), signal.SIGKILL)


class Disk:
    """What is asked of the disk below a folder.

    Attributes
    ----------
    calls : list of Call
        Those of the last `watching`.
    met : bool
        Whether the last `watching` came to its call.
    """

    def __init__(self) -> None:
        self.calls: list[Call] = []
        self.met = False
        self._below = ""
        self._turns: Counter[tuple[str, str]] = Counter()
        self._at: Call | None = None
        self._trouble: Trouble = fails
        self._full = False
        self._lock = threading.Lock()

    @contextlib.contextmanager
    def watching(
        self, below: Path, at: Call | None = None, trouble: Trouble = fails, *, full: bool = False
    ) -> Iterator[None]:
        """List the calls below a folder; at one of them have trouble.

        Parameters
        ----------
        below : Path
        at : Call, optional
        trouble : callable
            Raises, or does what else goes wrong.
        full : bool
            Whether nothing that takes space succeeds from then on.
        """
        self.calls, self.met, self._turns = [], False, Counter()
        self._at, self._trouble, self._full = at, trouble, False
        self._fills = full
        with self._replaced():
            self._below = os.path.realpath(below) + "/"
            try:
                yield
            finally:
                self._below = ""

    def step(self, what: str, path: str) -> None:
        """Note a call, and raise where it is the one, or where the disk is full."""
        with self._lock:
            name = what, _TOKEN.sub(".perfkit-", path.removeprefix(self._below))
            self._turns[name] += 1
            call = Call(*name, self._turns[name])
            self.calls.append(call)
            here = call == self._at
            self.met |= here
            self._full |= here and self._fills
        if here and not self._full:
            self._trouble(call)
        if self._full and (here or what in TAKES_SPACE):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), path)

    def is_below(self, path: str) -> bool:
        """Whether a path is watched."""
        return bool(self._below) and f"{path}/".startswith(self._below)

    @contextlib.contextmanager
    def _replaced(self) -> Iterator[None]:
        opened, exchange, locked = io.open, output.exchange, fcntl.flock
        kept = [(os, name, getattr(os, name)) for name in (*BY_NAME, *BY_HANDLE)]
        kept += [(io, "open", opened), (builtins, "open", opened)]
        kept += [(output, "exchange", exchange), (fcntl, "flock", locked)]
        for _, name, call in kept[: len(BY_NAME)]:
            setattr(os, name, self._by_name(name, call))
        for name in BY_HANDLE:
            setattr(os, name, self._by_handle(name, getattr(os, name)))
        io.open = builtins.open = self._opening(opened)  # type: ignore[assignment]
        output.exchange = self._by_name("exchange", exchange)
        fcntl.flock = self._by_handle("flock", locked)
        try:
            yield
        finally:
            for owner, name, call in kept:
                setattr(owner, name, call)

    def _by_name(self, what: str, call: Callable[..., Any]) -> Callable[..., Any]:
        def counted(*words: Any, **more: Any) -> Any:
            names = [*words[: 2 if what == "exchange" else 1], *more.values()]
            path = path_of(names[0] if names else ".", more.get("dir_fd"))
            if what in ("rename", "replace", "exchange", "symlink", "link"):
                path = path_of(words[1], None)
            if self.is_below(path):
                creates = what == "open" and words[1] & os.O_CREAT
                self.step("create" if creates else what, path)
            return call(*words, **more)

        return counted

    def _by_handle(self, what: str, call: Callable[..., Any]) -> Callable[..., Any]:
        def counted(handle: Any, *words: Any) -> Any:
            path = path_of(handle if isinstance(handle, int) else handle.fileno(), None)
            if self.is_below(path):
                self.step(what, path)
            return call(handle, *words)

        return counted

    def _opening(self, real: Callable[..., Any]) -> Callable[..., Any]:
        def opened(file: Any, mode: str = "r", size: int = -1, *words: Any, **more: Any) -> Any:
            path = path_of(file, None)
            if not self.is_below(path):
                return real(file, mode, size, *words, **more)
            changes = bool(set(mode) & set("wax+"))
            if not isinstance(file, int):
                self.step("create" if changes else "open", path)
            if not changes:
                return real(file, mode, size, *words, **more)
            return self._counted_file(file, path, mode, *words, **more)

        return opened

    def _counted_file(
        self,
        file: Any,
        path: str,
        mode: str,
        encoding: str | None = None,
        errors: str | None = None,
        newline: str | None = None,
    ) -> Any:
        raw = _Counted(file, mode.replace("b", "").replace("t", ""))
        raw.disk, raw.path = self, path
        buffered = io.BufferedRandom(raw) if "+" in mode else io.BufferedWriter(raw)
        if "b" in mode:
            return buffered
        return io.TextIOWrapper(buffered, encoding, errors, newline)


class _Counted(io.FileIO):
    """A file whose writes and close are calls of a `Disk`; a write that fails is done by half."""

    disk: Disk
    path: str

    def write(self, data: Any, /) -> int:
        """Write; where this is the call that fails, half of it is on the disk."""
        try:
            self.disk.step("write", self.path)
        except BaseException:
            super().write(memoryview(data)[: len(data) // 2])
            raise
        return super().write(data)

    def close(self) -> None:
        """Close; an error of this call is told after it."""
        if self.closed:
            return
        super().close()
        self.disk.step("close", self.path)


def path_of(name: Any, folder: int | None) -> str:
    """Give the absolute path of what a call names, by path or by handle."""
    if isinstance(name, int):
        with contextlib.suppress(OSError):
            return os.readlink(f"/proc/self/fd/{name}")
        return ""
    text = os.fsdecode(name)
    if folder is not None:
        return os.path.join(path_of(folder, None), text)
    return os.path.abspath(text)


def fork(seconds: int = 120) -> int:
    """Fork; the clock ends a child that waits for ever, for instance for a thread without memory.

    Later Pythons warn where a test runner has threads, which the child never asks.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        child = os.fork()
    if not child:
        signal.signal(signal.SIGALRM, signal.SIG_DFL)
        signal.alarm(seconds)
    return child
