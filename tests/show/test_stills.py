"""Stills: same bytes, one layout for every size, a JSON that redraws the picture."""

import datetime
import hashlib
import json
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from PIL import Image

from perfkit.show import stills
from perfkit.show.charts import CHARTS, cost, frontier
from perfkit.show.layout import NothingToShow
from perfkit.show.png import png_bytes, write_png
from perfkit.show.sidecar import read_sidecar, sidecar, sidecar_text
from perfkit.show.stills import Job, Look, draw_together, halved, study_page, write_figures
from perfkit.show.style import Page, house, pixels
from tests.show.chart_frames import FRAMES, named

SETTINGS = SimpleNamespace(
    price_date=datetime.date(2026, 11, 1),
    disclosure="All parts bought at retail.",
    currency="EUR",
    targets_fps=(30.0, 60.0),
)
ANALYSIS: Any = SimpleNamespace(study=SimpleNamespace(settings=SETTINGS))
PAIR = (cost, frontier)


def give(monkeypatch: pytest.MonkeyPatch, **frames: pd.DataFrame) -> None:
    monkeypatch.setattr(stills, "CHARTS", PAIR)
    for chart in PAIR:
        frame = frames.get(chart.NAME, FRAMES[chart.NAME](named("plain", 4)))
        monkeypatch.setattr(chart, "data", lambda analysis, frame=frame: frame)


def digests(folder: Path) -> dict[str, str]:
    return {file.name: hashlib.sha256(file.read_bytes()).hexdigest() for file in folder.iterdir()}


def test_pictures_have_their_size_and_every_file_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    give(monkeypatch)
    drawn = write_figures(ANALYSIS, tmp_path)
    assert [still.name for still in drawn] == ["cost", "frontier"]
    files = {file for still in drawn for file in still.files}
    assert files | {"cost.json", "frontier.json"} == {file.name for file in tmp_path.iterdir()}
    for still in drawn:
        for file, size in zip(still.files, [(1920, 1080), (3840, 2160)], strict=True):
            with Image.open(tmp_path / file) as picture:
                assert picture.size == size
                assert picture.mode == "RGB"
                assert not picture.info


