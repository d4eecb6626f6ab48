"""What a notebook shows: tables and charts as objects that print, and that say what is missing."""

import base64
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from html import escape
from typing import TYPE_CHECKING, Any

import pandas as pd

from perfkit.show.charts import CHARTS
from perfkit.show.layout import NothingToShow
from perfkit.show.report_html import visible
from perfkit.show.report_sheets import any_columns
from perfkit.show.report_words import table_title
from perfkit.show.tables import column_texts

if TYPE_CHECKING:
    from perfkit.analysis import Analysis

ROWS = 12
"""Rows that a notebook shows of one table."""

WIDTH = 60
"""Signs of one cell that a table printed as text shows."""


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
        shown = pd.DataFrame({name: _texts(self.frame[name]) for name in self.frame})
        return shown.to_string(index=False) + self._cut("\n")

    def _repr_html_(self) -> str:
        if self.frame.empty:
            return f"<p>{escape(self.missing)}</p>"
        columns = any_columns(self.frame)
        ends = ["left" if column.keys is None else "right" for column in columns]
        head = _row("th", ends, [escape(column.title) for column in columns])
        rows = zip(*(column.cells for column in columns), strict=True)
        body = "".join(_row("td", ends, cells) for cells in rows)
        return (
            f'<table class="tex2jax_ignore mathjax_ignore"><thead>{head}</thead>'
            f"<tbody>{body}</tbody></table>{self._cut('')}"
        )

    def _cut(self, before: str) -> str:
        more = self.rows - len(self.frame)
        return f"{before}and {more:,} more rows" if more > 0 else ""


def _row(tag: str, ends: Sequence[str], cells: Iterable[str]) -> str:
    inner = "".join(
        f'<{tag} style="text-align:{end}">{cell}</{tag}>'
        for end, cell in zip(ends, cells, strict=True)
    )
    return f"<tr>{inner}</tr>"


def _texts(column: pd.Series) -> list[str]:
    if pd.api.types.is_numeric_dtype(column.dtype):
        return column_texts(column)
    return [
        text if len(text) <= WIDTH else text[: WIDTH - 1] + "…"
        for text in (
            column_texts(column)
            if pd.api.types.is_datetime64_any_dtype(column.dtype)
            else map(visible, column)
        )
    ]


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
class Gallery:
    """All charts of a study, those that could not be drawn with the reason.

    Attributes
    ----------
    views : tuple of ChartView
    """

    views: tuple[ChartView, ...]

    def __repr__(self) -> str:
        """Print questions and answers, one a line."""
        return "\n".join(map(repr, self.views))

    def _repr_html_(self) -> str:
        return "".join(
            f'<figure class="tex2jax_ignore mathjax_ignore"><figcaption>{escape(repr(view))}'
            f"</figcaption>{_image(view)}</figure>"
            for view in self.views
        )

    def summary(self) -> TableView:
        """List the questions, and whether each could be answered.

        Returns
        -------
        TableView
        """
        frame = pd.DataFrame(
            {
                "question": [view.title for view in self.views],
                "answer": [view.answer for view in self.views],
            }
        )
        return table(frame, rows=len(frame))


def _image(view: ChartView) -> str:
    if not view.png:
        return ""
    source = base64.b64encode(view.png).decode("ascii")
    return f'<img alt="{escape(repr(view))}" width="960" src="data:image/png;base64,{source}">'


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
    decimals = dict.fromkeys(kept.select_dtypes("number"), digits)
    return TableView(kept.head(rows).round(decimals), len(frame), missing)


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
    page = replace(study_page(analysis.study), width=1280, height=720)
    try:
        data = made.data(analysis)
    except NothingToShow as nothing:
        return ChartView(made.TITLE, f"Not drawn: {nothing}", b"")
    answer = made.words(data, page).answer
    with house():
        picture = pixels(made.draw(data, page), page.width)[..., :3]
    return ChartView(made.TITLE, answer, png_bytes(picture))


def all_charts(analysis: "Analysis") -> Gallery:
    """Draw every chart that this study has data for.

    Parameters
    ----------
    analysis : Analysis

    Returns
    -------
    Gallery
    """
    return Gallery(tuple(chart(analysis, made.NAME) for made in CHARTS))


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
