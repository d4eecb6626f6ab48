"""The output folder: written whole beside its place, then put there in one step.

A run fills a hidden folder next to OUT. When it is complete, with a manifest of every file, the two
change places by one system call, so that a reader always finds the old result or the new one. Where
the file system cannot exchange folders, OUT becomes a link to the hidden folder, and the link is
replaced. The hidden folder is locked while its run lives: what a killed run left behind is not,
and the next run removes it.
"""

import contextlib
import ctypes
import errno
import fcntl
import os
import re
import secrets
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from perfkit.errors import OutputError
from perfkit.show.manifest import files_below, read_manifest, write_manifest
from perfkit.show.stops import Stops

_AT_FDCWD = -100
_RENAME_EXCHANGE = 2
_NO_EXCHANGE = {errno.ENOSYS, errno.EINVAL, errno.ENOTSUP, errno.EPERM}
_DISK = {errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EFBIG, errno.EIO}
_ATTEMPTS = 5


def exchange(one: Path, other: Path) -> None:
    """Let two paths of one file system change places in a single step.

    Parameters
    ----------
    one, other : Path
        Both exist.

    Raises
    ------
    OSError
        With ``ENOSYS`` or ``EINVAL`` where the system or the file system cannot do it.
    """
    libc = ctypes.CDLL(None, use_errno=True)
    if not hasattr(libc, "renameat2"):
        raise OSError(errno.ENOSYS, os.strerror(errno.ENOSYS), str(one))
    paths = os.fsencode(one), os.fsencode(other)
    if libc.renameat2(_AT_FDCWD, paths[0], _AT_FDCWD, paths[1], _RENAME_EXCHANGE):
        code = ctypes.get_errno()
        raise OSError(code, os.strerror(code), str(one), None, str(other))


def refuse_out(out: Path | str, study_path: Path | str, kind: str = "report") -> None:
    """Refuse an OUT that could not be used at the end, before any work is done.

    Parameters
    ----------
    out, study_path, kind
        As for :func:`whole_folder`, which checks again.

    Raises
    ------
    OutputError
        When `out` is the study, lies in it or around it, or holds what would be lost.
    """
    with _disk_errors(Path(out)):
        _Place.find(Path(out), Path(study_path), kind)


@contextlib.contextmanager
def whole_folder(out: Path | str, study_path: Path | str, kind: str = "report") -> Iterator[Path]:
    """Fill a folder that appears at `out` whole or not at all.

    Parameters
    ----------
    out : Path or str
        Where the result shall be: missing, empty, or an earlier result of the same kind.
    study_path : Path or str
        The study, which `out` must not touch.
    kind : str
        What is made, such as ``"report"``; an `out` of another kind is refused.

    Yields
    ------
    Path
        A hidden folder to fill. Left without an error, it takes the place of `out`; left by an
        error, an interrupt or a terminate, it is removed and `out` stays as it was.

    Raises
    ------
    OutputError
        When `out` cannot be used or written; also when it holds the new result and the disk
        did not confirm.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place:
    ...     with whole_folder(Path(place, "out"), Path(place, "study")) as folder:
    ...         _ = Path(folder, "a.txt").write_text("text")
    ...     sorted(path.name for path in Path(place, "out").iterdir())
    ['a.txt', 'manifest.json']
    """
    with _disk_errors(Path(out)):
        place = _Place.find(Path(out), Path(study_path), kind)
    with (
        Stops().receiving() as stops,
        _disk_errors(place.out) as swap,
        place.hidden_folder() as folder,
    ):
        exchangeable = place.can_exchange(folder)
        place.refuse_others(exchangeable)
        with stops.allowed():
            yield folder
            write_manifest(folder, kind)
            _all_to_disk(folder)
        place.refuse_others(exchangeable)
        place.put(folder, exchangeable)
        swap.done = True
        _to_disk(place.out.parent)


