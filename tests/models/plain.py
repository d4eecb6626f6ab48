"""Rows and cells of plain arrays, for what can be worked out by hand."""

import numpy as np

from perfkit.models.family import Cells, Names, Rows


def rows_of_arrays(**given: object) -> Rows:
    """Make rows; what is not given is one for numbers and 0 for codes.

    Workload, gpu, system and family are codes; arithmetic_tflops, bandwidth_gb_s, drawn_mpx,
    output_mpx (as drawn unless given), cpu_speed and memory_gib numbers.
    """
    size = max(np.size(values) for values in given.values())
    codes = {
        name: np.broadcast_to(np.asarray(given.get(name, 0), dtype=np.intp), size).copy()
        for name in ("workload", "gpu", "system", "family")
    }
    names = ("arithmetic_tflops", "bandwidth_gb_s", "drawn_mpx", "cpu_speed", "memory_gib")
    numbers = {
        name: np.broadcast_to(np.asarray(given.get(name, 1.0), dtype=float), size).copy()
        for name in names
    }
    output = np.broadcast_to(np.asarray(given.get("output_mpx", numbers["drawn_mpx"])), size)
    told = (
        tuple(f"{kind}{code}" for code in range(held.max() + 1)) for kind, held in codes.items()
    )
    integrated = np.zeros(size, dtype=bool)
    return Rows(
        Names(*told), **codes, integrated=integrated, **numbers, output_mpx=output.astype(float)
    )


def cells_of_arrays(rows: Rows, milliseconds: np.ndarray, **given: object) -> Cells:
    """Make cells of one pass each."""
    size = len(rows)
    usual = {
        "load_shift": np.zeros(size),
        "scatter": np.zeros(size),
        "at_least": np.zeros(size, dtype=bool),
        "log_low_ratio": np.full(size, np.nan),
        "passes": np.ones(size),
        "frames": np.full(size, np.nan),
        "seconds": np.full(size, np.nan),
        "pass_sd": 0.01,
    }
    return Cells(rows=rows, log_fps=np.log(1000 / np.asarray(milliseconds)), **(usual | given))
