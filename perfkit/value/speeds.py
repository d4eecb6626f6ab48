"""How fast each machine is: measured where measured, predicted where not, with draws of both."""

import hashlib
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import stdtrit

from perfkit.defaults import DRAWS, SEED
from perfkit.models.draws import draw_fps
from perfkit.study import Study
from perfkit.value.measured import measured_cells

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]

BASES = ("measured", "borrowed", "predicted")
"""Where a number comes from, the strongest first."""

HALF = 0.5
"""A machine with numbers for less than this share of the workloads is not compared: it would take
the others' workloads away with it."""

_MACHINE = ["system", "gpu", "workload"]


@dataclass(frozen=True, slots=True, eq=False)
class BuildSpeeds:
    """Average FPS of some machines on the workloads that count, at one size.

    Attributes
    ----------
    names : tuple of str
        Machines, usually builds.
    workloads : tuple of str
        Workloads of positive weight, in file order.
    weights : ndarray, shape (workloads,)
    fps : ndarray, shape (machines, workloads)
        Average FPS (its median, where predicted); NaN where unknown.
    log_draws : ndarray, shape (machines, workloads, draws)
        Draws of its natural log; NaN where the spread is not known.
    basis : ndarray of str, shape (machines, workloads)
        measured, borrowed, predicted, or "".
    reason : ndarray of str, shape (machines, workloads)
        Why there is no number, or no range.
    passes : ndarray, shape (machines, workloads)
        Passes behind a measured number, else 0.
    log_scale : ndarray, shape (machines, workloads)
        Scale of the Student t behind `log_draws`.
    low_fps, low_log_scale : ndarray, shape (machines, workloads)
        1 % low, and the scale of its natural log; NaN where unknown.
    compared : ndarray of bool, shape (machines,)
        Machines with numbers for at least half of the workloads.
    common : ndarray of bool, shape (workloads,)
        Workloads with a number on every compared machine.
    """

    names: tuple[str, ...]
    workloads: tuple[str, ...]
    weights: FloatArray
    fps: FloatArray
    log_draws: FloatArray
    basis: npt.NDArray[np.str_]
    reason: npt.NDArray[np.str_]
    passes: FloatArray
    log_scale: FloatArray
    low_fps: FloatArray
    low_log_scale: FloatArray
    compared: npt.NDArray[np.bool_]
    common: npt.NDArray[np.bool_]

    def missing(self, machine: int) -> list[str]:
        """Workloads without a number on this machine."""
        return [self.workloads[w] for w in np.flatnonzero(np.isnan(self.fps[machine]))]

    def low_log_draws(self) -> FloatArray:
        """Draws of the natural log of the 1 % low, shape (machines, workloads, draws).

        A pass that comes out fast comes out fast in its lows too: each draw lies as many scales
        from its middle as the average's draw does, and never above that draw.
        """
        middle = np.log(np.stack([self.fps, self.low_fps]))[..., None]
        away = (self.log_draws - middle[0]) / self.log_scale[..., None]
        lows: FloatArray = middle[1] + self.low_log_scale[..., None] * away
        return np.minimum(lows, self.log_draws, out=lows)

    def weakest_basis(self, machine: int) -> str:
        """Weakest basis among the common workloads; "" when there is none."""
        used = set(self.basis[machine, self.common])
        return next((basis for basis in reversed(BASES) if basis in used), "")


