"""What a family of models is: the arrays it sees, and the three things it must do.

A family turns measured cells into a law for log FPS. Everything else - which passes enter, who is
left out, which family is believed, how wide a range is - happens outside and is the same for all.
To add one, write a file with a frozen dataclass derived from `Family` and put it into
`perfkit.models.registry`.
"""

from abc import ABC, abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass, field, fields
from typing import Self

import numpy as np
import numpy.typing as npt
import pandas as pd

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]
BoolArray = npt.NDArray[np.bool_]

PARTS = ("arithmetic", "memory", "processor", "fixed cost")
"""Parts of a frame time, in the order of the columns of `Fitted.parts`."""


@dataclass(frozen=True, slots=True)
class Names:
    """What the codes in `Rows` stand for; position is code.

    Attributes
    ----------
    workloads, gpus, systems, families : tuple of str
        All names of the study, measured or not.
    """

    workloads: tuple[str, ...]
    gpus: tuple[str, ...]
    systems: tuple[str, ...]
    families: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """Configurations as arrays of one length n.

    Attributes
    ----------
    names : Names
        What the codes stand for. One object for all rows of a fit.
    workload, gpu, system, family : ndarray of int, shape (n,)
        Codes into `names`.
    integrated : ndarray of bool, shape (n,)
        True where the GPU shares the system's memory.
    arithmetic_tflops : ndarray, shape (n,)
        TFLOP/s, positive.
    bandwidth_gb_s : ndarray, shape (n,)
        GB/s, positive. All ones where the fit does without bandwidth.
    drawn_mpx, output_mpx : ndarray, shape (n,)
        Megapixels drawn and put out, positive.
    cpu_speed : ndarray, shape (n,)
        Relative single-thread speed, positive; ones where it is not known.
    memory_gib : ndarray, shape (n,)
        GiB the GPU may use; NaN where not known.
    """

    names: Names
    workload: IntArray
    gpu: IntArray
    system: IntArray
    family: IntArray
    integrated: BoolArray
    arithmetic_tflops: FloatArray
    bandwidth_gb_s: FloatArray
    drawn_mpx: FloatArray
    output_mpx: FloatArray
    cpu_speed: FloatArray
    memory_gib: FloatArray

    def __len__(self) -> int:
        """Return the number of configurations."""
        return len(self.workload)

    def take(self, chosen: IntArray | BoolArray | slice) -> Self:
        """Rows at `chosen` (positions, a mask or a slice), in that order."""
        picked = {f.name: getattr(self, f.name)[chosen] for f in fields(self) if f.name != "names"}
        return type(self)(names=self.names, **picked)


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """Measured cells: the passes of one configuration combined, total frames over total time.

    Attributes
    ----------
    rows : Rows
        The n configurations.
    log_fps : ndarray, shape (n,)
        Natural log of the average FPS, brought to the average over whole load cycles.
    load_shift : ndarray, shape (n,)
        What was added for that: log of how much longer frames were than over whole cycles; 0
        where no cycle is known.
    scatter : ndarray, shape (n,)
        Mean squared deviation of log FPS of the cell's passes; 0 for one pass.
    at_least : ndarray of bool, shape (n,)
        True where a cap held the passes and `log_fps` is a lower bound that a fit would otherwise
        fall under. A family takes it as it stands; it is no evidence on errors.
    log_low_ratio : ndarray, shape (n,)
        Natural log of 1 % low / average, at most 0; NaN where the low is not known.
    passes : ndarray, shape (n,)
        Number of passes combined.
    frames, seconds : ndarray, shape (n,)
        Per pass, on average over the cell's passes; NaN where passes have no frame times.
    pass_sd : float
        Standard deviation of log FPS between passes of one cell, pooled over the study; NaN
        where no cell was repeated.
    whole : Cells or None
        The cells that these are without some GPUs, where `without` made them; else None.
    gone : tuple of int
        Codes of these GPUs.
    """

    rows: Rows
    log_fps: FloatArray
    load_shift: FloatArray
    scatter: FloatArray
    at_least: BoolArray
    log_low_ratio: FloatArray
    passes: FloatArray
    frames: FloatArray
    seconds: FloatArray
    pass_sd: float
    whole: "Cells | None" = field(init=False, default=None, repr=False)
    gone: tuple[int, ...] = field(init=False, default=(), repr=False)

    def __len__(self) -> int:
        """Return the number of cells."""
        return len(self.log_fps)

    def take(self, chosen: IntArray | BoolArray) -> Self:
        """Cells at `chosen` (positions or a mask), in that order; `pass_sd` stays."""
        return type(self)(
            rows=self.rows.take(chosen),
            log_fps=self.log_fps[chosen],
            load_shift=self.load_shift[chosen],
            scatter=self.scatter[chosen],
            at_least=self.at_least[chosen],
            log_low_ratio=self.log_low_ratio[chosen],
            passes=self.passes[chosen],
            frames=self.frames[chosen],
            seconds=self.seconds[chosen],
            pass_sd=self.pass_sd,
        )

    def without(self, gpus: Sequence[int] | IntArray) -> Self:
        """Leave out the cells of some GPUs.

        What is fitted to them may then be shared with other fits to the same whole.
        """
        rest = self.take(~np.isin(self.rows.gpu, gpus))
        gone = tuple(sorted({*self.gone, *(int(code) for code in gpus)}))
        object.__setattr__(rest, "whole", self.whole or self)
        object.__setattr__(rest, "gone", gone)
        return rest

    @property
    def gpus(self) -> IntArray:
        """Codes of the GPUs that were measured, ascending."""
        return np.unique(self.rows.gpu)


