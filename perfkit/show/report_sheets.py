"""Frames as tables of the page: what a reader sees, how it sorts, and the CSV behind it."""

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from html import escape
from typing import Any

import pandas as pd

from perfkit.show.report_html import stranger
from perfkit.show.tables import cell_text, column_texts, csv_line, safe_text

MOST_ROWS = 2000
"""Rows of one table that the page holds; the CSV in ``tables/`` holds all."""

TALL = 25
"""Rows from which a table scrolls within the page."""

NOT_KNOWN = "not known"


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a page's table.

    Attributes
    ----------
    title : str
        Our own words.
    cells : list of str
        HTML.
    keys : list of str or None
        What it sorts by, "" where unknown; None sorts by the text.
    wordy : bool
        Whether cells hold sentences.
    """

    title: str
    cells: list[str]
    keys: list[str] | None = None
    wordy: bool = False


@dataclass(frozen=True, slots=True)
class Sheet:
    """One table of the page.

    Attributes
    ----------
    name : str
        Of its CSV file.
    caption : str
        HTML: what the rows are, and what stands behind them.
    columns : list of Column
        The first names the row.
    lines : list of str
        The CSV, header first.
    rows : int
        Rows of the whole table; the sheet may hold fewer.
    """

    name: str
    caption: str
    columns: list[Column]
    lines: list[str]
    rows: int

    def html(self) -> str:
        """Write the table."""
        heads = "".join(f'<th scope="col">{escape(c.title)}</th>' for c, _ in self._marked())
        rows = "".join(
            f"<tr>{''.join(_cell(column, row) for column in self._marked())}</tr>"
            for row in range(len(self.lines) - 1)
        )
        cut = (
            f" The first {len(self.lines) - 1:,} of {self.rows:,} rows; "
            f"<code>tables/{self.name}.csv</code> holds all."
            if self.rows > len(self.lines) - 1
            else ""
        )
        label = escape(self.name.replace("_", " "))
        return (
            f'<div class="sheet" data-name="{self.name}">'
            f'<div class="scroll{" tall" if self.rows > TALL else ""}" tabindex="0" '
            f'role="region" aria-label="Table of {label}"><table>'
            f"<caption><span>{self.caption}{cut}</span></caption>"
            f"<thead><tr>{heads}</tr></thead><tbody>{rows}</tbody></table></div></div>"
        )

    def _marked(self) -> list[tuple[Column, str]]:
        first, *others = self.columns
        return [(first, "th"), *((column, "td") for column in others if any(column.cells))]


def _cell(marked: tuple[Column, str], row: int) -> str:
    column, tag = marked
    scope = ' scope="row"' if tag == "th" else ""
    kind = ' class="words"' if column.wordy else ""
    key = f' data-k="{escape(column.keys[row])}"' if column.keys is not None else ""
    return f"<{tag}{scope}{kind}{key}>{column.cells[row]}</{tag}>"


def sheet(
    name: str, caption: str, frame: pd.DataFrame, make: Callable[[pd.DataFrame], list[Column]]
) -> Sheet:
    """Make a table of the page from a frame.

    Parameters
    ----------
    name : str
        Of the CSV file with the same rows.
    caption : str
        HTML.
    frame : DataFrame
    make : callable
        From the frame, cut to what the page holds, to its columns.

    Returns
    -------
    Sheet
    """
    kept = frame.head(MOST_ROWS)
    header = csv_line(safe_text(str(column)) for column in kept.columns)
    rows = zip(*(column_texts(kept[column]) for column in kept.columns), strict=True)
    return Sheet(name, caption, make(kept), [header, *map(csv_line, rows)], len(frame))


def fps(value: float) -> str:
    """Write frames per second: one decimal, none from 100 up; empty when not known.

    Examples
    --------
    >>> fps(59.94), fps(143.6), fps(float("nan"))
    ('59.9', '144', '')
    """
    return "" if not math.isfinite(value) else f"{value:.{1 if value < 99.95 else 0}f}"


def money(value: float) -> str:
    """Write an amount with two decimals; empty when not known.

    Examples
    --------
    >>> money(5.6789)
    '5.68'
    """
    return "" if not math.isfinite(value) else f"{value:,.2f}"


def amount(value: float) -> str:
    """Write a price: decimals only where there are any; empty when not known.

    Examples
    --------
    >>> amount(450.0), amount(449.9)
    ('450', '449.90')
    """
    return f"{value:,.0f}" if math.isfinite(value) and value == round(value) else money(value)


def share(value: float) -> str:
    r"""Write a probability or a share in per cent; empty when not known.

    Examples
    --------
    >>> share(0.934) == "93\u202f%"
    True
    """
    return "" if not math.isfinite(value) else f"{100 * value:.0f}\u202f%"


def general(value: float) -> str:
    """Write any number, four significant digits; empty when not known.

    Examples
    --------
    >>> general(0.123456), general(1920.0)
    ('0.1235', '1920')
    """
    if not math.isfinite(value):
        return ""
    return f"{value:.0f}" if value == round(value) or abs(value) >= 1e4 else f"{value:.4g}"


def tenth(value: float) -> str:
    """Write a number with one decimal and a true minus; empty when not known.

    Examples
    --------
    >>> tenth(7.286), tenth(float("nan"))
    ('7.3', '')
    """
    return "" if not math.isfinite(value) else f"{value:,.1f}".replace("-", "\u2212")


def small(value: float) -> str:
    """Write a small number, two significant digits and no exponent; empty when not known.

    Examples
    --------
    >>> small(0.022086), small(0.0000573), small(1.8433)
    ('0.022', '0.000057', '1.8')
    """
    if not math.isfinite(value) or value == 0:
        return "0" if value == 0 else ""
    return f"{value:.{max(1, 1 - math.floor(math.log10(abs(value))))}f}".replace("-", "\u2212")


def text(title: str, values: Iterable[Any], *, wordy: bool = False) -> Column:
    """Make a column of a stranger's text."""
    return Column(title, [stranger(value) if value != "" else "" for value in values], None, wordy)