def test_same_bytes_whoever_draws(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    give(monkeypatch)
    looks = (Look(480, 270), Look(960, 540), Look(480, 270, kind="svg"))
    write_figures(ANALYSIS, tmp_path / "one", looks=looks, workers=1)
    write_figures(ANALYSIS, tmp_path / "two", looks=looks, workers=2)
    assert digests(tmp_path / "one") == digests(tmp_path / "two")


def test_a_changed_number_changes_exactly_the_figures_that_show_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    looks = (Look(480, 270),)
    give(monkeypatch)
    write_figures(ANALYSIS, tmp_path / "before", looks=looks, workers=1)
    moved = FRAMES["cost"](named("plain", 4))
    moved.loc[2, "cost_per_frame"] += 0.4
    give(monkeypatch, cost=moved)
    write_figures(ANALYSIS, tmp_path / "after", looks=looks, workers=1)
    before, after = digests(tmp_path / "before"), digests(tmp_path / "after")
    assert {name for name in before if before[name] != after[name]} == {
        "cost.json", "cost-480x270.png",
    }  # fmt: skip


def test_a_chart_with_nothing_to_show_says_why(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    give(monkeypatch)

    def nothing(analysis: object) -> pd.DataFrame:
        raise NothingToShow("no build has a price")

    monkeypatch.setattr(cost, "data", nothing)
    first, second = write_figures(ANALYSIS, tmp_path, looks=(Look(480, 270),), workers=1)
    assert (first.files, first.reason) == ((), "no build has a price")
    assert second.reason == ""
    assert {file.name for file in tmp_path.iterdir()} == {"frontier.json", "frontier-480x270.png"}


def test_an_error_while_drawing_is_not_swallowed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    give(monkeypatch)

    def broken(data: pd.DataFrame, page: Page) -> None:
        raise RuntimeError("no room for the rows")

    monkeypatch.setattr(frontier, "draw", broken)
    with pytest.raises(RuntimeError, match=r"^no room for the rows$"):
        write_figures(ANALYSIS, tmp_path, looks=(Look(480, 270),))


def test_an_error_while_writing_is_not_swallowed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    give(monkeypatch)

    def full(path: Path, picture: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(stills, "write_png", full)
    with pytest.raises(OSError, match=r"No space left on device"):
        write_figures(ANALYSIS, tmp_path, looks=(Look(480, 270),))


def test_half_a_size_is_the_mean_of_four_pixels() -> None:
    picture = np.random.default_rng(5).integers(0, 256, (12, 18, 3), dtype=np.uint8)
    means = picture.reshape(6, 2, 9, 2, 3).mean(axis=(1, 3))
    assert np.array_equal(halved(picture), np.floor(means + 0.5).astype(np.uint8))


@pytest.mark.parametrize("chart", CHARTS, ids=lambda chart: chart.NAME)
def test_a_sidecar_gives_back_the_frame_to_the_bit(chart: Any, tmp_path: Path) -> None:
    frame = FRAMES[chart.NAME](named("hebrew", 4))
    page = study_page(SETTINGS)  # type: ignore[arg-type]
    text = sidecar_text(sidecar(chart, frame, page, ["a.png"]))
    (tmp_path / "x.json").write_text(text, encoding="utf-8")
    again, facts = read_sidecar(tmp_path / "x.json")
    pd.testing.assert_frame_equal(again, frame, check_exact=True, check_dtype=False)
    assert facts == page
    record = json.loads(text)
    assert record["versions"]["perfkit"]
    assert sidecar_text(sidecar(chart, again, facts, ["a.png"])) == text


def test_the_hash_is_that_of_the_data_as_written() -> None:
    page = study_page(SETTINGS)  # type: ignore[arg-type]
    record = sidecar(cost, FRAMES["cost"](named("plain", 3)), page, [])
    text = json.dumps(record["data"], ensure_ascii=False, separators=(",", ":"))
    assert record["data_sha256"] == hashlib.sha256(text.encode()).hexdigest()


@pytest.mark.parametrize("chart", CHARTS, ids=lambda chart: chart.NAME)
def test_the_layout_does_not_depend_on_the_size(chart: Any) -> None:
    frame = FRAMES[chart.NAME](named("plain", 5))
    small, large = Page(960, 540, goals_fps=(30.0,)), Page(1920, 1080, goals_fps=(30.0,))
    with house():
        one, other = chart.draw(frame, small), chart.draw(frame, large)
        assert np.array_equal(pixels(one, 1920), pixels(other, 1920))


def test_drawing_twice_at_another_size_in_between_changes_nothing(tmp_path: Path) -> None:
    frame = FRAMES["cost"](named("plain", 5))
    page = study_page(SETTINGS)  # type: ignore[arg-type]
    record = sidecar(cost, frame, page, [])
    (tmp_path / "cost.json").write_text(sidecar_text(record), encoding="utf-8")
    looks = [Look(*size) for size in ((480, 270), (960, 540), (640, 360))]
    list(draw_together([Job("cost", tmp_path, looks)], 1))
    first = digests(tmp_path)
    list(draw_together([Job("cost", tmp_path, looks[1:])], 1))
    assert digests(tmp_path) == first


@pytest.mark.parametrize("channels", [3, 4])
def test_png_is_read_back_to_the_bit(channels: int, tmp_path: Path) -> None:
    noise = np.random.default_rng(3).integers(0, 256, (37, 53, channels), dtype=np.uint8)
    write_png(tmp_path / "noise.png", noise)
    with Image.open(tmp_path / "noise.png") as picture:
        assert np.array_equal(np.asarray(picture), noise)
    assert png_bytes(noise) == png_bytes(noise.copy())


def test_svg_text_is_outlines_without_a_date(tmp_path: Path) -> None:
    frame = FRAMES["cost"](named("markup", 3))
    record = sidecar(cost, frame, study_page(SETTINGS), [])  # type: ignore[arg-type]
    (tmp_path / "cost.json").write_text(sidecar_text(record), encoding="utf-8")
    look = Look(1920, 1080, kind="svg")
    list(draw_together([Job("cost", tmp_path, [look])], 1))
    text = (tmp_path / look.file("cost")).read_text(encoding="utf-8")
    assert "<text" not in text
    assert "<dc:date>" not in text
    assert "<b>" not in text