@dataclass(frozen=True, slots=True, eq=False)
class SpeedBook:
    """Every configuration at ``value_at``, and the draws of those that were asked for.

    Attributes
    ----------
    rows : DataFrame
        As made by :func:`configuration_speeds`.
    table : DataFrame
        Predictions behind the predicted rows.
    workloads : DataFrame
        Columns workload and weight, weights positive.
    draws, seed : int
    drawn : dict of int to ndarray
        Draws of log FPS by row, as far as they were asked for.
    """

    rows: pd.DataFrame
    table: pd.DataFrame
    workloads: pd.DataFrame
    draws: int
    seed: int
    drawn: dict[int, FloatArray] = field(default_factory=dict)

    def speeds(self, machines: pd.DataFrame) -> BuildSpeeds:
        """Gather the speeds of machines.

        Parameters
        ----------
        machines : DataFrame
            name, system, gpu: one row per machine; the last two may be "".

        Returns
        -------
        BuildSpeeds
        """
        asked = machines[["system", "gpu"]].merge(self.workloads[["workload"]], how="cross")
        known = pd.MultiIndex.from_frame(self.rows[_MACHINE])
        found = known.get_indexer(pd.MultiIndex.from_frame(asked))
        used, at = np.unique(found, return_inverse=True)
        used = used[used >= 0]
        rows = self.rows.iloc[used]
        # a machine that nobody knows points at the last row, which holds nothing
        at = (at - int((found < 0).any())).reshape(len(machines), len(self.workloads))
        log_draws = self._log_draws(used)

        def spread(column: str, unknown: float | str) -> npt.NDArray[np.generic]:
            values = np.append(rows[column].to_numpy(), np.array([unknown], dtype=object))
            return np.asarray(values[at])

        fps = spread("fps", np.nan).astype(float)
        numbered = np.isfinite(fps)
        compared = numbered.mean(axis=1) >= HALF
        reason = spread("reason", "never run and not predicted").astype(str)
        return BuildSpeeds(
            names=tuple(machines["name"]),
            workloads=tuple(self.workloads["workload"]),
            weights=self.workloads["weight"].to_numpy(float),
            fps=fps,
            log_draws=log_draws[at],
            basis=np.where(numbered, spread("basis", "").astype(str), ""),
            reason=reason,
            passes=spread("passes", 0.0).astype(float),
            log_scale=spread("log_scale", np.nan).astype(float),
            low_fps=spread("low_1pct_fps", np.nan).astype(float),
            low_log_scale=spread("low_log_scale", np.nan).astype(float),
            compared=compared,
            common=numbered[compared].all(axis=0) & compared.any(),
        )

    def _log_draws(self, used: IntArray) -> FloatArray:
        """Draws of log FPS, one row a configuration, and a last row of NaN for the unknown one."""
        fresh = np.array([row for row in used if row not in self.drawn], dtype=np.intp)
        drawn = _log_draws(self.rows.iloc[fresh], self.table, self.draws, self.seed)
        self.drawn.update(zip(fresh.tolist(), drawn, strict=True))
        nothing = np.full(self.draws, np.nan)
        return np.stack([*(self.drawn[row] for row in used.tolist()), nothing])


def speed_book(
    study: Study,
    passes: pd.DataFrame,
    table: pd.DataFrame,
    *,
    draws: int = DRAWS,
    seed: int = SEED,
) -> SpeedBook:
    """Gather the speeds of a study at ``value_at``, native scale, nothing generated.

    Parameters
    ----------
    study : Study
    passes : DataFrame
        As made by :func:`perfkit.summarize_passes`.
    table : DataFrame
        Predictions, as made by ``model.predict``; used only where nothing was measured.
    draws : int
        Draws behind every range.
    seed : int
        Seed of the draws. A draw depends on the seed and the configuration's names alone, never
        on prices or on the other rows.

    Returns
    -------
    SpeedBook
    """
    workloads = study.workloads.loc[study.workloads["weight"] > 0, ["workload", "weight"]]
    rows = configuration_speeds(study, passes, table)
    return SpeedBook(rows, table, workloads, draws, seed)


