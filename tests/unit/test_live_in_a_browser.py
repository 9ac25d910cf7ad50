# SPDX-License-Identifier: GPL-3.0-or-later
"""The page that answers while a dimension moves, as somebody uses it, in Debian's chromium."""

import io
import shutil

import numpy as np
import pytest
import small_job
from PIL import Image

from bafflelens import report
from bafflelens.live import clay, serving
from bafflelens.live.desk import open_desk
from bafflelens.live.server import LiveServer
from bafflelens.report import summary
from bafflelens.run.options import RunOptions
from bafflelens.run.pipeline import run_job

CHROMIUM = shutil.which("chromium")
api = pytest.importorskip("playwright.sync_api")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="needs Debian's chromium")
DRAWN = ["--use-gl=angle", "--use-angle=swiftshader", "--enable-unsafe-swiftshader"]
IN_SPACE = "() => performance.getEntriesByName('in space').length"
A_FRAME = "() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))"
HEIGHT = "#slider-lens\\.opening_height_mm"
DEPTH = "#slider-lens\\.depth_mm"


@pytest.fixture(scope="module")
def served(tmp_path_factory, open_pool, stub_methods):
    """Serve a finished run; return its desk and what starts a server for it."""
    folder = tmp_path_factory.mktemp("served")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(report, "write_report", lambda view, path: path.write_text(view.title))
        patch.setattr(summary, "leader_pictures", lambda *_: ())
        patch.setattr(summary, "_target_picture", lambda loaded: b"")
        patch.setattr(serving, "SETTLE_S", 0.4)
        patch.setattr(serving, "FULL_SETTLE_S", 0.8)
        options = RunOptions(results=folder / "results", methods=stub_methods, open_pool=open_pool)
        job = small_job.write(folder, ("candidates = 3", "candidates = 6"), ("A small", "<b>A"))
        desk = open_desk(run_job(job, options).folder, options)
        server = LiveServer(desk)
        server.start()
        desk.open()
        yield desk, server
        server.stop()
        desk.close()


@pytest.fixture(scope="module")
def browser():
    with api.sync_playwright() as playwright:
        arguments = ["--no-sandbox", *DRAWN]
        opened = playwright.chromium.launch(executable_path=CHROMIUM, args=arguments)
        yield opened
        opened.close()


@pytest.fixture
def page(browser, served):
    opened = browser.new_page(viewport={"width": 1400, "height": 950})
    opened.set_default_timeout(180_000)  # of use only to a machine that is busy otherwise
    faults = []
    opened.on("pageerror", lambda fault: faults.append(str(fault)))
    opened.on("console", lambda said: faults.append(said.text) if said.type == "error" else None)
    opened.on("request", lambda asked: faults.extend(foreign(asked.url)))
    opened.goto(served[1].address)
    opened.get_by_text("estimates from").wait_for()
    opened.locator("#mark[data-mark]:not([data-mark=''])").wait_for()  # its first answer is there
    opened.wait_for_function(IN_SPACE)
    yield opened
    opened.close()
    assert not faults


def foreign(url):
    return [] if "://127.0.0.1:" in url or url.startswith("blob:") else [url]


# An estimate is there for as long as a slider must rest: on a busy machine nobody may look then.
WATCH = """() => { const mark = document.getElementById('mark'); window.marks = [];
  new MutationObserver(() => marks.push([mark.dataset.mark, mark.textContent]))
    .observe(mark, { attributes: true, childList: true }); }"""


def wait_for_seen(page, mark):
    """Wait until a mark has been there since `WATCH`; return what it said."""
    page.wait_for_function("(mark) => marks.some(([each]) => each === mark)", arg=mark)
    return dict(page.evaluate("marks"))[mark]


def wait_for_mark(page, mark):
    page.locator(f"#mark[data-mark={mark}]").wait_for()


