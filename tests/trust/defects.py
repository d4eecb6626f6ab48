"""One row for each way in which a study can be bad.

``python -m tests.trust.defects > tests/trust/listings.txt`` writes anew what each must be told.
"""

import gzip
import os
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import pyarrow as pa

from perfkit.study.schema import TABLES
from tests.frames.make import csv_log, parquet_log
from tests.study.make import FILES, LOGS, SETTINGS, write_study
from tests.trust.checking import run_each

Content = str | bytes | None
GPUS, PASSES, TOML = FILES["gpus.csv"], FILES["passes.csv"], FILES["study.toml"]


@dataclass(frozen=True, slots=True)
class Defect:
    """Files of the good study that are changed, and what is done to its folder besides."""

    name: str
    files: dict[str, Content]
    more: Callable[[Path], object] = field(default=lambda study: None)

    def write(self, study: Path) -> Path:
        """Write the bad study."""
        changed = {name.replace(".", "__"): content for name, content in self.files.items()}
        write_study(study, **changed)
        self.more(study)
        return study


def swap(file: str, *pairs: str) -> dict[str, Content]:
    """One file with texts, each of which is there, replaced by others."""
    text = FILES[file]
    for old, new in zip(pairs[::2], pairs[1::2], strict=True):
        assert old in text, old
        text = text.replace(old, new, 1)
    return {file: text}


def cell(new: str) -> dict[str, Content]:
    """Another clock of the second GPU."""
    return swap("gpus.csv", "2400", new)


def log(content: bytes, name: str = "logs/p1.csv") -> dict[str, Content]:
    """Another log of the first pass."""
    return {name: content, **swap("passes.csv", "logs/p1.csv", name)}


def link(name: str, target: str) -> Callable[[Path], object]:
    """Put a link into the study."""
    return lambda study: (study / name).symlink_to(target)


def write_outside(study: Path) -> None:
    """Write a log beside the study."""
    (study.parent / "outside").mkdir(exist_ok=True)
    (study.parent / "outside" / "x.csv").write_bytes(b"frame_ms\n16\n")


def named(name: str) -> dict[str, Content]:
    """Another path of the first log."""
    return swap("passes.csv", "logs/p1.csv", name)


