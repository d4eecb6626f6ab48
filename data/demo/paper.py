# ruff: noqa: E501 (a row of a table is one line)
"""What is written by hand in the demo: builds, parts, claims, targets, rates, price levels."""

import datetime as dt
from collections.abc import Callable
from typing import NamedTuple

import numpy as np

STUDY = """\
# An invented market; make_demo.py states its truth and writes these files.
title = "One machine, two ways to draw a frame (invented market)"
currency = "EUR"
price_date = 2026-11-01
targets_fps = [30, 60, 120]
value_at = [1920, 1080]
budget = 780
tariff_per_kwh = 0.29
hours_per_week = 10
disclosure = "Invented market: no part, game, shop or price here is real."

[logs]
frame_time_column = "frame_us"
frame_time_unit = "us"
counts = "drawn"
combined = "frames.parquet"
"""

BASE = {  # the machine that every "Bench" build starts from
    "Lowfell Mason": "board",
    "Sixfold H": "processor",
    "Lowfell Draught": "cooler",
    "Tidewick Pair 32": "memory",
    "Tidewick Larder 1000": "storage",
    "Lowfell Trickle 450": "supply",
    "Lowfell Crate": "case",
}
CARDS = {  # build -> card, condition
    "Bench + used Trivet": ("Trivet", "used"),
    "Bench + Griddle": ("Griddle", "new"),
    "Bench + Skillet": ("Skillet", "new"),
    "Bench + used Bellows": ("Bellows", "used"),
    "Bench + Tureen": ("Tureen", "new"),
    "Bench + Firedog": ("Firedog", "new"),
    "Bench + Drophammer": ("Drophammer", "new"),
}
OTHER_BUILDS = """\
Parlour kit,Parlour kit,other,1,new,parlour,Inglenook,bought
Attic revival,Quatrain board,board,1,used,attic,Griddle,bought
Attic revival,Quatrain,processor,1,used,attic,Griddle,bought
Attic revival,Tidewick Pair 16 old,memory,1,used,attic,Griddle,bought
Attic revival,Lowfell Gale 550,supply,1,used,attic,Griddle,bought
Attic revival,Lowfell Trunk,case,1,used,attic,Griddle,given
Attic revival,Tidewick Larder 1000,storage,1,new,attic,Griddle,bought
Attic revival,Griddle,card,1,new,attic,Griddle,bought
Studio tower,Tenfold S,processor,1,new,studio,Cauldron,bought
Studio tower,Lowfell Bishop,board,1,new,studio,Cauldron,bought
Studio tower,Lowfell Cistern,cooler,1,new,studio,Cauldron,bought
Studio tower,Tidewick Pair 64,memory,1,new,studio,Cauldron,bought
Studio tower,Tidewick Larder 1000,storage,2,new,studio,Cauldron,bought
Studio tower,Lowfell Torrent 850,supply,1,new,studio,Cauldron,bought
Studio tower,Lowfell Steeple,case,1,new,studio,Cauldron,bought
Studio tower,Cauldron,card,1,new,studio,Cauldron,lent
"""

PARTS = """\
item,role,socket,memory_type,slot_generation,slot_lanes,length_mm,room_mm,draw_w,supply_w,plugs_6pin,plugs_8pin
Lowfell Mason,board,LF-2,DDR5,4,16,,,38,,,
Sixfold H,processor,LF-2,DDR5,,,,,88,,,
Lowfell Draught,cooler,LF-2,,,,,,4,,,
Tidewick Pair 32,memory,,DDR5,,,,,9,,,
Tidewick Larder 1000,storage,,,,,,,7,,,
Lowfell Trickle 450,supply,,,,,,,,450,0,2
Lowfell Crate,case,,,,,,290,,,,
Trivet,card,,,4,8,172,,88,,0,0
Griddle,card,,,4,16,204,,124,,0,1
Skillet,card,,,4,16,231,,162,,0,1
Cauldron,card,,,4,16,268,,228,,0,2
Hobnail,card,,,4,8,188,,97,,1,0
Bellows,card,,,4,8,246,,181,,,
Firedog,card,,,4,16,305,,236,,0,2
Tureen,card,,,4,16,252,,196,,0,1
Drophammer,card,,,4,16,318,,322,,0,3
Quatrain board,board,LF-1,DDR4,3,16,,,32,,,
Quatrain,processor,LF-1,DDR4,,,,,65,,,
Tidewick Pair 16 old,memory,,DDR4,,,,,6,,,
Lowfell Gale 550,supply,,,,,,,,550,1,2
Lowfell Trunk,case,,,,,,,,,,
Lowfell Bishop,board,LF-2,DDR5,4,16,,,45,,,
Tenfold S,processor,LF-2,DDR5,,,,,142,,,
Lowfell Cistern,cooler,LF-2,,,,,,9,,,
Tidewick Pair 64,memory,,DDR5,,,,,12,,,
Lowfell Torrent 850,supply,,,,,,,,850,2,4
Lowfell Steeple,case,,,,,,340,,,,
"""