def test_a_slider_moved_by_arrow_keys_is_estimated_then_solved_and_kept(page, served):
    assert page.inner_text("#title").startswith("<b>A")  # text of the job is shown as text
    page.locator(HEIGHT).focus()
    before = page.evaluate("Array.from(sheet.frame.arrays.vertical.data)")
    shown = page.locator("label[for='slider-lens.opening_height_mm'] output").inner_text()
    page.evaluate(WATCH)
    page.keyboard.press("ArrowLeft")
    assert "±" in wait_for_seen(page, "estimated")
    assert page.locator("label[for='slider-lens.opening_height_mm'] output").inner_text() != shown
    assert "±" not in wait_for_seen(page, "draft")
    assert "±" not in wait_for_seen(page, "solved")
    order = list(dict.fromkeys(mark for mark, _ in page.evaluate("marks")))
    assert order == ["before", "estimated", "draft", "solved"]
    assert before != page.evaluate("Array.from(sheet.frame.arrays.vertical.data)")
    page.get_by_label("Name").fill("A shallow one")
    page.get_by_label("Note").fill("by the keyboard")
    page.get_by_role("button", name="Keep", exact=True).click()
    page.locator("#ranking td", has_text="hand001 ✎").wait_for()
    assert served[0].judge.folder.candidates()[-1].label == "A shallow one"


def test_a_slider_dragged_with_the_mouse_and_a_rule_that_would_break(page):
    slider = page.locator(DEPTH).bounding_box()
    middle = slider["y"] + slider["height"] / 2
    page.mouse.move(slider["x"] + 30, middle)
    page.mouse.down()
    page.evaluate(WATCH)
    page.mouse.move(slider["x"] + 60, middle, steps=8)
    wait_for_seen(page, "estimated")
    page.mouse.move(slider["x"] + slider["width"] - 2, middle, steps=8)
    page.mouse.up()
    broken = page.locator("#rule-lens\\.depth_mm", has_text="Invalid depth '40 mm'")
    broken.wait_for()
    assert page.inner_text("#mark") == "breaks a rule"
    page.locator(DEPTH).focus()
    page.keyboard.press("Home")


def test_the_shape_turns_and_is_not_blank(page):
    page.get_by_role("button", name="c002", exact=True).click()
    page.locator("#kinds li", has_text="dome").wait_for()
    # As it is seen: what is drawn is not kept once it has been shown.
    space = page.locator("#space")
    space.focus()
    before = rested(page, space)
    picture = Image.open(io.BytesIO(before)).convert("RGB")
    assert picture.getcolors(1_000_000)[1:]  # not blank
    page.keyboard.press("ArrowRight")
    turned = rested(page, space)
    assert turned != before
    box = space.bounding_box()
    page.mouse.move(box["x"] + 50, box["y"] + 50)
    page.mouse.down()
    page.mouse.move(box["x"] + 120, box["y"] + 80, steps=4)
    page.mouse.up()
    assert rested(page, space) not in (turned, before)


def rested(page, canvas):
    """Return a picture of a canvas once it has been drawn whole."""
    page.wait_for_function("() => !space.resting")
    page.evaluate(A_FRAME)
    return canvas.screenshot()


def test_while_it_turns_a_quarter_of_its_pixels_is_drawn(page):
    """At rest four are drawn for each of the page, which is what smooths its edges."""
    rested(page, page.locator("#space"))
    size = "() => space.canvas.width / space.canvas.clientWidth"
    assert page.evaluate(size) == 2
    turning = page.evaluate(
        """() => new Promise((done) => { space.turn(0.1, 0); requestAnimationFrame(() =>
        done(space.canvas.width / space.canvas.clientWidth)); })"""
    )
    assert turning == 1
    # Coarser only where frames come late, as they do if each is asked for 50 ms before.
    late = page.evaluate(
        """() => { for (let n = 0; n < 4; n++) {
        space.askedAt = performance.now() - 50; space.turned(); }
        return space.canvas.width / space.canvas.clientWidth; }"""
    )
    assert late == 0.5
    rested(page, page.locator("#space"))
    assert page.evaluate(size) == 2


def test_an_older_answer_never_overwrites_a_newer_one(page):
    page.get_by_role("button", name="c003", exact=True).click()
    page.locator("tr.shown", has_text="c003").wait_for()
    wait_for_mark(page, "solved")
    known = page.evaluate(
        """() => { const late = {...sheet.frame, kind: 'answer', move: sheet.move - 1, id: 'late'};
        sheet.receive(late); return sheet.frame.id; }"""
    )
    assert known == "c003"
    worse = page.evaluate(
        """() => { const late = {...sheet.frame, kind: 'answer', mark: 'estimated', id: 'late'};
        sheet.receive(late); return sheet.frame.mark; }"""
    )
    assert worse == "solved"


