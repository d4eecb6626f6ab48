"""The rules of a figure, held on the artists that are drawn."""

import itertools
import re
from types import ModuleType

import numpy as np
import pandas as pd
import pytest
from matplotlib.colors import to_rgb, to_rgba
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from matplotlib.text import Text
from matplotlib.transforms import Bbox

from perfkit.show.charts import CHARTS
from perfkit.show.style import SAFE, Page, house
from tests.show.chart_frames import FRAMES, named

WIDE, TALL = (1920, 1080), (1080, 1920)
STUDY = {
    "price_date": "2026-11-01",
    "disclosure": "All parts bought at retail.",
    "currency": "EUR",
    "goals_fps": (30.0, 60.0, 120.0),
}
CHART_OF = {chart.NAME: chart for chart in CHARTS}
SHAPES = {"wide": WIDE, "tall": TALL}
CASES = [
    (name, shape, style, count)
    for name, shape in itertools.product(FRAMES, SHAPES)
    for style, count in (
        ("plain", 1),
        ("plain", 12),
        ("long", 30),
        ("hebrew", 5),
        ("arabic", 5),
        ("markup", 5),
    )
]


def page(shape: str, theme: str = "light") -> Page:
    width, height = SHAPES[shape]
    return Page(width, height, theme, **STUDY)


def draw(chart: ModuleType, names: list[str], on: Page) -> Figure:
    with house():
        figure: Figure = chart.draw(FRAMES[chart.NAME](names), on)
        figure.canvas.draw()
    return figure


def texts(figure: Figure) -> list[Text]:
    found = figure.findobj(Text)
    return [text for text in found if text.get_visible() and text.get_text().strip("\u2068\u2069 ")]


def luminance(colour: tuple[float, ...]) -> float:
    """Relative luminance: WCAG 2.2, definition "relative luminance"."""
    linear = [v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in colour[:3]]
    return float(np.dot([0.2126, 0.7152, 0.0722], linear))


def contrast(one: tuple[float, ...], other: tuple[float, ...]) -> float:
    """Contrast ratio: WCAG 2.2, definition "contrast ratio"."""
    low, high = sorted([luminance(one), luminance(other)])
    return (high + 0.05) / (low + 0.05)


def test_contrast_of_black_on_white_is_21() -> None:
    assert contrast((0, 0, 0), (1, 1, 1)) == pytest.approx(21)  # WCAG 2.2: from 1 to 21


def test_every_chart_has_frames_here() -> None:
    assert list(CHART_OF) == list(FRAMES)


@pytest.mark.parametrize(("name", "shape", "style", "count"), CASES)
def test_text_is_large_inside_the_safe_box_and_apart(
    name: str, shape: str, style: str, count: int
) -> None:
    on = page(shape)
    figure = draw(CHART_OF[name], named(style, count), on)
    safe = Bbox.from_extents(
        SAFE * on.width, SAFE * on.height, (1 - SAFE) * on.width, (1 - SAFE) * on.height
    )
    boxes = []
    for text in texts(figure):
        pixels = text.get_fontsize() * figure.dpi / 72
        assert pixels >= 0.024 * on.height, text  # DESIGN: 2.4 % of the height
        box = text.get_window_extent()
        assert box.x0 >= safe.x0 - 1, text
        assert box.x1 <= safe.x1 + 1, text
        assert box.y0 >= safe.y0 - 1, text
        assert box.y1 <= safe.y1 + 1, text
        boxes.append((text.get_text(), box.x0 + 1, box.x1 - 1, *ink(box, pixels)))
    for one, two in itertools.combinations(boxes, 2):
        apart = one[2] < two[1] or two[2] < one[1] or one[4] < two[3] or two[4] < one[3]
        assert apart, (one, two)


