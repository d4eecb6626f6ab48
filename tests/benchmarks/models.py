"""How much quicker the kernels behind the refits are than refitting, same answers.

    python -m tests.benchmarks.models [--fits N] [--r]

One run on one core times both sides, the quicker of several tries each. With `--r` the mixed
models are set against R's lme4 (Debian's r-cran-lme4), which must be installed; otherwise only our
own side is timed. So it is at 100,000 rows, to show growth.
"""

import argparse
import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import subprocess
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from scipy.optimize import nnls
from statsmodels.formula.api import ols

from perfkit.models import moments
from perfkit.models.family import Cells
from perfkit.models.jackknife import jackknife_plus
from perfkit.models.nonneg import nonneg_least_squares
from perfkit.models.power_law import PowerLaw
from perfkit.models.workload_slopes import mixed_slopes
from tests.outside import as_cells

X = ["c", "b", "p", "s"]
FORMULA = "y ~ c + b + p + s + C(w)"
FAMILY = PowerLaw("power law")
LME4 = """
suppressMessages(library(lme4)); d <- read.csv("{file}"); d$w <- factor(d$w); d$g <- factor(d$g)
f <- y ~ 0 + w + c + b + p + s + (0+c|w) + (0+b|w) + (0+p|w) + (0+s|w)
for (g in c(f, update(f, . ~ . + (1|g)))) {{
  best <- Inf
  for (k in 1:3) {{ t <- proc.time()[[3]]; m <- lmer(g, d); best <- min(best, proc.time()[[3]]-t) }}
  cat(sprintf("%.17g ", c(best, REMLcrit(m), fixef(m)[c("c", "b", "p", "s")])), "\\n")
}}
"""


def made(workloads: int, gpus: int, rows: int) -> pd.DataFrame:
    """Simulate passes: logs of rates, pixels and processor speed, and of FPS."""
    rng = np.random.default_rng(1)
    c = rng.uniform(1, 4, gpus)
    b, u = 0.6 * c + rng.uniform(2, 4, gpus), 0.08 * rng.normal(size=gpus)
    w, g = np.arange(rows) * workloads // rows, np.arange(rows) % gpus
    p = np.log([0.92, 2.07, 3.69, 8.29])[rng.integers(0, 4, rows)]
    s = np.log([1, 1.2, 1.5])[rng.integers(0, 3, rows)]
    x = np.column_stack([c[g], b[g], p, s])
    slopes = [0.5, 0.3, -0.6, 0.15] + rng.normal(size=(workloads, 4)) * [0.12, 0.1, 0.08, 0.03]
    y = rng.normal(4, 0.5, workloads)[w] + (x * slopes[w]).sum(axis=1) + u[g]
    frame = pd.DataFrame(x, columns=X)
    return frame.assign(y=y + 0.04 * rng.normal(size=rows), w=w, g=g)


def timed(work: Callable[[], Any], tries: int) -> tuple[float, Any]:
    """Seconds of the quickest try, and what came out."""
    best, result = np.inf, None
    for _ in range(tries):
        moments.cell_sums.cache_clear()
        began = time.perf_counter()
        result = work()
        best = min(best, time.perf_counter() - began)
    return best, result


def tell(name: str, theirs: float, ours: float, target: float, apart: str) -> None:
    print(f"{name:52s} {1e3 * ours:9.2f} ms {theirs / ours:9.0f} x (aim {target:g})  {apart}")


def least_squares(frame: pd.DataFrame, cells: Cells) -> None:
    """Least squares with clustered errors, leaving out GPUs, jackknife+."""

    def theirs(rows: pd.DataFrame = frame) -> Any:
        fit = ols(FORMULA, rows).fit(cov_type="cluster", cov_kwds={"groups": rows["g"]})
        return fit, fit.bse

    def ours() -> Any:
        fit = FAMILY.fit(cells)
        return fit.slopes, fit.clustered()

    slow, (fit, errors) = timed(theirs, 5)
    quick, (slopes, clustered) = timed(ours, 50)
    off = max(np.abs(slopes / fit.params[X] - 1).max(), np.abs(clustered / errors[X] - 1).max())
    tell("least squares, errors clustered by GPU", slow, quick, 500, f"relative {off:.0e}")
    many, _ = timed(lambda: [ours() for _ in range(200)], 1)
    tell("  each of 200 on the same cells", slow, many / 200, 500, "")

    def refit() -> Any:
        said = np.empty(len(frame))
        for gpu in range(frame["g"].max() + 1):
            gone = frame["g"] == gpu
            said[gone] = ols(FORMULA, frame[~gone]).fit().predict(frame[gone])
        return said

    slow, said = timed(refit, 2)
    quick, left = timed(lambda: FAMILY.left_out_each(cells), 50)
    off = float(np.abs(left / said - 1).max())
    tell("power law leaving out each GPU", slow, quick, 5000, f"relative {off:.0e}")
    some, each = cells.rows.take(np.arange(20)), list(cells.gpus[:, None])

    def free() -> Any:
        everywhere = np.array(FAMILY.left_out_at(cells, each, some))
        wrong = np.abs(FAMILY.left_out_each(cells) - cells.log_fps)
        mine = np.array([wrong[cells.rows.gpu == gpu].max() for gpu in cells.gpus])
        return jackknife_plus(everywhere, np.repeat(mine[:, None], 20, axis=1), 0.9)

    quick, _ = timed(free, 50)
    tell("jackknife+ over GPUs, 20 rows", slow, quick, 500, "")