def test_the_score_of_an_estimate_follows_its_levels(page):
    page.get_by_role("button", name="c003", exact=True).click()
    page.locator("tr.shown", has_text="c003").wait_for()
    older, total = page.evaluate(
        """() => { sheet.frame = {...sheet.frame, mark: 'estimated', score: null};
        sheet.frame.score_off_db = 0.2;
        const told = { kind: 'scored', score: { total_db: 1.234, gaps: [], terms: [] } };
        sheet.receive({...told, move: sheet.move - 1});
        const older = sheet.frame.score;
        sheet.receive({...told, move: sheet.move});
        return [older, document.querySelector('#score tfoot td:nth-child(2)').textContent]; }"""
    )
    assert older is None
    assert total == "1.23 ±0.20"


def test_another_shape_is_laid_over_and_held(page):
    page.get_by_role("button", name="lay c001 over").click()
    page.locator("figcaption", has_text="Vertical: c001, ■ solved").wait_for()
    assert page.inner_text("#held-name") == "c001 ■"
    page.get_by_role("button", name="Compare with the baseline").click()
    page.locator("figcaption", has_text="Vertical: plain baffle, ■ solved").wait_for()
    assert page.inner_text("#held-name") == "plain baffle ■"


def opened(page, name):
    page.get_by_role("button", name=name, exact=True).click()
    page.locator("tr.shown", has_text=name).wait_for()
    page.wait_for_function("(name) => sheet.frame.id === name", arg=name)


def test_the_total_of_an_estimate_that_is_held_passes_for_no_solved_one(page):
    opened(page, "c003")
    page.evaluate(
        """() => { sheet.frame = {...sheet.frame, mark: 'estimated', id: '', score_off_db: 0.2};
        document.getElementById('hold').click(); }"""
    )
    assert page.inner_text("#held-name") == "this one, held ≈"
    assert page.inner_text("#score tfoot td:nth-child(3)").endswith(" ±0.20")


def test_the_score_of_a_draft_is_held_against_the_draft_of_the_baseline(page):
    opened(page, "c003")
    page.evaluate(
        """() => { const baseline_score = {...sheet.held.score, total_db: 9.87};
        const told = {...sheet.frame, kind: 'answer', mark: 'draft', id: '', baseline_score};
        sheet.move += 1; sheet.receive({...told, faults: [], move: sheet.move}); }"""
    )
    assert page.inner_text("#held-name") == "plain baffle ▤"
    assert page.inner_text("#score tfoot td:nth-child(3)") == "9.87"


def test_what_is_opened_is_named_and_its_rules_are_its_own(page):
    opened(page, "c002")
    assert page.inner_text("#shape-of") == "c002"
    assert page.locator("figcaption", has_text="Vertical: c002, ■ solved").is_visible()
    titles = "() => [...document.querySelectorAll('.slider canvas')].map((each) => each.title)"
    assert page.evaluate(titles) == ["", ""]  # not those of the shape before
    height = page.evaluate("sheet.values()['lens.opening_height_mm']")
    page.wait_for_function(
        "(rule) => [...document.querySelectorAll('.slider canvas')].at(-1).title.includes(rule)",
        arg=f"a quarter of {height:g} mm",
    )
    assert page.inner_text("#dimensions-of") == ""
    opened(page, "baseline")
    assert "not of the baseline" in page.inner_text("#dimensions-of")
    assert page.inner_text("#shape-of") == "baseline"


def test_what_was_noted_is_listed_and_the_form_is_empty_for_the_next(page):
    opened(page, "c002")
    page.get_by_label("Note", exact=True).fill("<i>thin</i> on cello")
    page.get_by_label("Verdict").select_option("rejected")
    page.get_by_role("button", name="Only the verdict").click()
    page.locator("#notes li", has_text="<i>thin</i> on cello").wait_for()
    page.locator("#ranking td", has_text="c002 ✎ rejected").wait_for()
    assert page.input_value("#keep-text") == ""
    assert page.input_value("#verdict") == "kept"
    assert page.inner_text("#keep-hint") == "Noted on c002."
    opened(page, "c001")
    assert page.locator("#notes li").count() == 0