class Fitted(ABC):
    """A family fitted to cells."""

    @abstractmethod
    def log_fps(self, rows: Rows) -> FloatArray:
        """Median of log FPS of a GPU never measured.

        Parameters
        ----------
        rows : Rows
            Any n configurations; workloads may be unknown to the fit.

        Returns
        -------
        ndarray, shape (n,)
            NaN where this family has no number (a workload it never saw).
        """

    def parts(self, rows: Rows) -> FloatArray:
        """Frame time by cause in ms, one column for each of `PARTS`, shape (n, 4).

        NaN where the family has no notion of parts.
        """
        return np.full((len(rows), len(PARTS)), np.nan)

    def terms(self) -> pd.DataFrame:
        """Coefficients for a reader: term, workload, estimate, std_error, sentence."""
        return pd.DataFrame(
            {
                "term": pd.Series(dtype="str"),
                "workload": pd.Series(dtype="str"),
                "estimate": pd.Series(dtype="float64"),
                "std_error": pd.Series(dtype="float64"),
                "sentence": pd.Series(dtype="str"),
            }
        )


@dataclass(frozen=True, slots=True)
class Family(ABC):
    """A way to predict FPS from rates; holds its settings and nothing learnt.

    Attributes
    ----------
    name : str
        Trade name, as shown in tables.
    """

    name: str

    def prepare(self, asked: Sequence[tuple[Cells, list[IntArray]]]) -> None:  # noqa: B027
        """Hear what will be asked; a family whose fits are quicker side by side makes them now.

        Parameters
        ----------
        asked : sequence of (Cells, list of ndarray)
            Cells, and the codes of the GPUs that each of several fits to them will not see.
        """

    @abstractmethod
    def fit(self, cells: Cells) -> Fitted:
        """Learn from cells: any number of GPUs, workloads and sizes, one of each included.

        Must be deterministic, must not raise on poor data, and where the data leave a direction
        open must fall back on something stated rather than on luck.
        """

    def left_out_at(self, cells: Cells, without: list[IntArray], rows: Rows) -> list[FloatArray]:
        """Predict any rows by fits that never saw some of the GPUs.

        Parameters
        ----------
        cells : Cells
            All n cells.
        without : list of ndarray
            For each fit, the codes of the GPUs it must not see; some cell always remains.
        rows : Rows
            What to predict.

        Returns
        -------
        list of ndarray, shape (len(rows),)
            For each fit, its log FPS. A family with a short cut overrides this; the answer must be
            that of refitting.
        """
        return [self.fit(cells.without(gone)).log_fps(rows) for gone in without]

    def left_out(self, cells: Cells, without: list[IntArray]) -> list[FloatArray]:
        """Predict all cells by fits that never saw some of the GPUs; see `left_out_at`."""
        return self.left_out_at(cells, without, cells.rows)

    def left_out_each(self, cells: Cells) -> FloatArray:
        """Predict each cell by a fit that never saw its GPU, shape (n,); NaN with one GPU only."""
        gpus = cells.gpus
        if len(gpus) < 2:
            return np.full(len(cells), np.nan)
        own = np.searchsorted(gpus, cells.rows.gpu)
        each = np.array(self.left_out(cells, list(gpus[:, None])))
        return np.asarray(each[own, np.arange(len(cells))])