DEFECTS = [
    Defect("UTF-16", {"gpus.csv": GPUS.encode("utf-16")}),
    Defect("UTF-16 without a mark", {"gpus.csv": GPUS.encode("utf-16-le")}),
    Defect("UTF-32", {"gpus.csv": GPUS.encode("utf-32")}),
    Defect("Latin-1", {"gpus.csv": GPUS.replace("Ember", "Embér").encode("latin-1")}),
    Defect("two byte-order marks", {"gpus.csv": "\ufeff\ufeff" + GPUS}),
    Defect("settings in UTF-16", {"study.toml": TOML.encode("utf-16")}),
    Defect("settings in Latin-1", {"study.toml": TOML.replace("Two", "Zweié").encode("latin-1")}),
    Defect("NUL in a table", swap("gpus.csv", "discrete", "dis\0crete")),
    Defect("NUL in the settings", {"study.toml": TOML + "\0"}),
    Defect("semicolons", {"gpus.csv": GPUS.replace(",", ";")}),
    Defect(
        "semicolons and decimal commas",
        {"gpus.csv": GPUS.replace(",", ";").replace("2200", "2,2")},
    ),
    Defect("tabs", {"gpus.csv": GPUS.replace(",", "\t")}),
    Defect("upright lines", {"gpus.csv": GPUS.replace(",", "|")}),
    Defect("decimal comma", cell('"2400,5"')),
    Defect("decimal comma without quotes", cell("2400,5")),
    Defect("thousands comma", cell('"2,400"')),
    Defect("thousands underscore", cell("2_400")),
    Defect("thousands apostrophe", cell("2'400")),
    Defect("thousands space", cell("2\u202f400")),
    Defect("thousands point", cell('"2.400,5"')),
    Defect("huge header", {"gpus.csv": ",".join(f"c{n}" for n in range(100_000)) + "\n"}),
    Defect("huge name of a column", {"gpus.csv": "x" * 200_000 + "," + GPUS}),
    Defect("huge field", cell("9" * 200_000)),
    Defect("long field", cell("9" * 100_000)),
    Defect("open quote", {"gpus.csv": GPUS + '"open,discrete,1,1,1\n' + "x\n" * 5}),
    Defect("no header", {"gpus.csv": ""}),
    Defect("blank first line", {"gpus.csv": "\n" + GPUS}),
    Defect("no rows", {"passes.csv": PASSES.splitlines()[0] + "\n"}),
    Defect("no file", {"systems.csv": None}),
    Defect("missing column", swap("gpus.csv", "clock_mhz", "note")),
    Defect("column by another name", swap("gpus.csv", "clock_mhz", "Clock MHz")),
    Defect("column twice", swap("gpus.csv", "kind", "gpu")),
    Defect(
        "column without a name",
        swap("gpus.csv", ",kind", ",kind,", "integrated", "integrated,", "discrete", "discrete,"),
    ),
    Defect("row too short", swap("gpus.csv", ",2400", "")),
    Defect("row of commas", {"gpus.csv": GPUS + ",,,,\n"}),
    Defect("GPU twice", {"gpus.csv": GPUS + "Ember,discrete,1,1,1\n"}),
    Defect("pass twice", swap("passes.csv", "p3,", "p1,")),
    Defect("no id", swap("passes.csv", "p3,", ",")),
    Defect("dangling system", swap("passes.csv", "p3,bench", "p3,bunch")),
    Defect("other case", swap("passes.csv", "p3,bench,Brazier", "p3,bench,brazier")),
    Defect("space after a name", swap("passes.csv", "p3,bench,Brazier", "p3,bench,Brazier ")),
    Defect("fixed space in a name", swap("passes.csv", "p3,bench", "p3,ben\u00a0ch")),
    Defect("dangling workload", swap("passes.csv", "Brazier,Orrery", "Brazier,None")),
    Defect("dangling target", swap("targets.csv", "Velm", "007")),
    Defect("dangling item", swap("builds.csv", "Plain,Case,case", "Plain,Cast,case")),
    Defect("dangling claim", swap("claims.csv", "Ember,5", "1e5x,5")),
    *[
        Defect(f"number {text}", cell(text))
        for text in (
            "0",
            "-1",
            "1e999",
            "nan",
            "NaN",
            "inf",
            "-Infinity",
            "N/A",
            "#DIV/0!",
            "None",
            "True",
            "0x10",
            "２４００",
            "٢٤",
            "2400 MHz",
            " 2400",
            "2400\u00a0",
            "--",
            "½",
            "=2400",
        )
    ],
    Defect("part of a unit", swap("gpus.csv", "28", "28.5")),
    Defect("no pixels", swap("passes.csv", "p3,bench,Brazier,Velm,1920", "p3,bench,Brazier,Velm,")),
    *[
        Defect(f"date {text}", swap("prices.csv", "2026-10-20", text))
        for text in (
            "46315",
            "46315.5",
            "20/10/2026",
            "2026-02-30",
            "1899-12-31",
            "9999-12-31",
            "2026-10-20T00:00",
            "20261020",
            "Oct 20",
            "",
        )
    ],
    Defect("price of nothing", swap("prices.csv", "250", "0")),
    Defect("currency without a rate", swap("prices.csv", "50,EUR", "50,CHF")),
    Defect("currency in small letters", swap("prices.csv", "250,USD", "250,usd")),
    Defect(
        "two prices of one day",
        {"prices.csv": FILES["prices.csv"] + "Brazier,2026-10-20,251,USD,new,shop\n"},
    ),
    Defect(
        "tax known and not known",
        swap(
            "prices.csv",
            "listing",
            "listing,tax_included",
            "100,,new,shop",
            "100,,new,shop,yes",
            "250,USD,new,shop",
            "250,USD,new,shop,",
            "50,EUR,,shop",
            "50,EUR,,shop,",
        ),
    ),
    Defect("rate of zero", swap("rates.csv", "1.1", "0")),
    Defect("builds without prices", {"prices.csv": None, "claims.csv": None}),
    Defect(
        "two systems in a build",
        {
            "systems.csv": FILES["systems.csv"] + "desk,\n",
            **swap("builds.csv", "Plain,Case,case,1,new,", "Plain,Case,case,1,new,desk"),
        },
    ),
    Defect("weights of zero", swap("workloads.csv", "Velm,1", "Velm,0", "Orrery,2", "Orrery,0")),
    Defect("no settings", {"study.toml": None}),
    Defect("empty settings", {"study.toml": ""}),
    Defect("settings without quotes", {"study.toml": "title = Two cards\n" + TOML}),
    Defect("settings twice", {"study.toml": SETTINGS + SETTINGS + LOGS}),
    Defect("section twice", {"study.toml": TOML + LOGS}),
    Defect("day in quotes", {"study.toml": TOML.replace("2026-11-01", '"2026-11-01"')}),
    Defect(
        "numbers that are none",
        {
            "study.toml": "targets_fps = [nan, -1]\nbudget = inf\n"
            "hours_per_week = 200\nvalue_at = [1920]\n" + TOML
        },
    ),
    Defect("deep arrays", {"study.toml": TOML + "a = " + "[" * 100_000}),
    Defect("deep keys", {"study.toml": TOML + ".".join("a" * 100_000) + " = 1\n"}),
    Defect(
        "many keys",
        {"study.toml": TOML + "".join(f"k{n} = 1\n" for n in range(25_000)) + "currency = 1"},
    ),
    Defect("settings too large", {"study.toml": TOML + "#" * 300_000}),
    Defect("logs without a section", {"study.toml": SETTINGS}),
    Defect("unit of nothing", {"study.toml": TOML.replace('"ms"', '"minutes"')}),
    Defect("log that climbs", named("../p1.csv")),
    Defect("log that climbs late", named("logs/../../p1.csv")),
    Defect("absolute log", named("/etc/hostname.csv")),
    Defect("log by the other slash", named("logs\\p1.csv")),
    Defect("log by an address", named("file:///etc/passwd.csv")),
    Defect("log at home", named("~/p1.csv")),
    Defect("log with a control character", named("logs/\x1bp1.csv")),
    Defect("log of another kind", named("logs/p1.xlsx")),
    Defect("log that is not there", named("logs/none.csv")),
    Defect("log of a long name", named("x" * 300 + ".csv")),
    Defect("log that leads outside", named("out.csv"), link("out.csv", "/etc/hostname")),
    Defect(
        "folder that leads outside",
        named("out/x.csv"),
        lambda study: [link("out", "../outside")(study), write_outside(study)],
    ),
    Defect("log that leads to a device", named("out.csv"), link("out.csv", "/dev/zero")),
    Defect("log that leads nowhere", named("out.csv"), link("out.csv", "none.csv")),
    Defect("log that leads to itself", named("out.csv"), link("out.csv", "out.csv")),
    Defect("log that is a pipe", named("out.csv"), lambda study: os.mkfifo(study / "out.csv")),
    Defect("log that is a folder", named("out.csv"), lambda study: (study / "out.csv").mkdir()),
    Defect(
        "table that is a pipe",
        {"rates.csv": None},
        lambda study: os.mkfifo(study / "rates.csv"),
    ),
    Defect("table that leads outside", {"rates.csv": None}, link("rates.csv", "/etc/passwd")),
    Defect("settings that lead to a device", {"study.toml": None}, link("study.toml", "/dev/zero")),
    Defect("one log for two passes", swap("passes.csv", ",,31.5", ",logs/./p1.csv,31.5")),
    Defect("pass without a number", swap("passes.csv", ",,31.5", ",,")),
    Defect("table as a log", named("gpus.csv")),
    Defect("log in UTF-16", log("frame_ms\n16\n".encode("utf-16"))),
    Defect("log in Latin-1", log("é,frame_ms\n1,16\n".encode("latin-1"))),
    Defect("log with semicolons", log(b"n;frame_ms\n1;16\n")),
    Defect("log with a decimal comma", log(b'n,frame_ms\n1,"16,5"\n')),
    Defect("log with NUL", log(b"frame_ms\n16\n1\x006\n")),
    Defect("log with a huge header", log(b"x" * 2_000_000 + b",frame_ms\n1,16\n")),
    Defect("log with a huge field", log(b"n,frame_ms\n" + b"x" * 3_000_000 + b",16\n1,16\n2,x\n")),
    Defect("log of one endless line", log(b"frame_ms\n" + b"1" * 5_000_000)),
    Defect("log with a text", log(b"frame_ms\n16\nx\n")),
    Defect("log with infinity", log(b"frame_ms\n16\ninf\n")),
    Defect("log with zero", log(b"frame_ms\n16\n0\n")),
    Defect("log without frames", log(b"frame_ms\n")),
    Defect("empty log", log(b"")),
    Defect("log without the column", log(b"a,b\n1,2\n")),
    Defect("log with the column twice", log(b"frame_ms,frame_ms\n1,2\n")),
    Defect("cut gzip", log(gzip.compress(csv_log([16.0] * 5000))[:-20], "p.csv.gz")),
    Defect("gzip that is none", log(b"frame_ms\n16\n", "p.csv.gz")),
    Defect(
        "gzip with a wrong sum",
        log(gzip.compress(b"frame_ms\n16\n")[:-8] + b"\0" * 8, "p.csv.gz"),
    ),
    Defect("cut Parquet", log(parquet_log({"frame_ms": [16.0] * 999})[:-99], "p.parquet")),
    Defect("Parquet that is none", log(b"PAR1 PAR1", "p.parquet")),
    Defect("Parquet of lists", log(parquet_log({"frame_ms": [[16.0]]}), "p.parquet")),
    Defect("Parquet of objects", log(parquet_log({"frame_ms": [{"a": 1}]}), "p.parquet")),
    Defect("Parquet of texts", log(parquet_log({"frame_ms": ["16"]}), "p.parquet")),
    Defect("Parquet with a gap", log(parquet_log({"frame_ms": [16.0, None]}), "p.parquet")),
    Defect("Parquet with another column", log(parquet_log({"time": [16.0]}), "p.parquet")),
    Defect("combined file that is not there", {"study.toml": TOML + 'combined = "all.parquet"\n'}),
    Defect("combined file that climbs", {"study.toml": TOML + 'combined = "../all.parquet"\n'}),
    Defect(
        "combined file with a stranger",
        {
            "study.toml": TOML + 'combined = "all.parquet"\n',
            "all.parquet": parquet_log(
                {"pass_id": pa.array(["p2", "zz"]), "frame_ms": [16.0, 16.0]}
            ),
        },
    ),
    Defect(
        "combined file with frames of a pass whose row is bad",
        {
            "study.toml": TOML + 'combined = "all.parquet"\n',
            "all.parquet": parquet_log(
                {"pass_id": pa.array(["p2", "p3"]), "frame_ms": [16.0, 16.0]}
            ),
            **swap(
                "passes.csv",
                "p3,bench,Brazier,Velm,1920,1080,ran",
                "p3,bench,Brazier,Velm,1920,1080,void",
            ),
        },
    ),
    Defect(
        "forecast that was changed",
        {
            "forecasts.csv": ",".join(TABLES["forecasts"].names)
            + "\n2026-10-01,ab,m,bench,Ember,Velm,1,1,1,60,50,70,0.9,ff\n"
        },
    ),
    Defect(
        "markup and formulas in wrong cells",
        swap(
            "gpus.csv",
            "integrated",
            "<script>alert(1)</script>",
            "discrete",
            "=HYPERLINK(1)",
            "2400",
            "\u202e\x1b[31m$x$ 100%s",
        ),
    ),
]


