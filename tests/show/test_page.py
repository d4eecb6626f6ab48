"""The page in a real browser: it works by keyboard, recomputes as Python does, and runs nothing."""

import ast
import base64
import csv
import io
import itertools
import re

import numpy as np
import pytest
from axe_playwright_python.sync_playwright import Axe

import perfkit as pk
from perfkit.show import report
from perfkit.show.explorer import explore, payload
from perfkit.show.png import write_png
from perfkit.show.report import SECTIONS, write_report
from perfkit.show.report_further import RECIPES, further_columns
from perfkit.show.report_html import page_part
from perfkit.show.stills import Still
from perfkit.show.tables import all_tables, write_tables
from tests.show.browser import chromium
from tests.show.changes import CHANGES, large_payload
from tests.show.hostile import BUILDS, GAMES, TITLE, hostile_study

pytestmark = pytest.mark.browser

PAIRS = [(width, scheme) for width in (360, 1280) for scheme in ("light", "dark")]


@pytest.fixture(scope="module")
def analysis(tmp_path_factory):
    return pk.analyse(hostile_study(tmp_path_factory.mktemp("hostile") / "study"))


@pytest.fixture(scope="module")
def out(analysis, tmp_path_factory):
    folder = tmp_path_factory.mktemp("out")
    write_tables(analysis, folder / "tables")
    (folder / "figures").mkdir()
    write_png(folder / "figures/cost.png", np.full((1080, 1920, 3), 200, np.uint8))
    figures = [
        Still("cost", "What does a frame cost?", "<b>Least</b> at bare", ("cost.png",), ""),
        Still("flip", "Where does it flip?", "", (), "fewer than two <i>prices</i>"),
    ]
    write_report(analysis, figures, folder / "report.html")
    return folder


@pytest.fixture(scope="module")
def browser():
    with chromium() as running:
        yield running


@pytest.fixture
def opened(browser, out):
    """Open the page, and hold at the end that it asked for nothing and complained of nothing."""
    said, asked, contexts = [], [], []

    def visit(*, width=1280, height=900, **more):
        context = browser.new_context(viewport={"width": width, "height": height}, **more)
        contexts.append(context)
        page = context.new_page()
        page.on("console", lambda message: said.append(message.text))
        page.on("pageerror", lambda error: said.append(str(error)))
        page.on("request", lambda request: asked.append(request.url))
        page.goto((out / "report.html").as_uri())
        if more.get("java_script_enabled", True):
            page.wait_for_selector("html[data-ready]")
        return page

    visit.said = said
    yield visit
    for context in contexts:
        context.close()
    assert said == []
    outside = [url for url in asked if not url.startswith(("data:", "blob:"))]
    assert outside == [(out / "report.html").as_uri()] * len(contexts)


def rows(page, name):
    return page.locator(f'.sheet[data-name="{name}"] tbody tr')


def downloaded(page, button):
    with page.expect_download() as waiting:
        button.click()
    return waiting.value.path().read_bytes()


def explored(page):
    """Rows of the explorer's table: build, and the first number of price, FPS and cost."""
    table = {}
    for row in page.locator(".pk-table tbody tr").all():
        cells = [cell.inner_text().split("\n")[0] for cell in row.locator("th, td").all()]
        table[cells[1]] = cells[2:5]
    return table


def test_the_page_opens_with_the_story_in_order(opened):
    page = opened()
    assert page.title() == TITLE
    assert page.locator("h1").count() == 1
    assert page.locator("h1").inner_text() == TITLE
    assert page.locator("h2").all_inner_texts()[:3] == [
        "In short",
        "What each machine is worth",
        "Move the prices, choose the games",
    ]
    assert page.locator(".lead li").first.inner_text().startswith("Lowest cost per frame")
    assert "Paid <b>by me</b>" in page.locator("header").inner_text()
    assert "1 November 2026" in page.locator("header").inner_text()


