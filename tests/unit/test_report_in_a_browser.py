# SPDX-License-Identifier: GPL-3.0-or-later
"""The page in a browser: no complaint, and the side by side works with mouse and keyboard."""

import re
import shutil
from pathlib import Path

import numpy as np
import patterns
import pytest
from first_screen import run_with_pictures
from small_view import small_view

from bafflelens import listen, report
from bafflelens.report import write_report
from bafflelens.report.gallery import Entry
from bafflelens.report.templates import templates_in
from bafflelens.shapes.meshing.loading import load_shape

CHROMIUM = shutil.which("chromium")

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="needs Debian's chromium")


def falling(up_db, aside_db):
    """Return a pattern of which a level at 45 degrees up and at 60 degrees aside is known."""
    return patterns.shaped(
        lambda _, azimuth, elevation: (
            -up_db * (np.sin(np.radians(elevation)) / np.sin(np.radians(45))) ** 2
            - aside_db * (np.sin(np.radians(azimuth)) / np.sin(np.radians(60))) ** 2
        )
    )


@pytest.fixture(scope="module")
def run():
    frequencies = patterns.sixth_octaves(per_octave=4)
    datasets = {
        "baseline": patterns.dataset(falling(1.5, 3.0), frequencies),
        **{
            f"c00{number}": patterns.dataset(falling(1.5 + 0.7 * number, 3.0), frequencies)
            for number in range(1, 6)
        },
        "c006": patterns.dataset(falling(4.0, 3.0), frequencies, failed=(frequencies[8],)),
    }
    return small_view(datasets, name="small", title="Six lenses")


@pytest.fixture(scope="module")
def address(run, tmp_path_factory):
    path = tmp_path_factory.mktemp("page") / "report.html"
    write_report(run, path)
    return path.as_uri()


@pytest.fixture(scope="module")
def browser():
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"]
        )
        yield browser
        browser.close()


@pytest.fixture
def page(browser, address):
    """Return the page on a laptop's screen without a network; a complaint fails the test."""
    context = browser.new_context(viewport={"width": 1280, "height": 800}, offline=True)
    page = context.new_page()
    complaints = []
    page.on("console", lambda message: complaints.append(message.text))
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on(
        "request",
        lambda request: (
            None if request.url.startswith(("file:", "data:")) else complaints.append(request.url)
        ),
    )
    page.goto(address)
    yield page
    context.close()
    assert complaints == []


def titles(page):
    return page.locator("#compared-maps .map-title").all_inner_texts()


def reading(page, title):
    """Return what is read off below a map or a panel."""
    figure = page.locator("figure", has=page.locator("figcaption", has_text=re.compile(title)))
    return figure.locator(".reading").first.inner_text()


def test_best_and_baseline_are_side_by_side_with_their_difference(page):
    assert titles(page) == [
        "c005, vertical",
        "plain baffle, vertical",
        "c005 less plain baffle, vertical",
        "c005, horizontal",
        "plain baffle, horizontal",
        "c005 less plain baffle, horizontal",
    ]
    assert page.locator("#compared-curves figure").count() == 8


def test_mouse_chooses_and_reads_off(page):
    page.get_by_role("checkbox", name="c003").click()
    assert len(titles(page)) == 8
    page.get_by_label("Difference: of this candidate").select_option("c003")
    assert "c003 less plain baffle, vertical" in titles(page)
    svg = page.locator("#compared-maps svg.readable").first
    svg.scroll_into_view_if_needed()
    box = svg.bounding_box()
    scale = box["width"] / 352
    # Half the width, 45 degrees up: 4 kHz, where the pattern is 5 dB down re the axis.
    page.mouse.move(box["x"] + 190 * scale, box["y"] + (8 + 216 * 135 / 360) * scale)
    found = re.fullmatch(
        r"4\.0\d kHz, \+4[456]°: (−\d\.\d) dB re listening window",
        reading(page, "^c005, vertical$"),
    )
    assert found
    assert float(found[1].replace("−", "-")) == pytest.approx(-4.5, abs=0.6)
    on_axis = reading(page, "On the axis re listening window")
    assert on_axis.startswith("4.0")
    assert "c003" in on_axis
    assert "plain baffle" in on_axis


