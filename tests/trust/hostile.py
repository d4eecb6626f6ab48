"""A study in which every free text of every file tries to be something else, by the schema."""

import csv
import io
import itertools
from pathlib import Path

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
PARTS = "item,role,socket,memory_type\nBoard,board,s,m\nCase,case,,\nBrazier,card,,\n"


def rows_of(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


def hostile_tables(long: str = LONG) -> dict[str, list[dict[str, str]]]:
    """Rows of every table but the ledger; a column of our own besides, with hostile texts."""
    attacks = iter(ATTACKS)
    names = {name: f"{next(attacks)}{name[:2]}" for name in RENAMED}
    names["Velm"] += long
    texts = itertools.cycle(ATTACKS)
    made = {}
    for name, table in TABLES.items():
        if name == "forecasts":
            continue
        rows = rows_of({**FILES, "parts.csv": PARTS}[f"{name}.csv"])
        for row in rows:
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


def write_hostile(folder: Path, long: str = LONG) -> Path:
    """Write that study."""
    folder.mkdir(parents=True)
    title, paid = ATTACKS[8] + " $x$ 100%", ATTACKS[9] + "\u202e"
    toml = SETTINGS.replace('"Two cards"', repr(title)) + f"disclosure = '{paid}'\n" + LOGS
    (folder / "study.toml").write_text(toml, encoding="utf-8")
    (folder / "logs").mkdir()
    (folder / "logs/p1.csv").write_text(FILES["logs/p1.csv"])
    for name, rows in hostile_tables(long).items():
        with open(folder / f"{name}.csv", "w", encoding="utf-8", newline="") as file:
            keys = list(dict.fromkeys(key for row in rows for key in row))
            writer = csv.DictWriter(file, keys)
            writer.writeheader()
            writer.writerows(rows)
    return folder