def test_sections_follow_the_readers_questions_and_hold_what_answers_them(opened):
    page = opened()
    names = [part.get_attribute("id") for part in page.locator("main > section").all()]
    wanted = ["short", *(section.name for section in SECTIONS), "limits", "words"]
    assert names == [name for name in wanted if name in names]
    assert {"value", "explore", "upgrades", "passes", "predictions", "trust"} <= set(names)
    for section in page.locator("main > section").all():
        assert section.locator(".aside p").inner_text().strip()
    for caption in page.locator(".sheet caption").all():
        assert caption.text_content().strip()
    assert page.locator('#value img[alt^="What does a frame cost?"]').count() == 1


def test_every_further_table_has_columns_of_its_own(analysis):
    tables = {name: frame for name, frame in all_tables(analysis).items() if name in RECIPES}
    assert len(tables) >= 12
    for name, frame in tables.items():
        named = {of for field in RECIPES[name].fields for of in field.names}
        named |= RECIPES[name].hidden
        assert set(frame.columns) <= named, name
        titles = [column.title for column in further_columns(name)(frame)]
        assert all(title == title.strip() != "" for title in titles), name
        assert not [title for title in titles if "_" in title], name
    assert set(all_tables(analysis)) <= set(RECIPES) | set(report._PINNED)


def test_on_a_narrow_screen_a_row_is_a_card_that_stays_a_row(opened):
    page = opened(width=360)
    first = rows(page, "value").first
    cost = first.locator("td").first
    assert cost.evaluate("e => getComputedStyle(e, '::before').content") == '"Cost per frame"'
    assert (first.get_attribute("role"), cost.get_attribute("role")) == ("row", "cell")
    left, right = (first.locator("td").nth(n).bounding_box() for n in (0, 1))
    assert right["x"] + right["width"] <= 360
    assert left["y"] == right["y"]
    wide = opened()
    cell = rows(wide, "value").first.locator("td").first
    assert cell.evaluate("e => getComputedStyle(e).display") == "table-cell"


def test_pictures_are_in_the_page_and_described(opened):
    page = opened()
    (picture,) = page.locator(".figures img").all()
    assert picture.evaluate("img => img.complete && img.naturalWidth") == 1920
    assert picture.get_attribute("alt") == "What does a frame cost? <b>Least</b> at bare"
    assert "fewer than two <i>prices</i>" in page.locator("#limits").inner_text()


def test_names_that_try_to_be_something_else_stay_text(opened):
    page = opened()
    text = page.locator("main").inner_text()
    for name in (*BUILDS, GAMES[0], GAMES[1], GAMES[3]):
        assert name in text
    assert page.evaluate("window.hit") is None
    assert page.locator("main b, main i, main img[src=x], bdi > *").count() == 0
    assert "\u202e" not in page.content()
    for first in page.locator('.sheet[data-name="value"] tbody th').all():
        assert first.locator("bdi").count() == 1


def test_the_policy_lets_nothing_else_run(opened):
    page = opened()
    said = opened.said
    page.evaluate(
        """() => {
            const script = document.createElement("script");
            script.textContent = "window.planted = 1";
            document.body.append(script);
            const image = "<img src='data:,' onerror='window.planted = 2'>";
            document.body.insertAdjacentHTML("beforeend", image);
            setTimeout("window.planted = 3");
        }"""
    )
    page.wait_for_timeout(200)
    assert page.evaluate("window.planted") is None
    assert any("Content Security Policy" in line for line in said)
    said.clear()


def test_a_table_sorts_by_keyboard(opened):
    page = opened()
    head = page.locator('.sheet[data-name="value"] thead th', has_text="Average FPS")
    head.locator("button").focus()
    orders = []
    for _ in range(2):
        page.keyboard.press("Enter")
        orders.append((head.get_attribute("aria-sort"), rows(page, "value").all_inner_texts()))
    (up, rising), (down, falling) = orders
    assert (up, down) == ("ascending", "descending")
    assert rising == falling[::-1]
    assert rising[0].startswith("bare")


def test_unknown_numbers_sort_last_both_ways(opened):
    page = opened()
    button = page.locator('.sheet[data-name="value"] thead button', has_text="Cost per frame")
    for _ in range(2):
        button.click()
        assert "not known" in rows(page, "value").last.inner_text()


