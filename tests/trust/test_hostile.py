"""Free texts that try to be formulas, markup, script or mathtext reach every output as text."""

import csv
import functools
import re
from pathlib import Path

import pytest

import perfkit as pk
from perfkit.cli import main
from perfkit.study.schema import TABLES
from perfkit.study.spreadsheet import plain_text, safe_text
from tests.show.browser import chromium
from tests.trust.hostile import ATTACKS, LONG, TOGETHER, hostile_tables, write_hostile


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_hostile(tmp_path_factory.mktemp("hostile") / "study")


@pytest.fixture(scope="module")
def out(study: Path) -> Path:
    assert main(["report", str(study), "--out", str(study.parent / "out")]) == 0
    return study.parent / "out"


def test_every_free_text_of_the_schema_is_attacked() -> None:
    tables = hostile_tables()
    for name, rows in tables.items():
        for column in TABLES[name].columns:
            if column.kind == "text":
                filled = {row.get(column.name, "") for row in rows} - {""}
                hostile = {text for text in filled if text.startswith((*ATTACKS, TOGETHER))}
                assert hostile, (name, column.name)


def test_texts_are_read_exactly(study: Path) -> None:
    read = pk.load_study(study)
    for name, rows in hostile_tables().items():
        frame = getattr(read, name)
        for column in TABLES[name].columns:
            if column.kind == "text":
                assert frame[column.name].tolist() == [row.get(column.name, "") for row in rows]


def test_check_shows_no_character_that_a_terminal_obeys(
    study: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    assert main(["check", str(study)]) == 0
    out, said = capfd.readouterr()
    assert all(line.isprintable() for line in (out + said).split("\n"))


def test_no_cell_of_any_table_is_a_formula(
    out: Path, study: Path, request: pytest.FixtureRequest
) -> None:
    request.addfinalizer(functools.partial(csv.field_size_limit, csv.field_size_limit(10**7)))
    targets = out.parent / "predicted.csv"
    words = ["--targets", str(study / "targets.csv"), "--out", str(targets)]
    assert main(["predict", str(study), *words]) == 0
    files = [*out.rglob("*.csv"), targets]
    assert len(files) > 10
    texts = set()
    for path in files:
        with open(path, encoding="utf-8", newline="") as file:
            for row in csv.reader(file):
                for cell in row:
                    if not re.fullmatch(r"-?\d[\d.]*(e[+-]?\d+)?", cell):
                        assert safe_text(plain_text(cell)) == cell, (path.name, cell[:80])
                        texts.add(plain_text(cell))
                    assert "=own<b>" not in cell
    assert any(text.endswith(LONG[-40:]) for text in texts)


def test_figures_hold_no_markup_of_the_study(out: Path) -> None:
    drawn = [*out.rglob("*.svg")]
    for path in drawn:
        text = path.read_text(encoding="utf-8")
        assert not re.search(r"<script|<img|onload|onerror|javascript:|x\.invalid", text), path
    assert len([*out.rglob("*.png")]) > 3


@pytest.mark.browser
def test_the_page_runs_nothing_and_asks_for_nothing(out: Path) -> None:
    said, asked = [], []
    with chromium() as browser:
        page = browser.new_page()
        page.on("console", lambda message: said.append(message.text))
        page.on("pageerror", lambda error: said.append(str(error)))
        page.on("dialog", lambda dialog: said.append(dialog.message))
        page.on("request", lambda request: asked.append(request.url))
        page.goto((out / "report.html").as_uri())
        page.wait_for_selector("html[data-ready]")
        hit = page.evaluate("window.hit")
        strangers = page.locator("img[src=x], svg[onload], a[href*='x.invalid'], i, td > b").count()
        policy = page.locator("meta[http-equiv=Content-Security-Policy]").get_attribute("content")
        shown = page.content()
    assert (hit, strangers, said) == (None, 0, [])
    assert [url for url in asked if not url.startswith(("data:", "blob:"))] == asked[:1]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert not re.search(r"https?:|\*", policy)
    assert "&lt;" in shown