TARGETS = """\
system,gpu,workload,width,height,render_scale
workbench,Tureen,"Velm Circuit, low",1920,1080,
workbench,Tureen,"Ostler's Reach, low",1920,1080,
workbench,Tureen,"Quickmarl, competitive",1920,1080,
workbench,Tureen,"Skein Tactics, high",1920,1080,
workbench,Tureen,"Brool, medium",1920,1080,
workbench,Tureen,"Undermoss, high",1920,1080,
workbench,Tureen,"Umber Orchard, low",1920,1080,
workbench,Tureen,"Umber Orchard, low",2560,1440,
workbench,Drophammer,"Velm Circuit, low",1920,1080,
workbench,Drophammer,"Ostler's Reach, low",1920,1080,
workbench,Drophammer,"Skein Tactics, high",1920,1080,
workbench,Drophammer,"Umber Orchard, low",1920,1080,
workbench,Drophammer,"Umber Orchard, low",3840,2160,
workbench,Griddle,"Gullwake, medium",2560,1440,
workbench,Griddle,"Lanterns of Ghye, low",1600,900,
workbench,Skillet,"Undermoss, high",3840,2160,
workbench,Firedog,"Murmur Relay, medium",1920,1080,
workbench,Hobnail,"Umber Orchard, low",1920,1080,
workbench,Stovepipe,"Undermoss, high",1280,720,0.75
workbench,Stovepipe,"Gullwake, medium",1920,1080,0.6
workbench,Trivet,"Undermoss, high",1920,1080,
attic,Skillet,"Velm Circuit, low",1920,1080,
attic,Trivet,"Quickmarl, competitive",1920,1080,
studio,Tureen,"Skein Tactics, high",1920,1080,
pantry,Tealight,"Umber Orchard, low",1920,1080,
pantry,Tealight,"Drayhaul, medium",1920,1080,
workbench,Skillet,"Wexel Downs, high",1920,1080,
workbench,Stovepipe,"Wexel Downs, high",1920,1080,
"""

CLAIMS = """\
claim,left,measure,relation,right,margin_pct,workload
The Skillet more than doubles what the bare bench draws,Bench + Skillet,average,above,Bench bare,100,
The used Trivet beats the Griddle,Trivet,average,above,Griddle,,
The used Bellows is faster than the Skillet,Bellows,average,above,Skillet,,
Skillet and Cauldron feel the same in Skein Tactics,Skillet,average,same,Cauldron,5,"Skein Tactics, high"
The bare bench holds 30 in Ostler's Reach,Bench bare,average,above,30,,"Ostler's Reach, low"
The bare bench never drops far below 24 in Umber Orchard,Bench bare,low_1pct,above,24,,"Umber Orchard, low"
The Griddle has the higher 1 % low in Velm Circuit,Griddle,low_1pct,above,Trivet,,"Velm Circuit, low"
A frame costs less with the used Trivet than without it,Bench + used Trivet,cost_per_frame,below,Bench bare,,
A frame costs less with the Skillet than with the Griddle,Bench + Skillet,cost_per_frame,below,Bench + Griddle,,
A frame costs the same with the Tureen and with the Skillet,Bench + Tureen,cost_per_frame,same,Bench + Skillet,10,
The bare bench costs less than 600,Bench bare,price,below,600,,
The parlour kit costs less than the bench with a used Trivet,Parlour kit,price,below,Bench + used Trivet,,
"""

RATES = """\
date,from,to,rate
2025-06-02,CHF,EUR,1.0671
2025-12-01,CHF,EUR,1.0718
2026-04-01,CHF,EUR,1.0544
2026-08-03,CHF,EUR,1.0602
2026-10-19,CHF,EUR,1.0635
"""


def builds() -> str:
    """Return builds.csv: the bare bench, the bench with each card, three other machines."""
    lines = ["build,item,role,quantity,condition,system,gpu,obtained"]
    for build, (card, condition) in ({"Bench bare": ("", "")} | CARDS).items():
        gpu = card or "Stovepipe"
        lines += [f"{build},{i},{role},1,new,workbench,{gpu},bought" for i, role in BASE.items()]
        if card:
            lines.append(f"{build},{card},card,1,{condition},workbench,{gpu},bought")
    return "\n".join(lines) + "\n" + OTHER_BUILDS


