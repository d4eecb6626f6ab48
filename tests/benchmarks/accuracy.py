"""How far off predictions of the measured study are, with today's code.

    python -m tests.benchmarks.accuracy [--draws 100] [--only NAME ...]

Every row trains `perfkit.fit` on a part of data/measured and asks `Fit.predict` for the rest, so
nothing that was used to choose or to set a width is scored. Errors are of passes: predicted over
measured FPS, less one. The interval score (Gneiting and Raftery 2007, equation 43, of log FPS) is
set against the better of two single families with a plain range: root mean square of the passes
of left-out GPUs, by workload, times a t with GPUs less one degrees of freedom. The borrowed
workload is set against the spread of the other workloads' speed-ups.

Constants that were chosen while looking at these splits: the expected shares, their spreads,
SHARPNESS, SHARPNESS_SD and CONTENTION_SD of perfkit.models.laws; LOSS_DOF and LEAST_SCALE of
law_fit; RESIDUAL_SD, NOISE_SD, REACH and SAME_AT_ALL_SIZES of kriging; HARMONICS and LEAST_SHARE
of load_cycle; HELPS of cycles; REACH and PRIOR_GPUS of local_width; PER_LN, TO_LAWS and TO_SIDE of
beyond; SAMPLED and MATCH_SCALE of borrowing;
the three laws of the blend. Numbers on these splits are that much too good. The 1 % low's own model
was taken over a ratio to the average after both had been seen on the long passes' four devices.

Not reached: `down` has width 0.74 (0.65 aimed at) and covers 98 % (at most 97), `borrowed` 0.41
(0.40). Going down, left-out errors of the large devices, whose short frames are less regular, set
the scale, and the small ones turn out steadier: absolute errors average 0.60 scales where a t with
six degrees of freedom has 0.92. No width is counted twice: four fifths of the variance are a row's
own, from left-out errors of passes about as fast, and of the rest only doubt outside the range is
added; 2,000 simulated studies, which use the same rule, cover 89 % both inside and outside. All
widths times 0.7 would give 0.64 at 91 %, but nothing measured on the large devices says so. Of
borrowed workloads one is covered by 63 % and the other five by 98 to 100 %; all widths times 0.9
would give 0.39 at 91 %. Either factor would be read off these splits, so neither is used.
"""

import argparse
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.stats import t as student

import perfkit as pk
from perfkit.defaults import LEVEL, SEED
from perfkit.models.family import Cells, Rows
from perfkit.models.intervals import Scales, Spread, Width
from perfkit.models.left_out_errors import interval_score
from perfkit.models.registry import FAMILIES
from perfkit.models.selection import OneFamily
from perfkit.models.train import Recipe

DATA = Path(__file__).parents[2] / "data" / "measured"
KEYS = ["system", "gpu", "workload", "width", "height"]
SINGLE = ("time sum", "power law, workload slopes")
TARGETS = {
    "each device": "1.9 / 12.6, 0.80",
    "each resolution": "1.8 / 12.6, 0.80",
    "up": "3.5 / 40, 0.85",
    "down": "2.8 / 18, 0.65",
    "three devices": "3.6 / 20, 0.80",
    "borrowed": "22 / 60, 0.40",
}


class PlainT(Width):
    """Root mean square of left-out passes by workload; nothing else."""

    def learn(self, cells: Cells, predicted: np.ndarray) -> "PlainSpread":
        square = (predicted - cells.log_fps) ** 2 + cells.scatter
        size = len(cells.rows.names.workloads)
        known = np.isfinite(square)
        workload = cells.rows.workload[known]
        with np.errstate(invalid="ignore"):
            mean = np.bincount(workload, square[known], size) / np.bincount(
                workload, minlength=size
            )
        return PlainSpread(np.sqrt(mean), len(cells.gpus) - 1.0)


@dataclass(frozen=True)
class PlainSpread(Spread):
    """As learnt by `PlainT`."""

    scale: np.ndarray
    dof: float

    def scales(self, rows: Rows, predicted: np.ndarray) -> Scales:
        own = self.scale[rows.workload]
        return Scales(np.zeros(len(rows)), own, own, np.full(len(rows), self.dof))


def single(name: str) -> Recipe:
    """One family with a plain range."""
    family = next(f for f in FAMILIES if f.name == name)
    return Recipe((family,), (OneFamily(name, 1),), PlainT())


@dataclass(frozen=True)
class Split:
    """What is known and what is asked, as masks of passes."""

    known: np.ndarray
    asked: np.ndarray


def splits(name: str, passes: pd.DataFrame, units: np.ndarray, draws: int) -> Iterator[Split]:
    """Ways to part the passes, by the name of a row of the table."""
    gpu, height = passes["gpu"].to_numpy(), passes["height"].to_numpy()
    if name == "each device":
        for one in pd.unique(gpu):
            yield Split(gpu != one, gpu == one)
    elif name == "each resolution":
        for one in pd.unique(height):
            yield Split(height != one, height == one)
    elif name == "up":
        yield Split(units <= 16, units >= 32)
    elif name == "down":
        yield Split(units >= 32, units <= 16)
    elif name == "three devices":
        rng = np.random.default_rng(SEED)
        for _ in range(draws):
            three = np.isin(gpu, rng.choice(pd.unique(gpu), 3, replace=False))
            shuffled = passes[three].sample(frac=1.0, random_state=rng)
            one = shuffled.drop_duplicates(KEYS).index
            yield Split(passes.index.isin(one), ~three)
    elif name == "borrowed":
        home = passes["gpu"].str.endswith("016u-loaded").to_numpy()
        for one in passes["workload"].unique():
            mine = passes["workload"].eq(one).to_numpy()
            yield Split(~mine | home, mine & (units >= 32))


