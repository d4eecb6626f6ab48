"""Small studies on disk: a good one to start from, and ways to change one thing in it."""

from pathlib import Path

SETTINGS = """\
title = "Two cards"
currency = "USD"
price_date = 2026-11-01
"""

LOGS = """
[logs]
frame_time_column = "frame_ms"
frame_time_unit = "ms"
"""

FILES = {
    "study.toml": SETTINGS + LOGS,
    "gpus.csv": """\
gpu,kind,compute_units,lanes_per_unit,clock_mhz
Ember,integrated,8,64,2200
Brazier,discrete,28,64,2400
""",
    "systems.csv": """\
system,ram_mtps
bench,6000
""",
    "workloads.csv": """\
workload,weight,goal_fps
Velm,1,60
Orrery,2,30
""",
    "passes.csv": """\
pass_id,system,gpu,workload,width,height,outcome,log,avg_fps
p1,bench,Ember,Velm,1920,1080,ran,logs/p1.csv,
p2,bench,Ember,Orrery,1920,1080,,,31.5
p3,bench,Brazier,Velm,1920,1080,ran,,144.25
p4,bench,Brazier,Orrery,1920,1080,crashed,,
""",
    "prices.csv": """\
item,date,price,currency,condition,listing
Board,2026-10-05,100,,new,shop
Brazier,2026-10-20,250,USD,new,shop
Case,2026-10-01,50,EUR,,shop
""",
    "rates.csv": """\
date,from,to,rate
2026-10-30,EUR,USD,1.1
""",
    "builds.csv": """\
build,item,role,quantity,condition,system,gpu,obtained
Plain,Board,board,1,new,bench,Ember,bought
Plain,Case,case,1,new,,,
Carded,Board,board,1,new,bench,Brazier,bought
Carded,Case,case,1,new,,,bought
Carded,Brazier,card,1,new,,,lent
""",
    "claims.csv": """\
claim,left,measure,relation,right,margin_pct,workload
The card doubles it,Brazier,average,above,Ember,5,Velm
It stays under 500,Carded,price,below,500,,
""",
    "targets.csv": """\
system,gpu,workload,width,height
bench,Brazier,Velm,2560,1440
""",
    "logs/p1.csv": "frame_ms\n" + "16.5\n" * 20,
}


def write_study(folder: Path, **changed: str | bytes | None) -> Path:
    """Write the good study with some files changed.

    Names are given with "__" for "." and "_in_" is not needed: ``gpus__csv="..."``. None leaves
    the file out.
    """
    new = {name.replace("__", "."): text for name, text in changed.items()}
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in {**FILES, **new}.items():
        if text is not None:
            path = folder / name
            path.parent.mkdir(exist_ok=True)
            path.write_bytes(text.encode() if isinstance(text, str) else text)
    return folder


def swapped(name: str, old: str, new: str) -> dict[str, str]:
    """One file of the good study with `old`, which must be in it once, replaced by `new`."""
    assert FILES[name].count(old) == 1, (name, old)
    return {name.replace(".", "__"): FILES[name].replace(old, new)}
