"""The invented market: what exists, how fast it truly is, and what is written by hand.

Every name and number here is made up. ``make_demo.py`` states the equations and runs them.
"""

from typing import NamedTuple

DISPLAY_MPX = 1920 * 1080 / 1e6
Q = 4.0
REFERENCE_TFLOPS = 2.88
REFERENCE_GB_S = 0.92 * 96.0
SHARED_MEMORY_LEFT = 0.92


class Gpu(NamedTuple):
    """One GPU: its specification as printed, and its true deviation from it (log, + is slower)."""

    kind: str
    units: int
    lanes: int
    clock_mhz: int
    family: str
    bus_bits: int | None
    memory_mtps: int | None
    stated_gb_s: float | None
    memory_gib: int | None
    power_w: int | None
    length_mm: int | None
    deviation: float


GPUS = {
    "Tealight": Gpu("integrated", 5, 64, 2100, "Loam", None, None, None, None, None, None, 0.030),
    "Stovepipe": Gpu("integrated", 9, 64, 2500, "Loam", None, None, None, None, None, None, -0.012),
    "Inglenook": Gpu(
        "integrated", 13, 64, 2700, "Sedge", None, None, None, None, None, None, -0.021
    ),
    "Trivet": Gpu("discrete", 14, 64, 2300, "Sedge", 128, 13000, None, 4, 88, 172, 0.024),
    "Griddle": Gpu("discrete", 22, 64, 2400, "Sedge", 128, 16000, None, 8, 124, 204, -0.018),
    "Skillet": Gpu("discrete", 30, 64, 2450, "Sedge", 144, 18000, None, 9, 162, 231, 0.008),
    "Cauldron": Gpu("discrete", 46, 64, 2400, "Sedge", 208, 18000, None, 13, 228, 268, 0.015),
    "Hobnail": Gpu("discrete", 11, 128, 2000, "Tarn", 96, 16000, None, 6, 97, 188, -0.010),
    "Bellows": Gpu("discrete", 17, 128, 2150, "Tarn", 224, 14000, None, 7, 181, 246, 0.020),
    "Firedog": Gpu("discrete", 27, 128, 2250, "Tarn", None, None, 396.0, 12, 236, 305, -0.027),
    "Tureen": Gpu("discrete", 38, 64, 2500, "Sedge", 176, 18000, None, 11, 196, 252, -0.015),
    "Drophammer": Gpu("discrete", 42, 128, 2450, "Tarn", 272, 20000, None, 17, 322, 318, 0.018),
}


class System(NamedTuple):
    """One machine as configured; ``channels`` modules of 64 bits each."""

    cpu: str
    cores: int
    threads: int
    boost_mhz: int
    cpu_speed: float
    ram_mtps: int
    ram_rated_mtps: int
    channels: int
    ram_gib: int
    supply_w: int | None


SYSTEMS = {
    "workbench": System("Sixfold H", 6, 12, 4700, 1.0, 6000, 6000, 2, 32, 450),
    "workbench-default": System("Sixfold H", 6, 12, 4700, 1.0, 4800, 6000, 2, 32, 450),
    "workbench-one-module": System("Sixfold H", 6, 12, 4700, 1.0, 6000, 6000, 1, 16, 450),
    "pantry": System("Fourfold P", 4, 8, 4100, 0.8, 3200, 3200, 2, 16, 400),
    "parlour": System("Eightfold M", 8, 16, 4600, 0.95, 6400, 6400, 2, 32, 180),
    "attic": System("Quatrain", 4, 4, 3600, 0.68, 2666, 2666, 2, 16, 550),
    "studio": System("Tenfold S", 10, 20, 5300, 1.35, 6400, 6400, 2, 64, 850),
}


class Workload(NamedTuple):
    """One game at one preset.

    ``gpu_ms`` is the true GPU time of a frame on Stovepipe in workbench at 1920 x 1080 and
    ``shares`` splits it into k0 (constant), k1 (P/C), k2 (P/B), k3 (1/C), k4 (1/B), k5 (O/C).
    ``cpu_ms`` is the processor's time at cpu_speed 1. ``spread`` and ``route`` are the standard
    deviations of the fast and the slow part of log frame time within a pass, ``pass_sd`` that of
    its mean from pass to pass.
    """

    game: str
    preset: str
    genre: str
    goal_fps: int
    floor_fps: int
    weight: float
    scene_kind: str
    gpu_ms: float
    shares: tuple[float, float, float, float, float, float]
    cpu_ms: float
    memory_gib: float
    spread: float
    route: float
    hitches_per_min: float
    pass_sd: float


