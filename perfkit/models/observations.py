"""Which passes teach a model, which do not and why, and how they combine to cells."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from perfkit.frames.usable import CONFIGURATION as CONFIGURATION
from perfkit.frames.usable import at_newest_version, combine, held
from perfkit.models.family import Cells, FloatArray, IntArray, Names, Rows
from perfkit.models.rates import Catalogue, attach_rates, gpu_bandwidth, system_bandwidth
from perfkit.models.sentences import filled

KNOWN_SHARE = 0.5
"""Bandwidth enters the fit when it is known for at least this share of the measured GPUs."""


@dataclass(frozen=True, slots=True, eq=False)
class Observations:
    """What a fit may learn from.

    Attributes
    ----------
    names : Names
        Names behind the codes.
    table : DataFrame
        One row per cell: the configuration, its rates, `log_fps`, `at_least`, `log_low_ratio`,
        `passes`, `frames`, `seconds`, `load_shift`, `scatter`.
    pass_sd : float
        Standard deviation of log FPS between passes of a cell, pooled; NaN without repeats.
    left_out : DataFrame
        pass_id and reason of every pass that is not an observation of FPS.
    reasons : Series
        The reason ("" for none) of every pass, by position.
    bandwidth_gaps : bool
        Some GPU of the study, measured or not, has no known bandwidth in some system.
    """

    names: Names
    table: pd.DataFrame
    pass_sd: float
    left_out: pd.DataFrame
    reasons: pd.Series
    bandwidth_gaps: bool


def names_of(study: Catalogue) -> Names:
    """Collect the names that codes will stand for."""
    families = study.gpus["family"].fillna("")
    return Names(
        workloads=tuple(study.workloads["workload"]),
        gpus=tuple(study.gpus["gpu"]),
        systems=tuple(study.systems["system"]),
        families=tuple(sorted(set(families) | {""})),
    )


def memory_needs(passes: pd.DataFrame) -> pd.DataFrame:
    """Memory that each workload was seen to use, by size.

    Returns
    -------
    DataFrame
        workload, mpx (output megapixels), memory_used_gib: one row per workload and size.
    """
    used = passes.loc[passes["memory_used_gib"].gt(0) & passes["outcome"].ne("crashed")]
    mpx = used["width"].astype(float) * used["height"] / 1e6
    return used.assign(mpx=mpx).groupby(["workload", "mpx"])["memory_used_gib"].max().reset_index()


def memory_need(needs: pd.DataFrame, workload: pd.Series, mpx: pd.Series) -> FloatArray:
    """Most memory (GiB) that each workload was seen to use at that size or a smaller one.

    NaN where no pass told.
    """
    needs = needs.sort_values(["workload", "mpx"])
    most = needs.groupby("workload")["memory_used_gib"].cummax().to_numpy()
    names, of_need = np.unique(needs["workload"].to_numpy(object), return_inverse=True)
    sizes, size_of_need = np.unique(needs["mpx"], return_inverse=True)
    reached = np.searchsorted(sizes, mpx.to_numpy() * (1 + 1e-9), "right") - 1
    of_row = pd.Index(names).get_indexer(workload)
    keys = of_need * len(sizes) + size_of_need
    at = np.searchsorted(keys, of_row * len(sizes) + reached, "right") - 1
    told = (of_row >= 0) & (at >= 0) & mpx.notna().to_numpy()
    told[told] = of_need[at[told]] == of_row[told]
    result = np.full(len(workload), np.nan)
    result[told] = most[at[told]]
    return result


def memory_limit(study: Catalogue, rows: pd.DataFrame) -> pd.Series:
    """Memory (GiB) beyond which a frame's data no longer fit.

    A card's own; an integrated GPU overflows into the same memory, so all of the system's.
    """
    ram = study.systems.set_index("system")["ram_gib"].reindex(rows["system"])
    whole = pd.Series(ram.to_numpy(), index=rows.index).fillna(rows["memory_gib"])
    return whole.where(rows["kind"].eq("integrated"), rows["memory_gib"])


def _bandwidth_gaps(study: Catalogue) -> bool:
    shares = study.gpus["kind"].eq("integrated") & study.gpus["bandwidth_gb_s"].isna()
    own = gpu_bandwidth(study.gpus[~shares])
    systems = system_bandwidth(study.systems)
    return bool(own.isna().any() or (shares.any() and systems.isna().any()))


def _reasons(study: Catalogue, rows: pd.DataFrame) -> pd.Series:
    """Say for each pass why it is no observation; "" where it is one. First reason wins."""
    why = rows["reason"].fillna("") if "reason" in rows else pd.Series("", index=rows.index)
    need = memory_need(memory_needs(rows), rows["workload"], rows["output_mpx"])
    limit = memory_limit(study, rows)
    short = filled(
        "the card has {has:g} GiB, the workload was seen to use {used:g} GiB",
        rows.index,
        has=limit,
        used=need,
    )
    capped = filled("held by a cap: counts as at least {fps:.4g}", rows.index, fps=rows["avg_fps"])
    void = filled("void: {why}", rows.index, why=rows["void_reason"])
    nothing = filled("no average FPS: {why}", rows.index, why=why).str.removesuffix(": ")
    none = pd.Series("", index=rows.index, dtype="str")
    cumulative = rows["flags"].str.contains("cumulative") if "flags" in rows else False
    tests = [
        (rows["outcome"].eq("crashed"), "crashed"),
        (rows["void_reason"].ne(""), void),
        (rows["generated_per_drawn"].gt(0), "generated frames: drawing pays for them too"),
        (rows["state"].eq("cold"), "cold: caches were still filling"),
        (~rows["avg_fps"].gt(0), nothing),
        (cumulative, "the log looks like running totals, not frame times"),
        (rows["arithmetic_tflops"].isna(), "the GPU's arithmetic rate is not known"),
        (pd.Series(need, index=rows.index).gt(limit), short),
        (held(rows), capped),
        (rows.get("version_use", none).eq("kept apart"), rows.get("version_note", none)),
    ]
    result = pd.Series("", index=rows.index, dtype="str")
    for hit, reason in tests:
        said = pd.Series(reason, index=rows.index, dtype="str")
        result = result.mask(result.eq("") & hit, said)
    copy = rows["frames"].notna() & result.eq("")
    same = rows[copy].duplicated([*CONFIGURATION, "avg_fps", "frames", "seconds"])
    return result.mask(
        same.reindex(rows.index, fill_value=False), "the same frames as another pass"
    )


def _combine(rows: pd.DataFrame) -> pd.DataFrame:
    """Combine passes to cells; equal averages count as one pass."""
    cells = combine(rows, CONFIGURATION).drop(columns=["frames", "seconds", "passes"])
    rows = rows.assign(log_ratio=np.minimum(np.log(rows["low_1pct_fps"] / rows["avg_fps"]), 0.0))
    means = rows.groupby(CONFIGURATION).agg(
        frames=("frames", "mean"),
        seconds=("seconds", "mean"),
        passes=("avg_fps", "nunique"),
        log_low_ratio=("log_ratio", "mean"),
        load_shift=("load_shift", "mean"),
    )
    distinct = rows[[*CONFIGURATION, "avg_fps"]].drop_duplicates()
    distinct = distinct.assign(scatter=np.log(distinct["avg_fps"]))
    scatter = distinct.groupby(CONFIGURATION)["scatter"].var(ddof=0)
    cells = cells.merge(means, on=CONFIGURATION).merge(scatter, on=CONFIGURATION)
    return cells.assign(log_fps=np.log(cells["avg_fps"]))


def _pass_sd(rows: pd.DataFrame) -> float:
    """Pool the spread of log FPS between passes; identical values count once."""
    distinct = rows[[*CONFIGURATION, "avg_fps"]].drop_duplicates()
    logs = np.log(distinct["avg_fps"])
    keys = [distinct[name] for name in CONFIGURATION]
    deviation = logs - logs.groupby(keys).transform("mean")
    freedom = len(distinct) - len(distinct.drop_duplicates(CONFIGURATION))
    return float(np.sqrt((deviation**2).sum() / freedom)) if freedom > 0 else float("nan")


def gather(study: Catalogue, passes: pd.DataFrame) -> Observations:
    """Sort passes into observations, lower bounds and the rest, and combine them to cells.

    Parameters
    ----------
    study : Study
        Parts and workloads.
    passes : DataFrame
        One row per pass as from `summarize_passes`; `load_shift` as well where load cycles are
        known.

    Returns
    -------
    Observations
        Capped passes give cells marked `at_least`, unless the configuration was also run free.
        Passes under older versions are brought to the newest that a bridge reaches; the error of
        such a shift is small beside that of predicting another device, and not carried on.
    """
    rows = attach_rates(study, passes.reset_index(drop=True))
    rows["render_scale"] = rows["render_scale"].fillna(1.0)
    if "load_shift" not in rows:
        rows["load_shift"] = 0.0
    reasons = _reasons(study, rows)
    capped = reasons.str.startswith("held by a cap")
    free = at_newest_version(rows[reasons.eq("")])
    bound = rows[capped].assign(low_1pct_fps=np.nan)
    cells = _combine(free).assign(at_least=False)
    best = bound.loc[bound["avg_fps"].groupby([bound[k] for k in CONFIGURATION]).idxmax()]
    bounds = _combine(best).assign(at_least=True)
    bounds = bounds.merge(cells[CONFIGURATION], on=CONFIGURATION, how="left", indicator=True)
    bounds = bounds[bounds["_merge"].eq("left_only")].drop(columns="_merge")
    table = pd.concat([frame for frame in (cells, bounds) if len(frame)] or [cells])
    left = pd.DataFrame({"pass_id": rows["pass_id"], "reason": reasons})
    return Observations(
        names=names_of(study),
        table=attach_rates(study, table.reset_index(drop=True)),
        pass_sd=_pass_sd(free),
        left_out=left[reasons.ne("")].reset_index(drop=True),
        reasons=reasons,
        bandwidth_gaps=_bandwidth_gaps(study),
    )


def to_rows(names: Names, table: pd.DataFrame, *, bandwidth: bool, cpu_fill: float) -> Rows:
    """Turn configurations with rates into arrays.

    Parameters
    ----------
    names : Names
        Must hold every name in `table`.
    table : DataFrame
        Configurations as from `attach_rates`.
    bandwidth : bool
        Whether the fit uses bandwidth; ones otherwise.
    cpu_fill : float
        Speed taken for a processor whose speed is not known.
    """

    def codes(values: pd.Series, known: tuple[str, ...]) -> IntArray:
        return pd.Index(known).get_indexer(pd.Index(values)).astype(np.intp)

    def numbers(column: str) -> FloatArray:
        return table[column].to_numpy(float)

    return Rows(
        names=names,
        workload=codes(table["workload"], names.workloads),
        gpu=codes(table["gpu"], names.gpus),
        system=codes(table["system"], names.systems),
        family=codes(table["family"], names.families),
        integrated=table["kind"].eq("integrated").to_numpy(bool),
        arithmetic_tflops=numbers("arithmetic_tflops"),
        bandwidth_gb_s=numbers("bandwidth_gb_s") if bandwidth else np.ones(len(table)),
        drawn_mpx=numbers("drawn_mpx"),
        output_mpx=numbers("output_mpx"),
        cpu_speed=table["cpu_speed"].fillna(cpu_fill).to_numpy(float),
        memory_gib=numbers("memory_gib"),
    )


def to_cells(seen: Observations, table: pd.DataFrame, rows: Rows) -> Cells:
    """Turn rows of `seen.table` into cells."""
    return Cells(
        rows=rows,
        log_fps=(table["log_fps"] + table["load_shift"]).to_numpy(float),
        load_shift=table["load_shift"].to_numpy(float),
        scatter=table["scatter"].to_numpy(float),
        at_least=table["at_least"].to_numpy(bool),
        log_low_ratio=table["log_low_ratio"].to_numpy(float),
        passes=table["passes"].to_numpy(float),
        frames=table["frames"].to_numpy(float),
        seconds=table["seconds"].to_numpy(float),
        pass_sd=seen.pass_sd,
    )
