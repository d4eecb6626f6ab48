"""The same work on this machine or spread over a Dask cluster."""

from collections.abc import Callable, Iterator, Sequence
from typing import Any, TypeVar

Task = TypeVar("Task")
Result = TypeVar("Result")


def spread(client: Any, work: Callable[[Task], Result], tasks: Sequence[Task]) -> Iterator[Result]:
    """Do one piece of work per task and give the results in the order of the tasks.

    Parameters
    ----------
    client : distributed.Client or None
        A connected client, whose workers see the same files and have the same perfkit; None works
        here, one task after the other. A worker that dies has its tasks done by another.
    work : callable
        A function of one task; importable by the workers.
    tasks : sequence
        What to do.

    Yields
    ------
    Result

    Examples
    --------
    >>> list(spread(None, abs, [-1, 2]))
    [1, 2]
    """
    if client is None:
        yield from map(work, tasks)
        return
    futures = client.map(work, tasks, pure=False)
    try:
        for future in futures:
            yield future.result()
    finally:
        client.cancel(futures)
