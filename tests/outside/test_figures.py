"""Legibility of figures.

Sources: W3C, WCAG 2.2, success criteria 1.4.3 and 1.4.11 and the definition of relative luminance;
M. Okabe and K. Ito (2008), Color Universal Design (hex values as in R's grDevices);
SMPTE ST 2046-1:2009 (90 % title-safe area).
"""

import matplotlib.colors as mcolors
import numpy as np
import pytest

from perfkit.show.style import SAFE, THEMES, Page
from tests.reference import load_json

FIGURES = load_json("figures")
LIMITS = FIGURES["wcag"]["thresholds"]
HUES = {value.lower() for name, value in FIGURES["okabe_ito"].items() if name != "gray"}


def luminance(colour: str) -> float:
    """Relative luminance by WCAG's formula."""
    channels = np.array(mcolors.to_rgb(colour))
    linear = np.where(channels <= 0.04045, channels / 12.92, ((channels + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


def contrast(one: str, other: str) -> float:
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_the_formula_used_below_meets_known_pairs() -> None:
    for pair in FIGURES["wcag"]["pairs"]:
        assert contrast(pair["fg"], pair["bg"]) == pytest.approx(pair["ratio"], rel=1e-6)


@pytest.mark.parametrize("name", THEMES)
def test_text_and_marks_stand_out(name: str) -> None:
    theme = THEMES[name]
    for text in (theme.ink, theme.soft):
        assert contrast(text, theme.ground) >= LIMITS["AA_text"]
    for mark in (theme.first, theme.second, theme.third, theme.fourth):
        assert contrast(mark, theme.ground) >= LIMITS["non_text_1_4_11"]


@pytest.mark.parametrize("name", THEMES)
def test_hues_are_the_published_ones(name: str) -> None:
    theme = THEMES[name]
    hues = {theme.first, theme.second, theme.third, theme.fourth}
    # One hue may differ: their purple does not reach 3:1 on a light ground and is darkened.
    assert len(hues) == 4
    assert len(hues & HUES) >= 3
    for changed in hues - HUES:
        here, purple = (
            mcolors.rgb_to_hsv(mcolors.to_rgb(c))[0]
            for c in (changed, FIGURES["okabe_ito"]["reddishpurple"])
        )
        assert here == pytest.approx(purple, abs=0.03)


@pytest.mark.parametrize("frame", FIGURES["safe_areas"]["frames"], ids=lambda f: str(f["w"]))
def test_margins_keep_text_in_the_title_safe_area(frame: dict[str, float]) -> None:
    page = Page(int(frame["w"]), int(frame["h"]))
    margin = [SAFE * page.w * page.scale, SAFE * page.h * page.scale]
    assert margin == pytest.approx(frame["title_margin_px"], rel=1e-12)