def everything_at_once() -> Defect:
    """Put one defect in each place that can have one beside the others."""
    return Defect(
        "everything at once",
        {
            "study.toml": TOML.replace('"USD"', '"usd"').replace('"ms"', '"min"') + "budget = 1\n",
            **swap("gpus.csv", "discrete", "card", "2400", '"2,4"'),
            **swap("workloads.csv", "Velm,1", "Velm,-1"),
            **swap(
                "passes.csv",
                "p3,",
                "p1,",
                "logs/p1.csv",
                "../x.csv",
                "31.5",
                "inf",
                "Brazier,Orrery",
                "brazier,Orrery",
            ),
            **swap("prices.csv", "250", "0", "2026-10-05", "46300"),
            **swap("rates.csv", "1.1", "x"),
            **swap("builds.csv", "Plain,Case", "Plain,Cast"),
            **swap("claims.csv", "average", "mean"),
            **swap("targets.csv", "2560", "2560.5"),
        },
    )


ALL = [*DEFECTS, everything_at_once()]


def main() -> int:
    """Print the listing of each."""
    with tempfile.TemporaryDirectory() as place:
        studies = [case.write(Path(place, str(n), "study")) for n, case in enumerate(ALL)]
        runs = run_each((["check", str(study)] for study in studies), Path(place))
        for case, run in zip(ALL, runs, strict=True):
            print("\n".join([case.name, *(f"  {line}" for line in run.listed)]))
    return 0


if __name__ == "__main__":
    sys.exit(main())
