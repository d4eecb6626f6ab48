"""Power law in which every workload has slopes of its own: a mixed model.

log FPS = a_w + (b + d_w) . x + u_g + e

d_w ~ N(0, diag(v)) deviation of a workload's slopes, u_g ~ N(0, t^2) deviation of a GPU, e ~
N(0, s^2). x are the logs of arithmetic rate, bandwidth, pixels drawn and processor speed. A
workload run on many GPUs keeps its own slopes; one run on few is drawn to what all workloads
share. Fitted by restricted maximum likelihood on cross-products (`perfkit.models.reml`).
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from perfkit.models.cross_products import products, products_of_columns
from perfkit.models.family import BoolArray, Cells, Family, Fitted, FloatArray, IntArray, Rows
from perfkit.models.moments import SIZE, cell_sums, kept_without
from perfkit.models.new_group import NewGpu, gpu_dof, line_error
from perfkit.models.outside_seen import VARIABLES, logs
from perfkit.models.reml import fit_reml
from perfkit.models.row_index import USUAL_SLOPES
from perfkit.models.sentences import gain_sentence

LEAST_WORKLOADS = 5
"""With fewer workloads nothing can be said of how slopes differ: they stay equal."""

LEAST_GPUS = 4
"""With fewer GPUs a mean and two rates leave nothing to say how GPUs deviate."""

BLOCK_NUMBERS = 1 << 21
"""Numbers of one array in a block of subsets."""


@dataclass(frozen=True, slots=True, eq=False)
class Slopes:
    """m mixed models.

    Attributes
    ----------
    shared : ndarray, shape (m, 4)
    own : ndarray, shape (m, W, 4)
        Shared slopes plus the workload's deviation.
    intercepts : ndarray, shape (m, W)
        Of a GPU that does not deviate; NaN for workloads not run.
    variance : ndarray, shape (m, 4)
        Of slopes between workloads.
    device : ndarray, shape (m,)
        Variance of log FPS between GPUs of equal rates.
    residual : ndarray, shape (m,)
        Variance of log FPS about the lines.
    deviance : ndarray, shape (m,)
        Minus twice the restricted log likelihood.
    """

    shared: FloatArray
    own: FloatArray
    intercepts: FloatArray
    variance: FloatArray
    device: FloatArray
    residual: FloatArray
    deviance: FloatArray


def allowed_to_vary(cells: Cells, kept: BoolArray) -> BoolArray:
    """Tell which variances m subsets can speak of: of the four slopes, then of GPUs, (m, 5)."""
    number = cell_sums(cells).first[0] @ kept.T
    workloads, gpus = (number > 0).sum(axis=0), kept.sum(axis=1)
    repeated = (gpus >= LEAST_GPUS) & (number.sum(axis=0) > gpus)
    return np.column_stack([*[workloads >= LEAST_WORKLOADS] * SIZE, repeated])


def _block(cells: Cells, kept: BoolArray, allowed: BoolArray) -> Slopes:
    make = products if allowed[:, SIZE].any() else products_of_columns
    p = make(cells, kept, USUAL_SLOPES)
    found = fit_reml(p, allowed)
    at, sums = found.look, cell_sums(cells)
    shared = at.shared + USUAL_SLOPES
    own = shared[:, None] + at.own
    counts = sums.first[0] * kept[:, None]
    total = np.maximum(p.count, 1.0)
    first = np.moveaxis(sums.first[1:] @ kept.T, 2, 1) / total
    level = first[-1] - (np.moveaxis(first[:-1], 0, -1) * own).sum(axis=-1)
    if at.device.size:
        level -= (counts / total[..., None] * at.device[:, None]).sum(axis=-1)
    level += sums.middle[-1] - own @ sums.middle[:-1]
    return Slopes(
        shared=shared,
        own=own,
        intercepts=np.where(p.count > 0, level, np.nan),
        variance=found.ratio[:, :SIZE] * at.square[:, None],
        device=found.ratio[:, SIZE] * at.square,
        residual=at.square,
        deviance=found.deviance,
    )


def mixed_slopes(cells: Cells, kept: BoolArray, allowed: BoolArray) -> Slopes:
    """Fit m mixed models side by side.

    Parameters
    ----------
    cells : Cells
        n cells of D GPUs.
    kept : ndarray of bool, shape (m, D)
        Which GPUs each model sees, in the order of `cells.gpus`.
    allowed : ndarray of bool, shape (m, 5)
        Which variances may differ from zero: of the four slopes, then of GPUs.

    Returns
    -------
    Slopes
        Directions that the data leave open stay at `USUAL_SLOPES`.
    """
    size = len(cells.rows.names.workloads) * SIZE * (SIZE + kept.shape[1])
    step = max(1, BLOCK_NUMBERS // size)
    parts = [
        _block(cells, kept[k : k + step], allowed[k : k + step]) for k in range(0, len(kept), step)
    ]
    names = Slopes.__dataclass_fields__
    return Slopes(*(np.concatenate([getattr(part, name) for part in parts]) for name in names))


@dataclass(frozen=True, slots=True)
class WorkloadSlopes(Family):
    """Mixed model with random workload slopes and GPUs; see the module's formula."""

    def fit(self, cells: Cells) -> "WorkloadSlopesFit":
        """Fit to all cells."""
        kept = np.ones(len(cells.gpus), dtype=bool)[None]
        return WorkloadSlopesFit(cells, mixed_slopes(cells, kept, allowed_to_vary(cells, kept)))

    def left_out_at(self, cells: Cells, without: list[IntArray], rows: Rows) -> list[FloatArray]:
        """Fit all subsets side by side from cross-products."""
        kept = kept_without(cells, without)
        slopes = mixed_slopes(cells, kept, allowed_to_vary(cells, kept))
        line = (slopes.own[:, rows.workload] * logs(rows)).sum(axis=2)
        return list(slopes.intercepts[:, rows.workload] + line)