def ink(box: Bbox, pixels: float) -> tuple[float, float]:
    """Give the height of a line's letters, without the room above and below them."""
    return box.y0 + 0.12 * pixels, box.y1 - 0.12 * pixels


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("name", FRAMES)
def test_contrast(name: str, theme: str, shape: str) -> None:
    figure = draw(CHART_OF[name], named("plain", 6), page(shape, theme))
    ground = to_rgb(figure.get_facecolor())
    for text in texts(figure):
        assert contrast(to_rgb(text.get_color()), ground) >= 4.5, text  # WCAG 2.2, 1.4.3
    kinds = {"bar", "mark", "frames", "curve", "price", "shape", "frontier"}
    marks = [a for a in figure.findobj() if str(a.get_gid() or "").split(" ")[0] in kinds]
    assert marks
    for mark in marks:
        hues = [
            get() for key in ("face", "edge") if (get := getattr(mark, f"get_{key}color", None))
        ]
        hues += [get() for key in ("", "markerface", "markeredge")
                 if (get := getattr(mark, f"get_{key}{'color'}", None))]  # fmt: skip
        shown = [to_rgba(hue) for hue in hues if hue is not None]
        best = max(contrast(hue, ground) for hue in shown if hue[3] > 0)
        assert best >= 3, mark  # WCAG 2.2, 1.4.11


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("name", ["averages", "cost", "memory", "next"])
def test_bars_start_at_zero(name: str, shape: str) -> None:
    figure = draw(CHART_OF[name], named("plain", 9), page(shape))
    bars = figure.findobj(
        lambda a: isinstance(a, Rectangle) and str(a.get_gid() or "").startswith("bar")
    )
    assert len(bars) >= 9
    for bar in bars:
        assert isinstance(bar, Rectangle)
        assert bar.get_x() == 0
        assert bar.axes is not None
        assert bar.axes.get_xlim()[0] == 0
        assert bar.axes.get_xscale() == "linear"


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("count", [1, 12, 30])
@pytest.mark.parametrize("name", ["averages", "cost", "memory", "next"])
def test_no_bar_lies_on_a_word(name: str, count: int, shape: str) -> None:
    figure = draw(CHART_OF[name], named("plain", count), page(shape))
    bars = [
        bar.get_window_extent()
        for bar in figure.findobj(Rectangle)
        if str(bar.get_gid() or "").startswith("bar")
    ]
    assert bars
    for text in texts(figure):
        words = text.get_window_extent()
        low, high = ink(words, text.get_fontsize() * figure.dpi / 72)
        for bar in bars:
            apart = bar.x1 <= words.x0 or words.x1 <= bar.x0 or bar.y1 <= low or high <= bar.y0
            assert apart, text


def test_bars_are_as_long_as_the_numbers_say() -> None:
    figure = draw(CHART_OF["cost"], named("plain", 4), page("wide"))
    bars = figure.findobj(lambda a: isinstance(a, Rectangle) and a.get_gid() == "bar")
    drawn = [bar.get_width() for bar in bars if isinstance(bar, Rectangle)]
    assert drawn == pytest.approx(FRAMES["cost"](named("plain", 4))["cost_per_frame"].tolist())


@pytest.mark.parametrize("name", FRAMES)
@pytest.mark.parametrize("shape", SHAPES)
def test_every_figure_states_price_date_and_disclosure(name: str, shape: str) -> None:
    figure = draw(CHART_OF[name], named("plain", 5), page(shape))
    said = " ".join(text.get_text() for text in texts(figure))
    assert "Prices of 1 Nov 2026." in said
    assert "All parts bought at retail." in said


@pytest.mark.parametrize(
    "name", sorted(set(FRAMES) - {"accuracy", "flip", "cost", "frontier", "prices", "forecasts"})
)
def test_every_measured_figure_states_passes_and_size(name: str) -> None:
    figure = draw(CHART_OF[name], named("plain", 5), page("wide"))
    said = " ".join(text.get_text() for text in texts(figure))
    assert "pass" in said.lower()
    assert "1920 × 1080" in said


