"""Write the demo study: an invented market with a known truth.

    python make_demo.py [--into FOLDER]

Nothing here was measured. The same seed and the same NumPy give the same files; the stream of
each pass and of each price series is seeded by its own key, so a new row leaves the others alone.

Truth, with C the arithmetic rate in TFLOP/s (units x lanes x 2 x clock), B the bandwidth in GB/s,
P the drawn and O the output megapixels, and the constants of ``market.py``::

    B          = bus / 8 x rate, or as stated;
                 integrated: 0.92 x channels x 64 / 8 x configured rate
    t_gpu      = (k0 + k1 P/C + k2 P/B + k3/C + k4/B + k5 O/C) x exp(u_gpu + v_gpu,workload + d)
    t_cpu      = k_cpu / cpu_speed
    t          = (t_cpu^4 + t_gpu^4)^(1/4)                       ms for a drawn frame
    mean pass  = t x exp(sitting + pass),  both normal: sd 0.4 %, and 0.5 to 2.2 % by workload

k0 .. k5 come from a workload's time on the reference GPU and its six shares. u_gpu is ``deviation``
(sd about 2 %), v has sd 1.5 %, d = -3 % for family Sedge under driver r7, and +8 % where one
frame is generated after each drawn one. Within a pass log frame time is a slow
route (three sines, the same in each pass of a workload) plus an AR(1) process with
coefficient 0.7, scaled so that the mean is exactly the mean of the pass; 0.4 % of frames take
1.15 to 1.5 times as long; hitches of 2.8 to 6 times come at a Poisson rate. ``Brool`` is held
to 60 FPS from its version 1.2 on. Less memory than a workload needs: it crashes.

What a naive reading gets wrong:

- GPU speed against price or compute units alone: bandwidth moves with both, but not in step.
  Bellows has few units and much bandwidth, Firedog the reverse.
- A power law extrapolates too far up: processor time and the constant part do not shrink.
  ``Skein Tactics`` hardly gains from any card; in an ordinary run on Stovepipe that is invisible.
- ``Brool`` at 60 FPS in version 1.2 says "at least 60", not 60: the fast cards look like slow ones.
- Integrated at the memory's default rate, or on one module, is not the rated machine.
- ``Murmur Relay`` with generated frames shows twice what it draws, and draws fewer than without.
- On Skillet, old and new driver differ by 3 %: without the bridge (three workloads run under
  both) that looks like a difference between GPUs.
- First passes that build shaders, one throttled pass and one void pass move the mean of three.
- Passes of a cell share their sitting and all cells of a GPU share u_gpu: twelve games on one
  card are one observation of that card.
"""

import argparse
import csv
import gzip
import io
import zlib
from dataclasses import dataclass, field
from pathlib import Path

import market as m
import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from paper import PAPER, prices
from scipy.signal import lfilter

SEED = 20261101
HERE = Path(__file__).parent
Rng = np.random.Generator
Row = dict[str, object]


def stream(*key: object) -> Rng:
    """Return the random stream that belongs to a key."""
    return np.random.default_rng([SEED, zlib.crc32("|".join(map(str, key)).encode())])


def rates(system: str, gpu: str) -> tuple[float, float]:
    """Return the true arithmetic rate (TFLOP/s) and bandwidth (GB/s) of a GPU in a system."""
    g, s = m.GPUS[gpu], m.SYSTEMS[system]
    tflops = g.units * g.lanes * 2 * g.clock_mhz / 1e6
    if g.kind == "integrated":
        return tflops, m.SHARED_MEMORY_LEFT * s.channels * 64 / 8 * s.ram_mtps / 1e3
    return tflops, g.stated_gb_s or g.bus_bits / 8 * g.memory_mtps / 1e3