@contextlib.contextmanager
def whole_file(out: Path | str, study_path: Path | str) -> Iterator[Path]:
    """Fill a file that appears at `out` whole or not at all.

    Parameters
    ----------
    out : Path or str
        File to make or replace, outside the study.
    study_path : Path or str

    Yields
    ------
    Path
        A hidden file on the same file system to fill.

    Raises
    ------
    OutputError
        When `out` is a folder, lies inside the study, or cannot be written.
    """
    target, study = Path(os.path.realpath(out)), Path(os.path.realpath(study_path))
    if target.is_dir():
        raise OutputError(f"{out} is a folder; name a file to write")
    if target.is_relative_to(study):
        raise OutputError(f"{out} lies inside the study; name a file outside {study_path}")
    place = _Place(target, "file")
    with (
        Stops().receiving() as stops,
        _disk_errors(target) as swap,
        place.hidden_folder() as folder,
    ):
        hidden = folder / target.name
        with stops.allowed():
            yield hidden
            _to_disk(hidden)
        os.replace(hidden, target)
        swap.done = True
        _to_disk(target.parent)


@dataclass(frozen=True, slots=True)
class _Place:
    """Where a result goes: OUT itself, and the hidden folders beside it."""

    out: Path
    kind: str

    @classmethod
    def find(cls, asked: Path, study: Path, kind: str) -> "_Place":
        """Follow the links of others, and refuse what must never be written."""
        absolute = Path(os.path.abspath(asked))
        place = cls(Path(os.path.realpath(absolute.parent)) / absolute.name, kind)
        if place.out.is_symlink() and place.version_behind() is None:
            place = cls(Path(os.path.realpath(place.out)), kind)
        place._refuse_place(Path(os.path.realpath(study)))
        place._refuse_files()
        return place

    def _refuse_place(self, study: Path) -> None:
        out, real = self.out, Path(os.path.realpath(self.out))
        if study in (out, real):
            raise OutputError(f"{out} is the study itself; name another folder for the output")
        if out.is_relative_to(study) or real.is_relative_to(study):
            raise OutputError(f"{out} lies inside the study; name a folder outside {study}")
        if study.is_relative_to(out) or study.is_relative_to(real):
            raise OutputError(f"{out} holds the study; name a folder that does not contain {study}")
        if Path(os.path.realpath(os.curdir)).is_relative_to(real):
            raise OutputError(f"{out} is where you are; go to another folder, or name another one")
        if os.path.lexists(out) and not out.is_dir():
            raise OutputError(f"{out} is not a folder; name a new or an empty folder")
        if os.path.ismount(out):
            raise OutputError(f"{out} is a mounted file system; name a folder inside it")

    def refuse_others(self, exchangeable: bool) -> None:
        """Refuse an OUT that holds what would be lost, or that could not be replaced at the end."""
        self._refuse_files()
        if not exchangeable and self._is_full() and not self.out.is_symlink():
            raise OutputError(
                f"{self.out} cannot be replaced in one step on this file system; "
                "remove it, or name a new folder"
            )

    def _is_full(self) -> bool:
        return self.out.is_dir() and any(self.out.iterdir())

    def _refuse_files(self) -> None:
        if not self._is_full():
            return
        manifest = read_manifest(self.out)
        if manifest is None:
            raise OutputError(
                f"{self.out} holds files that perfkit did not make; name a new or an empty folder"
            )
        if manifest.get("kind") != self.kind:
            raise OutputError(
                f"{self.out} holds what 'perfkit {manifest.get('kind')}' made; "
                f"name another folder for 'perfkit {self.kind}'"
            )
        others = sorted(set(files_below(self.out)) - set(manifest["files"]))
        if others:
            more = f" and {len(others) - 1} more" if others[1:] else ""
            raise OutputError(
                f"{self.out} holds {others[0]!r}{more}, which perfkit did not make; "
                "move it away, or name another folder"
            )

    def _hidden_name(self) -> Path:
        return self.out.with_name(f".{self.out.name}.perfkit-{secrets.token_hex(4)}")

    def _all_hidden(self) -> list[Path]:
        pattern = re.compile(re.escape(f".{self.out.name}.perfkit-") + r"[0-9a-f]{8}")
        return [path for path in self.out.parent.iterdir() if pattern.fullmatch(path.name)]

    def version_behind(self) -> Path | None:
        """Follow OUT to the hidden folder behind it, where it is a link to one."""
        if not self.out.is_symlink():
            return None
        target = Path(os.path.realpath(self.out))
        return target if target in self._all_hidden() else None

    @contextlib.contextmanager
    def hidden_folder(self) -> Iterator[Path]:
        """Hold a locked hidden folder; at the end remove it, if it has not taken its place."""
        self.out.parent.mkdir(parents=True, exist_ok=True)
        self.sweep()
        folder, lock = self._new_folder()
        try:
            yield folder
        finally:
            os.close(lock)
            self.sweep()

    def _new_folder(self) -> tuple[Path, int]:
        while True:
            folder = self._hidden_name()
            folder.mkdir()
            lock = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
            fcntl.flock(lock, fcntl.LOCK_EX)
            if _is_open_at(lock, folder):
                return folder, lock
            os.close(lock)

    def sweep(self) -> None:
        """Remove the hidden folders whose run has ended, but never the one that OUT links to."""
        for path in self._all_hidden():
            with contextlib.suppress(OSError):
                if path.is_symlink():
                    path.unlink()
                else:
                    self._remove_unlocked(path)

    def _remove_unlocked(self, path: Path) -> None:
        lock = os.open(path, os.O_RDONLY | os.O_DIRECTORY)
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            if _is_open_at(lock, path) and path != self.version_behind():
                shutil.rmtree(path)
        finally:
            os.close(lock)

    def can_exchange(self, folder: Path) -> bool:
        """Try, inside `folder`, whether this file system exchanges folders."""
        pair = folder / "a", folder / "b"
        for path in pair:
            path.mkdir()
        try:
            exchange(*pair)
        except OSError as error:
            if error.errno not in _NO_EXCHANGE:
                raise
            return False
        finally:
            for path in pair:
                path.rmdir()
        return True

    def put(self, folder: Path, exchangeable: bool) -> None:
        """Let `folder` take the place of OUT in one step."""
        if self.out.is_symlink() or not exchangeable:
            self._link(folder)
            return
        for attempt in range(_ATTEMPTS):
            try:
                if self._is_full():
                    exchange(folder, self.out)
                else:
                    os.rename(folder, self.out)
            except OSError as error:
                moved = error.errno in {errno.ENOTEMPTY, errno.EEXIST, errno.ENOENT}
                if not moved or attempt == _ATTEMPTS - 1:
                    raise
            else:
                return

    def _link(self, folder: Path) -> None:
        if self.out.is_dir() and not self.out.is_symlink():
            self.out.rmdir()
        link = self._hidden_name()
        link.symlink_to(folder.name)
        os.replace(link, self.out)


def _is_open_at(descriptor: int, path: Path) -> bool:
    try:
        there = os.stat(path, follow_symlinks=False)
    except FileNotFoundError:
        return False
    return os.path.samestat(os.fstat(descriptor), there)


def _to_disk(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _all_to_disk(folder: Path) -> None:
    for here, _, files in os.walk(folder):
        for name in files:
            _to_disk(Path(here, name))
        _to_disk(Path(here))


class _Swap:
    """Whether the new result stands in its place."""

    done = False


@contextlib.contextmanager
def _disk_errors(out: Path) -> Iterator[_Swap]:
    """Say in words what the disk refused, and which result stands there."""
    swap = _Swap()
    try:
        yield swap
    except OSError as error:
        if swap.done:
            raise OutputError(
                f"{out} holds the new result, whole, but the disk did not confirm "
                f"({error.strerror}); look at the disk, and run again"
            ) from error
        where = str(error.filename or "")
        ours = where.startswith(str(out)) or f".{out.name}.perfkit-" in where
        if error.errno not in _DISK and not ours and where != str(out.parent):
            raise
        raise OutputError(
            f"{out} could not be written ({error.strerror}); nothing half-written is left. "
            "Make room or name another folder, and run again"
        ) from error