@pytest.mark.parametrize("name", FRAMES)
def test_the_title_is_a_question_and_the_answer_a_sentence(name: str) -> None:
    words = CHART_OF[name].words(FRAMES[name](named("plain", 5)), page("wide"))
    assert words.title.endswith("?")
    assert words.answer.endswith(".")


@pytest.mark.parametrize("name", FRAMES)
def test_strangers_text_is_never_read_as_markup(name: str) -> None:
    figure = draw(CHART_OF[name], named("markup", 5), page("wide"))
    assert not any(text.get_parse_math() for text in texts(figure))


@pytest.mark.parametrize("name", FRAMES)
def test_no_control_or_direction_override_is_drawn(name: str) -> None:
    figure = draw(CHART_OF[name], named("control", 5), page("wide"))
    said = "".join(text.get_text() for text in texts(figure))
    assert not set("\t\n\u0007\u202e") & set(said)


def test_bases_look_different_without_colour() -> None:
    figure = draw(CHART_OF["cost"], named("plain", 3), page("wide"))
    bars = figure.findobj(lambda a: isinstance(a, Rectangle) and a.get_gid() == "bar")
    looks = {
        (bar.get_hatch(), bar.get_linewidth() > 0, bar.get_facecolor() == bar.get_edgecolor())
        for bar in bars
        if isinstance(bar, Rectangle)
    }
    assert len(looks) == 3


def rows_named(said: list[str]) -> int:
    return sum(re.fullmatch(r"Brool \d+,? ?[^:]*", text) is not None for text in said)


def test_rows_that_do_not_fit_are_counted() -> None:
    figure = draw(CHART_OF["averages"], named("plain", 60), page("tall"))
    said = [text.get_text() for text in texts(figure)]
    note = next(text for text in said if text.endswith("more in the table"))
    assert rows_named(said) + int(note.split()[1]) == 60


ROWS = {"averages", "spread", "settings", "cards", "forecasts", "cost", "flip", "next"}


@pytest.mark.parametrize("name", sorted(ROWS))
@pytest.mark.parametrize("count", [2, 11, 30])
def test_a_tall_page_cuts_no_name_of_usual_length(name: str, count: int) -> None:
    usual = "Lantern {}, low" if name == "next" else "Lanterns of Ghye {}, medium"
    on = page("tall")
    figure = draw(CHART_OF[name], [usual.format(place) for place in range(count)], on)
    size = on.sizes["label"] * 72 / figure.dpi
    rows = [
        text.get_text()
        for text in texts(figure)
        if text.get_fontsize() == pytest.approx(size) and text.get_position()[0] == SAFE
    ]
    notes = [text.get_text() for text in texts(figure) if "in the table" in text.get_text()]
    assert not [row for row in rows if row.endswith("…")]
    assert len(rows) >= min(count, 9)
    left_out = sum(int(note.split()[1]) for note in notes)
    assert len(rows) + left_out == count + (name == "flip")  # its frame has one build more


def test_a_tall_page_tells_pairs_of_memory_apart() -> None:
    frame = FRAMES["memory"](["one", "two", "three"]).assign(system="one")
    with house():
        figure = CHART_OF["memory"].draw(frame, page("tall"))
    said = [text.get_text() for text in texts(figure)]
    assert {"of three", "of two", "of one"} <= set(said)


@pytest.mark.parametrize("count", [1, 12, 30])
def test_a_wide_page_holds_thirty_rows(count: int) -> None:
    figure = draw(CHART_OF["averages"], named("plain", count), page("wide"))
    assert rows_named([text.get_text() for text in texts(figure)]) == count


def test_a_few_long_ranges_do_not_flatten_the_rest():
    from perfkit.show.charts.accuracy import _cut, _view

    off = pd.DataFrame({"predicted": [1.0] * 99 + [-9.0], "pred_low": -5.0, "pred_high": 6.0})
    assert (_view(off), _cut(off)) == ((-9.0, 6.0), "")
    off.loc[0, "pred_high"] = 900.0
    assert (_view(off), _cut(off)) == ((-9.0, 6.0), " 1 range reaches beyond the picture.")
