"""What a study may hold: one table of rules from which reading, checks, headers and docs follow."""

from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Literal

Kind = Literal["text", "number", "integer", "pixels", "date", "choice", "currency", "path"]


@dataclass(frozen=True, slots=True)
class Column:
    """The rule for one column.

    Attributes
    ----------
    name : str
        Header, with the unit in it.
    meaning : str
        One clause for the glossary.
    kind : Kind
        How a cell is read. Numbers and integers become float64, unknown is NaN; pixels are
        whole numbers that are always known and become int64.
    required : bool
        Whether the column must be there and every cell filled.
    default : str
        What an empty cell counts as, written as in a file; "" stays unknown.
    low, high : float
        Bounds of a number, both included unless `above` is set.
    above : bool
        Whether `low` itself is refused.
    allowed : tuple of str
        Choices.
    refers : tuple of (str, str)
        (table, column) pairs of which one must hold the value.
    """

    name: str
    meaning: str
    kind: Kind = "text"
    required: bool = False
    default: str = ""
    low: float = 0.0
    high: float = 1e9
    above: bool = False
    allowed: tuple[str, ...] = ()
    refers: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Table:
    """The rules for one file.

    Attributes
    ----------
    name : str
        Name of the frame in a study; the file is ``<name>.csv``.
    meaning : str
        What filling the file switches on.
    columns : tuple of Column
        Known columns, in pinned order.
    required : bool
        Whether the file must be there with at least one row.
    unique : tuple of str
        Columns that together name a row once; empty when rows may repeat.
    """

    name: str
    meaning: str
    columns: tuple[Column, ...]
    required: bool = False
    unique: tuple[str, ...] = ()

    @property
    def file(self) -> str:
        """Name of the file inside the study."""
        return f"{self.name}.csv"

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the known columns, in pinned order."""
        return tuple(column.name for column in self.columns)

    def column(self, name: str) -> Column:
        """Rule of the column called `name`; KeyError when there is none."""
        for column in self.columns:
            if column.name == name:
                return column
        raise KeyError(name)


ROLES = ("board", "processor", "cooler", "memory", "storage", "supply", "case", "card", "other")
CONDITIONS = ("new", "used")


def _text(name: str, meaning: str, required: bool = False, *refers: tuple[str, str]) -> Column:
    return Column(name, meaning, required=required, refers=refers)


def _choice(
    name: str, meaning: str, allowed: tuple[str, ...], default: str = "", required: bool = False
) -> Column:
    return Column(name, meaning, "choice", required, default, allowed=allowed)


def _positive(name: str, meaning: str, high: float, default: str = "") -> Column:
    return Column(name, meaning, "number", default=default, high=high, above=True)


def _from_zero(name: str, meaning: str, high: float, default: str = "") -> Column:
    return Column(name, meaning, "number", default=default, high=high)


def _count(
    name: str, meaning: str, high: float, low: float = 1, default: str = "", required: bool = False
) -> Column:
    return Column(name, meaning, "integer", required, default, low, high)


_SYSTEM = _text("system", "name of the system", True, ("systems", "system"))
_GPU = _text("gpu", "name of the GPU", True, ("gpus", "gpu"))
_WORKLOAD = _text("workload", "name of the workload", True, ("workloads", "workload"))
_WIDTH = Column("width", "output width in pixels", "pixels", True, low=1, high=65_536)
_HEIGHT = Column("height", "output height in pixels", "pixels", True, low=1, high=65_536)
_SCALE = _positive("render_scale", "linear input of the upscaler, 1 is native", 4, "1")

GPUS = Table(
    "gpus",
    "the graphics processors, measured or only considered",
    (
        _text("gpu", "name, used everywhere else", True),
        _choice(
            "kind",
            "whether it shares the system memory or has its own",
            ("integrated", "discrete"),
            required=True,
        ),
        _count("compute_units", "repeated blocks of the GPU", 100_000, required=True),
        _count("lanes_per_unit", "arithmetic lanes in one block", 100_000, required=True),
        Column("clock_mhz", "sustained clock in MHz", "number", True, high=100_000, above=True),
        _text("family", "generation or design, as you group them"),
        _count("bus_width_bits", "width of the GPU's own memory bus in bits", 65_536),
        _positive("memory_mtps", "transfer rate of its own memory in MT/s", 1e6),
        _positive("bandwidth_gb_s", "memory bandwidth in GB/s, wins over bus times rate", 1e6),
        _positive("memory_gib", "its own memory in GiB", 100_000),
        _positive("board_power_w", "rated power of the card in W", 10_000),
        _count("slot_lanes", "lanes of its slot link", 64),
        _count("slot_generation", "generation of its slot link", 20),
        _positive("length_mm", "length of the card in mm", 10_000),
    ),
    required=True,
    unique=("gpu",),
)

SYSTEMS = Table(
    "systems",
    "what stands around the GPU: processor, memory, supply",
    (
        _text("system", "name, used everywhere else", True),
        _text("cpu", "processor"),
        _count("cpu_cores", "processor cores", 10_000),
        _count("cpu_threads", "processor threads", 10_000),
        _positive("cpu_boost_mhz", "highest processor clock in MHz", 100_000),
        _positive("cpu_speed", "relative single-thread speed, 1 is the reference", 1_000),
        _positive("ram_mtps", "configured memory rate in MT/s", 1e6),
        _positive("ram_rated_mtps", "rate the modules are sold for in MT/s", 1e6),
        _count("ram_channels", "memory channels in use", 64),
        _count("channel_bits", "width of one channel in bits", 1_024, default="64"),
        _positive("ram_gib", "memory in GiB", 100_000),
        _from_zero("reserved_gib", "memory set aside for the GPU in GiB", 100_000),
        _positive("psu_w", "rated power of the supply in W", 100_000),
    ),
    required=True,
    unique=("system",),
)

WORKLOADS = Table(
    "workloads",
    "games at a stated preset",
    (
        _text("workload", "name, used everywhere else", True),
        _text("game", "game"),
        _text("preset", "preset"),
        _text("genre", "genre"),
        _from_zero("weight", "weight in means over workloads", 1e6, "1"),
        _positive("goal_fps", "average FPS wanted", 100_000),
        _positive("floor_fps", "1 % low below which it is not playable", 100_000),
    ),
    required=True,
    unique=("workload",),
)

PASSES = Table(
    "passes",
    "one row for each run of a benchmark scene",
    (
        _text("pass_id", "name of the pass", True),
        _SYSTEM,
        _GPU,
        _WORKLOAD,
        _WIDTH,
        _HEIGHT,
        Column("date", "day of the run", "date"),
        _text("sitting", "runs of one day and boot share a sitting"),
        _count("order", "position within the sitting", 1e6, low=0),
        _choice("scene_kind", "what was played", ("built_in", "route", "replay", "live")),
        _choice(
            "state", "cold: first start; warm: shaders and storage warmed up", ("cold", "warm")
        ),
        _SCALE,
        _from_zero("generated_per_drawn", "generated frames for each drawn one", 16, "0"),
        _positive("cap_fps", "frame cap set for the run", 100_000),
        _positive("refresh_hz", "refresh rate of the display", 100_000),
        _text("driver", "driver version"),
        _text("game_version", "game version"),
        _positive("clock_mean_mhz", "mean GPU clock during the run in MHz", 100_000),
        _from_zero("memory_used_gib", "GPU memory in use in GiB", 100_000),
        _from_zero("power_w", "mean power during the run in W", 100_000),
        _choice("outcome", "whether it ran to the end", ("ran", "crashed"), "ran"),
        _text("void_reason", "why the pass must not count; empty counts"),
        _choice("source", "own run, or taken from another reviewer", ("own", "borrowed"), "own"),
        Column("log", "file of frame times inside the study", "path"),
        _positive("avg_fps", "average of drawn frames, where there is no log", 1e6),
        _positive("low_1pct_fps", "1 % low of drawn frames, where there is no log", 1e6),
    ),
    required=True,
    unique=("pass_id",),
)

PRICES = Table(
    "prices",
    "what things cost and when: switches on cost per frame",
    (
        _text("item", "thing that can be bought", True),
        Column("date", "day of the price", "date", True),
        Column("price", "price of one", "number", True, high=1e12, above=True),
        Column("currency", "ISO 4217 code; the study's own where empty", "currency"),
        _choice("condition", "new or used", CONDITIONS, "new"),
        _from_zero("tax_pct", "sales tax in per cent", 100),
        _choice("tax_included", "whether the price holds the tax", ("yes", "no")),
        _choice("listing", "shop price, asked by a seller, or paid", ("shop", "asked", "sold")),
        _text("bundle", "name of the bundle; price is then this item's part of the bundle's"),
        _text("note", "anything"),
    ),
)

RATES = Table(
    "rates",
    "exchange rates: switches on prices in other currencies",
    (
        Column("date", "day of the rate", "date", True),
        Column("from", "ISO 4217 code", "currency", True),
        Column("to", "ISO 4217 code", "currency", True),
        Column("rate", "what 1 `from` costs in `to`", "number", True, high=1e12, above=True),
    ),
)

BUILDS = Table(
    "builds",
    "lists of parts: switches on the value and upgrade tables",
    (
        _text("build", "name of the build", True),
        _text("item", "thing from prices.csv", True),
        _choice("role", "what it is", ROLES),
        _count("quantity", "how many", 10_000, default="1"),
        _choice("condition", "which prices count", CONDITIONS, "new"),
        _text("system", "the system it makes", False, ("systems", "system")),
        _text("gpu", "the GPU that draws its frames", False, ("gpus", "gpu")),
        _choice("obtained", "how it came", ("bought", "lent", "given")),
    ),
    unique=("build", "item", "condition"),
)

PARTS = Table(
    "parts",
    "what fits what: switches on the goes-together checks",
    (
        _text("item", "thing from builds.csv", True),
        _choice("role", "what it is", ROLES),
        _text("socket", "processor socket"),
        _text("memory_type", "memory type"),
        _count("slot_generation", "generation of the graphics slot or card", 20),
        _count("slot_lanes", "lanes of the graphics slot or card", 64),
        _positive("length_mm", "length in mm", 10_000),
        _positive("room_mm", "room for a card in mm", 10_000),
        _from_zero("draw_w", "power drawn in W", 100_000),
        _positive("supply_w", "power supplied in W", 100_000),
        _count("plugs_6pin", "6-pin power plugs, had or needed", 100, low=0),
        _count("plugs_8pin", "8-pin power plugs, had or needed", 100, low=0),
    ),
    unique=("item",),
)

TARGETS = Table(
    "targets",
    "configurations to predict",
    (_SYSTEM, _GPU, _WORKLOAD, _WIDTH, _HEIGHT, _SCALE),
)

CLAIMS = Table(
    "claims",
    "sentences of a script to check",
    (
        _text("claim", "the sentence", True),
        _text("left", "a build or a GPU", True),
        _choice(
            "measure",
            "what is compared",
            ("average", "low_1pct", "cost_per_frame", "price"),
            required=True,
        ),
        _choice("relation", "what is claimed", ("above", "below", "same"), required=True),
        _text("right", "a build, a GPU or a number"),
        _from_zero("margin_pct", "smallest difference that counts, in per cent", 1_000),
        _text("workload", "one workload; all where empty", False, ("workloads", "workload")),
    ),
)

FORECASTS = Table(
    "forecasts",
    "predictions kept before the runs, written by the kit",
    (
        Column("made_on", "day of the forecast", "date", True),
        _text("inputs_sha256", "hash of what it was made from", True),
        _text("model", "family that made it", True),
        *(replace(column, refers=()) for column in TARGETS.columns),
        _positive("fps", "forecast FPS, the median", 1e6),
        _positive("pred_low", "lower end of the range for a future pass", 1e6),
        _positive("pred_high", "upper end", 1e9),
        Column("level", "coverage of the range", "number", high=1, above=True),
        _text("chain_sha256", "hash of this line and all before it"),
    ),
)

TABLES = MappingProxyType(
    {
        table.name: table
        for table in (
            GPUS,
            SYSTEMS,
            WORKLOADS,
            PASSES,
            PRICES,
            RATES,
            BUILDS,
            PARTS,
            TARGETS,
            CLAIMS,
            FORECASTS,
        )
    }
)


def glossary() -> str:
    """Every file and column as a Markdown text.

    Returns
    -------
    str
        One section a file; required columns in bold, defaults and choices in words.

    Examples
    --------
    >>> print(glossary().splitlines()[0])
    ## gpus.csv
    """
    return "\n".join(part for table in TABLES.values() for part in _section(table))


def _section(table: Table) -> list[str]:
    head = "required" if table.required else "optional"
    lines = [f"## {table.file}", "", f"{table.meaning} ({head})", ""]
    lines += ["| column | kind | meaning |", "|---|---|---|"]
    for column in table.columns:
        name = f"**{column.name}**" if column.required else column.name
        lines.append(f"| {name} | {in_words(column)} | {column.meaning} |")
    return [*lines, ""]


def in_words(column: Column) -> str:
    """Say in words what a cell of `column` may hold.

    Parameters
    ----------
    column : Column

    Returns
    -------
    str

    Examples
    --------
    >>> in_words(PASSES.column("render_scale"))
    'a number above 0, at most 4 (1 where empty)'
    """
    if column.kind == "choice":
        words = "one of " + ", ".join(column.allowed)
    elif column.kind in ("number", "integer", "pixels"):
        name = "number" if column.kind == "number" else "whole number"
        start = f"above {column.low:g}" if column.above else f"from {column.low:g}"
        end = f", at most {column.high:.15g}" if column.above else f" to {column.high:.15g}"
        words = f"a {name} {start}{end}"
    else:
        words = {
            "text": "text",
            "date": "a day as 2026-11-01",
            "currency": "a currency as three capitals, USD",
            "path": "the path of a .csv, .csv.gz or .parquet file inside the study",
        }[column.kind]
    return words + (f" ({column.default} where empty)" if column.default else "")