def test_keyboard_chooses_and_reads_off(page):
    page.get_by_role("checkbox", name="c004").focus()
    page.keyboard.press("Space")
    assert "c004, vertical" in titles(page)
    page.keyboard.press("Space")
    assert "c004, vertical" not in titles(page)
    page.locator("#compared-curves svg.readable").nth(3).focus()
    page.keyboard.press("Home")
    page.keyboard.press("ArrowRight")
    said = page.locator("#compare-values").inner_text()
    assert re.match(r"Directivity index on the axis, 1\.26 kHz, dB: c005 \d+\.\d; plain", said)
    page.locator("#compared-maps svg.readable").first.focus()
    for _ in range(9):
        page.keyboard.press("ArrowUp")
    assert "c005, vertical, 1.26 kHz, +45°: −" in page.locator("#compare-values").inner_text()


def test_every_control_is_reached_with_the_tab_key(page):
    page.locator("#side-by-side input").last.focus()
    reached = []
    for _ in range(6):
        page.keyboard.press("Tab")
        reached.append(page.evaluate("document.activeElement.getAttribute('aria-label')"))
    assert reached[0].startswith("Difference: of")
    assert reached[1].startswith("Difference: less")
    assert all("Arrow keys" in label for label in reached[2:])


def test_no_more_are_chosen_than_can_be_told_apart(page):
    for name in ("c001", "c002", "c003"):
        page.get_by_role("checkbox", name=name).check()
    page.get_by_role("checkbox", name="c004").click()
    assert not page.get_by_role("checkbox", name="c004").is_checked()
    assert "No more than 5" in page.locator("#compare-notice").inner_text()


def test_nothing_is_read_off_where_a_frequency_failed(page):
    page.get_by_role("checkbox", name="c006").check()
    page.locator("#compared-curves svg.readable").first.focus()  # the cursor stands at 4 kHz
    assert re.search(r"c006\s+–", reading(page, "On the axis re listening window"))


def test_ranking_fits_a_laptop_and_shows_other_columns_on_demand(page):
    def overhang():
        return page.evaluate(
            "(() => { const box = document.querySelector('.ranking').parentElement;"
            " return box.scrollWidth - box.clientWidth; })()"
        )

    def is_shown(text):
        return page.locator(".ranking thead th", has_text=text).is_visible()

    assert page.evaluate("document.documentElement.scrollWidth") <= 1280
    assert overhang() <= 0
    assert is_shown("Sensitivity loss")
    assert not is_shown("Change, ceiling")
    page.locator("#columns-terms").focus()
    page.keyboard.press("ArrowRight")
    assert not is_shown("Sensitivity loss")
    assert is_shown("Change, ceiling")
    page.get_by_label("all", exact=True).check()
    assert is_shown("Sensitivity loss")
    assert is_shown("Change, ceiling")
    assert page.locator(".small-maps img").count() == 2 * 7


@pytest.fixture(scope="module")
def pictured(tmp_path_factory):
    """Return the address of a page whose best shape has pictures and dimensions."""
    path = tmp_path_factory.mktemp("pictured") / "report.html"
    write_report(run_with_pictures(), path)
    return path.as_uri()


@pytest.fixture
def sized(browser, pictured):
    """Return a function that opens that page on a screen of a size."""
    contexts = []

    def opened(width, height):
        contexts.append(browser.new_context(viewport={"width": width, "height": height}))
        page = contexts[-1].new_page()
        page.goto(pictured)
        return page

    yield opened
    for context in contexts:
        context.close()


ALWAYS = (
    ".first .make",
    ".first-shape img",
    ".first-section img",
    ".first-maps svg:first-child",
    ".first-maps svg:last-child",
    ".first-next code",
)
WHERE_THERE_IS_ROOM = (".first-gains", ".first-costs", ".first-fears", ".first-bounces svg")