def true_ms(
    system: str,
    gpu: str,
    workload: str,
    width: int,
    height: int,
    render_scale: float = 1.0,
    driver: str = "r7",
    generated: int = 0,
) -> float:
    """Return the true mean time of a drawn frame in ms, uncapped; NaN where memory is short.

    >>> round(1000 / true_ms("workbench", "Stovepipe", "Ostler's Reach, low", 1920, 1080), 1)
    37.1
    """
    g, w = m.GPUS[gpu], m.WORKLOADS[workload]
    if g.memory_gib is not None and g.memory_gib < w.memory_gib:
        return float("nan")
    c, b = rates(system, gpu)
    out = width * height / 1e6
    drawn = out * render_scale**2
    c_rel, b_rel = m.REFERENCE_TFLOPS / c, m.REFERENCE_GB_S / b
    p_rel, o_rel = drawn / m.DISPLAY_MPX, out / m.DISPLAY_MPX
    parts = (1.0, p_rel * c_rel, p_rel * b_rel, c_rel, b_rel, o_rel * c_rel)
    shift = g.deviation + 0.015 * stream("v", gpu, workload).standard_normal()
    shift += (
        m.FAST_DRIVER_GAIN.get(g.family, 0.0) * (driver == "r7") + m.GENERATION_COST * generated
    )
    t_gpu = w.gpu_ms * float(np.dot(w.shares, parts)) * np.exp(shift)
    t_cpu = w.cpu_ms / m.SYSTEMS[system].cpu_speed
    return float((t_cpu**m.Q + t_gpu**m.Q) ** (1 / m.Q))


def frame_times(
    workload: str, mean_ms: float, frames: int, rng: Rng, hitch_rate: float
) -> np.ndarray:
    """Return the frame times of one pass in ms, shape (frames,)."""
    w = m.WORKLOADS[workload]
    noise = rng.standard_normal(frames)
    phi = 0.7
    noise[1:] *= np.sqrt(1 - phi**2)
    fast = lfilter([1.0], [1.0, -phi], noise)
    turns = np.arange(frames) * mean_ms / 1000 / 30
    phases = stream("route", workload).random(3)
    slow = sum(
        a * np.sin(2 * np.pi * (f * turns + p))
        for a, f, p in zip((0.4, 0.9, 0.9), (1, 3, 7), phases, strict=True)
    )
    shape = np.exp(w.spread * fast + w.route * slow)
    times = mean_ms * shape / shape.mean()
    slower = rng.random(frames) < 0.004
    times[slower] *= 1.15 + 0.35 * rng.random(slower.sum())
    hitches = rng.random(frames) < hitch_rate * mean_ms / 60_000
    times[hitches] *= 2.8 + 3.2 * rng.random(hitches.sum())
    return times


def hold(times: np.ndarray, cap_fps: float, rng: Rng) -> np.ndarray:
    """Hold frames to a rate: a frame that is ready early waits for its time."""
    period = 1000 / cap_fps
    return np.where(times < period, period + 0.03 * rng.standard_normal(len(times)), times)


def one_pass(cell: Row, mark: str, mean_ms: float, rng: Rng) -> np.ndarray:
    """Return the frame times of one pass in whole microseconds, with what its mark did to it."""
    workload = str(cell["workload"])
    w = m.WORKLOADS[workload]
    seconds = 15 + 10 * rng.random()
    frames = int(np.clip(seconds * 1000 / mean_ms, 1500, 2600))
    frames = {"long": 12_000, "throttled": 9000, "crashed": 640}.get(mark, frames)
    hitch_rate = w.hitches_per_min
    if mark in ("slow start", "cold"):
        mean_ms, hitch_rate = mean_ms * 1.09, hitch_rate + 6
    if mark == "void":
        mean_ms *= 1.31
    times = frame_times(workload, mean_ms, frames, rng, hitch_rate)
    if mark == "throttled":
        times *= np.linspace(0.95, 1.17, frames)
    if cell["cap_fps"]:
        times = hold(times, float(str(cell["cap_fps"])), rng)
    return np.rint(times * 1000).astype(np.int32)


