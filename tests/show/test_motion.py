"""Clips: frames equal a full redraw, files are what an editor expects, alpha is right."""

import json
import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from matplotlib.artist import Artist
from matplotlib.transforms import Bbox
from PIL import Image

from perfkit.errors import MissingExtra, PerfkitError
from perfkit.show import motion_clips, motion_encode
from perfkit.show.charts import averages, cost, trace
from perfkit.show.layout import NothingToShow
from perfkit.show.motion import RATE, Clip, Reveal
from perfkit.show.motion_clips import build_up, lower_third, moving_parts, run_trace, write_clips
from perfkit.show.motion_encode import find_encoder, write_mov, write_sequence
from perfkit.show.motion_thirds import third_lines
from perfkit.show.style import Page, house, pixels
from tests.show.chart_frames import FRAMES, named

SMALL = Page(
    480, 270, "dark", "2026-11-01", "All parts bought at retail.", "EUR", (30.0, 60.0), plate=0.92
)
TALL = replace(SMALL, width=270, height=480)


chart_clip: dict[Artist, Any] = {}


def redraw(figure: Any, parts: list[tuple[list[Artist], Reveal]], page: Page, number: int) -> Any:
    """Draw a whole frame again with every moving artist clipped to what has come in."""
    for artists, reveal in parts:
        edge = reveal.edge(number)
        low, high = page.height - reveal.bottom, page.height - reveal.top
        for artist in artists:
            own = chart_clip.setdefault(
                artist, artist.get_clip_box() if artist.get_clip_on() else None
            )
            box = Bbox.from_extents(reveal.left, low, edge, high)
            shown = Bbox.intersection(own, box) if own else box
            whole = shown is not None and round(shown.x1) > round(shown.x0)
            artist.set_visible(whole and edge > reveal.left)
            artist.set_clip_on(True)
            artist.set_clip_box(shown)
    return pixels(figure, page.width)


@pytest.mark.parametrize("page", [SMALL, TALL, replace(SMALL, width=1920, height=1080)], ids=str)
@pytest.mark.parametrize("name", ["averages", "trace"])
def test_frames_equal_a_full_redraw_in_every_pixel(name: str, page: Page) -> None:
    chart, make = {"averages": (averages, build_up), "trace": (trace, run_trace)}[name]
    data = FRAMES[name](named("plain", 5))
    with house():
        clip = make(data, page)
        figure = chart.draw(data, page)
        pixels(figure, page.width)
        parts = moving_parts(figure, page)
        assert tuple(reveal for _, reveal in parts) == clip.reveals
        for number in (0, 16, 27, 40, 61, 133, clip.frames - 1):
            full = redraw(figure, parts, page, number)
            assert np.array_equal(clip.frame(number), full), number


def test_the_last_frame_is_the_whole_chart_and_the_first_lacks_its_bars() -> None:
    data = FRAMES["averages"](named("plain", 5))
    with house():
        clip = build_up(data, SMALL)
        whole = pixels(averages.draw(data, SMALL), SMALL.width)
    assert np.array_equal(clip.frame(clip.frames - 1), whole)
    assert np.array_equal(clip.frame(0), clip.stages[0])
    assert not np.array_equal(clip.stages[0], whole)


def test_runs_are_the_frames_in_order() -> None:
    done = np.full((4, 20, 4), 200, np.uint8)
    clip = Clip((np.zeros_like(done), done), (Reveal(2, 1, 18, 3, 3, 9),), 15)
    told = [frame for frame, times in clip.runs() for _ in range(times)]
    assert len(told) == 15
    assert all(np.array_equal(told[n], clip.frame(n)) for n in range(15))
    assert sum(1 for _ in clip.runs()) < 15


