"""The page to publish: one file that reads, sorts, filters and recomputes without a network."""

import base64
import datetime
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING

from perfkit.show.drawing import few_colours
from perfkit.show.explorer import payload
from perfkit.show.manifest import versions
from perfkit.show.report_dark import night_filter
from perfkit.show.report_further import further_columns
from perfkit.show.report_html import Part, document, stranger, visible
from perfkit.show.report_sheets import Sheet, sheet
from perfkit.show.report_tables import (
    claim_columns,
    goal_columns,
    pass_columns,
    prediction_columns,
    upgrade_columns,
    value_columns,
)
from perfkit.show.report_words import WORDS, asides, captions, table_title
from perfkit.show.summary import counted, findings
from perfkit.show.tables import all_tables

if TYPE_CHECKING:
    from perfkit.analysis import Analysis
    from perfkit.show.stills import Still
    from perfkit.study import Study

_EXPLORER = (
    '<div id="explorer"><p class="no-script">Moving prices and games needs a browser that '
    "runs the script in this page.</p></div>"
)
_PINNED = {
    "value": value_columns,
    "upgrades": upgrade_columns,
    "predictions": prediction_columns,
    "passes": pass_columns,
    "claims": claim_columns,
    "goals": goal_columns,
}


@dataclass(frozen=True, slots=True)
class Section:
    """A question of the reader: the table that answers it, pictures, and what stands behind.

    Attributes
    ----------
    name, title : str
    table : str
        Shown open.
    charts : tuple of str
    folds : tuple of str
        Tables shown closed.
    """

    name: str
    title: str
    table: str
    charts: tuple[str, ...] = ()
    folds: tuple[str, ...] = ()


SECTIONS = (
    Section(
        "value", "What each machine is worth", "value",
        ("cost", "frontier", "flip", "prices"), ("ranks", "flip_prices", "energy"),
    ),
    Section("explore", "Move the prices, choose the games", ""),
    Section(
        "upgrades", "What an upgrade adds", "upgrades",
        (), ("upgrade_games", "upgrade_rivals", "goes_together", "cautions"),
    ),
    Section(
        "goals", "Which machine reaches the goals", "goals",
        ("settings",), ("goal_games", "settings", "setting_steps", "last_money", "give_up_first"),
    ),
    Section("claims", "Which sentences hold", "claims"),
    Section(
        "passes", "What was measured", "passes",
        ("averages", "spread", "trace", "memory"),
        ("flags", "within_pass", "versions", "memory", "memory_cost", "inputs"),
    ),
    Section("predictions", "What nobody measured", "predictions", ("cards", "curves")),
    Section(
        "trust", "How far the predictions were off", "model_comparison",
        ("accuracy", "forecasts"), ("forecast_scores", "forecast_cards", "calibration"),
    ),
    Section("next", "What to film next", "next_runs", ("next",), ("sittings",)),
)  # fmt: skip
"""In the order in which a reader asks."""


def write_report(
    analysis: "Analysis",
    figures: Sequence["Still"],
    path: Path,
    sheets: Mapping[str, Sheet] | None = None,
) -> None:
    """Write the page.

    Parameters
    ----------
    analysis : Analysis
    figures : sequence of Still
        What :func:`perfkit.show.stills.write_figures` drew into ``figures`` beside the page.
    path : Path
        The HTML file.
    sheets : mapping of str to Sheet, optional
        What :func:`page_sheets` made before the figures were drawn.

    Raises
    ------
    OSError
        When a figure cannot be read or the page cannot be written.
    """
    with open(path, "w", encoding="utf-8", newline="\n") as file:
        file.write(
            report_html(analysis, figures, path.parent / "figures", sheets or page_sheets(analysis))
        )


def report_html(
    analysis: "Analysis",
    figures: Sequence["Still"],
    folder: Path,
    sheets: Mapping[str, Sheet],
) -> str:
    """Make the page.

    Parameters
    ----------
    analysis : Analysis
    figures : sequence of Still
    folder : Path
        Where the figures are.
    sheets : mapping of str to Sheet
        As by :func:`page_sheets`.

    Returns
    -------
    str
        A whole HTML document, the same for the same analysis and figures.
    """
    explorable = bool(len(analysis.value))
    shown = _shown(figures, folder)
    explorer = _EXPLORER if explorable else ""
    parts = [
        _short(analysis),
        *(_section(section, sheets, shown, explorer) for section in SECTIONS),
        _further(sheets, shown),
        _limits(analysis, figures, sheets),
        Part("words", "Words", asides()["words"], _words()),
    ]
    data = {
        "tables": {name: made.lines for name, made in sheets.items()},
        "explorer": payload(analysis) if explorable else None,
    }
    filled = [part for part in parts if part is not None]
    settings = analysis.study.settings
    header = night_filter() + _header(analysis)
    return document(settings.title, header, filled, _footer(analysis), data)


def page_sheets(analysis: "Analysis") -> dict[str, Sheet]:
    """Make every table that has rows ready for the page.

    Parameters
    ----------
    analysis : Analysis

    Returns
    -------
    dict of str to Sheet
        By the table's name.
    """
    said = captions(analysis)
    return {
        name: sheet(name, said.get(name, ""), frame, _PINNED.get(name) or further_columns(name))
        for name, frame in all_tables(analysis).items()
        if len(frame)
    }