def test_a_section_says_how_wide_and_how_deep_the_hollow_is(page):
    find = """(front) => import('./shape.js').then(({ hollow }) => {
        const points = [[-250, -300], ...front, [-250, 100], [-250, -300]];
        return hollow(points.slice(1).flatMap((each, i) => [...points[i], ...each])); })"""
    lens = [[0, -295], [0, -61], [-30, -20], [-24, 0], [-30, 20], [0, 63], [0, 95]]
    assert page.evaluate(find, lens) == {"low": -61, "high": 63, "deepest": -30}
    plain = [[0, -295], [0, -200], [-20, -150], [0, -100], [0, -13], [6, 0], [0, 13], [0, 95]]
    assert page.evaluate(find, plain) is None  # what is hollow far below is another driver
    to_the_top = [[0, -295], [0, -61], [-30, -20], [-30, 20], [-10, 95]]
    assert page.evaluate(find, to_the_top) is None


def test_what_is_wrong_with_what_was_asked_stays_until_something_else_is(page):
    opened(page, "c002")
    page.get_by_role("button", name="Keep", exact=True).click()  # it has no name
    page.locator("#fault", has_text="Invalid name ''").wait_for()
    page.evaluate("sheet.receive({ kind: 'state', state: sheet.state })")  # as it comes every 2 s
    assert "Invalid name ''" in page.inner_text("#fault")
    opened(page, "c003")
    assert page.inner_text("#fault") == ""


def test_dashes_of_a_section_run_along_whole_lines(page):
    joined = page.evaluate(
        """() => import('./shape.js').then(({ joined }) =>
        joined([0, 0, 1, 0, 2, 0, 1, 0, 2, 0, 2, 1, 5, 5, 6, 6]))"""
    )
    assert joined == [[[0, 0], [1, 0], [2, 0], [2, 1]], [[5, 5], [6, 6]]]


def test_a_clay_map_is_asked_for_and_shown_on_the_shape(page, monkeypatch):
    def map_frame(folder, candidate_id, progress):
        mesh = folder.load_mesh(candidate_id)
        values = np.linspace(-1, 1, mesh.n_triangles)
        lines = ["add 3 mm at 45 mm above the axis"]
        title = {"title": "What clay does", "unit": "dB per mm", "better": -1}
        return clay._clay_frame(candidate_id, mesh, values, (), **title, lines=lines, steps=[])

    monkeypatch.setattr(clay, "map_frame", map_frame)
    page.get_by_role("button", name="c002", exact=True).click()
    wait_for_mark(page, "solved")
    page.get_by_role("button", name="Map the clay").click()
    page.locator("#clay-lines li", has_text="add 3 mm at 45 mm above the axis").wait_for()
    assert "better taken, 1.0 dB per mm" in page.inner_text("#clay-scale")
    assert not page.locator("#clay-steps").is_visible()
    assert page.evaluate(  # the shape itself, should it come now, does not paint it over
        """() => { const painted = space.mesh;
        sheet.receive({ ...sheet.shape, kind: 'shape', move: sheet.move });
        return painted === space.mesh; }"""
    )
    page.get_by_role("button", name="Show the surfaces again").click()
    assert not page.locator("#clay").is_visible()
    page.locator(DEPTH).focus()
    page.keyboard.press("ArrowRight")
    assert page.get_by_role("button", name="Map the clay").is_disabled()


def test_nothing_overflows_sideways(page):
    for width in (1400, 800):
        page.set_viewport_size({"width": width, "height": 900})
        page.wait_for_timeout(200)
        assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_after_a_reload_and_after_a_restart_it_is_where_it_was(page, served):
    desk, server = served
    page.locator(DEPTH).focus()
    for _ in range(3):
        page.keyboard.press("ArrowRight")
    wait_for_mark(page, "solved")
    values = page.evaluate("sheet.values()")
    page.reload()
    wait_for_mark(page, "solved")
    page.wait_for_function(IN_SPACE)
    assert page.evaluate("sheet.values()") == values
    page.locator(DEPTH).focus()
    server.stop()
    page.get_by_text("The connection is lost").wait_for()
    again = LiveServer(desk, server.port, server.token)
    again.start()
    try:
        page.get_by_text("estimates from").wait_for()
        wait_for_mark(page, "solved")
        assert page.evaluate("sheet.values()") == values
        assert page.evaluate("document.activeElement.id") == "slider-lens.depth_mm"
    finally:
        page.goto("about:blank")
        again.stop()
