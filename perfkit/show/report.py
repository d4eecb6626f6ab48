"""The page to publish: one file that reads, sorts, filters and recomputes without a network."""

import base64
import datetime
import io
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING

from perfkit.show.explorer import payload
from perfkit.show.manifest import versions
from perfkit.show.report_html import Part, document, stranger, visible
from perfkit.show.report_sheets import Sheet, any_columns, sheet
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

PICTURE_COLOURS = 64
"""Colours of a figure inside the page: enough for its few hues and their smooth edges."""

_PINNED = {
    "value": value_columns,
    "upgrades": upgrade_columns,
    "predictions": prediction_columns,
    "passes": pass_columns,
    "claims": claim_columns,
    "goals": goal_columns,
}
_OWN_PLACE = {*_PINNED, "flags", "model_comparison", "left_out"}


def write_report(analysis: "Analysis", figures: Sequence["Still"], path: Path) -> None:
    """Write the page.

    Parameters
    ----------
    analysis : Analysis
    figures : sequence of Still
        What :func:`perfkit.show.stills.write_figures` drew into ``figures`` beside the page.
    path : Path
        The HTML file.

    Raises
    ------
    OSError
        When a figure cannot be read or the page cannot be written.
    """
    with open(path, "w", encoding="utf-8", newline="\n") as file:
        file.write(report_html(analysis, figures, path.parent / "figures"))


def report_html(analysis: "Analysis", figures: Sequence["Still"], folder: Path) -> str:
    """Make the page.

    Parameters
    ----------
    analysis : Analysis
    figures : sequence of Still
    folder : Path
        Where the figures are.

    Returns
    -------
    str
        A whole HTML document, the same for the same analysis and figures.
    """
    sheets = _sheets(analysis)
    explorable = bool(len(analysis.value))
    parts = [
        _short(analysis),
        *_worth_parts(analysis, sheets, explorable),
        _predictions(analysis, sheets),
        _figures(figures, folder),
        _passes(analysis, sheets),
        *_answers(sheets),
        _further(sheets),
        _limits(analysis, figures, sheets),
        Part("words", "Words", asides()["words"], _words()),
    ]
    data = {
        "tables": {name: made.lines for name, made in sheets.items()},
        "explorer": payload(analysis) if explorable else None,
    }
    shown = [part for part in parts if part is not None]
    settings = analysis.study.settings
    return document(settings.title, _header(analysis), shown, _footer(analysis), data)


def _sheets(analysis: "Analysis") -> dict[str, Sheet]:
    said = captions(analysis)
    return {
        name: sheet(name, said.get(name, ""), frame, _PINNED.get(name, any_columns))
        for name, frame in all_tables(analysis).items()
        if len(frame)
    }


def _header(analysis: "Analysis") -> str:
    settings = analysis.study.settings
    machines = analysis.value["build"].nunique()
    facts = [
        f"Prices of {long_date(settings.price_date)}, {settings.currency}",
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


def _worth_parts(analysis: "Analysis", sheets: dict[str, Sheet], explorable: bool) -> list[Part]:
    said, parts = asides(), []
    if "value" in sheets:
        parts.append(
            Part("value", "What each machine is worth", said["value"], sheets["value"].html(), True)
        )
    if explorable:
        body = (
            '<div id="explorer"><p class="no-script">Moving prices and games needs a browser that '
            "runs the script in this page.</p></div>"
        )
        parts.append(
            Part("explore", "Move the prices, choose the games", said["explore"], body, True)
        )
    if "upgrades" in sheets:
        body = sheets["upgrades"].html()
        parts.append(Part("upgrades", "What an upgrade adds", said["upgrades"], body, True))
    return parts


def _predictions(analysis: "Analysis", sheets: dict[str, Sheet]) -> Part | None:
    shown = [sheets[name].html() for name in ("predictions", "model_comparison") if name in sheets]
    if not shown:
        return None
    title = "What nobody measured"
    return Part("predictions", title, asides()["predictions"], "".join(shown), True)


def _figures(figures: Sequence["Still"], folder: Path) -> Part | None:
    drawn = [figure for figure in figures if figure.files]
    with ThreadPoolExecutor(2) as pool:
        pictures = pool.map(_picture, drawn, [folder] * len(drawn))
        shown = "".join(
            f"<figure><h3>{escape(figure.title)}</h3>{picture}"
            f"<figcaption>{stranger(figure.answer)}</figcaption></figure>"
            for figure, picture in zip(drawn, pictures, strict=True)
        )
    if not shown:
        return None
    return Part("figures", "Pictures", asides()["figures"], f'<div class="figures">{shown}</div>')


def _picture(figure: "Still", folder: Path) -> str:
    """Embed the smallest picture of a chart, in as few colours as it needs."""
    from PIL import Image

    with Image.open(folder / figure.files[0]) as picture:
        width, height = picture.size
        small = picture.convert("RGB").quantize(
            PICTURE_COLOURS, Image.Quantize.FASTOCTREE, dither=Image.Dither.NONE
        )
    packed = io.BytesIO()
    small.save(packed, "PNG")
    source = base64.b64encode(packed.getvalue()).decode("ascii")
    return (
        f'<img alt="{escape(visible(f"{figure.title} {figure.answer}"))}" '
        f'width="{width}" height="{height}" src="data:image/png;base64,{source}">'
    )


def _passes(analysis: "Analysis", sheets: dict[str, Sheet]) -> Part | None:
    if "passes" not in sheets:
        return None
    flags = _fold(sheets, "flags", f"{len(analysis.flags):,} remarks, each with its numbers")
    body = sheets["passes"].html() + flags
    return Part("passes", "What was measured", asides()["passes"], body, True)


def _answers(sheets: dict[str, Sheet]) -> list[Part]:
    """Sections of the decisions that most studies ask for."""
    said = asides()
    return [
        Part(name, table_title(name), said[name], sheets[name].html(), True)
        for name in ("goals", "claims")
        if name in sheets
    ]


def _further(sheets: dict[str, Sheet]) -> Part | None:
    names = [name for name in sheets if name not in _OWN_PLACE]
    folds = "".join(_fold(sheets, name, table_title(name)) for name in names)
    return Part("further", "Further answers", asides()["further"], folds, True) if folds else None


def _limits(analysis: "Analysis", figures: Sequence["Still"], sheets: dict[str, Sheet]) -> Part:
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


def _fold(sheets: dict[str, Sheet], name: str, title: str) -> str:
    if name not in sheets:
        return ""
    prints = ' class="prints"' if sheets[name].rows <= 60 else ""
    return f"<details{prints}><summary>{escape(title)}</summary>{sheets[name].html()}</details>"


def _words() -> str:
    entries = "".join(f"<dt>{escape(word)}</dt><dd>{escape(said)}</dd>" for word, said in WORDS)
    return f'<dl class="words-list">{entries}</dl>'


def _footer(analysis: "Analysis") -> str:
    made = ", ".join(f"{name} {version}" for name, version in versions().items())
    settings = analysis.study.settings
    disclosure = f" Disclosure: {stranger(settings.disclosure)}" if settings.disclosure else ""
    return (
        f"<p>Prices of {long_date(settings.price_date)} in {escape(settings.currency)}, as the "
        f"study has them; they have moved since.{disclosure}</p>"
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
