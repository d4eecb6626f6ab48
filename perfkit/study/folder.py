"""Opening files of a stranger's folder: inside it, regular, of bounded size, and nothing else."""

import gzip
import io
import os
import stat
import zlib
from pathlib import Path, PurePosixPath

LOG_SUFFIXES = (".csv", ".csv.gz", ".parquet")
SETTINGS_BYTES = 256 * 1024
TABLE_BYTES = 64 * 1024**2
TABLE_CELLS = 5_000_000
NOT_THERE = ("the file is not there", "add it, or mend its name")
LOG_BYTES = 256 * 1024**2
"""What one log of text may grow to when decompressed."""


class Refused(Exception):
    """A file that is not opened or not read further.

    Attributes
    ----------
    allowed : str
        What would be.
    action : str
        What to do.
    """

    def __init__(self, allowed: str, action: str) -> None:
        super().__init__(f"{allowed}; {action}")
        self.allowed = allowed
        self.action = action


def check_name(name: str, suffixes: tuple[str, ...] = LOG_SUFFIXES) -> None:
    """Refuse a path by its text alone.

    Parameters
    ----------
    name : str
        Path from the study folder, with forward slashes.
    suffixes : tuple of str
        Endings that are read.

    Raises
    ------
    Refused
        When it is absolute, climbs, holds characters no path of ours needs, or ends otherwise.

    Examples
    --------
    >>> check_name("logs/first.csv.gz")
    >>> check_name("../first.csv")
    Traceback (most recent call last):
    perfkit.study.folder.Refused: only files inside the study are opened; write the path without ..
    """
    if "\\" in name or "\0" in name:
        raise Refused("a path uses forward slashes", "write it as logs/first.csv")
    path = PurePosixPath(name)
    if path.is_absolute():
        raise Refused(
            "only files inside the study are opened",
            "copy the file into the study and write the path from there",
        )
    if ".." in path.parts:
        raise Refused("only files inside the study are opened", "write the path without ..")
    if not name.endswith(suffixes):
        raise Refused(
            f"only {', '.join(suffixes)} files are read", "export the file in one of these formats"
        )


def find_inside(root: Path, name: str) -> Path:
    """Find the real place of a regular file inside `root`, without opening it.

    Parameters
    ----------
    root : Path
        The study folder.
    name : str
        Path from there.

    Returns
    -------
    Path
        With every link followed.

    Raises
    ------
    Refused
        When it is missing, leads outside, or is a folder, a pipe or a device.

    Examples
    --------
    >>> import tempfile
    >>> find_inside(Path(tempfile.mkdtemp()), "gpus.csv")
    Traceback (most recent call last):
    perfkit.study.folder.Refused: the file is not there; add it, or mend its name
    """
    try:
        real = Path(os.path.realpath(root / name, strict=True))
        inside = real.is_relative_to(os.path.realpath(root))
        mode = real.stat().st_mode
    except FileNotFoundError:
        raise Refused(*NOT_THERE) from None
    except (OSError, ValueError) as error:
        raise Refused(f"the file cannot be reached ({_why(error)})", "mend its name") from None
    if not inside:
        raise Refused("the link leads outside the study", "copy the file into the study")
    if not stat.S_ISREG(mode):
        raise Refused(
            f"a regular file is needed, this is a {_sort(mode)}", "name a file that holds the data"
        )
    return real


def open_inside(root: Path, name: str) -> io.BufferedReader:
    r"""Open a regular file inside `root` for reading, never waiting on a pipe or a device.

    Parameters
    ----------
    root : Path
        The study folder.
    name : str
        Path from there.

    Returns
    -------
    BufferedReader
        Seekable, at the start.

    Raises
    ------
    Refused
        As `find_inside`, or when the file may not be read or is swapped meanwhile.

    Examples
    --------
    >>> import tempfile
    >>> folder = Path(tempfile.mkdtemp())
    >>> _ = (folder / "a.csv").write_text("gpu\n")
    >>> with open_inside(folder, "a.csv") as file:
    ...     file.read()
    b'gpu\n'
    """
    real = find_inside(root, name)
    try:
        # Not blocking and not following, in case the path turned into a pipe or a link just now.
        handle = os.open(real, os.O_RDONLY | os.O_NONBLOCK | os.O_NOFOLLOW | os.O_CLOEXEC)
    except OSError as error:
        raise Refused(f"the file cannot be opened ({_why(error)})", "allow reading it") from None
    mode = os.fstat(handle).st_mode
    if not stat.S_ISREG(mode) or Path(os.path.realpath(real)) != real:
        os.close(handle)
        raise Refused("the file changed while it was opened", "run again when nothing writes to it")
    return os.fdopen(handle, "rb")


