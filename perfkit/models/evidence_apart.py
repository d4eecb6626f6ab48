"""The evidence for a fit, worked out by another process: what it is asked, and what it answers.

Both are plain values that JSON gives back to the last bit, so that it does not show where the
evidence was worked out.
"""

import json
from dataclasses import asdict, fields
from typing import Any

import numpy as np
import pandas as pd

from perfkit.models.family import Cells, Names, Rows
from perfkit.models.fit import Fit
from perfkit.models.left_out_errors import evidence
from perfkit.models.registry import RECIPE
from perfkit.study.exact import frame_of, frame_record

EVIDENCE = ("comparison", "errors", "family_errors")
"""What is answered, by its name in :class:`Fit`."""

_OF_ROWS = tuple(field.name for field in fields(Rows) if field.name != "names")
_OF_CELLS = tuple(
    field.name for field in fields(Cells) if field.init and field.name not in ("rows", "pass_sd")
)


def evidence_question(fitted: Fit) -> dict[str, Any] | None:
    """Write down what the evidence for a fit is worked out from.

    Parameters
    ----------
    fitted : Fit

    Returns
    -------
    dict or None
        None where nothing was fitted, or not by the recipe that another process would follow.
    """
    if not fitted.models or fitted.models[0].trained.recipe is not RECIPE:
        return None
    trained = fitted.models[0].trained
    cells = trained.cells
    arrays = {name: getattr(cells.rows, name) for name in _OF_ROWS}
    arrays |= {name: getattr(cells, name) for name in _OF_CELLS}
    return {
        "names": asdict(cells.rows.names),
        "cells": frame_record(pd.DataFrame(arrays)),
        "pass_sd": float(cells.pass_sd),
        "winner": fitted.family,
        "table": frame_record(fitted.cells),
        "level": fitted.level,
    }


def evidence_answer(question: dict[str, Any]) -> list[tuple[str, bytes]]:
    """Work the evidence out.

    Parameters
    ----------
    question : dict
        As made by :func:`evidence_question`, through JSON or not.

    Returns
    -------
    list of (str, bytes)
        Each of `EVIDENCE` as JSON.
    """
    told = frame_of(question["cells"])
    names = Names(**{kind: tuple(each) for kind, each in question["names"].items()})
    cells = Cells(
        rows=Rows(names, **{name: np.array(told[name]) for name in _OF_ROWS}),
        **{name: np.array(told[name]) for name in _OF_CELLS},
        pass_sd=question["pass_sd"],
    )
    table, level = frame_of(question["table"]), question["level"]
    found = evidence(cells, RECIPE, question["winner"], table, level)
    texts = [json.dumps(frame_record(each)).encode() for each in found]
    return list(zip(EVIDENCE, texts, strict=True))


def evidence_tables(answer: list[tuple[str, bytes]] | None) -> dict[str, pd.DataFrame]:
    """Read an answer.

    Parameters
    ----------
    answer : list of (str, bytes) or None
        As made by :func:`evidence_answer`; None where there is none.

    Returns
    -------
    dict of str to DataFrame
        By name; empty where there is no answer.
    """
    return {name: frame_of(json.loads(text)) for name, text in answer or ()}
