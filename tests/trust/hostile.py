"""A study in which every free text of every file tries to be something else, by the schema."""

import csv
import datetime
import io
import itertools
from pathlib import Path

import pandas as pd

from perfkit.study import load_study
from perfkit.study.ledger import keep_forecasts
from perfkit.study.schema import TABLES
from tests.study.make import FILES, LOGS, SETTINGS

ATTACKS = (
    "=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "'=1", "=HYPERLINK(\"//x.invalid\",1)", "＝1",
    "<script>window.hit=1</script>", "<img src=x onerror=window.hit=1>", "</td><b>", "]]>", "<!--",
    "</script><script>window.hit=1</script>", "<svg onload=window.hit=1>", "&lt;b&gt;", "\\u003cb",
    "javascript:window.hit=1", "<a href=//x.invalid>x</a>", "$x^2$", "$\\frac{1}{", "\\alpha_{",
    "_$",
    "100%", "%s %d", "{0}", "{x!r}", "${x}", "אגם \u202etxt.exe", "نظام", "a\u200bb", "\u2066x",
    "\ufeffx",
    "line\nend", "tab\tend", "\x1b[31mred", "\x07", "'); import os #", "\"\"\"", "`id`", "$(id)",
    "NA", "nan", "None", "True", "007", "1e5", "2026-11-01", "inf", "💾" * 9,
)  # fmt: skip
LONG = "=" + "long<b>$ " * 7_281  # 64 KiB
RENAMED = ("Ember", "Brazier", "bench", "Velm", "Orrery", "Board", "Case", "Plain", "Carded",
           "p1", "p2", "p3", "p4", "The card doubles it", "It stays under 500")  # fmt: skip
KEPT = {("passes", "void_reason"): "p4", ("prices", "bundle"): None, ("claims", "workload"): None}
"""Cells that change what counts: filled in one row, or left as they are."""
TOGETHER = "</script><b>$x$ \u202e=1"
"""Name of a bundle that is cheaper than its items, so that a build takes it."""
MADE_ON, LATER = datetime.date(2026, 10, 1), "2026-10-15"
PARTS = "item,role,socket,memory_type\nBoard,board,s,m\nCase,case,,\nBrazier,card,,\n"


def rows_of(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


def hostile_tables(long: str = LONG, first: int = 0) -> dict[str, list[dict[str, str]]]:
    """Rows of every table but the ledger; a column of our own besides, with hostile texts.

    Names take the attacks from `first` on.
    """
    attacks = iter(ATTACKS[first:] + ATTACKS[:first])
    names = {name: f"{next(attacks)}{name[:2]}" for name in RENAMED}
    names["Velm"] += long
    texts = itertools.cycle(ATTACKS)
    made = {}
    for name, table in TABLES.items():
        if name == "forecasts":
            continue
        rows = rows_of({**FILES, "parts.csv": PARTS}[f"{name}.csv"])
        if name == "prices":
            bundled = {"date": LATER, "price": "40", "condition": "new", "listing": "shop"}
            rows += [{"item": item, **bundled, "bundle": TOGETHER} for item in ("Board", "Case")]
        for row in rows:
            if row.get("pass_id") in ("p3", "p4"):
                row["date"] = LATER
            plain = next(iter(row.values()))
            row.update({key: names.get(cell, cell) for key, cell in row.items()})
            for column in table.columns:
                free = column.kind == "text" and not column.refers and column.name != "right"
                keep = (name, column.name) in KEPT and KEPT[name, column.name] != plain
                if free and not row.get(column.name) and not keep:
                    row[column.name] = next(texts)
            row["=own<b>"] = next(texts)
        made[name] = rows
    return made


def write_hostile(folder: Path, long: str = LONG, first: int = 0) -> Path:
    """Write that study, with a forecast that its pass `p3` scores."""
    folder.mkdir(parents=True)
    title, paid = ATTACKS[8] + " $x$ 100%", ATTACKS[9] + "\u202e"
    toml = SETTINGS.replace('"Two cards"', repr(title)) + f"disclosure = '{paid}'\n" + LOGS
    (folder / "study.toml").write_text(toml, encoding="utf-8")
    (folder / "logs").mkdir()
    (folder / "logs/p1.csv").write_text(FILES["logs/p1.csv"])
    tables = hostile_tables(long, first)
    for name, rows in tables.items():
        with open(folder / f"{name}.csv", "w", encoding="utf-8", newline="") as file:
            keys = list(dict.fromkeys(key for row in rows for key in row))
            writer = csv.DictWriter(file, keys)
            writer.writeheader()
            writer.writerows(rows)
    scored = {"width": 1920, "height": 1080, "render_scale": 1.0, "fps": 150.0, "level": 0.9}
    keys = {name: tables["passes"][2][name] for name in ("system", "gpu", "workload")}
    made = {**keys, **scored, "pred_low": 120.0, "pred_high": 180.0, "model": ATTACKS[8]}
    keep_forecasts(load_study(folder), pd.DataFrame([made]), MADE_ON)
    return folder