def configuration_speeds(study: Study, passes: pd.DataFrame, table: pd.DataFrame) -> pd.DataFrame:
    """List every configuration at ``value_at`` that has been measured or predicted.

    Parameters
    ----------
    study : Study
    passes, table : DataFrame
        As in :func:`speed_book`.

    Returns
    -------
    DataFrame
        system, gpu, workload, fps, log_scale, dof, low_1pct_fps, low_log_scale, passes, basis,
        reason, predicted_row (position in `table`, -1 where measured), scale_device and scale_own
        (the parts of log_scale that a device's rows share and that each has alone; of a measured
        row the first is the error of a shift between versions, and shift_of names its
        boundaries).
    """
    width, height = study.settings.value_at
    cells = measured_cells(passes)
    cells = cells[_at(cells, width, height)].assign(predicted_row=-1)
    cells = cells.assign(scale_device=cells["shift_log_scale"], scale_own=cells["own_log_scale"])
    cells["reason"] = np.where(
        cells["log_scale"].isna(), "no configuration was run twice: spread not known", ""
    )
    asked = table.assign(predicted_row=np.arange(len(table)))[_at(table, width, height).to_numpy()]
    asked = asked.drop_duplicates(_MACHINE)
    taken = pd.MultiIndex.from_frame(cells[_MACHINE])
    fresh = asked[~pd.MultiIndex.from_frame(asked[_MACHINE]).isin(taken)]
    half_width = np.log(fresh["low_1pct_high"] / fresh["low_1pct_low"]) / 2
    quantile = _t_quantile(fresh["level"], fresh["dof"])
    fresh = fresh.assign(
        log_scale=np.hypot(fresh["scale_device"], fresh["scale_own"]),
        low_log_scale=half_width / quantile,
        passes=0.0,
        basis="predicted",
        shift_of="",
        reason=fresh["reason"].where(fresh["fps"].isna(), ""),
    )
    columns = [*_MACHINE, "fps", "log_scale", "dof", "low_1pct_fps", "low_log_scale", "passes"]
    columns += ["basis", "reason", "predicted_row", "scale_device", "scale_own", "shift_of"]
    return pd.concat([cells, fresh], ignore_index=True)[columns]


def _t_quantile(level: pd.Series, dof: pd.Series) -> FloatArray:
    return np.asarray(-stdtrit(dof.to_numpy(float), (1 - level.to_numpy(float)) / 2))


def _at(frame: pd.DataFrame, width: int, height: int) -> pd.Series:
    return (frame["width"] == width) & (frame["height"] == height) & (frame["render_scale"] == 1.0)


def key_generator(seed: int, *names: object) -> np.random.Generator:
    """Random stream that depends on the seed and on names alone.

    Parameters
    ----------
    seed : int
    *names : object
        Anything with a stable ``str``.

    Returns
    -------
    numpy.random.Generator

    Examples
    --------
    >>> bool(key_generator(1, "a").normal() == key_generator(1, "a").normal())
    True
    >>> bool(key_generator(1, "a").normal() == key_generator(1, "b").normal())
    False
    """
    digest = hashlib.sha256("\x1f".join(map(str, names)).encode()).digest()
    words = np.frombuffer(digest, dtype=np.uint32)
    return np.random.Generator(np.random.PCG64(np.random.SeedSequence([seed, *map(int, words)])))


def _log_draws(rows: pd.DataFrame, table: pd.DataFrame, draws: int, seed: int) -> FloatArray:
    """Draws of log FPS, one row a configuration."""
    result = np.full((len(rows), draws), np.nan)
    predicted_row = rows["predicted_row"].to_numpy()
    asked = np.flatnonzero(predicted_row >= 0)
    if len(asked):
        result[asked] = np.log(draw_fps(table.iloc[predicted_row[asked]], draws, seed)).T
    measured = np.flatnonzero((predicted_row < 0) & rows["log_scale"].notna().to_numpy())
    if len(measured):
        # one estimate of the spread serves all measured cells, so its error is shared
        dof = rows["dof"].iloc[measured[0]]
        shared = np.sqrt(dof / key_generator(seed, "measured spread").chisquare(dof, draws))
        cells = rows.iloc[measured]
        names = cells[_MACHINE].itertuples(index=False, name=None)
        own = [key_generator(seed, "measured", *name).standard_normal(draws) for name in names]
        steps = cells["scale_own"].to_numpy(float)[:, None] * own
        for name, of in cells.groupby("shift_of").indices.items():
            if name:  # one error of a shift for all that were brought over the same boundaries
                common = key_generator(seed, "version shift", name).standard_normal(draws)
                steps[of] += cells["scale_device"].to_numpy(float)[of, None] * common
        result[measured] = np.log(cells["fps"].to_numpy(float))[:, None] + steps * shared
    return result
