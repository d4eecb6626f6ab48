"""Legibility of figures: the measure of contrast itself, and the safe area.

Sources: W3C, WCAG 2.2, success criteria 1.4.3 and 1.4.11 and the definition of relative luminance;
M. Okabe and K. Ito (2008), Color Universal Design (hex values as in R's grDevices);
SMPTE ST 2046-1:2009 (90 % title-safe area). The themes are held to them in tests/show.
"""

import matplotlib.colors as mcolors
import pytest

from perfkit.show.style import SAFE, Page
from tests.reference import load_json
from tests.show.test_charts import contrast

FIGURES = load_json("figures")


def between(one: str, other: str) -> float:
    return contrast(mcolors.to_rgb(one), mcolors.to_rgb(other))


@pytest.mark.parametrize("pair", FIGURES["wcag"]["pairs"], ids=lambda pair: str(pair["fg"]))
def test_the_measure_of_contrast_meets_known_pairs(pair: dict[str, str]) -> None:
    # The formula's own digits: 1e-6. 4.478 fails where 4.5 is asked, however it is rounded.
    assert between(pair["fg"], pair["bg"]) == pytest.approx(pair["ratio"], rel=1e-6)


def test_the_measure_of_contrast_on_the_published_hues() -> None:
    for name, expected in FIGURES["okabe_ito_contrast_on_white"].items():
        found = between(FIGURES["okabe_ito"][name], "#FFFFFF")
        assert found == pytest.approx(expected, rel=1e-6), name


@pytest.mark.parametrize("frame", FIGURES["safe_areas"]["frames"], ids=lambda f: str(f["w"]))
def test_margins_keep_text_in_the_title_safe_area(frame: dict[str, float]) -> None:
    page = Page(int(frame["w"]), int(frame["h"]))
    margin = [SAFE * page.w * page.scale, SAFE * page.h * page.scale]
    assert margin == pytest.approx(frame["title_margin_px"], rel=1e-12)