def test_a_table_filters_by_keyboard_and_says_how_many_are_left(opened, analysis):
    page = opened()
    sheet = page.locator('.sheet[data-name="passes"]')
    sheet.locator("input").focus()
    page.keyboard.type("BIRCH")
    expected = int(analysis.passes["gpu"].str.contains("Birch").sum())
    assert rows(page, "passes").count() == expected
    assert sheet.get_by_role("status").inner_text() == f"{expected} of {len(analysis.passes)} rows"


@pytest.mark.parametrize("name", ["value", "upgrades", "predictions", "passes"])
def test_downloads_are_the_tables_of_the_folder(opened, out, name):
    page = opened()
    button = page.locator(f'.sheet[data-name="{name}"] .tools button')
    assert downloaded(page, button) == (out / f"tables/{name}.csv").read_bytes()


def test_a_filtered_download_holds_the_rows_shown_and_no_formula(opened):
    page = opened()
    sheet = page.locator('.sheet[data-name="passes"]')
    sheet.locator("input").fill("=1+1")
    text = downloaded(page, sheet.locator(".tools button")).decode()
    header, *lines = csv.reader(io.StringIO(text))
    assert len(lines) == rows(page, "passes").count() > 0
    workload = header.index("workload")
    assert {line[workload] for line in lines} == {"'=1+1"}
    assert not [cell for line in lines for cell in line if re.match(r"[=+@]", cell)]


def test_a_price_moved_by_keyboard_moves_table_and_chart(opened, analysis):
    page = opened()
    before, drawing = explored(page), page.locator(".pk-chart svg").inner_html()
    slider = page.get_by_label("Price of bare", exact=True)
    slider.focus()
    for _ in range(3):
        page.keyboard.press("ArrowRight")
    after = explored(page)
    price = float(slider.input_value())
    wanted = explore(analysis, prices={"bare": price}).set_index("build")
    assert price == 415.0
    assert after["bare"] == ["415", "24.6", f"{wanted.loc['bare', 'cost_per_frame']:.2f}"]
    assert {k: v for k, v in before.items() if k != "bare"} == {
        k: v for k, v in after.items() if k != "bare"
    }
    assert page.locator(".pk-chart svg").inner_html() != drawing


def test_games_goal_and_machines_are_chosen_in_the_page(opened, analysis):
    page = opened()
    page.get_by_label(f"Weight of {GAMES[3]}, typed").fill("0")
    page.get_by_label("Average to reach").select_option("30")
    page.get_by_label("1 bare").uncheck()
    wanted = explore(analysis, weights={GAMES[3]: 0}, builds=BUILDS[1:], goal_fps=30)
    shown = explored(page)
    assert list(shown) == list(BUILDS[1:])
    assert [cells[1] for cells in shown.values()] == [
        f"{fps:.{1 if fps < 99.95 else 0}f}" for fps in wanted["fps"]
    ]
    call = ast.parse(page.locator(".pk-call").inner_text(), mode="eval").body
    choice = {word.arg: ast.literal_eval(word.value) for word in call.keywords}
    assert (call.func.id, call.args[0].id) == ("explore", "analysis")
    assert explore(analysis, **choice).equals(wanted)
    page.get_by_role("button", name="Start again").click()
    assert page.locator(".pk-call").inner_text() == "explore(analysis, goal_fps=60)"


def test_the_call_reaches_the_clipboard(opened):
    page = opened(permissions=["clipboard-read", "clipboard-write"])
    page.get_by_role("button", name="Copy as Python").click()
    page.locator(".pk-said", has_text="Copied.").wait_for()
    assert page.evaluate("navigator.clipboard.readText()") == "explore(analysis, goal_fps=60)"