def time_sum(fits: int) -> None:
    """Non-negative fits of every workload without each GPU."""
    rng = np.random.default_rng(2)
    design = rng.uniform(0.02, 1, (200, 500, 5)) ** 2
    truth = rng.uniform(0, 1, (200, 5)) * (rng.uniform(size=(200, 5)) > 0.4)
    truth[:, 0] += 0.1
    relative = design / ((design @ truth[..., None]) * np.exp(0.1 * rng.normal(size=(200, 500, 1))))
    unit = np.sqrt(np.square(relative).mean(axis=1, keepdims=True))
    relative /= unit
    gpu = np.arange(500) % 200
    pairs = [(w, g) for w in range(200) for g in range(200)][:fits]

    def theirs() -> Any:
        one = np.ones(500)
        return [nnls(relative[w][gpu != g], one[gpu != g])[0] for w, g in pairs]

    def ours() -> Any:
        whole = np.swapaxes(relative, 1, 2) @ relative
        sides = relative.sum(axis=1)
        own = np.zeros((200, 200, 5, 5))
        side = np.zeros((200, 200, 5))
        for g in range(200):
            mine = relative[:, gpu == g]
            own[:, g], side[:, g] = np.swapaxes(mine, 1, 2) @ mine, mine.sum(axis=1)
        gram, product = whole[:, None] - own, sides[:, None] - side
        return nonneg_least_squares(gram.reshape(-1, 5, 5)[:fits], product.reshape(-1, 5)[:fits])

    slow, each = timed(theirs, 1)
    quick, together = timed(ours, 3)
    same = np.array_equal(together > 0, np.array(each) > 0)
    tell(f"{fits:,} non-negative fits", slow, quick, 25, f"same active sets: {same}")


def mixed(frame: pd.DataFrame, cells: Cells, *, against_r: bool) -> None:
    """Mixed models with workload slopes, and with GPUs crossed."""
    kept = np.ones((1, len(cells.gpus)), dtype=bool)
    theirs = []
    if against_r:
        with tempfile.TemporaryDirectory() as folder:
            file = Path(folder) / "rows.csv"
            frame.to_csv(file, index=False)
            code = LME4.format(file=file)
            run = subprocess.run(
                ["Rscript", "-e", code], capture_output=True, text=True, check=True
            )
        theirs = [np.array(line.split(), float) for line in run.stdout.strip().splitlines()]
    names = ("mixed model, workload slopes", "mixed model, slopes and crossed GPUs")
    for number, (name, target) in enumerate(zip(names, (100, 50), strict=True)):
        allowed = np.array([[True] * 4 + [number == 1]])
        quick, found = timed(lambda allowed=allowed: mixed_slopes(cells, kept, allowed), 20)
        if not theirs:
            print(f"{name:52s} {1e3 * quick:9.2f} ms")
            continue
        slow, deviance, *slopes = theirs[number]
        off = np.abs(found.shared[0] - slopes).max()
        apart = f"coefficients {off:.0e}, deviance {found.deviance[0] - deviance:+.0e}"
        tell(f"{name} against lme4", slow, quick, target, apart)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--fits", type=int, default=40_000, help="non-negative fits")
    parser.add_argument("--r", action="store_true", help="against R's lme4")
    options = parser.parse_args()
    frame = made(12, 20, 2880)
    cells = as_cells(frame["y"], frame[X], frame["g"], frame["w"])
    least_squares(frame, cells)
    time_sum(options.fits)
    mixed(frame, cells, against_r=options.r)
    print("\n100,000 rows, 200 workloads, 200 GPUs")
    frame = made(200, 200, 100_000)
    cells = as_cells(frame["y"], frame[X], frame["g"], frame["w"])
    quick, _ = timed(lambda: FAMILY.fit(cells).clustered(), 3)
    print(f"{'least squares, errors clustered by GPU':52s} {1e3 * quick:9.2f} ms")
    quick, _ = timed(lambda: FAMILY.left_out_each(cells), 3)
    print(f"{'power law leaving out each GPU':52s} {1e3 * quick:9.2f} ms")
    mixed(frame, cells, against_r=False)


if __name__ == "__main__":
    main()
