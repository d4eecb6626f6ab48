"""The JSON beside each figure: what was drawn, its hash, and what drew it."""

import hashlib
import json
import platform
from collections.abc import Sequence
from importlib.metadata import version
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pandas as pd

from perfkit.show.style import Page

_FACTS = ("price_date", "disclosure", "currency", "goals_fps")
_TYPES = {"text": "str", "number": "float64", "whole": "int64", "yes_no": "bool"}


def _kind(column: pd.Series) -> str:
    if pd.api.types.is_bool_dtype(column):
        return "yes_no"
    if pd.api.types.is_integer_dtype(column):
        return "whole"
    return "number" if pd.api.types.is_numeric_dtype(column) else "text"


def _cells(column: pd.Series) -> Any:
    values = column.astype(object).where(column.notna(), None).tolist()
    constant = len(values) > 1 and all(value == values[0] for value in values)
    return values[0] if constant else values


def sidecar(
    chart: ModuleType, data: pd.DataFrame, page: Page, files: Sequence[str]
) -> dict[str, Any]:
    """Describe a figure so that it can be checked and drawn again.

    Parameters
    ----------
    chart : module
        One of :data:`perfkit.show.charts.CHARTS`.
    data : DataFrame
        What it draws.
    page : Page
    files : sequence of str
        Pictures that show it.

    Returns
    -------
    dict
        Plain JSON values. A column that is the same in every row is given once.
    """
    words = chart.words(data, page)
    columns = {name: _kind(data[name]) for name in data.columns}
    values = {name: _cells(data[name]) for name in data.columns}
    drawn = {"rows": len(data), "columns": columns, "values": values}
    models = sorted(set(data["model"]) - {""}) if "model" in data else []
    return {
        "figure": chart.NAME,
        "question": words.title,
        "answer": words.answer,
        "conditions": words.conditions,
        **{fact: getattr(page, fact) for fact in _FACTS},
        "files": list(files),
        "model": models,
        "versions": {
            "python": platform.python_version(),
            **{name: version(name) for name in ("perfkit", "matplotlib", "numpy", "pandas")},
        },
        "data_sha256": hashlib.sha256(_text(drawn).encode()).hexdigest(),
        "data": drawn,
    }


def _text(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"), allow_nan=False)


def sidecar_text(record: dict[str, Any]) -> str:
    """Write a sidecar as text: one key a line, the data compact.

    Parameters
    ----------
    record : dict
        As made by :func:`sidecar`.

    Returns
    -------
    str
    """
    lines = [f"  {json.dumps(key)}: {_text(value)}" for key, value in record.items()]
    return "{\n" + ",\n".join(lines) + "\n}\n"


def read_sidecar(path: Path) -> tuple[pd.DataFrame, Page]:
    """Read back what a figure was drawn from.

    Parameters
    ----------
    path : Path

    Returns
    -------
    data : DataFrame
        Equal to the frame that was drawn.
    page : Page
        With the study's facts, at the default size.
    """
    return frame_and_page(path.read_text(encoding="utf-8"))


def frame_and_page(text: str) -> tuple[pd.DataFrame, Page]:
    """Give what a figure was drawn from.

    Parameters
    ----------
    text : str
        A sidecar.

    Returns
    -------
    data : DataFrame
    page : Page
    """
    record = json.loads(text)
    drawn = record["data"]
    data = pd.DataFrame(
        {
            name: pd.Series(
                value if isinstance(value, list) else [value] * drawn["rows"],
                dtype=_TYPES[drawn["columns"][name]],
            )
            for name, value in drawn["values"].items()
        }
    )
    facts = {fact: record[fact] for fact in _FACTS}
    return data, Page(**{**facts, "goals_fps": tuple(np.array(facts["goals_fps"], float).tolist())})
