"""How often ranges cover in simulated studies, with today's code.

    python -m tests.benchmarks.coverage [--studies 2000]

Each study is a seeded market with 7, 11 or 15 GPUs and twelve workloads (see tests/models/worlds.py
for the laws; every second study follows one that no family holds). One GPU is kept back, the rest
is fitted, and a future pass of each workload on the GPU kept back is held against its range.
"""

import argparse
import time
from collections.abc import Sequence

import numpy as np
import pandas as pd

from perfkit.progress import terminal_progress
from tests.models.simulated import UNHELD, Outcome, outcome, table


def by_law(outcomes: Sequence[Outcome]) -> pd.DataFrame:
    """Coverage and error by law, inside and outside the range seen."""
    rows = table(outcomes)
    rows["held"] = np.where(rows["law"].isin(UNHELD), "no family", "a family")
    rows["where"] = np.where(rows["inside_range"], "inside", "outside")
    rows["size"] = 100 * np.abs(np.expm1(rows["error"]))
    grouped = rows.groupby(["where", "held", "law"])
    return grouped.agg(
        studies=("seed", "nunique"),
        coverage=("covered", "mean"),
        median_abs_pct=("size", "median"),
        bias_pct=("error", lambda e: 100 * np.expm1(e.mean())),
    )


def standard_error(rows: pd.DataFrame) -> float:
    """Compute the standard error of a coverage, studies being the unit."""
    each = rows.groupby("seed")["covered"].agg(["sum", "size"])
    share = each["sum"].sum() / each["size"].sum()
    return float(np.sqrt(np.sum((each["sum"] - share * each["size"]) ** 2)) / each["size"].sum())


def report(outcomes: Sequence[Outcome]) -> str:
    """Table and summary as text."""
    rows = table(outcomes)
    lines = [by_law(outcomes).round(3).to_string(), ""]
    for name, part in (
        ("inside the range seen", rows[rows["inside_range"]]),
        ("outside it", rows[~rows["inside_range"]]),
    ):
        error = standard_error(part)
        lines.append(f"{name}: {part['covered'].mean():.3f} +- {error:.3f} of {len(part)} rows")
    shared = np.mean([one.mean_covered for one in outcomes])
    alone = np.mean([one.mean_covered_alone for one in outcomes])
    lines.append(f"mean over twelve games: {shared:.3f}; had rows been independent: {alone:.3f}")
    return "\n".join(lines)


def main() -> None:
    """Run the studies and print what was covered."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--studies", type=int, default=2000)
    count = parser.parse_args().studies
    start = time.process_time()
    seeds = terminal_progress().track(range(count), count, "studies")
    print(report([outcome(seed) for seed in seeds]))
    print(f"{count} studies, {(time.process_time() - start) / count:.2f} s of processor each")


if __name__ == "__main__":
    main()
