"""Stills: same bytes, one layout for every size, a JSON that redraws the picture."""

import datetime
import hashlib
import io
import json
from dataclasses import asdict
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from PIL import Image

import perfkit as pk
from perfkit.show import drawing, second_process, stills
from perfkit.show.charts import CHARTS, cost, frontier
from perfkit.show.drawing import Job, Look, file_bytes, halved, pictures
from perfkit.show.layout import NothingToShow
from perfkit.show.png import png_bytes, write_png
from perfkit.show.second_process import second_drawer, serve
from perfkit.show.sidecar import read_sidecar, sidecar, sidecar_text
from perfkit.show.stills import study_page, write_figures
from perfkit.show.style import Page, house, pixels
from tests.show.chart_frames import FRAMES, named
from tests.show.hostile import hostile_study

SETTINGS = SimpleNamespace(
    price_date=datetime.date(2026, 11, 1),
    disclosure="All parts bought at retail.",
    currency="EUR",
    targets_fps=(30.0, 60.0),
)
STUDY: Any = SimpleNamespace(settings=SETTINGS, prices=("one",))
ANALYSIS: Any = SimpleNamespace(study=STUDY)
PAIR = (cost, frontier)


def test_a_study_without_prices_states_no_price_date() -> None:
    bare: Any = SimpleNamespace(settings=SETTINGS, prices=())
    assert (study_page(STUDY).price_date, study_page(bare).price_date) == ("2026-11-01", "")


def give(monkeypatch: pytest.MonkeyPatch, **frames: pd.DataFrame) -> None:
    monkeypatch.setattr(stills, "CHARTS", PAIR)
    monkeypatch.setattr(drawing, "CHARTS", PAIR)
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


def test_a_changed_price_in_a_study_changes_exactly_the_figures_that_show_it(
    tmp_path: Path,
) -> None:
    hostile_study(tmp_path / "study")
    prices = tmp_path / "study/prices.csv"
    drawn = {}
    for when in ("before", "after"):
        analysis = pk.analyse(pk.load_study(tmp_path / "study"))
        write_figures(analysis, tmp_path / when, looks=(Look(480, 270),))
        drawn[when] = digests(tmp_path / when)
        if when == "before":
            text = prices.read_text(encoding="utf-8")
            assert text.count("220") == 1
            prices.write_text(text.replace("220", "221"), encoding="utf-8")
    changed = {name for name in drawn["after"] if drawn["after"][name] != drawn["before"][name]}
    showing = {"cost", "frontier", "flip"}
    assert changed == {f"{chart}{end}" for chart in showing for end in (".json", "-480x270.png")}
    assert len(drawn["before"]) > 2 * len(showing)


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

    monkeypatch.setattr(stills, "write_picture", full)
    with pytest.raises(OSError, match=r"No space left on device"):
        write_figures(ANALYSIS, tmp_path, looks=(Look(480, 270),))


def test_half_a_size_is_the_mean_of_four_pixels() -> None:
    picture = np.random.default_rng(5).integers(0, 256, (12, 18, 3), dtype=np.uint8)
    means = picture.reshape(6, 2, 9, 2, 3).mean(axis=(1, 3))
    assert np.array_equal(halved(picture), np.floor(means + 0.5).astype(np.uint8))


@pytest.mark.parametrize("chart", CHARTS, ids=lambda chart: chart.NAME)
def test_a_sidecar_gives_back_the_frame_to_the_bit(chart: Any, tmp_path: Path) -> None:
    frame = FRAMES[chart.NAME](named("hebrew", 4))
    page = study_page(STUDY)
    text = sidecar_text(sidecar(chart, frame, page, ["a.png"]))
    (tmp_path / "x.json").write_text(text, encoding="utf-8")
    again, facts = read_sidecar(tmp_path / "x.json")
    pd.testing.assert_frame_equal(again, frame, check_exact=True, check_dtype=False)
    assert facts == page
    record = json.loads(text)
    assert record["versions"]["perfkit"]
    assert sidecar_text(sidecar(chart, again, facts, ["a.png"])) == text


def test_the_hash_is_that_of_the_data_as_written() -> None:
    page = study_page(STUDY)
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


def job(names: list[str], *looks: Look) -> Job:
    frame = FRAMES["cost"](names)
    record = sidecar(cost, frame, study_page(STUDY), [])
    return Job("cost", sidecar_text(record), looks)


