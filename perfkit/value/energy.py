"""What a build's energy costs: asked for by a tariff, shown only then."""

from typing import TypeVar

import numpy as np
import pandas as pd

from perfkit.frames.usable import countable
from perfkit.study import Study
from perfkit.value.builds import machines

JOULES_PER_KWH = 3.6e6
"""SI Brochure: 1 kWh = 3.6 MJ."""

WEEKS_PER_YEAR = 52

Number = TypeVar("Number", float, "pd.Series[float]")

WALL, PACKAGE, MIXED = "wall", "package: at least", "not known or mixed: at least"


def energy_cost(watts: Number, hours: float, tariff_per_kwh: float) -> Number:
    """Cost of running for some hours.

    Parameters
    ----------
    watts : float or Series
    hours : float
    tariff_per_kwh : float
        Price of one kWh.

    Returns
    -------
    float or Series

    Examples
    --------
    >>> energy_cost(75, 1460, 0.25)
    27.375
    """
    return watts * hours / 1000 * tariff_per_kwh


def joules_per_frame(watts: Number, fps: Number) -> Number:
    """Energy of one frame.

    Parameters
    ----------
    watts, fps : float or Series

    Returns
    -------
    float or Series

    Examples
    --------
    >>> joules_per_frame(120, 60)
    2.0
    """
    return watts / fps


def energy_table(study: Study, passes: pd.DataFrame) -> pd.DataFrame:
    """Say what each build's energy costs.

    Parameters
    ----------
    study : Study
    passes : DataFrame
        As made by :func:`perfkit.summarize_passes`.

    Returns
    -------
    DataFrame
        build, workload ("" for all, equal hours of each), power_w, measured_at, fps,
        joules_per_frame, kwh_per_1000_frames, cost_per_1000_frames, cost_per_hour, cost_per_year
        (NaN without hours_per_week), passes: no rows without a tariff, or where no pass at
        ``value_at`` has its power.

    Notes
    -----
    `power_w` is taken as drawn at the wall only where a further column of passes.csv, power_at,
    says "wall"; elsewhere every cost is a lower bound, and `measured_at` says so, and whether the
    column says "package".
    """
    tariff = study.settings.tariff_per_kwh
    columns = ["build", "workload", "power_w", "measured_at", "fps", "joules_per_frame"]
    columns += ["kwh_per_1000_frames", "cost_per_1000_frames", "cost_per_hour", "cost_per_year"]
    columns += ["passes"]
    if tariff is None:
        return pd.DataFrame(columns=columns)
    cells = _powered(study, passes)
    made = machines(study)
    rows = made.loc[made["reason"] == "", ["build", "system", "gpu"]].merge(
        cells, on=["system", "gpu"]
    )
    by_build = rows.groupby("build")
    whole = (
        by_build[["power_w", "fps"]]
        .mean()
        .assign(
            workload="",
            passes=by_build["passes"].sum(),
            wall=by_build["wall"].all(),
            package=by_build["package"].all(),
        )
    )
    rows = pd.concat([whole.reset_index(), rows])
    hours = study.settings.hours_per_week
    frame = joules_per_frame(rows["power_w"], rows["fps"])
    kwh = 1000 * frame / JOULES_PER_KWH
    yearly = np.nan if hours is None else hours * WEEKS_PER_YEAR
    rows = rows.assign(
        measured_at=np.select([rows["wall"], rows["package"]], [WALL, PACKAGE], MIXED),
        joules_per_frame=frame,
        kwh_per_1000_frames=kwh,
        cost_per_1000_frames=kwh * tariff,
        cost_per_hour=energy_cost(rows["power_w"], 1.0, tariff),
        cost_per_year=energy_cost(rows["power_w"], yearly, tariff),
    )
    order = {build: at for at, build in enumerate(made["build"])}
    ordered = rows.sort_values("build", key=lambda names: names.map(order), kind="stable")
    return ordered[columns].reset_index(drop=True)


def _powered(study: Study, passes: pd.DataFrame) -> pd.DataFrame:
    width, height = study.settings.value_at
    kept = countable(passes)
    kept = kept[
        (kept["width"] == width)
        & (kept["height"] == height)
        & (kept["render_scale"] == 1)
        & (kept["power_w"] > 0)
    ]
    at = kept["power_at"] if "power_at" in kept else pd.Series("", index=kept.index)
    grouped = kept.assign(wall=at == "wall", package=at == "package").groupby(
        ["system", "gpu", "workload"], sort=False
    )
    return grouped.agg(
        power_w=("power_w", "mean"),
        fps=("avg_fps", "mean"),
        passes=("avg_fps", "size"),
        wall=("wall", "all"),
        package=("package", "all"),
    ).reset_index()
