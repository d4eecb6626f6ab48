"""Hostile names in what is drawn, in executed notebooks, in bundles and in kept forecasts."""

import csv
import json
import re
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import nbformat
import pytest

import perfkit as pk
from perfkit.cli import main
from perfkit.show.summary import findings
from perfkit.study.spreadsheet import plain_text, safe_text
from tests.trust.hostile import ATTACKS, TOGETHER, hostile_tables, write_hostile

MARKUP, MATHTEXT = ATTACKS.index("<script>window.hit=1</script>"), ATTACKS.index("$x^2$")
DRAWN = {
    *("svg", "g", "path", "defs", "use", "clipPath", "rect", "pattern", "image", "style"),
    *("metadata", "RDF", "Work", "type", "format"),
}
TABLE = {
    *("table", "thead", "tbody", "tr", "th", "td", "bdi", "ul", "ol", "li", "p", "div", "pre"),
    *("figure", "figcaption", "img"),
}
SAFE = {"class", "style", "dir", "scope", "alt", "width", "height", "src"}
CANARY = "a'); open('hit', 'w').close() #\"); open(\"hit\", \"w\").close() #"
"""A folder name that writes a file where its text is run as Python."""


def rows_of(path: Path) -> list[dict[str, str]]:
    with open(path, encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_a_bundle_is_taken_under_its_own_name(tmp_path: Path) -> None:
    study = pk.load_study(write_hostile(tmp_path / "study", ""))
    assert set(study.prices["bundle"]) == {"", TOGETHER}
    analysis = pk.analyse(study, kept="")
    assert "1.32 USD (range not known), measured" in "\n".join(findings(analysis))
    value = analysis.value.set_index("build")
    plain = next(row["build"] for row in hostile_tables("")["builds"])
    assert value.loc[plain, "price"] == pytest.approx(80, rel=1e-12)  # 40 and 40, not 100 and 55


def test_a_forecast_keeps_hostile_keys_and_is_scored(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    folder = write_hostile(tmp_path / "study", "", ATTACKS.index("@SUM(A1)"))
    (card, _) = (row["gpu"] for row in hostile_tables("", 3)["gpus"][::-1])
    words = ["--targets", str(folder / "targets.csv"), "--out", str(tmp_path / "p.csv"), "--keep"]
    assert main(["predict", str(folder), *words]) == 0
    capfd.readouterr()
    assert main(["score", str(folder)]) == 0
    said = capfd.readouterr().out
    assert "1 of 2 kept forecasts scored" in said
    assert all(line.isprintable() for line in said.split("\n"))
    written = rows_of(folder / "forecasts.csv")
    assert all(safe_text(plain_text(cell)) == cell for row in written for cell in row.values())
    assert {plain_text(row["gpu"]) for row in written} == {card}
    assert set(pk.load_study(folder).forecasts["gpu"]) == {card}


@pytest.fixture(scope="module", params=[MARKUP, MATHTEXT], ids=["markup", "mathtext"])
def hostile(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_hostile(tmp_path_factory.mktemp("shown") / CANARY, "", request.param)


def plain(name: str) -> str:
    return name.rpartition("}")[2]


@pytest.mark.slow
def test_the_whole_video_set_is_drawing_and_nothing_else(hostile: Path) -> None:
    out = hostile.parent / "figures"
    assert main(["figures", str(hostile), "--out", str(out)]) == 0
    drawn = [*out.rglob("*.svg")]
    assert len(drawn) >= 28
    assert any("forecast" in path.name for path in drawn)
    for path in drawn:
        for node in ElementTree.parse(path).iter():
            assert plain(node.tag) in DRAWN, (path.name, node.tag, node.text)
            for name, text in node.attrib.items():
                assert not plain(name).startswith("on"), (path.name, name)
                assert plain(name) != "href" or text.startswith(("#", "data:image/png")), text
    names = {row["gpu"] for row in hostile_tables("", MARKUP)["gpus"]} | {
        row["gpu"] for row in hostile_tables("", MATHTEXT)["gpus"]
    }
    told = [json.loads(path.read_text(encoding="utf-8")) for path in out.rglob("*.json")]
    assert any(name in json.dumps(one, ensure_ascii=False) for one in told for name in names)


class Tags(HTMLParser):
    """Every tag and attribute of a text."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: set[str] = set()
        self.attributes: set[str] = set()
        self.sources: set[str] = set()
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.attributes |= {name for name, _ in attrs}
        self.sources |= {str(text)[:15] for name, text in attrs if name == "src"}


@pytest.mark.slow
def test_executed_notebooks_hold_the_names_as_text(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    study = write_hostile(tmp_path / CANARY, "", MARKUP)
    monkeypatch.chdir(tmp_path)
    assert main(["notebooks", str(study), "--out", str(tmp_path / "out")]) == 0
    kinds, shown = set(), ""
    for path in sorted((tmp_path / "out").glob("*.ipynb")):
        book = nbformat.read(path, as_version=4)
        nbformat.validate(book)
        for cell in book.cells:
            for output in cell.get("outputs", []):
                kinds |= set(output.get("data", {"text": ""}))
                text = output.get("data", {}).get("text/html", "")
                found, shown = Tags(text), shown + text
                assert found.tags <= TABLE, (path.name, found.tags - TABLE)
                assert found.attributes <= SAFE, (path.name, found.attributes - SAFE)
                assert found.sources <= {"data:image/png;"}
    assert kinds <= {"text/plain", "text/html", "image/png", "text"}
    assert "&lt;script&gt;window.hit=1&lt;/script&gt;" in shown
    assert "&lt;img src=x onerror=window.hit=1&gt;" in shown
    assert not re.search(r"tex2jax_process|mathjax_process", shown)
    assert not [*tmp_path.rglob("hit")]