@dataclass(frozen=True, slots=True, eq=False)
class WorkloadSlopesFit(Fitted):
    """A fitted mixed model.

    Attributes
    ----------
    cells : Cells
        What it was fitted to.
    slopes : Slopes
        Of one fit.
    """

    cells: Cells
    slopes: Slopes

    def log_fps(self, rows: Rows) -> FloatArray:
        """Evaluate each workload's line."""
        slopes = self.slopes.own[0][rows.workload]
        line = (slopes * logs(rows)).sum(axis=1)
        result: FloatArray = self.slopes.intercepts[0, rows.workload] + line
        return result

    def new_gpu(self, rows: Rows) -> NewGpu:
        """Tell how far a GPU never measured may lie from its line.

        Parameters
        ----------
        rows : Rows
            m configurations, predicted by `log_fps`.

        Returns
        -------
        NewGpu
            NaN where fewer than `LEAST_GPUS` GPUs were measured, or none more than once.
        """
        s, cells = self.slopes, self.cells
        ratio = np.append(s.variance[0], s.device[0]) / s.residual[0]
        kept = np.ones(len(cells.gpus), dtype=bool)[None]
        told = bool(allowed_to_vary(cells, kept)[0, SIZE])
        noise = np.nan_to_num(cells.pass_sd) ** 2 * (1.0 - float(np.mean(1.0 / cells.passes)))
        return NewGpu(
            line=line_error(cells, ratio, float(s.residual[0]), rows),
            device=float(np.sqrt(s.device[0])) if told else float("nan"),
            own=float(np.sqrt(s.residual[0] + noise)),
            dof=gpu_dof(cells),
        )

    def terms(self) -> pd.DataFrame:
        """Shared slopes, then each workload's; std_error holds how far workloads differ.

        For a shared slope the standard error is that of a mean over workloads.
        """
        names = self.cells.rows.names.workloads
        varies = np.flatnonzero(np.ptp(logs(self.cells.rows), axis=0) > 0)
        ran = np.unique(self.cells.rows.workload)
        between = np.sqrt(self.slopes.variance[0] / len(ran))
        rows = [("", j, self.slopes.shared[0, j], between[j]) for j in varies]
        rows += [(names[w], j, self.slopes.own[0, w, j], np.nan) for w in ran for j in varies]
        table = pd.DataFrame(rows, columns=["workload", "variable", "estimate", "std_error"])
        table["term"] = [VARIABLES[j] for j in table["variable"]]
        table["sentence"] = [
            (f"{workload}: " if workload else "") + gain_sentence(term, estimate)
            for workload, term, estimate in zip(
                table["workload"], table["term"], table["estimate"], strict=True
            )
        ]
        return table[["term", "workload", "estimate", "std_error", "sentence"]]
