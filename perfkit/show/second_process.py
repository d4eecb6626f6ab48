"""A second process that draws: started early, so that it is ready when there is something to draw.

It is handed a chart's JSON and hands back the pictures' bytes; it opens no file and ends with the
pipe to its owner. Whatever it cannot do, its owner does: a lost helper costs time, not the result.
"""

import contextlib
import json
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from typing import IO, TYPE_CHECKING

if TYPE_CHECKING:
    from perfkit.show.drawing import Job


COMMAND = ("-m", "perfkit.show.second_process")
"""What the second Python runs; no folder that happens to be the current one lends it modules."""


@dataclass(frozen=True, slots=True)
class Second:
    """The owner's end.

    Attributes
    ----------
    process : subprocess.Popen
    asks, tells : binary file
        To and from the process.
    """

    process: subprocess.Popen[bytes]
    asks: IO[bytes]
    tells: IO[bytes]

    def draw(self, job: "Job") -> list[tuple[str, bytes]] | None:
        """Have a job drawn.

        Parameters
        ----------
        job : Job

        Returns
        -------
        list of (str, bytes) or None
            File names and contents; None when the second process could not.
        """
        try:
            self.asks.write(json.dumps(asdict(job)).encode() + b"\n")
            self.asks.flush()
            told = json.loads(self.tells.readline() or b"null")
        except (OSError, ValueError):
            return None
        if told is None:
            return None
        files = [(name, self.tells.read(length)) for name, length in told]
        return files if [len(content) for _, content in files] == [n for _, n in told] else None

    def stop(self) -> None:
        """End the process; a job it is at comes back as None."""
        self.process.kill()


@contextlib.contextmanager
def second_drawer() -> Iterator[Second | None]:
    """Keep a second drawing process for as long as the block lasts.

    Yields
    ------
    Second or None
        None when the machine will not start one.
    """
    try:
        process = subprocess.Popen(
            [sys.executable, "-P", *COMMAND],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
    except OSError:
        yield None
        return
    assert process.stdin is not None
    assert process.stdout is not None
    try:
        yield Second(process, process.stdin, process.stdout)
    finally:
        process.kill()
        process.wait()
        with contextlib.suppress(OSError):
            process.stdin.close()
        process.stdout.close()


def serve(asked: IO[bytes], tells: IO[bytes]) -> None:
    """Draw what is asked until nothing more can be asked.

    Parameters
    ----------
    asked : binary file
        One job a line, as JSON.
    tells : binary file
        For each job a line of file names and lengths, then the files; or ``null`` where drawing
        failed.
    """
    from perfkit.show.drawing import Job, Look, file_bytes, pictures

    for line in asked:
        job = json.loads(line)
        looks = tuple(Look(**look) for look in job["looks"])
        try:
            drawn = pictures(Job(**{**job, "looks": looks}))
            files = [(name, file_bytes(picture)) for name, picture in drawn]
        except Exception:
            tells.write(b"null\n")
        else:
            sizes = [(name, len(content)) for name, content in files]
            tells.write(json.dumps(sizes).encode() + b"\n")
            tells.writelines(content for _, content in files)
        tells.flush()


if __name__ == "__main__":
    with contextlib.suppress(BrokenPipeError):
        serve(sys.stdin.buffer, sys.stdout.buffer)