def test_what_was_explored_is_downloaded_as_the_kit_would_write_it(opened, analysis):
    page = opened()
    page.get_by_label("Price of bare, typed").fill("333.3")
    button = page.locator(".pk-buttons button", has_text="Download CSV")
    table = csv.DictReader(io.StringIO(downloaded(page, button).decode()))
    wanted = explore(analysis, prices={"bare": 333.3})
    got = list(table)
    assert list(got[0]) == list(wanted.columns)
    assert [row["build"] for row in got] == ["bare", BUILDS[1], "'=HYPERLINK(1)", BUILDS[3]]
    for name in ("price", "fps", "cost_low", "best_value"):
        numbers = [float(row[name] or "nan") for row in got]
        np.testing.assert_allclose(numbers, wanted[name], rtol=1e-6)


@pytest.fixture(scope="module")
def module(browser):
    """Load the explorer's own functions in a page without anything else."""
    page = browser.new_page()
    source = base64.b64encode(page_part("explorer.js").encode()).decode()
    page.evaluate(
        "async s => { window.m = await import('data:text/javascript;base64,' + s) }", source
    )
    yield page
    page.close()


STATES = [
    {"prices": prices, "weights": weights, "compared": compared, "goal": goal}
    for prices, weights, compared, goal in itertools.product(
        [[400, 550, 620, None], [0, 550, 550, 710.5], [900.25, 550, 620, 710]],
        [[1, 2, 3, 4], [0, 1, 0.25, 0], [0, 0, 0, 0]],
        [[True] * 4, [True, False, True, True], [False, False, True, False], [False] * 4],
        [30, 60],
    )
]


@pytest.mark.parametrize("cut", ["all numbers", "a build without half its games", "no ranges"])
def test_the_page_computes_what_python_computes(module, analysis, monkeypatch, cut):
    from dataclasses import replace

    from perfkit.show import explorer

    speeds = explorer.speeds_of(analysis)
    fps, draws = speeds.fps.copy(), speeds.log_draws.copy()
    if cut == "a build without half its games":
        fps[1, 1:] = draws[1, 1:] = np.nan
        fps[2, 0] = draws[2, 0] = np.nan
    if cut == "no ranges":
        draws[2] = np.nan
    monkeypatch.setattr(explorer, "speeds_of", lambda _: replace(speeds, fps=fps, log_draws=draws))
    data = payload(analysis)
    answers = module.evaluate(
        "([data, states]) => states.map((state) => m.recompute(data, state))", [data, STATES]
    )
    first = analysis.value["price"].isna()
    for state, got in zip(STATES, answers, strict=True):
        prices = {
            name: price
            for name, price in zip(BUILDS, state["prices"], strict=True)
            if price is not None
        }
        wanted = explore(
            analysis,
            prices=prices,
            weights=dict(zip(GAMES, state["weights"], strict=True)),
            builds=[b for b, yes in zip(BUILDS, state["compared"], strict=True) if yes],
            goal_fps=state["goal"],
        )
        assert [row["build"] for row in got] == list(wanted["build"])
        for name in wanted.columns.drop("build"):
            values = [row[name] for row in got]
            if wanted[name].dtype.kind in "fi":
                # draws travel as float32 around the average: 1e-7 of a spread of some per cent
                np.testing.assert_allclose(values, wanted[name], rtol=1e-7, err_msg=name)
            else:
                assert values == list(wanted[name])
    assert first.sum() == 1


def test_numbers_are_spelled_as_in_every_csv(module):
    from perfkit.show.tables import cell_text, safe_text

    numbers = [0, -0.0, 1 / 3, 60, 1e-12, 123456789012, 1e22, 0.1 + 0.2, -2.5, 1e5, 12345.678901234]
    assert module.evaluate("a => a.map(m.numberText)", numbers) == [
        cell_text(float(value)) for value in numbers
    ]
    texts = ["=1", " +1", "a=1", "\t1", "\ufeff@", "＝", "", "'x", "-"]
    assert module.evaluate("a => a.map(m.safeText)", texts) == [safe_text(text) for text in texts]


def test_table_and_chart_follow_before_a_change_returns(module):
    times, shown, _ = module.evaluate(CHANGES, large_payload())
    assert len(times) == len({tuple(one) for one in shown}) == 10
    assert [price for price, _, _ in shown] == [f"{100 + 5 * turn}" for turn in range(10)]


