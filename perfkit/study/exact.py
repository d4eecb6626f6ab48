"""Frames as text that gives them back to the last bit: plain JSON, nothing that could run."""

from typing import Any

import numpy as np
import pandas as pd

_NUMBERS = ("float64", "int64", "bool")


def frame_record(frame: pd.DataFrame) -> dict[str, Any]:
    """Describe a frame by plain values.

    Parameters
    ----------
    frame : DataFrame
        Columns of text, float64, int64, bool or datetime64[s]; its index is not kept.

    Returns
    -------
    dict
        rows, and for each column its kind and values, for :func:`json.dumps`, which writes floats
        with as many digits as they need.

    Raises
    ------
    TypeError
        A column is of another kind.

    Examples
    --------
    >>> frame_record(pd.DataFrame({"fps": [0.1 + 0.2]}))
    {'rows': 1, 'columns': {'fps': ['float64', [0.30000000000000004]]}}
    """
    columns = {}
    for name in frame.columns:
        kind = str(frame[name].dtype)
        if kind == "datetime64[s]":
            columns[str(name)] = [kind, frame[name].to_numpy().astype("int64").tolist()]
        elif kind in (*_NUMBERS, "str"):
            columns[str(name)] = [kind, frame[name].tolist()]
        else:
            raise TypeError(f"column {name!r} is {kind}, which is not kept")
    return {"rows": len(frame), "columns": columns}


def frame_of(record: dict[str, Any]) -> pd.DataFrame:
    """Make a frame again.

    Parameters
    ----------
    record : dict
        As made by :func:`frame_record`, through JSON or not.

    Returns
    -------
    DataFrame
        With a RangeIndex.

    Raises
    ------
    KeyError, TypeError, ValueError
        The record is not one.

    Examples
    --------
    >>> frame_of(frame_record(pd.DataFrame({"gpu": ["A", "B"]})))["gpu"].tolist()
    ['A', 'B']
    """
    columns = {}
    for name, (kind, values) in record["columns"].items():
        if kind not in (*_NUMBERS, "str", "datetime64[s]"):
            raise TypeError(f"column {name!r} is {kind}, which is not kept")
        if kind == "datetime64[s]":
            values = np.array(values, dtype="int64").astype("datetime64[s]")
        columns[name] = pd.Series(values, dtype=kind, index=range(record["rows"]))
    return pd.DataFrame(columns, index=pd.RangeIndex(record["rows"]))
