"""perfkit's own functions against numbers from outside; sources in tests/reference/README.md."""

import numpy as np
import numpy.typing as npt

from perfkit.models.family import Cells, Names, Rows


def as_cells(
    y: npt.ArrayLike,
    columns: npt.ArrayLike,
    gpus: npt.ArrayLike | None = None,
    workloads: npt.ArrayLike | None = None,
) -> Cells:
    """Dress a regression up as measured cells.

    The power law is linear in the logs of four rates; so y takes the place of log FPS, the columns
    (at most four, of moderate size) that of the logs, and groups that of the GPUs or workloads.
    Without them every row is a GPU of its own, and there is one workload.
    """
    y = np.asarray(y, float)
    logs = np.zeros((len(y), 4))
    columns = np.asarray(columns, float).reshape(len(y), -1)
    logs[:, : columns.shape[1]] = columns
    names, codes = np.unique(
        np.arange(len(y)) if gpus is None else np.asarray(gpus), return_inverse=True
    )
    games, game = np.unique(
        np.zeros(len(y)) if workloads is None else np.asarray(workloads), return_inverse=True
    )
    zero, rates = np.zeros(len(y), np.intp), np.exp(logs)
    rows = Rows(
        names=Names(tuple(map(str, games)), tuple(map(str, names)), ("system",), ("",)),
        workload=game.astype(np.intp),
        gpu=codes.astype(np.intp),
        system=zero,
        family=zero,
        integrated=np.zeros(len(y), bool),
        arithmetic_tflops=rates[:, 0],
        bandwidth_gb_s=rates[:, 1],
        drawn_mpx=rates[:, 2],
        output_mpx=rates[:, 2],
        cpu_speed=rates[:, 3],
        memory_gib=np.full(len(y), np.nan),
    )
    return Cells(
        rows=rows,
        log_fps=y,
        load_shift=np.zeros(len(y)),
        scatter=np.zeros(len(y)),
        at_least=np.zeros(len(y), bool),
        log_low_ratio=np.full(len(y), np.nan),
        passes=np.ones(len(y)),
        frames=np.full(len(y), np.nan),
        seconds=np.full(len(y), np.nan),
        pass_sd=float("nan"),
    )