def read_inside(root: Path, name: str, limit: int) -> bytes:
    r"""Read all bytes of a regular file inside `root`.

    Parameters
    ----------
    root : Path
        The study folder.
    name : str
        Path from there.
    limit : int
        Bytes it may have.

    Returns
    -------
    bytes

    Raises
    ------
    Refused
        As `open_inside`, or when it is larger than `limit`.

    Examples
    --------
    >>> import tempfile
    >>> folder = Path(tempfile.mkdtemp())
    >>> _ = (folder / "a.csv").write_text("gpu,kind\n")
    >>> read_inside(folder, "a.csv", limit=4)
    Traceback (most recent call last):
    perfkit.study.folder.Refused: the file may have 4 bytes; split the study
    """
    with open_inside(root, name) as file:
        try:
            data = file.read(limit + 1)
        except OSError as error:
            raise Refused(f"the file cannot be read ({_why(error)})", "copy it again") from None
    if len(data) > limit:
        raise Refused(f"the file may have {limit:,} bytes", "split the study")
    return data


class Bounded(io.RawIOBase):
    """A stream of text that stops with `Refused` when it grows past a limit.

    Parameters
    ----------
    file : BufferedReader
        An open file.
    packed : bool
        Whether it is gzip; every member is read.
    limit : int
        Bytes that may come out.
    """

    def __init__(self, file: io.BufferedReader, packed: bool, limit: int = LOG_BYTES) -> None:
        self._file = file
        self._source: io.BufferedReader | gzip.GzipFile = (
            gzip.GzipFile(fileobj=file) if packed else file
        )
        self._left = limit
        self._limit = limit

    def readable(self) -> bool:
        """Whether it can be read: yes."""
        return True

    def readinto(self, buffer: "bytearray | memoryview[int]") -> int:  # type: ignore[override]
        """Fill `buffer`; number of bytes that came, 0 at the end."""
        try:
            data = self._source.read(len(buffer))
        except (OSError, EOFError, zlib.error) as error:
            raise Refused(
                f"the file is cut short or damaged ({_why(error)})", "copy or export it again"
            ) from None
        self._left -= len(data)
        if self._left < 0:
            raise Refused(
                f"a log may grow to {self._limit:,} bytes of text",
                "keep only the frame times, or store them as Parquet",
            )
        buffer[: len(data)] = data
        return len(data)

    def close(self) -> None:
        """Close the stream and the file below it."""
        self._source.close()
        self._file.close()
        super().close()


def open_text(root: Path, name: str, limit: int = LOG_BYTES) -> Bounded:
    r"""Open a .csv or .csv.gz log inside `root` as bounded plain text.

    Parameters
    ----------
    root : Path
        The study folder.
    name : str
        Path from there.
    limit : int
        Bytes of text that may come out.

    Returns
    -------
    Bounded
        Raises `Refused` while reading, too, when the text outgrows the limit or is damaged.

    Raises
    ------
    Refused
        As `open_inside`.

    Examples
    --------
    >>> import gzip, tempfile
    >>> folder = Path(tempfile.mkdtemp())
    >>> members = gzip.compress(b"frame_ms\n") + gzip.compress(b"7\n")
    >>> _ = (folder / "a.csv.gz").write_bytes(members)
    >>> with open_text(folder, "a.csv.gz") as text:
    ...     text.read()
    b'frame_ms\n7\n'
    """
    return Bounded(open_inside(root, name), packed=name.endswith(".gz"), limit=limit)


def _why(error: BaseException) -> str:
    return getattr(error, "strerror", None) or str(error) or type(error).__name__


def _sort(mode: int) -> str:
    kinds = {stat.S_ISDIR: "folder", stat.S_ISFIFO: "pipe", stat.S_ISSOCK: "socket"}
    return next((word for test, word in kinds.items() if test(mode)), "device")