def _header(analysis: "Analysis") -> str:
    settings = analysis.study.settings
    machines = analysis.value["build"].nunique()
    facts = [
        *_priced(analysis.study, ", "),
        *([counted(machines, "machine")] if machines else []),
        counted(analysis.passes["workload"].nunique(), "workload"),
        counted(len(analysis.passes), "pass", "passes"),
    ]
    disclosure = settings.disclosure
    said = stranger(disclosure) if disclosure else "none given in this study."
    return (
        f'<p class="kicker">{" · ".join(map(escape, facts))}</p>'
        f"<h1>{stranger(settings.title)}</h1>"
        f'<p class="disclosure"><strong>Disclosure:</strong> {said}</p>'
    )


def _short(analysis: "Analysis") -> Part:
    measured, modelled, *decided = findings(analysis)
    lines = "".join(f"<li>{stranger(line)}.</li>" for line in [*decided, modelled, measured])
    return Part("short", "In short", asides()["short"], f'<ul class="lead">{lines}</ul>')


def _section(
    section: Section, sheets: Mapping[str, Sheet], shown: dict[str, str], explorer: str
) -> Part | None:
    """Put a section together; without anything to show there is none."""
    body = explorer if section.name == "explore" else ""
    if section.table in sheets:
        body += sheets[section.table].html()
    pictures = "".join(shown[chart] for chart in section.charts if chart in shown)
    body += f'<div class="figures">{pictures}</div>' if pictures else ""
    body += "".join(_fold(sheets, name, table_title(name)) for name in section.folds)
    if not body:
        return None
    return Part(section.name, section.title, asides()[section.name], body, True)


def _shown(figures: Sequence["Still"], folder: Path) -> dict[str, str]:
    """Give the HTML of every chart that was drawn, by its name."""
    drawn = [figure for figure in figures if figure.files]
    with ThreadPoolExecutor(2) as pool:
        pictures = list(pool.map(_picture, drawn, [folder] * len(drawn)))
    return {
        figure.name: f"<figure><h3>{escape(figure.title)}</h3>"
        f'<div class="frame" tabindex="0" role="region" '
        f'aria-label="{escape(f"Picture: {figure.title}")}">{picture}</div>'
        f"<figcaption>{stranger(figure.answer)}</figcaption></figure>"
        for figure, picture in zip(drawn, pictures, strict=True)
    }


def _picture(figure: "Still", folder: Path) -> str:
    """Embed the picture of a chart that was made for the page, or make it of the smallest file."""
    from PIL import Image

    with Image.open(folder / figure.files[0]) as picture:
        width, height = picture.size
        small = figure.small or few_colours(picture.convert("RGB"))
    source = base64.b64encode(small).decode("ascii")
    return (
        f'<img alt="{escape(visible(f"{figure.title} {figure.answer}"))}" '
        f'width="{width}" height="{height}" src="data:image/png;base64,{source}">'
    )


def _further(sheets: Mapping[str, Sheet], shown: dict[str, str]) -> Part | None:
    """Show what has no section of its own."""
    placed = {name for section in SECTIONS for name in (section.table, *section.folds)}
    drawn = {chart for section in SECTIONS for chart in section.charts}
    names = [name for name in sheets if name not in placed | {"left_out"}]
    body = "".join(_fold(sheets, name, table_title(name)) for name in names)
    body += "".join(picture for chart, picture in shown.items() if chart not in drawn)
    return Part("further", "Further answers", asides()["further"], body, True) if body else None


def _limits(analysis: "Analysis", figures: Sequence["Still"], sheets: Mapping[str, Sheet]) -> Part:
    model = analysis.model
    lists = [
        ("What to know of the predictions", model.warnings),
        ("Runs of your own that would teach most", model.runs_that_teach),
        ("Notices about the study", analysis.study.notices),
        ("Charts not drawn", [f"{f.title} {f.reason}" for f in figures if not f.files]),
    ]
    body = "".join(
        f'<h3>{escape(title)}</h3><ul class="plain-list">'
        + "".join(f"<li>{stranger(item)}</li>" for item in items)
        + "</ul>"
        for title, items in lists
        if items
    )
    left_out = len(model.left_out)
    body += _fold(sheets, "left_out", f"{counted(left_out, 'pass', 'passes')} not used in the fit")
    return Part("limits", "Limits, and what was left out", asides()["limits"], body)


def _fold(sheets: Mapping[str, Sheet], name: str, title: str) -> str:
    if name not in sheets:
        return ""
    prints = ' class="prints"' if sheets[name].rows <= 60 else ""
    return f"<details{prints}><summary>{escape(title)}</summary>{sheets[name].html()}</details>"


def _words() -> str:
    entries = "".join(f"<dt>{escape(word)}</dt><dd>{escape(said)}</dd>" for word, said in WORDS)
    return f'<dl class="words-list">{entries}</dl>'


def _priced(study: "Study", joint: str) -> list[str]:
    """One line with day and currency; none for a study without prices."""
    day = long_date(study.settings.price_date)
    return [f"Prices of {day}{joint}{escape(study.settings.currency)}"] if len(study.prices) else []


def _footer(analysis: "Analysis") -> str:
    made = ", ".join(f"{name} {version}" for name, version in versions().items())
    settings = analysis.study.settings
    disclosure = f" Disclosure: {stranger(settings.disclosure)}" if settings.disclosure else ""
    priced = "".join(
        f"{line}, as the study has them; they have moved since."
        for line in _priced(analysis.study, " in ")
    )
    return (
        f"<p>{priced}{disclosure}</p>"
        f"<p>Made with {escape(made)}. The same study makes the same page, byte for byte.</p>"
    )


def long_date(day: datetime.date) -> str:
    """Write a day in full.

    Examples
    --------
    >>> long_date(datetime.date(2026, 11, 1))
    '1 November 2026'
    """
    months = "January February March April May June July August September October November December"
    return f"{day.day} {months.split()[day.month - 1]} {day.year}"