def predicted(
    study: object, passes: pd.DataFrame, split: Split, recipe: Recipe | None
) -> pd.DataFrame:
    """Asked passes beside what a fit to the known ones says."""
    known = passes[split.known].reset_index(drop=True)
    model = pk.fit(study, known) if recipe is None else pk.fit(study, known, recipe=recipe)
    asked = passes.loc[split.asked, [*KEYS, "avg_fps", "low_1pct_fps"]]
    table = model.predict(asked[KEYS].drop_duplicates())
    said = table.rename(columns={"low_1pct_fps": "low_said"})
    return asked.merge(said, on=KEYS, how="left")


def scored(rows: pd.DataFrame) -> dict[str, float]:
    """Errors of passes in percent, score and coverage of their ranges."""
    given = rows[rows["fps"].notna()]
    error = 100.0 * (given["fps"] / given["avg_fps"] - 1.0)
    truth = np.log(given["avg_fps"].to_numpy())
    low, high = np.log(given["pred_low"].to_numpy()), np.log(given["pred_high"].to_numpy())
    return {
        "median": error.abs().median(),
        "p90": error.abs().quantile(0.9),
        "bias": error.median(),
        "score": float(np.nanmean(interval_score(truth, low, high, LEVEL))),
        "coverage": float(np.mean((low <= truth) & (truth <= high))),
        "refused": 1.0 - len(given) / len(rows),
    }


def by_speed_ups(passes: pd.DataFrame, split: Split) -> pd.DataFrame:
    """Range of a borrowed workload from how much faster the other workloads got."""
    table = np.log(
        passes.pivot_table(index="workload", columns=["gpu", "height"], values="avg_fps")
    )
    home = [c for c in table.columns if c[0].endswith("016u-loaded")]
    at_home = {height: table[(gpu, height)] for gpu, height in home}
    asked = passes[split.asked]
    own = asked["workload"].iloc[0]
    gains = {
        (gpu, height): (table[(gpu, height)] - at_home[height]).drop(own)
        for gpu, height in set(zip(asked["gpu"], asked["height"], strict=True))
    }
    quantile = student.ppf(0.5 + LEVEL / 2, len(table) - 2)
    spread = np.sqrt(1.0 + 1.0 / (len(table) - 1))
    keys = list(zip(asked["gpu"], asked["height"], strict=True))
    middle = np.array([at_home[k[1]][own] + gains[k].mean() for k in keys])
    width = np.array([quantile * spread * gains[k].std() for k in keys])
    return asked.assign(
        fps=np.exp(middle), pred_low=np.exp(middle - width), pred_high=np.exp(middle + width)
    )


def measured_row(name: str, study: object, passes: pd.DataFrame, draws: int) -> str:
    """One line of the table."""
    begun = time.perf_counter()
    units = passes["gpu"].str.extract(r"-(\d+)u")[0].astype(int).to_numpy()
    parts = list(splits(name, passes, units, draws))
    result = scored(pd.concat([predicted(study, passes, part, None) for part in parts]))
    if name == "borrowed":
        best = scored(pd.concat([by_speed_ups(passes, part) for part in parts]))["score"]
    else:
        best = min(
            scored(pd.concat([predicted(study, passes, part, single(one)) for part in parts]))[
                "score"
            ]
            for one in SINGLE
        )
    return (
        f"{name:16} {result['median']:5.2f} / {result['p90']:5.1f}  {result['bias']:+6.1f}  "
        f"{result['score']:6.3f}  {result['score'] / best:5.2f}  {result['coverage']:8.1%}  "
        f"{result['refused']:7.1%}  {time.perf_counter() - begun:5.0f}  {TARGETS[name]}"
    )


def lows() -> str:
    """Error of the average and of the 1 % low on the long passes, leaving each device out."""
    study = pk.load_study(DATA / "long")
    passes = pk.summarize_passes(study).reset_index(drop=True)
    free = passes["cap_fps"].isna().to_numpy()
    rows = []
    for one in passes["gpu"].unique():
        mine = passes["gpu"].eq(one).to_numpy()
        rows.append(predicted(study, passes, Split(~mine, mine & free), None))
    table = pd.concat(rows).dropna(subset=["low_1pct_fps"])
    average = 100.0 * (table["fps"] / table["avg_fps"] - 1.0)
    low = 100.0 * (table["low_said"] / table["low_1pct_fps"] - 1.0)
    return (
        f"long passes, leaving each of {passes['gpu'].nunique()} devices out: average "
        f"{average.abs().median():.2f} / {average.abs().quantile(0.9):.1f} (bias "
        f"{average.median():+.1f}), 1 % low {low.abs().median():.2f} / "
        f"{low.abs().quantile(0.9):.1f} (bias {low.median():+.1f}); ratio of the medians "
        f"{low.abs().median() / average.abs().median():.2f} (at most 1.5), refused "
        f"{table['low_said'].isna().mean():.1%}"
    )


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--draws", type=int, default=100, help="draws of three devices")
    parser.add_argument("--only", nargs="*", default=[*TARGETS, "lows"], help="rows to print")
    asked = parser.parse_args()
    study = pk.load_study(DATA)
    passes = pk.summarize_passes(study).reset_index(drop=True)
    print(
        "row               median / p90   bias   score  ratio  coverage  refused  sec    to reach"
    )
    for name in TARGETS:
        if name in asked.only:
            print(measured_row(name, study, passes, asked.draws), flush=True)
    if "lows" in asked.only:
        print(lows())


if __name__ == "__main__":
    main()
