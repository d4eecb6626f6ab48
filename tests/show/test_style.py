"""Type, text and numbers of the house style."""

import datetime
import unicodedata
from pathlib import Path

import matplotlib as mpl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from perfkit.show.lettering import day, face, fitted, fps, number, plain, text_width, wrapped
from perfkit.show.style import THEMES, Page, house
from tests.show.test_charts import contrast


@pytest.mark.parametrize("name", ["text", "strong", "title"])
def test_faces_are_files_that_matplotlib_brings_along(name: str) -> None:
    file = Path(str(face(name).get_file()))
    assert file.is_relative_to(mpl.get_data_path())


@pytest.mark.parametrize("name", THEMES)
def test_contrast_of_the_theme(name: str) -> None:
    theme = THEMES[name]
    ground = mpl.colors.to_rgb(theme.ground)
    for text in (theme.ink, theme.soft):
        assert contrast(mpl.colors.to_rgb(text), ground) >= 4.5  # WCAG 2.2, 1.4.3
    for mark in (theme.first, theme.second, theme.third, theme.fourth):
        assert contrast(mpl.colors.to_rgb(mark), ground) >= 3  # WCAG 2.2, 1.4.11


def test_hues_are_those_of_okabe_and_ito() -> None:
    okabe_ito = {"#e69f00", "#56b4e9", "#009e73", "#f0e442", "#0072b2", "#d55e00", "#cc79a7"}
    # Okabe and Ito (2008), "Color Universal Design", palette as published
    light, dark = THEMES["light"], THEMES["dark"]
    assert {light.first, light.second, light.third} <= okabe_ito
    assert {dark.first, dark.second, dark.third, dark.fourth} <= okabe_ito


@given(st.text(max_size=60))
def test_plain_text_is_one_line_that_can_be_measured(text: str) -> None:
    line = plain(text)
    inner = line.removeprefix("\u2068").removesuffix("\u2069")
    kinds = {unicodedata.category(sign) for sign in inner}
    assert not kinds & {"Cc", "Cf", "Cs", "Zl", "Zp"}
    assert inner == inner.strip()
    assert text_width(line, 20) >= 0


@given(st.text(min_size=1, max_size=80), st.floats(40, 900))
def test_fitted_text_fits(text: str, room: float) -> None:
    assert text_width(fitted(plain(text), 20, room), 20) <= room


def test_a_shortened_text_ends_in_an_ellipsis() -> None:
    assert fitted("Harbour at night, high", 20, 120).endswith("…")


def test_right_to_left_text_is_isolated() -> None:
    assert plain("שלום") == "\u2068שלום\u2069"  # U+2068, U+2069: Unicode Standard Annex 9
    assert plain("a\u202eb") == "ab"


def test_a_sign_the_face_does_not_know_becomes_a_box() -> None:
    assert plain("日x") == "□x"


@given(st.lists(st.text("abcdefg", min_size=1, max_size=12), min_size=1, max_size=20))
def test_wrapping_keeps_every_word(words: list[str]) -> None:
    assert " ".join(wrapped(" ".join(words), 10, 200, lines=99)).split() == words


@pytest.mark.parametrize(
    ("value", "digits", "said"),
    [
        (0.0, 3, "0"), (61.84, 2, "62"), (1234.5, 3, "1,234"), (7.0, 3, "7.00"),
        (-3.25, 2, "\u22123.2"), (float("nan"), 3, "—"), (99.96, 3, "100"), (0.01234, 3, "0.0123"),
    ],
)  # fmt: skip
def test_number(value: float, digits: int, said: str) -> None:
    assert number(value, digits) == said


def test_fps_keeps_a_decimal_only_below_ten() -> None:
    assert [fps(value) for value in (7.25, 61.4, 143.6)] == ["7.2", "61", "144"]


def test_day_does_not_ask_the_locale() -> None:
    assert day("2026-11-01") == day(datetime.date(2026, 11, 1)) == "1 Nov 2026"


@pytest.mark.parametrize(("width", "height"), [(1920, 1080), (3840, 2160), (1080, 1920)])
def test_smallest_type_is_large_enough(width: int, height: int) -> None:
    page = Page(width, height)
    assert min(page.sizes.values()) * page.scale >= 0.024 * height


def test_house_settings_do_not_depend_on_the_users() -> None:
    with mpl.rc_context({"font.size": 40.0, "axes.unicode_minus": False, "text.usetex": True}):
        with house():
            inside = dict(mpl.rcParams)
        assert mpl.rcParams["text.usetex"]
    with house():
        assert inside == dict(mpl.rcParams)
