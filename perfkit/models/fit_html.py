"""A fit as tables and a page part that a reader of a regression textbook recognises."""

from collections.abc import Sequence
from html import escape

import pandas as pd

from perfkit.models.train import Trained

TERMS = ["family", "term", "workload", "estimate", "std_error", "sentence"]


def terms_of(trained: Trained | None) -> pd.DataFrame:
    """Coefficients of every family that has some, in the columns `TERMS`."""
    if trained is None:
        return pd.DataFrame(columns=TERMS)
    frames = [
        fitted.terms().assign(family=family.name)[TERMS]
        for family, fitted in zip(trained.recipe.families, trained.fitted, strict=True)
    ]
    told = [frame for frame in frames if len(frame)]
    return pd.concat(told, ignore_index=True) if told else pd.DataFrame(columns=TERMS)


def frame_html(frame: pd.DataFrame, caption: str) -> str:
    """Table with a caption; text escaped, numbers to three digits."""
    body = frame.to_html(
        index=False, border=0, escape=True, na_rep="not known", float_format="{:.3g}".format
    )
    return body.replace(">", f"><caption>{escape(caption)}</caption>", 1)


def list_html(title: str, items: Sequence[str]) -> str:
    """Heading and list; nothing where there are no items."""
    if not items:
        return ""
    points = "".join(f"<li>{escape(item)}</li>" for item in items)
    return f"<h4>{escape(title)}</h4><ul>{points}</ul>"


def by_family(errors: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Median error and signed bias in %, a row a workload and a column a family."""
    tables = []
    for column in ("median_abs_pct", "bias_pct"):
        wide = errors.pivot_table(index="workload", columns="family", values=column, sort=False)
        tables.append(wide.rename_axis(columns=None).reset_index())
    return tables[0], tables[1]


def fit_html(
    heading: str,
    tables: Sequence[tuple[str, pd.DataFrame]],
    lists: Sequence[tuple[str, Sequence[str]]],
) -> str:
    """Join heading, tables and lists to one part of a page.

    Parameters
    ----------
    heading : str
    tables : sequence of (caption, frame)
        Empty frames are not shown.
    lists : sequence of (title, items)

    Returns
    -------
    str
        HTML in which every text is escaped.
    """
    shown = [frame_html(frame, caption) for caption, frame in tables if len(frame)]
    listed = [list_html(title, items) for title, items in lists]
    return f"<section><h3>{escape(heading)}</h3>{''.join(shown)}{''.join(listed)}</section>"