def test_a_lower_third_is_clear_outside_its_plate() -> None:
    third = third_lines(FRAMES["cost"](named("plain", 2)), SMALL)[0]
    with house():
        clip = lower_third(third, SMALL)
    alpha = clip.done[..., 3]
    assert not clip.stages[0][..., 3].any()
    assert not alpha[: SMALL.height // 2].any()
    assert set(np.unique(alpha[alpha > 0])) >= {round(0.92 * 255), 255}
    rows, columns = np.nonzero(alpha)
    assert columns.min() >= 0.05 * SMALL.width - 1
    assert columns.max() <= 0.95 * SMALL.width + 1
    assert rows.max() <= 0.95 * SMALL.height + 1
    assert "Prices of 1 Nov 2026." in third.facts
    assert "All parts bought at retail." in third.facts


def probe(file: Path) -> tuple[str, str]:
    """Ask the encoder itself what a file holds: its words on the stream, and its frame count."""
    command = [find_encoder(), "-hide_banner", "-nostdin", "-i", str(file), "-map", "0:v"]
    done = subprocess.run([*command, "-f", "null", "-"], capture_output=True, text=True, check=True)
    stream = next(line for line in done.stderr.splitlines() if "Video: prores" in line)
    return stream, re.findall(r"frame=\s*(\d+)", done.stderr)[-1]


def decoded(file: Path, count: int, size: tuple[int, int]) -> Any:
    command = [find_encoder(), "-v", "error", "-nostdin", "-i", str(file), "-frames:v", str(count)]
    done = subprocess.run(
        [*command, "-f", "rawvideo", "-pix_fmt", "rgba", "-"], capture_output=True, check=True
    )
    return np.frombuffer(done.stdout, np.uint8).reshape(count, size[1], size[0], 4)


def test_a_mov_has_its_size_rate_count_and_alpha(tmp_path: Path) -> None:
    data = FRAMES["averages"](named("plain", 4))
    with house():
        clip = build_up(data, SMALL)
    short = replace(clip, frames=45)
    write_mov(tmp_path / "a.mov", short.runs(), 480, 270)
    stream, frames = probe(tmp_path / "a.mov")
    assert "4444" in stream
    assert "yuva444p" in stream
    assert "480x270" in stream
    assert f"{RATE} fps" in stream
    assert int(frames) == 45
    seen = decoded(tmp_path / "a.mov", 45, (480, 270)).astype(int)
    for number in (0, 20, 44):
        made = short.frame(number).astype(int)
        assert np.abs(seen[number, ..., 3] - made[..., 3]).max() <= 1
        assert np.abs(seen[number, ..., :3] - made[..., :3]).mean() < 3


def test_a_lower_thirds_alpha_survives_the_encoder(tmp_path: Path) -> None:
    third = third_lines(FRAMES["cost"](named("plain", 2)), SMALL)[0]
    with house():
        clip = lower_third(third, SMALL)
    write_mov(tmp_path / "a.mov", clip.runs(), 480, 270)
    seen = decoded(tmp_path / "a.mov", clip.frames, (480, 270))
    assert np.abs(seen[-1, ..., 3].astype(int) - clip.done[..., 3]).max() <= 1
    assert not seen[0, ..., 3].any()


def test_the_same_frames_give_the_same_bytes(tmp_path: Path) -> None:
    done = np.random.default_rng(1).integers(0, 256, (64, 96, 4), dtype=np.uint8)
    clip = Clip((np.zeros_like(done), done), (Reveal(0, 0, 96, 64, 0, 5),), 8)
    for name in ("one.mov", "two.mov"):
        write_mov(tmp_path / name, clip.runs(), 96, 64)
    assert (tmp_path / "one.mov").read_bytes() == (tmp_path / "two.mov").read_bytes()


def test_a_sequence_holds_every_frame_to_the_bit(tmp_path: Path) -> None:
    done = np.random.default_rng(1).integers(0, 256, (20, 30, 4), dtype=np.uint8)
    clip = Clip((np.zeros_like(done), done), (Reveal(0, 0, 30, 20, 2, 6),), 9)
    assert write_sequence(tmp_path / "s", clip.runs()) == 9
    for number, file in enumerate(sorted((tmp_path / "s").iterdir())):
        with Image.open(file) as picture:
            assert np.array_equal(np.asarray(picture), clip.frame(number))


def test_without_an_encoder_the_extra_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shutil, "which", lambda name: None)
    monkeypatch.setitem(__import__("sys").modules, "imageio_ffmpeg", None)
    with pytest.raises(MissingExtra, match=r"extra `video`: pip install perfkit\[video\]"):
        find_encoder()


def test_the_bundled_encoder_is_found_without_one_on_the_path(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(shutil, "which", lambda name: None)
    found = find_encoder()
    said = subprocess.run([found, "-encoders"], capture_output=True, text=True, check=True)
    assert "prores_ks" in said.stdout


def test_a_failing_encoder_leaves_no_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(motion_encode, "_PRORES", ["-c:v", "no_such_codec"])
    frames = [(np.zeros((8, 8, 4), np.uint8), 3)]
    with pytest.raises(PerfkitError, match=r"the encoder failed on a\.mov: .*no_such_codec"):
        write_mov(tmp_path / "a.mov", frames, 8, 8)
    assert not list(tmp_path.iterdir())


def test_write_clips_makes_clip_still_and_json(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import datetime

    settings = SimpleNamespace(
        price_date=datetime.date(2026, 11, 1),
        disclosure="All parts bought at retail.",
        currency="EUR",
        targets_fps=(30.0, 60.0),
    )
    analysis: Any = SimpleNamespace(study=SimpleNamespace(settings=settings, prices=("one",)))
    monkeypatch.setattr(motion_clips, "SECONDS", 5)
    monkeypatch.setattr(averages, "data", lambda a: FRAMES["averages"](named("plain", 3)))
    monkeypatch.setattr(cost, "data", lambda a: FRAMES["cost"](named("plain", 1)))

    def nothing(analysis: object) -> None:
        raise NothingToShow("no pass has its frame times")

    monkeypatch.setattr(trace, "data", nothing)
    films = write_clips(analysis, tmp_path, shapes=((270, 480),), sequence=True)
    assert [film.reason for film in films] == ["no pass has its frame times", "", ""]
    made = films[1]
    assert made.name == "averages-clip-270x480"
    record = json.loads((tmp_path / f"{made.name}.json").read_text(encoding="utf-8"))
    assert record["clip"] == {"rate": 30, "frames": 150, "width": 270, "height": 480}
    assert len(list((tmp_path / made.name).iterdir())) == 150
    with Image.open(tmp_path / f"{made.name}.png") as still:
        assert still.size == (270, 480)
        assert still.mode == "RGBA"
    assert all((tmp_path / file).exists() for film in films for file in film.files)