class Level(NamedTuple):
    """An item's price on the price date and how it got there: log change per month, and noise."""

    price: float
    drift: float
    noise: float = 0.015
    condition: str = "new"
    listing: str = "shop"
    months: int = 18
    currency: str = "EUR"
    stale: int = 0


LEVELS = (
    ("Lowfell Mason", Level(94.0, -0.004)),
    ("Sixfold H", Level(164.0, -0.011)),
    ("Lowfell Draught", Level(24.5, 0.0)),
    ("Tidewick Pair 32", Level(97.0, 0.022)),
    ("Tidewick Larder 1000", Level(58.0, 0.012)),
    ("Lowfell Trickle 450", Level(52.0, -0.002)),
    ("Lowfell Crate", Level(49.0, -0.003, stale=2)),
    ("Trivet", Level(139.0, -0.010)),
    ("Trivet", Level(84.0, -0.016, 0.05, "used", "sold")),
    ("Trivet", Level(99.0, -0.014, 0.05, "used", "asked")),
    ("Griddle", Level(184.0, -0.010)),
    ("Griddle", Level(131.0, -0.015, 0.05, "used", "sold", 12)),
    ("Skillet", Level(239.0, -0.014, months=9)),
    ("Hobnail", Level(149.0, -0.012)),
    ("Bellows", Level(262.0, -0.018)),
    ("Bellows", Level(205.0, -0.020, 0.05, "used", "asked", 11)),
    ("Firedog", Level(405.0, -0.008, months=7)),
    ("Cauldron", Level(389.0, -0.009, months=6)),
    ("Tureen", Level(309.0, -0.006, months=2)),
    ("Drophammer", Level(684.0, -0.004, months=3)),
    ("Parlour kit", Level(498.0, -0.007, months=10, currency="CHF")),
    ("Quatrain board", Level(97.0, -0.010, 0.04, "used", "sold", 12)),
    ("Quatrain", Level(88.0, -0.012, 0.04, "used", "sold", 12)),
    ("Tidewick Pair 16 old", Level(59.0, 0.010, 0.04, "used", "sold", 12)),
    ("Lowfell Gale 550", Level(54.0, 0.0, 0.04, "used", "sold", 12)),
    ("Lowfell Trunk", Level(15.0, 0.0, 0.04, "used", "sold", 6)),
    ("Tenfold S", Level(338.0, -0.010, months=12)),
    ("Lowfell Bishop", Level(168.0, -0.005, months=12)),
    ("Lowfell Cistern", Level(71.0, 0.0, months=12)),
    ("Tidewick Pair 64", Level(189.0, 0.022, months=12)),
    ("Lowfell Torrent 850", Level(118.0, -0.003, months=12)),
    ("Lowfell Steeple", Level(92.0, 0.0, months=12)),
)

EXTRA_PRICES = """\
Lowfell Mason,2026-10-20,88.00,EUR,new,21,yes,shop,starter trio,part of a bundle of three
Sixfold H,2026-10-20,149.00,EUR,new,21,yes,shop,starter trio,part of a bundle of three
Tidewick Pair 32,2026-10-20,85.00,EUR,new,21,yes,shop,starter trio,part of a bundle of three
Skillet,2026-11-06,219.00,EUR,new,21,yes,shop,,after the price date: does not count yet
"""


def prices(stream: Callable[..., np.random.Generator]) -> str:
    """Return prices.csv: one price a month for each item, condition and listing."""
    lines = ["item,date,price,currency,condition,tax_pct,tax_included,listing,bundle,note"]
    for item, level in LEVELS:
        rng = stream("price", item, level.condition, level.listing)
        for back in range(level.months - 1, level.stale - 1, -1):
            step = 0.0 if back == level.stale else level.noise * rng.standard_normal()
            price = level.price * float(np.exp(-level.drift * (back - level.stale) + step))
            year, month = divmod(2026 * 12 + 9 - back, 12)
            day = dt.date(year, month + 1, 4 + int(22 * rng.random()))
            included = "yes" if level.currency == "EUR" else "no"
            lines.append(
                f"{item},{day},{price:.2f},{level.currency},{level.condition},21,{included},"
                f"{level.listing},,"
            )
    return "\n".join(lines) + "\n" + EXTRA_PRICES


PAPER = {
    "study.toml": STUDY,
    "builds.csv": builds(),
    "parts.csv": PARTS,
    "targets.csv": TARGETS,
    "claims.csv": CLAIMS,
    "rates.csv": RATES,
}
