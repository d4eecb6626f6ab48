"""The hashes of forecasts.csv: whether earlier lines are as they were written.

Each line the kit adds ends with the SHA-256 of the pinned cells of every line up to and including
itself, so a change, an insertion or a removal before the last line shows. A removal of the last
lines, or a change by somebody who computes the hashes anew, does not.
"""

import hashlib
import json
from collections.abc import Mapping

import pandas as pd

from perfkit.errors import Problem
from perfkit.study.csvtext import parse_csv
from perfkit.study.schema import FORECASTS
from perfkit.study.spreadsheet import plain_text

CHAIN = "chain_sha256"
PINNED = tuple(name for name in FORECASTS.names if name != CHAIN)


class Chain:
    """The running hash over the lines of a ledger."""

    def __init__(self) -> None:
        self._hash = hashlib.sha256()

    def add(self, cells: Mapping[str, str]) -> str:
        """Take in one line, by column; returns the hash that belongs at its end."""
        text = json.dumps([cells.get(name, "") for name in PINNED])
        self._hash.update(text.encode() + b"\n")
        return self._hash.hexdigest()


def follow(data: bytes) -> tuple[Chain, int | None]:
    r"""Follow the hashes of a ledger to its end, or to the first that does not fit.

    Parameters
    ----------
    data : bytes
        A forecasts.csv.

    Returns
    -------
    chain : Chain
        Ready for the next line.
    line : int or None
        Where a hash does not fit the lines up to it; None where all do. Lines before the first
        hash are taken as they are.

    Examples
    --------
    >>> follow(b"made_on,model\n2026-11-01,time sum\n")[1] is None
    True
    """
    raw = parse_csv(data, FORECASTS.file)
    chain, chained = Chain(), False
    for line, row in zip(raw.lines, raw.rows, strict=True):
        cells = dict(zip(raw.header, row, strict=True))
        expected, found = chain.add(cells), cells.get(CHAIN, "")
        if (found or chained) and found != expected:
            return chain, line
        chained = chained or found != ""
    return chain, None


def broken_ledger(data: bytes) -> list[Problem]:
    r"""Say that a line of forecasts.csv was changed, added or removed by hand.

    Parameters
    ----------
    data : bytes
        A forecasts.csv.

    Returns
    -------
    list of Problem
        One, or none.

    Examples
    --------
    >>> broken_ledger(b"made_on,chain_sha256\n2026-11-01,0\n")[0].line
    2
    """
    line = follow(data)[1]
    if line is None:
        return []
    allowed = "forecasts exactly as they were kept; this line or one before it was changed by hand"
    action = "put the file back from a copy; or move it away, then new forecasts start a new file"
    return [Problem(FORECASTS.file, line, CHAIN, "", allowed, action)]


def plain_forecasts(frame: pd.DataFrame) -> pd.DataFrame:
    """Take the apostrophes off the names of a forecasts frame.

    Parameters
    ----------
    frame : DataFrame
        As read from forecasts.csv.

    Returns
    -------
    DataFrame
        With the names as they stand in the other files.

    Examples
    --------
    >>> plain_forecasts(pd.DataFrame({"gpu": ["'=x"], "fps": [30.0]})).to_dict("records")
    [{'gpu': '=x', 'fps': 30.0}]
    """
    texts = frame.select_dtypes(include=["str", "object"]).columns
    return frame.assign(**{name: frame[name].map(plain_text) for name in texts})