def number(
    title: str,
    values: Iterable[float],
    form: Callable[[float], str] = general,
    unknown: str = NOT_KNOWN,
) -> Column:
    """Make a column of plain numbers, missing ones said in the words of `unknown`."""
    values = [float(value) for value in values]
    return Column(title, [form(v) or unknown for v in values], [cell_text(v) for v in values])


def ranged(
    title: str,
    frame: pd.DataFrame,
    names: tuple[str, str, str],
    form: Callable[[float], str],
) -> Column:
    """Make a column of numbers, each with its range below it.

    Parameters
    ----------
    title : str
    frame : DataFrame
    names : tuple of str
        Columns of the value and of its range's ends.
    form : callable

    Returns
    -------
    Column
    """
    value, low, high = (frame[name].to_numpy(float) for name in names)
    return Column(
        title,
        [_spread(form, *ends) for ends in zip(value, low, high, strict=True)],
        [cell_text(v) for v in value.tolist()],
    )


def _spread(form: Callable[[float], str], value: float, low: float, high: float) -> str:
    if not math.isfinite(value):
        return NOT_KNOWN
    known = math.isfinite(low) and math.isfinite(high)
    span = f"{form(low)} to {form(high)}" if known else "range not known"
    return f"{form(value)}<small>{span}</small>"


def dates(title: str, values: pd.Series) -> Column:
    """Make a column of days."""
    return Column(title, [day or NOT_KNOWN for day in column_texts(values)], column_texts(values))


def size(frame: pd.DataFrame) -> Column:
    """Make a column of resolutions, the render scale named where it is not native."""
    cells, keys = [], []
    scales = frame["render_scale"] if "render_scale" in frame else [1.0] * len(frame)
    for width, height, scale in zip(frame["width"], frame["height"], scales, strict=True):
        note = "" if scale == 1 else f"<small>scale {general(float(scale))}</small>"
        cells.append(f"{int(width)}\u202f×\u202f{int(height)}{note}")
        keys.append(cell_text(float(width) * float(height) * float(scale) ** 2))
    return Column("Size", cells, keys)


_TITLES = {
    "median_abs_pct": "Median error, %",
    "p90_abs_pct": "Nine in ten below, %",
    "bias_pct": "Bias, %",
    "pass_id": "Pass",
    "gpu": "GPU",
    "avg_fps": "Average FPS",
    "low_1pct_fps": "1 % low",
    "fps": "FPS",
    "low_01pct_fps": "0.1 % low",
    "hitches_per_min": "Hitches a minute",
    "pred_low": "Low end",
    "pred_high": "High end",
}
_UNITS = {"fps": "FPS", "ms": "ms", "gib": "GiB", "pct": "%", "w": "W", "kwh": "kWh", "mhz": "MHz"}


def column_title(name: str) -> str:
    """Say a column's name in words, its unit behind a comma.

    Parameters
    ----------
    name : str

    Returns
    -------
    str

    Examples
    --------
    >>> column_title("added_cost"), column_title("pacing_ms"), column_title("gpu")
    ('Added cost', 'Pacing, ms', 'GPU')
    """
    if name in _TITLES:
        return _TITLES[name]
    *words, last = name.split("_")
    words, unit = (words, f", {_UNITS[last]}") if words and last in _UNITS else ([*words, last], "")
    return " ".join(words).capitalize() + unit


def any_columns(frame: pd.DataFrame) -> list[Column]:
    """Show a frame as it is, its column names as words.

    Parameters
    ----------
    frame : DataFrame

    Returns
    -------
    list of Column
    """
    return [any_column(str(name), frame[name]) for name in frame.columns]


def any_column(name: str, values: pd.Series) -> Column:
    """Show a column as it is, its name in words.

    Parameters
    ----------
    name : str
    values : Series

    Returns
    -------
    Column
    """
    title = column_title(name)
    if pd.api.types.is_bool_dtype(values.dtype):
        return Column(
            title, [{"true": "yes", "false": "no"}.get(t, "") for t in column_texts(values)]
        )
    if pd.api.types.is_numeric_dtype(values.dtype):
        return number(title, values.astype(float))
    if pd.api.types.is_datetime64_any_dtype(values.dtype):
        return dates(title, values)
    texts = ["" if pd.isna(value) else str(value) for value in values]
    return text(title, texts, wordy=max(map(len, texts), default=0) > 40)