@dataclass
class Bench:
    """The passes so far: rows of passes.csv, and the frame times of each."""

    rows: list[Row] = field(default_factory=list)
    frames: dict[str, np.ndarray] = field(default_factory=dict)

    def run(self, number: int, sitting: m.Sitting) -> None:
        """Run one sitting: each repeat is one round through all cells in a drawn order."""
        day = f"day {number:02d}"
        offset = 0.004 * stream(day).standard_normal()
        cells = [
            (name, size, scale, generated)
            for names, size, scale, generated in sitting.cells
            for name in names
        ]
        order = 0
        for repeat in range(1, sitting.repeats + 1):
            for place in np.argsort(stream(day, repeat).random(len(cells)), kind="stable"):
                name, size, scale, generated = cells[place]
                key = (sitting.date, name, size[0], repeat)
                mark = m.MARKS.get(key, "") if scale == 1.0 and not generated else ""
                order += 1
                version = m.version(name, sitting.date)
                cell: Row = {
                    "pass_id": f"p{len(self.rows) + 1:04d}",
                    "system": sitting.system,
                    "gpu": sitting.gpu,
                    "workload": name,
                    "width": size[0],
                    "height": size[1],
                    "date": sitting.date,
                    "sitting": day,
                    "order": order,
                    "cap_fps": m.CAPS.get((name, version), ""),
                    "game_version": version,
                    "render_scale": scale if scale != 1.0 else "",
                    "generated_per_drawn": generated or "",
                    "driver": sitting.driver,
                }
                self.add(cell, mark, offset, stream(day, repeat, *cells[place]))
                if key in m.OWN_LOGS:
                    self.rows[-1]["log"] = f"logs/{cell['pass_id']}.csv.gz"

    def add(self, cell: Row, mark: str, offset: float, rng: Rng) -> None:
        """Run one pass and keep its row and frames."""
        name, gpu = str(cell["workload"]), m.GPUS[str(cell["gpu"])]
        w = m.WORKLOADS[name]
        size = int(cell["width"]), int(cell["height"])  # type: ignore[call-overload]
        scale, generated = float(cell["render_scale"] or 1), int(cell["generated_per_drawn"] or 0)
        t = true_ms(
            str(cell["system"]),
            str(cell["gpu"]),
            name,
            *size,
            scale,
            str(cell["driver"]),
            generated,
        )
        short_of_memory = bool(np.isnan(t))
        mean = 90.0 if short_of_memory else t * np.exp(offset + w.pass_sd * rng.standard_normal())
        mark = "crashed" if short_of_memory else mark
        times = one_pass(cell, mark, mean, rng)
        need = w.memory_gib * (1 + 0.12 * (size[0] * size[1] / 1e6 / m.DISPLAY_MPX - 1))
        need = min(need + 0.02 * rng.standard_normal(), gpu.memory_gib or need)
        busy = 0.80 + 0.16 * rng.random()
        self.frames[str(cell["pass_id"])] = times
        self.rows.append(
            cell
            | {
                "scene_kind": w.scene_kind,
                "state": "cold" if mark == "cold" else "warm",
                "refresh_hz": 75 if cell["system"] == "parlour" else 144,
                "clock_mean_mhz": round(gpu.clock_mhz * (0.9 if mark == "throttled" else 0.985)),
                "memory_used_gib": f"{need:.2f}",
                "power_w": f"{gpu.power_w * busy:.1f}" if gpu.power_w else "",
                "outcome": "crashed" if mark == "crashed" else "ran",
                "void_reason": "an update was installing meanwhile" if mark == "void" else "",
            }
        )

    def borrow(self, system: str, gpu: str, names: tuple[str, ...]) -> None:
        """Add passes that somebody else ran and passed on as two numbers each."""
        for name in names:
            rng = stream("borrowed", name)
            t = true_ms(system, gpu, name, *m.FULL) * np.exp(0.015 * rng.standard_normal())
            fps = 1000 / t
            self.rows.append(
                {
                    "pass_id": f"p{len(self.rows) + 1:04d}",
                    "system": system,
                    "gpu": gpu,
                    "workload": name,
                    "width": m.FULL[0],
                    "height": m.FULL[1],
                    "date": "2026-09-20",
                    "sitting": "borrowed",
                    "scene_kind": m.WORKLOADS[name].scene_kind,
                    "driver": "r7",
                    "outcome": "ran",
                    "source": "borrowed",
                    "game_version": "1.0",
                    "avg_fps": f"{fps:.1f}",
                    "low_1pct_fps": f"{fps * (0.76 + 0.08 * rng.random()):.1f}",
                }
            )


PASS_COLUMNS = """
    pass_id system gpu workload width height date sitting order scene_kind state render_scale
    generated_per_drawn cap_fps refresh_hz driver game_version clock_mean_mhz memory_used_gib
    power_w outcome void_reason source log avg_fps low_1pct_fps
"""