WORKLOADS = {
    "Velm Circuit, low": Workload(
        "Velm Circuit", "low", "racing", 60, 45, 1.0, "replay",
        15.5, (0.05, 0.40, 0.30, 0.12, 0.05, 0.08), 4.2, 2.9, 0.035, 0.05, 0.3, 0.005,
    ),
    "Ostler's Reach, low": Workload(
        "Ostler's Reach", "low", "open world", 30, 24, 2.0, "route",
        27.0, (0.04, 0.22, 0.53, 0.07, 0.08, 0.06), 7.0, 3.5, 0.045, 0.08, 1.5, 0.009,
    ),
    "Quickmarl, competitive": Workload(
        "Quickmarl", "competitive", "arena shooter", 150, 90, 1.0, "live",
        5.4, (0.08, 0.38, 0.28, 0.14, 0.06, 0.06), 3.4, 1.8, 0.075, 0.09, 0.8, 0.022,
    ),
    "Lanterns of Ghye, low": Workload(
        "Lanterns of Ghye", "low", "adventure", 30, 24, 1.0, "route",
        25.0, (0.03, 0.54, 0.20, 0.10, 0.03, 0.10), 5.0, 3.2, 0.040, 0.07, 0.6, 0.007,
    ),
    "Skein Tactics, high": Workload(
        "Skein Tactics", "high", "strategy", 60, 30, 1.0, "built_in",
        10.5, (0.05, 0.35, 0.30, 0.20, 0.05, 0.05), 12.5, 2.4, 0.060, 0.06, 1.0, 0.006,
    ),
    "Brool, medium": Workload(
        "Brool", "medium", "platformer", 60, 50, 1.0, "route",
        13.0, (0.06, 0.36, 0.32, 0.13, 0.06, 0.07), 3.5, 1.6, 0.030, 0.05, 0.2, 0.005,
    ),
    "Undermoss, high": Workload(
        "Undermoss", "high", "survival", 30, 24, 1.0, "route",
        31.0, (0.03, 0.33, 0.38, 0.10, 0.06, 0.10), 5.5, 5.4, 0.050, 0.08, 2.0, 0.010,
    ),
    "Murmur Relay, medium": Workload(
        "Murmur Relay", "medium", "horror", 40, 30, 1.0, "route",
        24.0, (0.04, 0.45, 0.27, 0.08, 0.04, 0.12), 4.8, 3.3, 0.040, 0.07, 0.7, 0.007,
    ),
    "Gullwake, medium": Workload(
        "Gullwake", "medium", "sailing", 60, 40, 1.0, "built_in",
        19.0, (0.04, 0.42, 0.30, 0.12, 0.04, 0.08), 4.6, 3.0, 0.035, 0.06, 0.4, 0.005,
    ),
    "Umber Orchard, low": Workload(
        "Umber Orchard", "low", "role play", 30, 24, 1.5, "route",
        34.0, (0.02, 0.66, 0.14, 0.10, 0.02, 0.06), 5.5, 3.6, 0.040, 0.08, 0.9, 0.008,
    ),
    "Tock and Tumble, medium": Workload(
        "Tock and Tumble", "medium", "party", 120, 80, 0.5, "built_in",
        6.2, (0.10, 0.34, 0.30, 0.12, 0.06, 0.08), 3.0, 1.2, 0.050, 0.05, 0.3, 0.006,
    ),
    "Drayhaul, medium": Workload(
        "Drayhaul", "medium", "haulage", 60, 40, 1.0, "route",
        17.5, (0.05, 0.36, 0.34, 0.12, 0.06, 0.07), 7.0, 2.7, 0.050, 0.06, 0.8, 0.008,
    ),
}  # fmt: skip
NEVER_RUN = ("Wexel Downs, high", "Wexel Downs", "high", "golf", 60, 40)
VERSIONS = {  # workload -> version, and the day it came; 1.0 before
    "Brool, medium": ("1.2", "2026-05-01"),
    "Drayhaul, medium": ("1.1", "2026-09-01"),
}
CAPS = {("Brool, medium", "1.2"): 60}  # FPS

FAST_DRIVER_GAIN = {"Sedge": -0.03}  # log frame time, driver r7 against r4, by family
GENERATION_COST = 0.08  # log drawn frame time, one generated frame after each drawn one


class Sitting(NamedTuple):
    """One day and boot: which cells were run, how often, under which driver."""

    date: str
    system: str
    gpu: str
    driver: str
    repeats: int
    cells: tuple[tuple[tuple[str, ...], tuple[int, int], float, int], ...]


HD, FULL, WIDE, ULTRA = (1280, 720), (1920, 1080), (2560, 1440), (3840, 2160)
ALL = tuple(WORKLOADS)
HEAVY = tuple(w for w in ALL if WORKLOADS[w].gpu_ms >= 17)
FEW = ALL[0], ALL[1], ALL[4], ALL[8], ALL[11]
SCALED = ALL[1], ALL[3], ALL[7], ALL[9]
NATIVE_ON_FIREDOG = tuple(w for w in ALL if w != "Murmur Relay, medium")
GENERATED = ("Murmur Relay, medium",)


def version(name: str, date: str) -> str:
    """Version of a workload's game on a day."""
    new, since = VERSIONS.get(name, ("1.0", ""))
    return new if date >= since else "1.0"


