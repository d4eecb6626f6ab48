"""A second process that draws: started early, so that it is ready when there is something to draw.

It is handed a chart's JSON and hands back the pictures' bytes; before there is much to draw, it
works out the evidence for a fit. It opens no file and ends with the pipe to its owner. Whatever it
cannot do, its owner does: a lost helper costs time, not the result.
"""

import contextlib
import json
import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor, wait
from dataclasses import asdict, dataclass, field
from threading import Lock
from typing import IO, TYPE_CHECKING, Any

from perfkit.collecting import seldom_collected

if TYPE_CHECKING:
    from perfkit.models.saved_fit import RememberedFit
    from perfkit.show.drawing import Job


Answer = list[tuple[str, bytes]]

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
    lock : threading.Lock
        Held while a question waits for its answer.
    aside : Executor
        Waits for evidence while the owner goes on.
    urgent : list of Future
        Answers that a drawing lets go first: the owner needs evidence before the last pictures.
    """

    process: subprocess.Popen[bytes]
    asks: IO[bytes]
    tells: IO[bytes]
    lock: Lock = field(default_factory=Lock)
    aside: ThreadPoolExecutor = field(default_factory=lambda: ThreadPoolExecutor(1))
    urgent: list[Future[Answer | None]] = field(default_factory=list)

    def draw(self, job: "Job") -> Answer | None:
        """Have a job drawn.

        Parameters
        ----------
        job : Job

        Returns
        -------
        list of (str, bytes) or None
            File names and contents; None when the second process could not.
        """
        wait(self.urgent)
        return self._ask({"job": asdict(job)})

    def leave_out(self, model: "RememberedFit") -> None:
        """Have the evidence for a fit worked out meanwhile.

        Parameters
        ----------
        model : RememberedFit
            Waits for the answer when it is first asked for its evidence; without one, it works the
            evidence out itself.
        """
        from perfkit.models.evidence_apart import evidence_question, evidence_tables

        question = evidence_question(model.fitted())
        if question is not None:
            told = self.aside.submit(self._ask, {"evidence": question})
            self.urgent.append(told)
            model.coming.append(lambda: evidence_tables(told.result()))

    def _ask(self, question: dict[str, Any]) -> Answer | None:
        with self.lock:
            try:
                self.asks.write(json.dumps(question).encode() + b"\n")
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
    second = Second(process, process.stdin, process.stdout)
    try:
        yield second
    finally:
        process.kill()
        second.aside.shutdown()
        process.wait()
        with contextlib.suppress(OSError):
            process.stdin.close()
        process.stdout.close()


def serve(asked: IO[bytes], tells: IO[bytes]) -> None:
    """Answer what is asked until nothing more can be asked.

    Parameters
    ----------
    asked : binary file
        One question a line, as JSON: a job of drawing, or for the evidence of a fit.
    tells : binary file
        For each a line of names and lengths, then as many contents; or ``null`` where it failed.
    """
    from perfkit.models.evidence_apart import evidence_answer
    from perfkit.show.drawing import Job, Look, file_bytes, pictures

    def drawn(job: dict[str, Any]) -> list[tuple[str, bytes]]:
        looks = tuple(Look(**look) for look in job["looks"])
        made = pictures(Job(**{**job, "looks": looks}))
        return [(name, file_bytes(picture)) for name, picture in made]

    for line in asked:
        question = json.loads(line)
        try:
            if "job" in question:
                files = drawn(question["job"])
            else:
                files = evidence_answer(question["evidence"])
        except Exception:
            tells.write(b"null\n")
        else:
            sizes = [(name, len(content)) for name, content in files]
            tells.write(json.dumps(sizes).encode() + b"\n")
            tells.writelines(content for _, content in files)
        tells.flush()


if __name__ == "__main__":
    with contextlib.suppress(BrokenPipeError), seldom_collected():
        serve(sys.stdin.buffer, sys.stdout.buffer)
