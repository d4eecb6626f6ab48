"""Speed of decisions from draws: ``python -m tests.benchmarks.value`` prints today's ratios.

Each ratio compares two ways in one process, interleaved, by the median of CPU times.

The grouped frame is fair: both ways start from the same draws, weights and prices, and are held to
the same answers first. It is a long frame, without Python functions, and each output is asked by
the shortest call pandas has: a weighted sum by build and draw, `quantile`, `cummax` along sorted
prices, `nth` for the best rival. Making the frame is not timed. It is tried in two shapes: with the
names of games and builds as text, which is how pandas reads a table and how one groups by a name;
and prepared by hand for speed, games as categories and builds as integers.

Measured on two cores: 225 times the frame with names (asked: 80) and 40 calm, 45 to 62 beside other
work, times the one prepared for speed; 1.1 copies of the draws (asked: 4), exponent 1.0 up to 16
times the builds (asked: 1), bootstrap 26 to 32 times arch (asked: 18). Of the 17 ms that a decision
takes, 3.3 go into the mean (2.3 are needed to read 77 MB of draws once), 0.7 into `exp`, 1.4 into
the frontier, 1.5 into the overtaking prices and 2 x 4.2 into the ends of 2 x 200 ranges. 80 times
the prepared frame too would need ends in half their time. They were 2 x 18 ms by sorting and 2 x 11
by `partition`; byte keys with a radix sort leave 5 microseconds each for making the keys, sorting
them and picking the ends of 4,000 draws, each near what one pass over them costs: picking alone by
a comparison takes 4 to 6. Single precision would halve the mean alone, and would break equality
with the frame's answers.
"""

import time
import tracemalloc
from collections.abc import Callable

import numpy as np
import pandas as pd
from arch.bootstrap import CircularBlockBootstrap
from scipy import stats

from perfkit.value.arithmetic import (
    central_range,
    frontier_probability,
    mean_log_draws,
    overtaking_prices,
)
from perfkit.value.bootstrap import block_starts, bootstrap_pass
from perfkit.value.ratio import fieller

BUILDS, WORKLOADS, DRAWS = 200, 12, 4000
LEVEL = 0.90


def cpu(work: Callable[[], object]) -> float:
    start = time.process_time()
    work()
    return time.process_time() - start


def market(builds: int = BUILDS) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(1)
    level = rng.normal(4.2, 0.4, (builds, WORKLOADS, 1))
    draws = level + 0.1 * rng.standard_normal((builds, 1, DRAWS))
    draws += 0.05 * rng.standard_normal((builds, WORKLOADS, DRAWS))
    return draws, rng.uniform(0.5, 2, WORKLOADS), rng.uniform(300, 1500, builds)


def decide(draws: np.ndarray, weights: np.ndarray, prices: np.ndarray) -> tuple:
    speeds = mean_log_draws(draws, weights)
    np.exp(speeds, out=speeds)
    low, high = central_range(speeds, LEVEL)
    return (
        prices / high,
        prices / low,
        frontier_probability(prices, speeds),
        central_range(overtaking_prices(prices, speeds), LEVEL),
    )


def long_frame(draws: np.ndarray) -> pd.DataFrame:
    """Write draws as a table that groups as quickly as pandas can: games as categories."""
    builds = draws.shape[0]
    workload = np.tile(np.repeat(np.arange(WORKLOADS), DRAWS), builds)
    return pd.DataFrame(
        {
            "build": np.repeat(np.arange(builds), WORKLOADS * DRAWS),
            "workload": pd.Categorical.from_codes(
                workload, [f"game {w}" for w in range(WORKLOADS)]
            ),
            "draw": np.tile(np.arange(DRAWS), builds * WORKLOADS),
            "log_fps": draws.ravel(),
        }
    )


def named(frame: pd.DataFrame) -> pd.DataFrame:
    """Give builds and games their names as text, as in a table that was read."""
    builds = np.array([f"build {number:03d}" for number in range(frame["build"].max() + 1)])
    return frame.assign(
        build=pd.array(builds[frame["build"]], dtype="str"),
        workload=frame["workload"].astype("str"),
    )


