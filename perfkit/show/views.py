"""What a notebook shows: tables and charts as objects that print, and that say what is missing."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from html import escape
from typing import TYPE_CHECKING, Any

import pandas as pd

from perfkit.show.charts import CHARTS
from perfkit.show.layout import NothingToShow
from perfkit.show.report_sheets import any_columns
from perfkit.show.report_words import table_title

if TYPE_CHECKING:
    from perfkit.analysis import Analysis

ROWS = 12
"""Rows that a notebook shows of one table."""

_STYLE = (
    "text-align:left;vertical-align:top;padding:0.3em 1.2em 0.3em 0;"
    "font-variant-numeric:tabular-nums"
)


@dataclass(frozen=True, slots=True)
class TableView:
    """A table as a notebook shows it; it prints the same numbers as text.

    Attributes
    ----------
    frame : DataFrame
        The rows shown, numbers rounded.
    rows : int
        Rows of the whole table.
    missing : str
        What to say when there is no row.
    """

    frame: pd.DataFrame
    rows: int
    missing: str

    def __repr__(self) -> str:
        """Print the rows as text, or say what is missing."""
        if self.frame.empty:
            return self.missing
        text = self.frame.astype(object).where(self.frame.notna(), "")
        return text.to_string(index=False) + self._cut("\n")

    def _repr_html_(self) -> str:
        if self.frame.empty:
            return f"<p>{escape(self.missing)}</p>"
        columns = any_columns(self.frame)
        head = "".join(f'<th style="{_STYLE}">{escape(column.title)}</th>' for column in columns)
        body = "".join(
            "<tr>" + "".join(f'<td style="{_STYLE}">{cell}</td>' for cell in cells) + "</tr>"
            for cells in zip(*(column.cells for column in columns), strict=True)
        )
        return (
            f'<table class="tex2jax_ignore mathjax_ignore"><thead><tr>{head}</tr></thead>'
            f"<tbody>{body}</tbody></table>{self._cut('')}"
        )

    def _cut(self, before: str) -> str:
        more = self.rows - len(self.frame)
        return f"{before}and {more:,} more rows" if more > 0 else ""


@dataclass(frozen=True, slots=True)
class ChartView:
    """A chart as a notebook shows it, or the sentence that says why there is none.

    Attributes
    ----------
    title : str
        Its question.
    answer : str
        Its answer in a sentence, or why it cannot be drawn.
    png : bytes
        The picture; empty when there is none.
    """

    title: str
    answer: str
    png: bytes

    def __repr__(self) -> str:
        """Print question and answer."""
        return f"{self.title} {self.answer}"

    def _repr_mimebundle_(self, **kwargs: Any) -> dict[str, Any]:
        picture = {"image/png": self.png} if self.png else {}
        return {"text/plain": repr(self), **picture}


@dataclass(frozen=True, slots=True)
class Sentences:
    """A few sentences, one a line.

    Attributes
    ----------
    lines : tuple of str
    """

    lines: tuple[str, ...]

    def __repr__(self) -> str:
        """Print one sentence a line."""
        return "\n".join(self.lines)

    def _repr_html_(self) -> str:
        points = "".join(f"<li>{escape(line)}</li>" for line in self.lines)
        return f'<ul class="tex2jax_ignore mathjax_ignore">{points}</ul>'


def table(
    frame: pd.DataFrame,
    columns: Sequence[str] | None = None,
    *,
    digits: int = 1,
    rows: int = ROWS,
    missing: str = "nothing to show",
) -> TableView:
    """Show a frame in a notebook: its first rows, rounded.

    Parameters
    ----------
    frame : DataFrame
    columns : sequence of str, optional
        Columns in the order to show; all by default. Those the frame lacks are left out.
    digits : int
        Decimals of every number.
    rows : int
        Most rows shown.
    missing : str
        What to say when there is no row.

    Returns
    -------
    TableView

    Examples
    --------
    >>> table(pd.DataFrame({"build": ["Attic"], "fps": [61.27]}))
    build  fps
    Attic 61.3
    >>> table(pd.DataFrame({"build": []}), missing="no builds.csv in this study")
    no builds.csv in this study
    """
    kept = frame if columns is None else frame[[name for name in columns if name in frame]]
    return TableView(kept.head(rows).round(digits), len(frame), missing)


def further(analysis: "Analysis", name: str, missing: str, **more: Any) -> TableView:
    """Show one of the further tables of an analysis, or say what would fill it.

    Parameters
    ----------
    analysis : Analysis
    name : str
        Of the table.
    missing : str
        What to say when the study has no such table.
    **more
        As for :func:`table`.

    Returns
    -------
    TableView
    """
    frame = analysis.tables.get(name, pd.DataFrame())
    return table(frame, missing=f"{table_title(name)}: {missing}", **more)


def chart(analysis: "Analysis", name: str) -> ChartView:
    """Draw one chart for a notebook.

    Parameters
    ----------
    analysis : Analysis
    name : str
        Of the chart, such as ``"averages"``.

    Returns
    -------
    ChartView
        With the picture, or with the sentence that says why there is none.

    Raises
    ------
    ValueError
        There is no chart of that name.

    Examples
    --------
    >>> chart(None, "pie")  # doctest: +ELLIPSIS
    Traceback (most recent call last):
    ValueError: no chart 'pie'; there are averages, ...
    """
    from perfkit.show.png import png_bytes
    from perfkit.show.stills import study_page
    from perfkit.show.style import house, pixels

    made = next((chart for chart in CHARTS if name == chart.NAME), None)
    if made is None:
        names = ", ".join(chart.NAME for chart in CHARTS)
        raise ValueError(f"no chart {name!r}; there are {names}")
    page = replace(study_page(analysis.study.settings), width=1280, height=720)
    try:
        data = made.data(analysis)
    except NothingToShow as nothing:
        return ChartView(made.TITLE, f"Not drawn: {nothing}", b"")
    answer = made.words(data, page).answer
    with house():
        picture = pixels(made.draw(data, page), page.width)[..., :3]
    return ChartView(made.TITLE, answer, png_bytes(picture))


def limits(analysis: "Analysis") -> Sentences:
    """Say what a reader must know before quoting a number of this study.

    Parameters
    ----------
    analysis : Analysis

    Returns
    -------
    Sentences
    """
    model = analysis.model
    left = len(model.left_out)
    lines = [*model.warnings, *analysis.study.notices, *model.runs_that_teach]
    lines += [f"{left} of {len(analysis.passes)} passes are not used in the fit"] if left else []
    return Sentences(tuple(lines) or ("No warning and no notice.",))
