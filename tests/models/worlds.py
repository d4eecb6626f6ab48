"""Invented markets with a known truth, seeded: what the models are held against.

Frame time in ms of workload w on GPU g in system s, with C arithmetic rate, B bandwidth, P drawn
megapixels and S processor speed, each relative to a middle machine at 1920 x 1080:

    sum      t = f + kp/S + a P/C + m P/B + c/C + b/B
    limit    t = ((kp/S)^4 + (a P/C + m P/B + c/C + b/B)^4)^(1/4)
    roofline t = f + max((a P + c)/C, (m P + b)/B)
    power    t = T C^-x B^-y P^z, exponents of each workload its own
    bent     t = f + kp/S + ((a P + c)/C^0.85 + (m P^1.15 + b)/B) (1 + 0.3 P m/(T B (1 + B)))
    hidden   as sum, but each GPU serves memory 25 % (sd) better or worse than its bandwidth says
    curved   log t = log T - x ln C - y ln B + z ln P + 0.06 (ln C)^2

No family holds bent, hidden or curved. log FPS adds a GPU term (sd `device_sd`), a term of GPU and
workload (`own_sd`) and a pass term (`pass_sd`). A naive fit takes the rows of one GPU for
independent and gets ranges too narrow.
"""

from dataclasses import dataclass
from types import SimpleNamespace

import numpy as np
import pandas as pd

from perfkit.models.family import Family
from perfkit.models.observations import gather, names_of, to_cells, to_rows
from perfkit.models.rates import attach_rates

LAWS = ("sum", "limit", "roofline", "power", "bent", "hidden", "curved")
SIZES = ((1280, 720), (1920, 1080), (2560, 1440))


@dataclass(frozen=True)
class World:
    """A study in memory, its passes, and the GPUs and passes kept back."""

    study: SimpleNamespace
    passes: pd.DataFrame
    law: str
    parameters: dict
    truth: pd.DataFrame  # every configuration of every GPU: fps of one future pass, mean_fps

    def without(self, *gpus: str) -> pd.DataFrame:
        return self.passes[~self.passes["gpu"].isin(gpus)].reset_index(drop=True)

    def targets(self, gpu: str) -> pd.DataFrame:
        return self.truth[self.truth["gpu"].eq(gpu)].reset_index(drop=True)


def frame_ms(law, k, c, b, p, s):
    """Frame time in ms; `k` a mapping of parameter arrays."""
    if law in {"power", "curved"}:
        bend = np.exp(0.06 * np.log(c) ** 2) if law == "curved" else 1.0
        return k["T"] * c ** -k["x"] * b ** -k["y"] * p ** k["z"] * bend
    compute, memory = (k["a"] * p + k["c"]) / c, (k["m"] * p + k["b"]) / b
    if law in {"sum", "hidden"}:
        return k["f"] + k["kp"] / s + compute + memory
    if law == "limit":
        return ((k["kp"] / s) ** 4 + (compute + memory) ** 4) ** 0.25
    if law == "roofline":
        return k["f"] + np.maximum(compute, memory)
    bent = (k["a"] * p + k["c"]) / c**0.85 + (k["m"] * p**1.15 + k["b"]) / b
    return k["f"] + k["kp"] / s + bent * (1 + 0.3 * k["m"] * p / (b * (1 + b)) / k["T"])


def parameters(rng, workloads):
    """Parameters of each workload: shares of a time between 4 and 25 ms."""
    total = np.exp(rng.uniform(np.log(4.0), np.log(25.0), workloads))
    shares = rng.dirichlet([0.5, 1.0, 4.0, 3.0, 0.6, 0.4], workloads) * total[:, None]
    names = ("f", "kp", "a", "m", "c", "b")
    k = dict(zip(names, shares.T, strict=True))
    x = rng.uniform(0.3, 0.6, workloads)
    return k | {"T": total, "x": x, "y": 0.9 - x, "z": rng.uniform(0.5, 0.9, workloads)}


def catalogue(rng, gpus, workloads, systems=1):
    """Specifications that vary apart: rates over a factor of ten and more."""
    log_c = rng.uniform(np.log(3.0), np.log(40.0), gpus)
    log_b = 0.75 * (log_c - np.log(11.0)) + np.log(300.0) + rng.normal(0, 0.35, gpus)
    units = np.maximum(np.round(np.exp(log_c) / (64 * 2 * 2000e6 / 1e12)), 2)
    gpu = pd.DataFrame(
        {
            "gpu": [f"G{i:02d}" for i in range(gpus)],
            "kind": "discrete",
            "family": "",
            "compute_units": units,
            "lanes_per_unit": 64.0,
            "clock_mhz": 2000.0,
            "bus_width_bits": np.nan,
            "memory_mtps": np.nan,
            "bandwidth_gb_s": np.exp(log_b),
            "memory_gib": 16.0,
        }
    )
    system = pd.DataFrame(
        {
            "system": [f"S{i}" for i in range(systems)],
            "cpu_speed": np.linspace(1.0, 1.6, systems),
            "ram_mtps": 6000.0,
            "ram_channels": 2.0,
            "channel_bits": 64.0,
            "ram_gib": 32.0,
            "reserved_gib": np.nan,
        }
    )
    names = [f"W{i:02d}" for i in range(workloads)]
    return SimpleNamespace(gpus=gpu, systems=system, workloads=pd.DataFrame({"workload": names}))