def test_drawing_twice_at_another_size_in_between_changes_nothing() -> None:
    looks = [Look(*size) for size in ((480, 270), (960, 540), (640, 360))]
    drawn = {name: file_bytes(picture) for name, picture in pictures(job(["a", "b"], *looks))}
    again = pictures(job(["a", "b"], *looks[1:]))
    assert len(drawn) == 3
    assert {name: drawn[name] for name, _ in again} == {
        name: file_bytes(picture) for name, picture in pictures(job(["a", "b"], *looks[1:]))
    }


def test_a_second_process_draws_the_same_bytes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    give(monkeypatch)
    looks = (Look(480, 270), Look(960, 540), Look(480, 270, kind="svg"), Look(270, 480))
    alone = write_figures(ANALYSIS, tmp_path / "alone", looks=looks)
    with second_drawer() as helper:
        assert helper is not None
        asked = job(named("plain", 4), looks[0])
        files = helper.draw(asked)
        assert files == [(name, file_bytes(picture)) for name, picture in pictures(asked)]
        together = write_figures(ANALYSIS, tmp_path / "together", looks=looks, second=helper)
    assert together == alone
    assert digests(tmp_path / "together") == digests(tmp_path / "alone")
    assert helper.process.returncode is not None


@pytest.mark.parametrize("how", ["gone before", "gone meanwhile", "cannot draw", "cut short"])
def test_what_the_second_process_cannot_do_is_done_here(
    how: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    give(monkeypatch)
    scripts = {
        "gone before": "",
        "gone meanwhile": "input()",
        "cannot draw": "import time; input(); print('null', flush=True); time.sleep(60)",
        "cut short": "input(); print('[[\"cost-480x270.png\", 9]]'); print('x', end='')",
    }
    looks = (Look(480, 270),)
    write_figures(ANALYSIS, tmp_path / "alone", looks=looks)
    monkeypatch.setattr(second_process, "COMMAND", ("-c", scripts[how]))
    with second_drawer() as helper:
        assert helper is not None
        write_figures(ANALYSIS, tmp_path / "helped", looks=looks, second=helper)
    assert digests(tmp_path / "helped") == digests(tmp_path / "alone")


def test_an_interrupt_does_not_wait_for_the_second_process(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    give(monkeypatch)
    monkeypatch.setattr(second_process, "COMMAND", ("-c", "import time; input(); time.sleep(600)"))

    def stop(data: pd.DataFrame, page: Page) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(cost, "draw", stop)
    monkeypatch.setattr(frontier, "draw", stop)
    with second_drawer() as helper, pytest.raises(KeyboardInterrupt):
        write_figures(ANALYSIS, tmp_path, looks=(Look(480, 270),), second=helper)


def test_a_machine_that_starts_no_process_draws_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(second_process.sys, "executable", "/no/such/python")
    with second_drawer() as helper:
        assert helper is None


def test_the_second_process_answers_every_job_and_survives_a_bad_one() -> None:
    good = job(["a", "b"], Look(480, 270), Look(480, 270, kind="svg"))
    bad = Job("cost", "{}", good.looks)
    asked = [{"job": asdict(bad)}, {"evidence": {}}, {"job": asdict(good)}]
    lines = b"".join(json.dumps(one).encode() + b"\n" for one in asked)
    told = io.BytesIO()
    serve(io.BytesIO(lines), told)
    told.seek(0)
    assert told.readline() == b"null\n"
    assert told.readline() == b"null\n"
    sizes = json.loads(told.readline())
    assert [name for name, _ in sizes] == ["cost-480x270.png", "cost-wide.svg"]
    wanted = [file_bytes(picture) for _, picture in pictures(good)]
    assert [told.read(size) for _, size in sizes] == wanted
    assert told.read() == b""


@pytest.mark.parametrize("channels", [3, 4])
def test_png_is_read_back_to_the_bit(channels: int, tmp_path: Path) -> None:
    noise = np.random.default_rng(3).integers(0, 256, (37, 53, channels), dtype=np.uint8)
    write_png(tmp_path / "noise.png", noise)
    with Image.open(tmp_path / "noise.png") as picture:
        assert np.array_equal(np.asarray(picture), noise)
    assert png_bytes(noise) == png_bytes(noise.copy())


def test_svg_text_is_outlines_without_a_date() -> None:
    ((name, written),) = pictures(job(named("markup", 3), Look(1920, 1080, kind="svg")))
    text = file_bytes(written).decode()
    assert name == "cost-wide.svg"
    assert "<text" not in text
    assert "<dc:date>" not in text
    assert "<b>" not in text
