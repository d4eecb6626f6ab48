"""The table of predictions: one row a configuration, numbers with ranges, reasons in words."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from perfkit.models.borrowing import Borrowed
from perfkit.models.cycles import Cycles
from perfkit.models.family import PARTS, FloatArray, Rows
from perfkit.models.observations import CONFIGURATION, to_rows
from perfkit.models.outside_seen import UNITS, VARIABLES, Outside, levels, outside, seen_ranges
from perfkit.models.rates import Catalogue
from perfkit.models.refusals import Known, at_cap, memory_notes, refuse
from perfkit.models.sentences import filled
from perfkit.models.train import Trained

COLUMNS = (
    *CONFIGURATION,
    "fps",
    "pred_low",
    "pred_high",
    "level",
    "low_1pct_fps",
    "inside_range",
    "left_range",
    "limited_by",
    "model",
    "reason",
    "mean_low",
    "mean_high",
    "low_1pct_low",
    "low_1pct_high",
    "scale_device",
    "scale_own",
    "dof",
    "basis",
)
NUMBERS = (
    "fps",
    "pred_low",
    "pred_high",
    "low_1pct_fps",
    "mean_low",
    "mean_high",
    "low_1pct_low",
    "low_1pct_high",
    "scale_device",
    "scale_own",
    "dof",
)
ONE_GPU = (
    "only {gpu} was measured: nothing says how another GPU differs; see the runs that teach most"
)


@dataclass(frozen=True, slots=True, eq=False)
class Model:
    """A trained predictor, and how configurations become its rows.

    Attributes
    ----------
    trained : Trained
    bandwidth : bool
        Whether it uses bandwidth.
    cpu_fill : float
        Speed taken for processors whose speed is not known.
    borrowed : Borrowed
        Workloads run on one GPU only, and how wide their ranges must be.
    cycles : Cycles
        Workloads whose load repeats: a pass that sees part of a round is brought to that.
    """

    trained: Trained
    bandwidth: bool
    cpu_fill: float
    borrowed: Borrowed
    cycles: Cycles


def believed_parts(trained: Trained, rows: Rows) -> FloatArray:
    """Frame time by cause (ms) of the heaviest family that tells it, shape (m, 4)."""
    shares = trained.settled.choice.weights.shares([f.name for f in trained.recipe.families])
    by_weight = sorted(
        zip(trained.recipe.families, trained.fitted, strict=True),
        key=lambda pair: -shares[pair[0].name],
    )
    result = np.full((len(rows), len(PARTS)), np.nan)
    for _, fitted in by_weight:
        open_rows = np.flatnonzero(np.isnan(result).any(axis=1))
        if not len(open_rows):
            break
        result[open_rows] = fitted.parts(rows.take(open_rows))
    return result


def limiting_part(trained: Trained, rows: Rows) -> pd.Series:
    """Name the largest part of the modelled frame time, "" where no family tells parts."""
    parts = believed_parts(trained, rows)
    told = np.isfinite(parts).all(axis=1) & (parts.sum(axis=1) > 0)
    largest = np.array(PARTS)[np.argmax(np.nan_to_num(parts), axis=1)]
    return pd.Series(np.where(told, largest, ""), dtype="str")


def left_range(model: Model, rows: Rows, left: Outside, table: pd.DataFrame) -> list[str]:
    """Say for each row which number left which range; "" where none did."""
    ranges = seen_ranges(model.trained.cells.rows)
    value = levels(rows)
    kinds, families = table["kind"].tolist(), table["family"].tolist()
    open_bandwidth = table["bandwidth_gb_s"].isna().to_numpy() & (not model.bandwidth)
    several = np.ptp(model.trained.cells.rows.cpu_speed) > 0
    open_speed = table["cpu_speed"].isna().to_numpy() & several
    texts = []
    for i, code in enumerate(rows.workload):
        parts = [
            f"{VARIABLES[j]} {value[i, j]:.3g} {UNITS[j]} outside "
            f"{ranges.low[code, j]:.3g} to {ranges.high[code, j]:.3g}"
            for j in np.flatnonzero(left.by_variable[i] > 0)
        ]
        if left.memory[i] > 0:
            least = ranges.least_memory[code]
            parts.append(f"memory {rows.memory_gib[i]:.3g} GiB below {least:.3g} GiB")
        if left.new_kind[i]:
            parts.append(f"never run on {kinds[i] or 'this kind of'} GPU")
        if left.new_family[i]:
            parts.append(f"never run on family {families[i] or 'not stated'}")
        if open_bandwidth[i]:
            parts.append("bandwidth not known")
        if open_speed[i]:
            parts.append("processor speed not known")
        texts.append("; ".join(parts))
    return texts


def _numbers(model: Model, rows: Rows, level: float) -> pd.DataFrame:
    said = model.trained.predict(rows)
    borrows = model.borrowed.of(rows)
    if borrows.any():
        log_fps, scale = model.borrowed.predict(rows)
        said = said.borrowed(borrows, log_fps, scale, model.borrowed.dof[rows.workload])
    shift = model.cycles.shift(rows.names.workloads, rows.workload, said.log_fps)
    said = replace(said, log_fps=said.log_fps - shift)
    scales = said.scales
    low, high = 0.5 - level / 2, 0.5 + level / 2
    fps = np.exp(said.log_fps)
    return pd.DataFrame(
        {
            "fps": fps,
            "pred_low": said.quantile(low),
            "pred_high": said.quantile(high),
            "low_1pct_fps": fps * np.exp(said.log_low_ratio),
            "mean_low": said.mean_quantile(low),
            "mean_high": said.mean_quantile(high),
            "low_1pct_low": said.low_quantile(low),
            "low_1pct_high": said.low_quantile(high),
            "scale_device": scales.device,
            "scale_own": scales.own,
            "dof": scales.dof,
            "borrows": borrows,
        }
    )


def _with_one_model(model: Model, table: pd.DataFrame, level: float) -> pd.DataFrame:
    trained = model.trained
    names = trained.cells.rows.names
    rows = to_rows(names, table, bandwidth=model.bandwidth, cpu_fill=model.cpu_fill)
    result = _numbers(model, rows, level)
    left = left_range(model, rows, outside(trained.cells.rows, rows), table)
    result["left_range"] = pd.Series(left, dtype="str")
    result["inside_range"] = result["left_range"].eq("")
    result["limited_by"] = limiting_part(trained, rows)
    result["model"] = trained.settled.choice.combination.name
    workload = table["workload"].reset_index(drop=True)
    result["reason"] = ""
    if len(trained.cells.gpus) < 2:
        only = names.gpus[trained.cells.gpus[0]]
        result["reason"] = ONE_GPU.format(gpu=only)
    else:
        alone = filled(
            "{workload} was run on one GPU only, and too few other workloads ran there and "
            "elsewhere to say how far off a guess would be",
            workload.index,
            workload=workload,
        )
        result["reason"] = result["reason"].mask(result["pred_low"].isna(), alone)
    result["basis"] = np.where(result["borrows"], "predicted, slopes borrowed", "predicted")
    return result.set_axis(table.index, axis="index").drop(columns="borrows")


def _remarks(known: Known, table: pd.DataFrame, memory: pd.Series, out: pd.DataFrame) -> pd.Series:
    """Say what to know of a number that is given."""
    capped = at_cap(known, table, out["fps"])
    nothing = pd.Series("", index=table.index, dtype="str")
    held = filled(
        "without the cap: every pass of it was held to at most {cap:g} FPS",
        table.index,
        cap=table["workload"].map(known.caps).astype(float),
    )
    low = filled(
        "1 % low not known: no pass of {workload} has frames enough",
        table.index,
        workload=table["workload"],
    )
    pieces = [
        memory,
        nothing.mask(capped, held),
        nothing.mask(out["low_1pct_fps"].isna(), low),
    ]
    joined = ["; ".join(part for part in parts if part) for parts in zip(*pieces, strict=True)]
    return pd.Series(joined, index=table.index, dtype="str")


def predict_table(
    study: Catalogue, known: Known, models: tuple[Model, ...], table: pd.DataFrame, level: float
) -> pd.DataFrame:
    """Predict configurations with rates; the columns of `COLUMNS`.

    Parameters
    ----------
    study : Study
    known : Known
    models : tuple of Model
        With bandwidth first, then without; either may be missing.
    table : DataFrame
        Configurations as from `attach_rates`, with a RangeIndex.
    level : float
        Coverage.

    Returns
    -------
    DataFrame
        One row per row of `table`, in order.
    """
    out = table[CONFIGURATION].assign(
        **dict.fromkeys(NUMBERS, np.nan),
        level=level,
        inside_range=False,
        left_range="",
        limited_by="",
        model="",
        basis="",
    )
    short, memory = memory_notes(study, known, table)
    out["reason"] = refuse(study, known, table, short)
    asked = out["reason"].eq("")
    for model in models:
        measured = model.trained.cells.rows
        ran = set(np.array(measured.names.workloads, dtype=object)[np.unique(measured.workload)])
        mine = asked & table["workload"].isin(ran)
        if model.bandwidth:
            mine &= table["bandwidth_gb_s"].notna()
        if mine.any():
            part = _with_one_model(model, table[mine], level)
            out.loc[mine, part.columns] = part
        asked &= ~mine
    missing = filled(
        "the memory bandwidth of {gpu} in {system} is not known",
        table.index,
        gpu=table["gpu"],
        system=table["system"],
    )
    out["reason"] = out["reason"].mask(asked, missing)
    refused = out["reason"].ne("")
    out.loc[refused, list(NUMBERS)] = np.nan
    out.loc[refused, ["model", "basis", "limited_by"]] = ""
    out["reason"] = out["reason"].where(refused, _remarks(known, table, memory, out))
    out["limited_by"] = out["limited_by"].mask(at_cap(known, table, out["fps"]), "cap")
    held = refused & table["workload"].isin(known.bounds.index)
    out["limited_by"] = out["limited_by"].mask(held, "cap")
    return out[list(COLUMNS)]


def frame_time_parts(model: Model) -> pd.DataFrame:
    """Split the modelled frame time of every measured cell by cause.

    Returns
    -------
    DataFrame
        workload, system, gpu, drawn_mpx, arithmetic_ms, memory_ms, processor_ms, fixed_cost_ms,
        limited_by; parts are of the believed family, or of the next that tells parts.
    """
    rows = model.trained.cells.rows
    parts = believed_parts(model.trained, rows)
    columns = [f"{part.replace(' ', '_')}_ms" for part in PARTS]
    frame = pd.DataFrame(
        {
            "workload": np.array(rows.names.workloads, dtype=object)[rows.workload],
            "system": np.array(rows.names.systems, dtype=object)[rows.system],
            "gpu": np.array(rows.names.gpus, dtype=object)[rows.gpu],
            "drawn_mpx": rows.drawn_mpx,
            **dict(zip(columns, parts.T, strict=True)),
        }
    )
    frame["limited_by"] = limiting_part(model.trained, rows)
    keys = ["workload", "drawn_mpx", "gpu", "system"]
    return frame.sort_values(keys, kind="stable", ignore_index=True)