@pytest.mark.parametrize(
    ("width", "height", "shown"),
    [(1400, 900, (*ALWAYS, *WHERE_THERE_IS_ROOM)), (400, 800, ALWAYS)],
)
def test_the_first_screen_holds_what_to_make_and_what_next(sized, width, height, shown):
    page = sized(width, height)
    for selector in shown:
        box = page.locator(selector).first.bounding_box()
        assert box is not None, selector
        assert min(box["width"], box["height"]) > 10, selector
        assert 0 <= box["x"] <= box["x"] + box["width"] <= width, selector
        assert 0 <= box["y"] <= box["y"] + box["height"] <= height, (selector, box)
    for number in range(2):
        assert page.locator(".first img").nth(number).evaluate("image => image.naturalWidth") > 0
    assert "34 mm deep, mouth 91 mm" in page.locator(".first .make").inner_text()
    assert "bafflelens handoff" in page.locator(".first-next").inner_text()
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_on_a_phone_tables_scroll_inside_their_frame_with_the_first_column_fixed(sized):
    page = sized(400, 800)
    page.get_by_label("all", exact=True).check()
    frame = page.locator(".wide:has(> .ranking)")
    name = page.locator(".ranking tbody tr").first.locator("th")
    last = page.locator(".ranking tbody tr").first.locator("td").last
    before, far = name.bounding_box()["x"], last.bounding_box()["x"]
    frame.evaluate("frame => { frame.scrollLeft = 300; }")
    assert last.bounding_box()["x"] < far - 200
    assert name.bounding_box()["x"] == pytest.approx(before, abs=45)
    assert 0 <= name.bounding_box()["x"] < 60
    outside = page.evaluate(
        "[...document.querySelectorAll('table')].filter(table => !table.closest('.wide') &&"
        " !table.closest('.reading')).length"
    )
    assert outside == 0


def gallery():
    """A page of shapes, none of them drawn."""
    shape = load_shape(Path(__file__).parents[2] / "geometries" / "vertical_lens.py")
    page = templates_in(Path(report.__file__).parent).get_template("gallery.html.jinja")
    entry = Entry(shape=shape, fault="not drawn")
    return page.render(entries=[entry], headline=lambda shape: shape.name)


def arrivals():
    """A page of what arrives, for three shapes."""
    page = templates_in(Path(listen.__file__).parent).get_template("arrivals.html.jinja")
    row = {"name": "floor", "delay": "1.20", "leaving": "0 / -34", "head": "0 / -34",
           "levels": ["-3.0", "-6.1", "-7.2"], "apart": "4.2"}  # fmt: skip
    return page.render(
        title="x", names=("baseline", "c003", "c009"), room="4 x 5 x 2.5", rows=[row],
        parts=[("the floor", "floor")], figure="", sentences=[], remarks=[],
    )  # fmt: skip


@pytest.fixture
def on_a_phone(browser, tmp_path):
    """Return a function that opens the text of a page on a phone."""
    pages = []

    def opened(text):
        path = tmp_path / "page.html"
        path.write_text(text, encoding="utf-8")
        pages.append(browser.new_page(viewport={"width": 400, "height": 800}))
        pages[-1].goto(path.as_uri())
        # On a busy machine the first layout may come before the width of a phone is known.
        pages[-1].wait_for_function("document.documentElement.scrollWidth <= 400")
        return pages[-1]

    yield opened
    for page in pages:
        page.close()


def test_the_page_of_shapes_fits_a_phone(on_a_phone):
    page = on_a_phone(gallery())
    cells = page.locator("td").evaluate_all("all => all.map(c => c.getBoundingClientRect().right)")
    assert max(cells) <= 400


def test_what_arrives_scrolls_inside_its_frame_with_the_first_column_fixed(on_a_phone):
    frame = on_a_phone(arrivals()).locator(".wide:has(> table)").last
    row = frame.locator("tr").nth(1)
    first, last = row.locator("td").first, row.locator("td").last
    before, far = first.bounding_box()["x"], last.bounding_box()["x"]
    frame.evaluate("frame => { frame.scrollLeft = 60; }")
    assert last.bounding_box()["x"] < far - 20
    assert first.bounding_box()["x"] == pytest.approx(before, abs=1)