def table_text(columns: list[str], rows: list[Row]) -> str:
    """Return rows as CSV text; what a row lacks is an empty cell."""
    text = io.StringIO()
    writer = csv.DictWriter(text, columns, restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()


def specification_tables() -> dict[str, str]:
    """Return gpus.csv, systems.csv and workloads.csv, from the market."""
    gpus: list[Row] = [
        {
            "gpu": name,
            "kind": g.kind,
            "compute_units": g.units,
            "lanes_per_unit": g.lanes,
            "clock_mhz": g.clock_mhz,
            "family": g.family,
            "bus_width_bits": g.bus_bits,
            "memory_mtps": g.memory_mtps,
            "bandwidth_gb_s": g.stated_gb_s,
            "memory_gib": g.memory_gib,
            "board_power_w": g.power_w,
            "slot_lanes": (8 if g.units < 20 else 16) if g.kind == "discrete" else None,
            "slot_generation": 4 if g.kind == "discrete" else None,
            "length_mm": g.length_mm,
        }
        for name, g in m.GPUS.items()
    ]
    systems: list[Row] = [
        {
            "system": name,
            "cpu": s.cpu,
            "cpu_cores": s.cores,
            "cpu_threads": s.threads,
            "cpu_boost_mhz": s.boost_mhz,
            "cpu_speed": s.cpu_speed,
            "ram_mtps": s.ram_mtps,
            "ram_rated_mtps": s.ram_rated_mtps,
            "ram_channels": s.channels,
            "ram_gib": s.ram_gib,
            "psu_w": s.supply_w,
        }
        for name, s in m.SYSTEMS.items()
    ]
    columns = ["workload", "game", "preset", "genre", "goal_fps", "floor_fps", "weight"]
    workloads: list[Row] = [
        {
            "workload": name,
            "game": w.game,
            "preset": w.preset,
            "genre": w.genre,
            "goal_fps": w.goal_fps,
            "floor_fps": w.floor_fps,
            "weight": w.weight,
        }
        for name, w in m.WORKLOADS.items()
    ] + [dict(zip(columns, m.NEVER_RUN, strict=False))]
    return {
        "gpus.csv": table_text(list(gpus[0]), gpus),
        "systems.csv": table_text(list(systems[0]), systems),
        "workloads.csv": table_text(columns, workloads),
    }


def write_frames(bench: Bench, target: Path) -> None:
    """Write the combined file, and the logs of the passes that have their own."""
    own = {str(row["pass_id"]): str(row["log"]) for row in bench.rows if row.get("log")}
    for left_over in target.glob("logs/*.csv.gz"):
        left_over.unlink()
    for pass_id, log in own.items():
        (target / log).parent.mkdir(exist_ok=True)
        text = "frame_us\n" + "\n".join(map(str, bench.frames[pass_id])) + "\n"
        (target / log).write_bytes(gzip.compress(text.encode(), 9, mtime=0))
    combined = {p: times for p, times in bench.frames.items() if p not in own}
    ids = pa.DictionaryArray.from_arrays(
        np.repeat(np.arange(len(combined), dtype=np.int32), [len(t) for t in combined.values()]),
        pa.array(combined),
    )
    columns = {
        "pass_id": ids.cast(pa.string()),
        "frame_us": np.concatenate(list(combined.values())),
    }
    pq.write_table(
        pa.table(columns),
        target / "frames.parquet",
        compression="zstd",
        compression_level=19,
        use_dictionary=["pass_id"],
        column_encoding={"frame_us": "DELTA_BINARY_PACKED"},
        row_group_size=1 << 18,
        store_schema=False,
    )


def make(target: Path) -> None:
    """Write the whole study into a folder."""
    bench = Bench()
    for number, sitting in enumerate(m.SITTINGS, start=1):
        bench.run(number, sitting)
    bench.borrow(*m.BORROWED)
    files = specification_tables() | PAPER
    files["passes.csv"] = table_text(PASS_COLUMNS.split(), bench.rows)
    files["prices.csv"] = prices(stream)
    target.mkdir(parents=True, exist_ok=True)
    for name, text in files.items():
        (target / name).write_text(text, encoding="utf-8", newline="\n")
    write_frames(bench, target)


def main() -> None:
    """Write the study."""
    parser = argparse.ArgumentParser(description="Write the demo study, an invented market.")
    parser.add_argument("--into", type=Path, default=HERE, help="folder to write into")
    make(parser.parse_args().into)


if __name__ == "__main__":
    main()