def decide_by_groups(frame: pd.DataFrame, weights: np.ndarray, prices: np.ndarray) -> tuple:
    shares = pd.Series(weights / weights.sum(), [f"game {w}" for w in range(len(weights))])
    cost_of = pd.Series(prices, np.sort(frame["build"].unique()))
    part = frame["log_fps"] * frame["workload"].map(shares).astype(float)
    total = part.groupby([frame["build"], frame["draw"]]).sum()
    mean = np.exp(total).rename("fps").reset_index()
    mean["price"] = mean["build"].map(cost_of)
    mean["cost"] = mean["price"] / mean["fps"]
    ends = [(1 - LEVEL) / 2, (1 + LEVEL) / 2]
    ranges = mean.groupby("build")["cost"].quantile(ends).unstack()  # noqa: PD010
    ordered = mean.sort_values(["draw", "price"])
    best = ordered.groupby("draw")["fps"].cummax()
    frontier = (ordered["fps"] == best).groupby(ordered["build"]).mean()
    by_draw = mean.sort_values("cost").groupby("draw")["cost"]
    first, second = by_draw.nth(0), by_draw.nth(1)
    first = pd.Series(first.to_numpy(), mean.loc[first.index, "draw"])
    second = pd.Series(second.to_numpy(), mean.loc[second.index, "draw"])
    own_best, next_best = mean["draw"].map(first), mean["draw"].map(second)
    mean["overtakes"] = np.where(mean["cost"] == own_best, next_best, own_best) * mean["fps"]
    prices_at = mean.groupby("build")["overtakes"].quantile(ends).unstack()  # noqa: PD010
    return ranges, frontier, prices_at


def same_answer(ours: tuple, theirs: tuple) -> None:
    np.testing.assert_allclose(np.stack(ours[:2], axis=1), theirs[0].to_numpy(), rtol=2e-4)
    np.testing.assert_allclose(ours[2], theirs[1].to_numpy(), atol=1e-12)
    np.testing.assert_allclose(np.stack(ours[3], axis=1), theirs[2].to_numpy(), rtol=1e-9)


def against_pandas(
    shape: Callable[[pd.DataFrame], pd.DataFrame] = lambda frame: frame, repeats: int = 3
) -> float:
    """Ratio of CPU times, pandas over ours; the answers are compared first."""
    draws, weights, prices = market()
    frame = shape(long_frame(draws))
    same_answer(decide(draws, weights, prices), decide_by_groups(frame, weights, prices))
    ours, theirs = [], []
    for _ in range(repeats):
        theirs.append(cpu(lambda: decide_by_groups(frame, weights, prices)))
        ours += [cpu(lambda: decide(draws, weights, prices)) for _ in range(3)]
    return float(np.median(theirs) / np.median(ours))


def memory() -> float:
    """Peak memory of a decision, in copies of the draws, the draws themselves included."""
    draws, weights, prices = market()
    tracemalloc.start()
    decide(draws, weights, prices)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return 1 + peak / draws.nbytes


def growth() -> float:
    """Exponent of CPU time over the number of builds, from 1x to 16x."""
    sizes, times = np.array([50, 100, 200, 400, 800]), []
    for size in sizes:
        case = market(int(size))
        times.append(np.median([cpu(lambda case=case: decide(*case)) for _ in range(5)]))
    return float(np.polyfit(np.log(sizes), np.log(times), 1)[0])


def against_arch(frames: int = 15_000, block: int = 100, resamples: int = 1000) -> float:
    """Ratio of CPU times, arch over ours, for the average and the 1 % low of one pass."""
    times = np.random.default_rng(2).lognormal(2.5, 0.3, frames)
    starts = block_starts(frames, block, resamples)

    def fps(drawn: np.ndarray) -> np.ndarray:
        return np.array([1000 / drawn.mean(), 1000 / np.quantile(drawn, 0.99)])

    other = CircularBlockBootstrap(block, times, seed=3)
    theirs = [cpu(lambda: other.apply(fps, resamples)) for _ in range(3)]
    ours = [cpu(lambda: bootstrap_pass(times, starts, block)) for _ in range(9)]
    return float(np.median(theirs) / np.median(ours))


def fieller_time() -> float:
    """Milliseconds for the ranges of 200 ratios."""
    rng = np.random.default_rng(4)
    numbers = rng.uniform(50, 500, 200), rng.normal(20, 10, 200), 1.0, rng.uniform(1, 30, 200)
    stats.t.isf(0.05, 9)
    return 1000 * float(np.median([cpu(lambda: fieller(*numbers, dof=9)) for _ in range(20)]))


def main() -> None:
    """Print the table."""
    print(f"{DRAWS} draws x {BUILDS} builds x {WORKLOADS} workloads to costs, frontier, break-even")
    print(f"  times pandas groupby     {against_pandas(named):8.1f}   (at least 80)")
    print(f"    prepared for speed     {against_pandas():8.1f}")
    print(f"  copies of the draws      {memory():8.2f}   (at most 4)")
    print(f"  growth exponent to 16x   {growth():8.2f}   (at most 1.1)")
    print(f"  bootstrap, times arch    {against_arch():8.1f}   (at least 18)")
    print(f"  200 ratios by Fieller    {fieller_time():8.2f} ms")


if __name__ == "__main__":
    main()