def native(names: tuple[str, ...], size: tuple[int, int]) -> tuple:
    """Cells at render scale 1 with nothing generated."""
    return (names, size, 1.0, 0)


SITTINGS = (
    Sitting("2025-06-14", "workbench", "Stovepipe", "r4", 2, (native(ALL, FULL),)),
    Sitting("2025-06-21", "workbench", "Stovepipe", "r4", 1, (native(ALL, FULL),)),
    Sitting("2025-06-22", "workbench", "Stovepipe", "r4", 3, (native(HEAVY[:6], HD),)),
    Sitting("2025-07-05", "workbench-default", "Stovepipe", "r4", 3, (native(FEW, FULL),)),
    Sitting("2025-07-06", "workbench-one-module", "Stovepipe", "r4", 3, (native(FEW, FULL),)),
    Sitting("2025-07-19", "workbench", "Stovepipe", "r4", 3,
            ((SCALED, FULL, 0.6, 0), (SCALED, FULL, 0.75, 0))),
    Sitting("2025-08-30", "workbench", "Trivet", "r4", 3, (native(ALL, FULL),)),
    Sitting("2025-09-13", "workbench", "Griddle", "r4", 3, (native(ALL, FULL),)),
    Sitting("2025-10-18", "pantry", "Tealight", "r4", 3,
            (native(ALL[:9] + ALL[10:11], FULL), native(SCALED[:3], HD))),
    Sitting("2025-11-08", "attic", "Trivet", "r4", 3, (native(FEW, FULL),)),
    Sitting("2025-11-09", "attic", "Griddle", "r4", 3, (native(FEW, FULL),)),
    Sitting("2025-12-06", "workbench", "Hobnail", "r4", 3, (native(ALL[:9] + ALL[10:], FULL),)),
    Sitting("2026-01-24", "workbench", "Bellows", "r4", 3,
            (native(ALL, FULL), native(FEW, WIDE))),
    Sitting("2026-03-07", "workbench", "Skillet", "r4", 3,
            (native((ALL[0], ALL[3], ALL[8]), FULL),)),
    Sitting("2026-05-16", "workbench", "Skillet", "r7", 3,
            (native(ALL, FULL), native(HEAVY[:6], WIDE), (SCALED[:2], WIDE, 0.6, 0),
             (GENERATED, FULL, 1.0, 1))),
    Sitting("2026-06-20", "parlour", "Inglenook", "r7", 3, (native(ALL, FULL),)),
    Sitting("2026-07-18", "workbench", "Firedog", "r7", 3,
            (native(NATIVE_ON_FIREDOG, FULL), native(HEAVY[:6], WIDE), (GENERATED, FULL, 1.0, 1))),
    Sitting("2026-08-15", "workbench", "Cauldron", "r7", 3,
            (native(ALL, FULL), native(HEAVY[:6], WIDE), native(SCALED[:2], ULTRA),
             (GENERATED, FULL, 1.0, 1))),
    Sitting("2026-09-12", "studio", "Cauldron", "r7", 3, (native(ALL[:5], FULL),)),
    Sitting("2026-09-13", "studio", "Bellows", "r7", 3, (native(FEW, FULL),)),
    Sitting("2026-10-10", "pantry", "Hobnail", "r7", 3, (native(FEW, FULL),)),
)  # fmt: skip
BORROWED = ("studio", "Cauldron", ALL[5:])

MARKS = {  # (date, workload, width, repeat) -> what went differently in that pass
    ("2025-06-14", "Lanterns of Ghye, low", 1920, 1): "slow start",
    ("2025-09-13", "Murmur Relay, medium", 1920, 1): "slow start",
    ("2026-05-16", "Umber Orchard, low", 1920, 1): "slow start",
    ("2026-08-15", "Gullwake, medium", 1920, 1): "slow start",
    ("2026-06-20", "Gullwake, medium", 1920, 3): "throttled",
    ("2026-05-16", "Velm Circuit, low", 1920, 3): "void",
    ("2025-06-14", "Quickmarl, competitive", 1920, 2): "long",
    ("2025-06-14", "Tock and Tumble, medium", 1920, 2): "long",
    ("2026-01-24", "Velm Circuit, low", 1920, 2): "long",
    ("2026-08-15", "Quickmarl, competitive", 1920, 1): "long",
    ("2025-10-18", "Skein Tactics, high", 1920, 2): "crashed",
    ("2025-06-22", "Ostler's Reach, low", 1280, 1): "cold",
    ("2026-07-18", "Lanterns of Ghye, low", 1920, 1): "cold",
    ("2026-01-24", "Undermoss, high", 1920, 1): "cold",
}
OWN_LOGS = (  # these passes keep a log of their own beside the combined file
    ("2026-10-10", "Velm Circuit, low", 1920, 1),
    ("2026-10-10", "Velm Circuit, low", 1920, 2),
    ("2026-10-10", "Velm Circuit, low", 1920, 3),
)