def pass_frame(rows):
    """Complete a frame of passes with the columns of a study, all unknown or default."""
    text = {
        "state": "warm",
        "outcome": "ran",
        "void_reason": "",
        "source": "own",
        "driver": "",
        "game_version": "",
        "flags": "",
        "reason": "",
    }
    numbers = dict.fromkeys(
        ["cap_fps", "refresh_hz", "memory_used_gib", "low_1pct_fps", "frames", "seconds"], np.nan
    )
    defaults = {"render_scale": 1.0, "generated_per_drawn": 0.0, **text, **numbers}
    missing = {name: value for name, value in defaults.items() if name not in rows}
    rows = rows.assign(**missing)
    if "pass_id" not in rows:
        rows.insert(0, "pass_id", [f"p{i:04d}" for i in range(len(rows))])
    return rows


def cells_of(w, passes=None):
    """Cells of a world's passes."""
    seen = gather(w.study, w.passes if passes is None else passes)
    rows = to_rows(seen.names, seen.table, bandwidth=True, cpu_fill=1.0)
    return to_cells(seen, seen.table, rows)


def refitted(family, cells, without):
    """Predict all cells by fits without some GPUs, going round the family's own short cuts."""
    return Family.left_out_at(family, cells, without, cells.rows)


def refitted_each(family, cells):
    """Predict each cell by a fit without its GPU, likewise."""
    gpus = cells.gpus
    each = np.array(refitted(family, cells, list(gpus[:, None])))
    return each[np.searchsorted(gpus, cells.rows.gpu), np.arange(len(cells))]


def rows_of(w, targets):
    """Rows of configurations of a world."""
    rates = attach_rates(w.study, targets)
    return to_rows(names_of(w.study), rates, bandwidth=True, cpu_fill=1.0)


def world(
    seed=0,
    *,
    law="sum",
    gpus=10,
    workloads=12,
    sizes=SIZES,
    passes=3,
    systems=1,
    device_sd=0.04,
    own_sd=0.04,
    pass_sd=0.01,
):
    """Make a market by one of `LAWS`; same arguments, same world."""
    rng = np.random.default_rng([seed, LAWS.index(law)])
    study = catalogue(rng, gpus, workloads, systems)
    k = parameters(rng, workloads)
    w, g, z = (a.ravel() for a in np.indices((workloads, gpus, len(sizes))))
    units = study.gpus["compute_units"].to_numpy()
    c = units * 64 * 2 * 2000e6 / 1e12 / 11.0
    b = study.gpus["bandwidth_gb_s"].to_numpy() / 300.0
    pixels = np.array([width * height for width, height in sizes])
    s = rng.integers(systems, size=gpus)
    speed = study.systems["cpu_speed"].to_numpy()[s]
    own = {name: values[w] for name, values in k.items()}
    if law == "hidden":
        b = b * np.exp(rng.normal(0, 0.25, gpus))
    ms = frame_ms(law, own, c[g], b[g], pixels[z] / (1920 * 1080), speed[g])
    shift = rng.normal(0, device_sd, gpus)[g] + rng.normal(0, own_sd, (workloads, gpus))[w, g]
    log_fps = np.log(1000 / ms) + shift
    truth = pd.DataFrame(
        {
            "system": study.systems["system"].to_numpy()[s[g]],
            "gpu": study.gpus["gpu"].to_numpy()[g],
            "workload": study.workloads["workload"].to_numpy()[w],
            "width": np.array(sizes)[z, 0],
            "height": np.array(sizes)[z, 1],
            "render_scale": 1.0,
            "mean_fps": np.exp(log_fps),
            "fps": np.exp(log_fps + rng.normal(0, pass_sd, len(log_fps))),
        }
    )
    repeated = truth.loc[truth.index.repeat(passes)].reset_index(drop=True)
    noise = rng.normal(0, pass_sd, len(repeated))
    low = np.exp(-0.2 - 0.1 * rng.random(len(repeated)))
    average = repeated["mean_fps"] * np.exp(noise)
    rows = repeated.drop(columns=["fps", "mean_fps"]).assign(
        avg_fps=average, low_1pct_fps=average * low
    )
    return World(study, pass_frame(rows), law, k, truth)
