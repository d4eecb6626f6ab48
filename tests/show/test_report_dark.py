"""The page's pictures in the dark: the light ones through a filter, as legible as dark ones."""

import base64
import io
from dataclasses import asdict

import numpy as np
import pytest
from matplotlib.colors import to_rgb
from PIL import Image

from perfkit.show.report_dark import night_filter, night_matrix
from perfkit.show.report_html import page_part, policy
from perfkit.show.style import THEMES
from tests.show.browser import chromium
from tests.show.test_charts import contrast

LIGHT, DARK = (
    {name: np.array(to_rgb(hue)) for name, hue in asdict(THEMES[theme]).items()}
    for theme in ("light", "dark")
)


def in_the_dark(colour: np.ndarray) -> np.ndarray:
    matrix = night_matrix()
    return np.clip(matrix[:, :3] @ colour + matrix[:, 3], 0, 1)


@pytest.mark.parametrize("name", ["ground", "ink", "soft", "line", "first", "second"])
def test_a_hue_becomes_the_dark_one(name: str) -> None:
    assert np.abs(in_the_dark(LIGHT[name]) - DARK[name]).max() < 0.1
    assert name != "ground" or np.abs(in_the_dark(LIGHT[name]) - DARK[name]).max() < 1 / 255


def test_text_and_marks_keep_their_contrast() -> None:
    ground = tuple(in_the_dark(LIGHT["ground"]))
    for name in ("ink", "soft"):
        assert contrast(tuple(in_the_dark(LIGHT[name])), ground) >= 4.5  # WCAG 2.2, 1.4.3
    for name in ("first", "second", "third", "fourth"):
        assert contrast(tuple(in_the_dark(LIGHT[name])), ground) >= 3  # WCAG 2.2, 1.4.11


def test_a_mixture_stays_the_same_mixture() -> None:
    for share in (0.1, 0.5, 0.9):
        mixed = share * LIGHT["ink"] + (1 - share) * LIGHT["ground"]
        wanted = share * in_the_dark(LIGHT["ink"]) + (1 - share) * in_the_dark(LIGHT["ground"])
        assert np.allclose(in_the_dark(mixed), wanted)


@pytest.mark.browser
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_browser_shows_it_under_the_policy_of_the_page(scheme: str) -> None:
    pixels = np.zeros((8, 24, 3), np.uint8)
    hues = ("ground", "first", "ink")
    for place, name in enumerate(hues):
        pixels[:, 8 * place : 8 * place + 8] = np.round(255 * LIGHT[name])
    packed = io.BytesIO()
    Image.fromarray(pixels).save(packed, "PNG")
    source = base64.b64encode(packed.getvalue()).decode()
    style = page_part("page.css")
    html = (
        f'<meta http-equiv="Content-Security-Policy" content="{policy("", style)}">'
        f"<style>{style}</style><body>{night_filter()}"
        f'<div class="figures"><img width="24" src="data:image/png;base64,{source}"></div>'
    )
    said: list[str] = []
    with chromium() as browser:
        page = browser.new_page(color_scheme=scheme)  # type: ignore[arg-type]
        page.on("console", lambda message: said.append(message.text))
        page.set_content(html)
        shot = page.locator("img").screenshot()
    seen = np.asarray(Image.open(io.BytesIO(shot)).convert("RGB")).astype(int)
    middle, wide = seen.shape[0] // 2, seen.shape[1]
    for place, name in enumerate(hues):
        wanted = LIGHT[name] if scheme == "light" else in_the_dark(LIGHT[name])
        found = seen[middle, wide * (2 * place + 1) // 6]
        assert np.abs(found - 255 * wanted).max() <= 1.5, (name, found)
    assert said == []