@pytest.mark.parametrize(("width", "scheme"), PAIRS)
def test_the_accessibility_engine_finds_nothing(opened, width, scheme):
    page = opened(width=width, color_scheme=scheme)
    page.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    found = Axe().run(page).response["violations"]
    assert [(one["id"], one["nodes"][0]["html"][:200]) for one in found] == []


def test_the_accessibility_engine_finds_planted_faults(opened):
    page = opened()
    page.evaluate(
        """() => {
            const add = (name, at) => document.querySelector("main").append(
                Object.assign(document.createElement(name), at));
            add("img", { src: "data:," });
            add("input", { type: "range" });
            add("p", { textContent: "faint", className: "planted" });
            document.querySelector(".planted").style.color = "#ccc";
            document.querySelector(".planted").style.background = "#fff";
        }"""
    )
    found = {one["id"] for one in Axe().run(page).response["violations"]}
    assert {"image-alt", "label", "color-contrast"} <= found


@pytest.mark.parametrize("width", [320, 360, 412, 768, 1024, 1440, 2560])
def test_nothing_sticks_out_at_any_width(opened, width):
    page = opened(width=width)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    smallest = page.evaluate(
        """() => Math.min(...[...document.querySelectorAll("main :is(p, td, button, li, small)")]
            .filter((e) => e.offsetParent).map((e) => parseFloat(getComputedStyle(e).fontSize)))"""
    )
    assert smallest >= 12


def test_light_and_dark_follow_the_reader(opened):
    grounds = [
        opened(color_scheme=scheme).evaluate("getComputedStyle(document.body).backgroundColor")
        for scheme in ("light", "dark")
    ]
    assert grounds == ["rgb(251, 248, 241)", "rgb(20, 23, 26)"]


def test_print_leaves_the_controls_out_and_opens_what_is_short(opened):
    page = opened()
    page.emulate_media(media="print")
    for hidden in ("nav", ".tools", ".pk-controls"):
        assert not page.locator(hidden).first.is_visible()
    assert page.locator(".pk-table").is_visible()
    page.set_viewport_size({"width": 700, "height": 990})  # between the margins of A4 at 96 dpi
    table = page.locator(".pk-table").bounding_box()
    assert table["x"] + table["width"] <= 700
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    assert page.locator("details.prints:not([open])").count() == 0
    assert page.pdf()[:5] == b"%PDF-"


def test_without_scripts_every_number_is_still_there(opened, analysis):
    page = opened(java_script_enabled=False)
    assert rows(page, "value").count() == len(analysis.value)
    assert rows(page, "passes").count() == len(analysis.passes)
    assert "needs a browser that runs the script" in page.locator("#explorer").inner_text()


def test_all_controls_are_reached_by_keyboard(opened):
    page = opened()
    wanted = page.evaluate(
        """() => [...document.querySelectorAll("main :is(button, input, select, summary)")]
            .filter((e) => e.checkVisibility()).length"""
    )
    seen = set()
    for _ in range(wanted + 200):
        page.keyboard.press("Tab")
        place = page.evaluate(
            """() => { const e = document.activeElement;
                return e.matches("main :is(button, input, select, summary)")
                    ? [...document.querySelectorAll("*")].indexOf(e) : -1; }"""
        )
        seen.add(place)
        if len(seen - {-1}) == wanted:
            break
    assert len(seen - {-1}) == wanted


def test_a_study_without_builds_and_prices_gives_a_page_too(browser, tmp_path):
    study = tmp_path / "study"
    hostile_study(study)
    for name in ("builds.csv", "prices.csv"):
        (study / name).unlink()
    write_report(pk.analyse(pk.load_study(study)), [], tmp_path / "report.html")
    page = browser.new_page()
    said = []
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.goto((tmp_path / "report.html").as_uri())
    page.wait_for_selector("html[data-ready]")
    assert page.locator("#explorer, #value, #upgrades").count() == 0
    assert "no cost per frame is given" in page.locator("#short").inner_text()
    assert rows(page, "passes").count() == 45
    assert Axe().run(page).response["violations"] == []
    assert said == []
    page.close()
