# SPDX-License-Identifier: GPL-3.0-or-later
"""The report: complete, self-contained, honest about what was not solved."""

import io
import re
import shutil
import subprocess
from dataclasses import replace
from html import escape
from html.parser import HTMLParser

import numpy as np
import patterns
import pytest
from PIL import Image

from bafflelens.base.parameter_words import split_key
from bafflelens.job.shape_sections import Choices, Fixed, Span
from bafflelens.report import (
    CandidateView,
    Failure,
    Picture,
    RunView,
    Timing,
    blocks,
    figures,
    words,
    write_report,
)
from bafflelens.report.curves import curves_of, marks_of, requirements_of, unsolved_spans
from bafflelens.report.origins import DEFAULT, GIVEN, SEARCHED, origins_of
from bafflelens.report.page import render
from bafflelens.report.shown import scales_of
from bafflelens.report.style import drawing_style, svg_or_reason, to_svg
from bafflelens.report.tables import term_colours
from bafflelens.report.words import kilohertz
from bafflelens.scoring.criteria import vertical_benefit
from bafflelens.scoring.ranking import CandidateResult, Remeshing, rank
from bafflelens.scoring.score import TERM_NAMES, score
from bafflelens.scoring.sensitivity import ParameterChange, Robustness
from bafflelens.scoring.target import Limit, Room, Target, default_target
from bafflelens.shapes.meshing.parameters import Parameter

TARGET = default_target()
BAND_HZ = (2000.0, 12000.0)
MESH_REASON = "Invalid mesh: 14 free edges. Must be a closed surface."


def shading(vertical_db_at_45, horizontal_db_at_60=3.0):
    """Pattern whose level falls with the square of the sine, differently up and sideways."""
    up = vertical_db_at_45 / np.sin(np.radians(45)) ** 2
    aside = horizontal_db_at_60 / np.sin(np.radians(60)) ** 2

    def pattern(_, azimuth_deg, elevation_deg):
        azimuth, elevation = np.radians(azimuth_deg), np.radians(elevation_deg)
        y, z = np.cos(elevation) * np.sin(azimuth), np.sin(elevation)
        behind = np.cos(elevation) * np.cos(azimuth) < 0
        return 1e-4 * 10 ** (-(up * z**2 + aside * y**2 + 12 * behind) / 20)

    return pattern


def parameter(key, unit="mm"):
    return Parameter(key=key, unit=unit, default=1.0, low=0.0, high=500.0, help=f"help of {key}")


def png(colour="#336677"):
    stream = io.BytesIO()
    Image.new("RGB", (40, 30), colour).save(stream, "PNG")
    return stream.getvalue()


def entry(name, dataset, *, is_baseline=False, **values):
    """Return result and view of a candidate that was solved."""
    result = CandidateResult(
        id=name,
        label="plain_baffle" if is_baseline else "vertical_lens",
        is_baseline=is_baseline,
        values={"cabinet.width_mm": 210.0, **values},
        score=score(dataset, TARGET),
        status="solved",
    )
    view = CandidateView(
        id=name,
        parameters=(parameter("cabinet.width_mm"), parameter("lens.opening_height_mm")),
        dataset=dataset,
        pictures=(Picture(title="The shape in space", png=png(), alt=f"Shape of {name}"),),
    )
    return result, view


def failed(name, reason):
    return CandidateResult(
        id=name,
        label="vertical_lens",
        is_baseline=False,
        values={"cabinet.width_mm": 210.0, "lens.opening_height_mm": 99.5},
        score=None,
        status="failed",
        reasons=(reason,),
    )


def run_view(results, views, **changes):
    settings = {
        "name": "first_lens_20260131T204500Z",
        "title": "A lens <b>& more</b>",
        "why": "To see what it does.",
        "scenario": "A 26 mm dome.",
        "job_text": 'title = "A lens"',
        "created_utc": "2026-01-31T20:45:00Z",
        "status": "finished with failures",
        "rows": rank(results),
        "views": tuple(views),
        "target": TARGET,
        "detailed": 1,
        "thumbnails": 2,
        "second_opinion": "within 0.08 dB at 2 kHz",
        "timings": (Timing(step="solving", seconds=83.0),),
        "versions": {"bafflelens": "0.1.0"},
        "host": {"processors": 2},
    }
    return RunView(**(settings | changes))


@pytest.fixture(scope="module")
def data():
    """Return datasets by name: the fifth and the tenth frequency of `gappy` failed."""
    steps = patterns.sixth_octaves()
    return {
        "baseline": patterns.dataset(shading(1.5)),
        "good": patterns.dataset(shading(6.0, 4.5)),
        "fair": patterns.dataset(shading(4.0)),
        "gappy": patterns.dataset(shading(5.0), failed=(steps[10], steps[12], steps[13])),
    }


@pytest.fixture(scope="module")
def run(data):
    baseline = entry("baseline", data["baseline"], is_baseline=True)
    good = entry("c001", data["good"], **{"lens.opening_height_mm": 120.25})
    fair = entry("c002", data["fair"], **{"lens.opening_height_mm": 140.0})
    gappy = entry("c003", data["gappy"], **{"lens.opening_height_mm": 150.0})
    solved = (baseline, good, fair, gappy)
    results = [result for result, _ in solved]
    results += [failed("c004", MESH_REASON), failed("c005", MESH_REASON)]
    failures = (Failure(candidate="c004", what="mesh", reason=MESH_REASON),)
    rows = tuple(
        replace(row, resolved={"cabinet.width_mm": 210.0, "lens.opening_height_mm": 133.25})
        if row.candidate.id == "c002"
        else row
        for row in rank(results)
    )
    return run_view(results, [view for _, view in solved], failures=failures, rows=rows)


@pytest.fixture(scope="module")
def html(run):
    return render(run)


@pytest.fixture(scope="module")
def fuller_run(run):
    """The run once more, with all that is not known of every run."""
    change = ParameterChange(
        key="lens.depth_mm", unit="mm", tolerance=1.0, less_db=-0.04, more_db=None,
        reasons=("more: not solved",),
    )  # fmt: skip
    more = {
        "c001": {"robustness": Robustness(candidate="c001", score_db=3.0, changes=(change,))},
        "c002": {"dominated_by": "c001"},
    }
    rows = tuple(replace(row, **more.get(row.candidate.id, {})) for row in run.rows)
    meshed = Remeshing(candidate="c001", scores_db=(3.1, 3.2, 3.3))
    return replace(run, rows=rows, remeshing=meshed, room=Room())


@pytest.fixture(scope="module")
def fuller_html(fuller_run, html):
    """Its page, whose figures are drawn that are not on the other page."""

    def drawn(draw, name, alt):
        label = f'aria-label="{escape(alt)}"'
        return f"<svg {label}></svg>" if label in html else svg_or_reason(draw, name, alt)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(blocks, "svg_or_reason", drawn)
        return render(fuller_run)


@pytest.fixture(scope="module")
def curves(data):
    return {name: curves_of(dataset, TARGET, zero_db=14.0) for name, dataset in data.items()}


@pytest.fixture(scope="module")
def scales():
    return figures.Scales(
        frequency_hz=(1000.0, 16000.0),
        scored_hz=BAND_HZ,
        response_db=(-10.0, 10.0),
        bounce_db=(-20.0, 5.0),
        directivity_db=(0.0, 20.0),
        beamwidth_deg=360.0,
    )


# ------------------------------------------------------------------------------ the whole page


class Page(HTMLParser):
    """Collects tags with their attributes, and the text."""

    def __init__(self, html):
        super().__init__()
        self.tags, self.words = [], []
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data):
        self.words.append(data)

    @property
    def text(self):
        return re.sub(r"\s+", " ", " ".join(self.words))

    def all(self, tag):
        return [attributes for name, attributes in self.tags if name == tag]


@pytest.fixture(scope="module")
def page(html):
    return Page(html)


def table_rows(html, class_name):
    table = re.search(rf'<table class="{class_name}">.*?</table>', html, re.DOTALL)[0]
    body = re.search(r"<tbody>(.*?)</tbody>", table, re.DOTALL)[1]
    return [Page(row) for row in re.findall(r"<tr.*?</tr>", body, re.DOTALL)]


def test_ranking_holds_every_candidate_in_order_and_marks_the_baseline(run, html):
    rows = table_rows(html, "ranking")
    ids = [row.candidate.id for row in run.rows]
    shown = ["plain baffle" if name == "baseline" else name for name in ids]
    assert len(rows) == len(ids) == 6
    for row, name in zip(rows, shown, strict=True):
        assert name in row.text
    marked = [row for row in rows if "baseline" in (row.all("tr")[0]["class"] or "")]
    assert len(marked) == 1
    assert "plain baffle" in marked[0].text


def test_ranking_shows_every_term_its_excess_and_the_parameters(run, html):
    row = table_rows(html, "ranking")[0]
    best = run.rows[0].candidate
    assert best.id == "c001"
    for term in best.score.terms:
        assert words.decibel_text(term.value_db, 2) in row.text
        if term.excess_db > 0:
            assert f"excess {words.decibel_text(term.excess_db, 2)}" in row.text
    assert "120.2" in row.text or "120.3" in row.text
    assert words.decibel_text(best.score.total_db, 2) in row.text


def test_ranking_shows_what_is_built_of_a_parameter(html):
    row = next(row for row in table_rows(html, "ranking") if "133.2" in row.text)
    assert "c002" in row.text
    assert "140" not in row.text


def test_two_ranked_candidates_are_too_few_to_say_what_a_parameter_did(page):
    assert "what each dimension did: 2 of 5 candidates have a place" in page.text
    assert "None: no parameter of c001 comes within 5 %" in page.text


def test_failures_are_grouped_by_cause_with_their_reasons(run, page):
    groups = {group.cause: dict(group.where) for group in words.grouped_failures(run)}
    assert groups[MESH_REASON] == {"c004": ("mesh",), "c005": ()}
    assert groups["the solver diverged"] == {"c003": ("3175 Hz", "4000 Hz", "4490 Hz")}
    assert MESH_REASON in page.text
    assert "c003: 3175 Hz, 4000 Hz, 4490 Hz" in page.text


def test_page_needs_no_other_document(html, page):
    assert "http://" not in html
    assert "https://" not in html
    assert not re.search(r"@import|url\((?!#)", html)
    for tag in ("img", "script", "iframe", "image", "use", "link", "a"):
        for attributes in page.all(tag):
            for name in ("src", "href", "xlink:href", "srcset"):
                address = attributes.get(name, "#")
                assert address.startswith(("#", "data:")), (tag, address[:60])


def test_page_is_small(html):
    assert len(html.encode()) < 2e6


def test_references_inside_the_page_lead_somewhere_and_ids_are_unique(html, page):
    ids = [attributes["id"] for _, attributes in page.tags if "id" in attributes]
    assert len(ids) == len(set(ids))
    wanted = set(re.findall(r'(?:url\(|href=")#([^)"]+)', html))
    assert "ranking" in wanted
    assert wanted <= set(ids)


def test_page_is_accessible(page):
    assert page.all("html")[0]["lang"] == "en"
    assert all(attributes.get("alt") for attributes in page.all("img"))
    assert all(attributes.get("scope") in ("row", "col") for attributes in page.all("th"))
    drawings = page.all("svg")
    # first screen, choice, small maps, comparison, two in detail
    assert len(drawings) == 3 + 3 + 5 * 2
    for attributes in drawings:
        assert attributes["role"] == "img"
        assert len(attributes["aria-label"]) > 40


def test_text_of_the_job_is_shown_as_text(html, page):
    assert "<b>& more" not in html
    assert "A lens <b>& more</b>" in page.text
    assert 'title = "A lens"' in page.text


def test_method_is_stated(page):
    for piece in (
        "within 0.08 dB at 2 kHz",
        "speed of sound 343.2 m/s",
        "1 min 23 s",
        "at most −2.0 at 2 kHz",
        "22 of 25",  # frequencies of c003 that were solved
        "1,234",  # triangles and unknowns of the patterns' datasets
        "97 of 100 frequencies were solved",
        "differ by 0.10 % at most",
        "No break-up",
        "without viscosity",
        "A rigid body",
        "IEC 60263",
    ):
        assert piece in page.text, piece


def test_sizes_say_whether_they_were_given():
    """Searched, given and left to the script: each is one line; what is 0 there is left out."""
    sizes = [("lens.depth_mm", 20.0), ("dome.diameter_mm", 26.0), ("lip.radius_mm", 8.0)]
    sizes += [("lower.angle_deg", 0.0), ("lower.open_deg", 40.0)]
    parameters = [
        Parameter(key=key, unit=key.rpartition("_")[2], default=value, low=0, high=99, help=".")
        for key, value in sizes
    ]
    settings = {
        "lens.depth_mm": Span(10.0, 40.0), "lip.radius_mm": Fixed(6.0),
        "lower.open_deg": Choices((35.0, 45.0)),
    }  # fmt: skip
    found = origins_of(parameters, settings)
    assert found == {
        SEARCHED: ("lens depth 10 to 40 mm", "lower open 35° or 45°"),
        GIVEN: ("lip radius 6 mm",),
        DEFAULT: ("dome diameter 26 mm",),
    }
    plain = run_view([replace(failed("baseline", MESH_REASON), is_baseline=True)], [])
    html = render(replace(plain, origins=found))
    assert "<dt>Not given: the script&#39;s own</dt><dd>dome diameter 26 mm</dd>" in html
    assert "Which sizes were given" not in render(plain)


def test_answer_agrees_with_the_criterion(data, page):
    benefit = vertical_benefit(data["good"], data["baseline"], TARGET, BAND_HZ)
    assert benefit.mean_db > 1.5
    assert (
        f"{words.decibel_text(benefit.floor_db)} dB less towards the floor bounce (−34°) and "
        f"{words.decibel_text(benefit.ceiling_db)} dB less towards the ceiling bounce (+45°) than "
        f"from the plain baffle; {words.decibel_text(benefit.mean_db)} dB better on average."
    ) in page.text
    for octave in benefit.octaves:
        assert words.signed_decibels(-octave.floor_db) in page.text


def test_answer_states_what_it_costs_horizontally(page):
    assert re.search(
        r"Horizontal cost, 2–12 kHz: 1\.\d dB less at the edge of the ±60°", page.text
    )


@pytest.mark.usefixtures("without_figures")
def test_a_run_without_a_winner_says_so(data):
    baseline = entry("baseline", data["good"], is_baseline=True)
    worse = entry("c001", data["fair"])
    text = Page(
        render(run_view([baseline[0], worse[0]], [baseline[1], worse[1]], detailed=0))
    ).text
    assert "No candidate beats the plain baffle: the best of 1 candidate, c001, scores" in text
    assert "dB worse" in text


@pytest.mark.usefixtures("without_figures")
def test_a_baseline_that_failed_leaves_the_gain_open(data):
    good = entry("c001", data["good"])
    lost = replace(failed("baseline", MESH_REASON), is_baseline=True, label="plain_baffle")
    text = Page(render(run_view([lost, good[0]], [good[1]]))).text
    assert "but the plain baffle could not be scored" in text
    assert "There is nothing to compare" in text


def test_a_run_in_which_nothing_was_solved_still_has_a_report():
    lost = replace(failed("baseline", MESH_REASON), is_baseline=True)
    text = Page(render(run_view([lost, failed("c001", MESH_REASON)], []))).text
    assert "None of the 1 candidate could be ranked" in text
    assert "No candidate could be solved" in text
    assert MESH_REASON in text


def test_datasets_without_a_solved_frequency_are_no_stumbling_block(data):
    steps = patterns.sixth_octaves()
    nothing = entry("c001", patterns.dataset(shading(5.0), failed=tuple(steps)))
    baseline = entry("baseline", data["baseline"], is_baseline=True)
    text = Page(render(run_view([baseline[0], nothing[0]], [baseline[1], nothing[1]]))).text
    assert "too few frequencies were solved" in text
    assert "0 of 25" in text


def test_one_frequency_and_a_target_without_width():
    target = replace(TARGET, horizontal=())
    single = entry("baseline", patterns.dataset(shading(1.0), [4000.0]), is_baseline=True)
    other = entry("c001", patterns.dataset(shading(3.0), [4000.0]))
    run = run_view([single[0], other[0]], [single[1], other[1]], target=target)
    text = Page(render(run)).text
    assert "1 of 1" in text
    assert "To the sides" not in text


def test_warning_of_the_second_opinion_stands_at_the_top(run):
    text = Page(render(replace(run, second_opinion="Warning: 0.9 dB apart", views=()))).text
    assert text.index("Warning: 0.9 dB apart") < text.index("Lower is better")


def test_report_is_replaced_and_leaves_nothing_beside(run, tmp_path):
    path = tmp_path / "report.html"
    path.write_text("old")
    write_report(replace(run, views=()), path)
    assert path.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.skipif(shutil.which("chromium") is None, reason="needs chromium")
def test_browser_loads_the_page_and_runs_its_script_without_complaint(html, tmp_path):
    path = tmp_path / "report.html"
    press = "document.querySelector('th[data-column=\"3\"] button').click();"
    path.write_text(html.replace("</body>", f"<script>{press}</script></body>"), encoding="utf-8")
    command = ["chromium", "--headless", "--no-sandbox", "--disable-gpu", "--dump-dom"]
    command += ["--enable-logging=stderr", f"--user-data-dir={tmp_path}/profile", path.as_uri()]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=True)
    assert "CONSOLE" not in done.stderr
    rows = table_rows(done.stdout, "ranking")
    first = [row.text.split()[1] for row in rows[:3]]
    assert first == ["plain", "c002", "c001"]  # by what they are better, rising
    assert 'aria-sort="ascending"' in done.stdout


# --------------------------------------------------------------------------------- the figures


def all_figures(curves, scales, name="gappy"):
    base, marks = ("plain baffle", curves["baseline"]), marks_of(TARGET)
    with drawing_style():
        return {
            "maps": figures.level_maps(curves[name], scales, marks),
            "small": figures.thumbnail_maps([("1: c001", curves[name]), base], scales, marks),
            "compare": figures.comparison_maps(("c001", curves[name]), base, scales, marks),
            "responses": figures.responses("c001", curves[name], base, scales),
            "bounces": figures.bounce_levels(
                "c001", curves[name], base, requirements_of(TARGET), scales
            ),
            "polars": figures.polars(curves[name], (1000.0, 2000.0, 4000.0), marks),
        }


@pytest.fixture(scope="module")
def drawn(curves, scales):
    return all_figures(curves, scales)


def test_axes_are_labelled_with_units(drawn):
    for name in ("maps", "responses", "bounces"):
        for axes in drawn[name].axes:
            assert re.search(r"in (dB|°)", axes.get_ylabel()), (name, axes.get_ylabel())
            is_key = not len(axes.get_xticks())
            assert is_key or axes.get_xlabel() == "Frequency in kHz", name


def test_shared_axes_are_labelled_where_they_begin(drawn):
    compared = drawn["compare"].axes
    left = [axes for axes in compared if axes.get_ylabel().startswith("Angle in °")]
    below = [axes for axes in compared if axes.get_xlabel() == "Frequency in kHz"]
    keys = [axes.get_ylabel() for axes in compared if not len(axes.get_xticks())]
    assert (len(left), len(below)) == (2, 3)
    assert (
        sorted(keys)
        == ["Difference in dB, − c001 is quieter"] * 2 + ["Level in dB re listening window"] * 2
    )
    small = drawn["small"]
    assert [text.get_text() for text in small.texts] == ["Frequency in kHz"]
    labels = [axes.get_ylabel() for axes in small.axes]
    assert "Vertical\nangle in °" in labels
    assert "Level in dB re listening window" in labels


def test_frequency_axes_are_logarithmic_with_1_2_5_labels(drawn):
    axes = drawn["maps"].axes[0]
    assert axes.get_xscale() == "log"
    assert [text.get_text() for text in axes.get_xticklabels()] == ["1", "2", "5", "10", "16"]
    assert axes.get_ylim() == (-180, 180)


def test_level_axes_have_25_db_on_the_length_of_a_decade(drawn, scales):
    for name in ("responses", "bounces"):
        figure = drawn[name]
        for axes in figure.axes[:2]:
            box = axes.get_position()
            across, up = box.size * figure.get_size_inches()
            decade = across / np.log10(scales.frequency_hz[1] / scales.frequency_hz[0])
            low, high = axes.get_ylim()
            assert decade / (up / (high - low)) == pytest.approx(25.0, rel=1e-6)


def test_failed_frequencies_break_lines_and_leave_hatched_gaps(curves, drawn):
    steps = patterns.sixth_octaves()
    spans = unsolved_spans(curves["gappy"])
    assert np.allclose(spans, [(steps[9], steps[11]), (steps[11], steps[14])])

    axes = drawn["responses"].axes[1]
    line = next(line for line in axes.lines if line.get_label() == "c001")
    assert np.flatnonzero(np.isnan(line.get_ydata())).tolist() == [10, 12, 13]
    hatched = [patch for patch in axes.patches if patch.get_hatch()]
    assert len(hatched) == 2
    dots = [line for line in axes.lines if line.get_marker() == "."]
    assert [float(dot.get_xdata()[0]) for dot in dots] == [steps[11]]  # solved, without neighbours


def test_maps_fill_nothing_where_a_frequency_failed(curves, drawn):
    axes = drawn["maps"].axes[0]
    assert any(patch.get_hatch() for patch in axes.patches)
    filled = next(c for c in axes.collections if c.get_rasterized())
    spans = unsolved_spans(curves["gappy"])
    corners = np.concatenate([path.vertices for path in filled.get_paths()])[:, 0]
    for low, high in spans:
        inside = (corners > low * 1.001) & (corners < high * 0.999)
        assert not inside.any()
    assert corners.min() == pytest.approx(1000.0)


def test_nothing_is_hatched_where_everything_was_solved(curves, scales):
    assert unsolved_spans(curves["good"]) == ()
    with drawing_style():
        figure = figures.responses("c001", curves["good"], None, scales)
    assert not any(patch.get_hatch() for axes in figure.axes for patch in axes.patches)


def test_polar_plot_grows_outwards_with_left_on_the_left(scales):
    louder_left = patterns.dataset(
        lambda _, azimuth, elevation: np.where((azimuth > 0) & (azimuth < 180), 1.0, 0.5)
    )
    figure = figures.polars(curves_of(louder_left, TARGET, 0.0), (2000.0,), ())
    line = max(figure.axes[0].lines, key=lambda line: len(line.get_xdata()))
    x, y = line.get_data()
    assert -x.min() > x.max() + 0.15  # 6 dB are 0.2 of the radius
    assert y[np.argmin(np.abs(x))] != 0


def test_polar_names_a_frequency_that_was_not_solved(drawn):
    (legend,) = drawn["polars"].legends
    assert [text.get_text() for text in legend.get_texts()] == [
        "1 kHz",
        "2 kHz",
        "4 kHz (not solved)",
    ]


def test_bounce_panels_hold_target_baseline_and_candidate(drawn):
    titles = []
    for axes in drawn["bounces"].axes:
        labels = {text.get_text() for text in axes.get_legend().get_texts()}
        assert {"c001", "plain baffle"} < labels
        assert any(label.startswith("target: at ") for label in labels)
        titles += [text.get_text() for text in axes.texts]
    assert titles == [
        "Towards the floor bounce, −34°",
        "Towards the ceiling bounce, +45°",
        "To the sides, lowest of 30° to 60°",
    ]


def test_widths_without_a_crossing_are_marked_on_the_upper_edge(scales):
    omni = curves_of(patterns.dataset(patterns.omni), TARGET, 0.0)
    assert omni.no_crossing_h.all()
    figure = figures.responses("c001", omni, None, scales)
    markers = {line.get_marker(): line for line in figure.axes[2].lines}
    assert set(markers["^"].get_ydata()) == {scales.beamwidth_deg}
    assert len(markers["v"].get_xdata()) == 25


def test_svg_carries_text_and_its_own_ids(drawn):
    with drawing_style():
        markup = to_svg(drawn["maps"], "one", 'What "it" shows')
    assert ">Frequency in kHz</text>" in markup
    assert 'aria-label="What &quot;it&quot; shows"' in markup
    assert set(re.findall(r'id="([^"-]+)-', markup)) == {"one"}
    assert markup.count("data:image/png;base64,") == 2
    assert len(markup) < 120e3


def test_scales_hold_all_curves(run, curves):
    class Entry:
        def __init__(self, curves):
            self.curves = curves

    scales = scales_of(run, [Entry(c) for c in curves.values()])
    for c in curves.values():
        for values, (low, high) in (
            (c.on_axis_db, scales.response_db),
            (c.directivity_index_db, scales.directivity_db),
            (c.beamwidth_v_deg, (0, scales.beamwidth_deg)),
        ):
            assert np.nanmin(values) >= low
            assert np.nanmax(values) <= high
    span = scales.response_db[1] - scales.response_db[0]
    assert span == scales.directivity_db[1] - scales.directivity_db[0]


# ----------------------------------------------------------------------------------- the words


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(0.84, "0.8 s"), (41.7, "42 s"), (185.0, "3 min 05 s"), (7800.0, "2 h 10 min")],
)
def test_duration(seconds, text):
    assert words.duration(seconds) == text


@pytest.mark.parametrize(
    ("value", "text"),
    [(-3.44, "−3.4"), (-0.04, "0.0"), (0.0, "0.0"), (2.06, "+2.1"), (float("nan"), "–")],
)
def test_signed_decibels(value, text):
    assert words.signed_decibels(value) == text


def test_split_key():
    assert split_key("lens.wall_half_angle_deg") == ("lens", "wall half angle", "°")
    assert split_key("count") == ("", "count", "")


def test_kilohertz_names_round_frequencies():
    assert kilohertz(7943.3, 8000.0) == "8 kHz"
    assert kilohertz(7943.3) == "7.9 kHz"
    assert kilohertz(501.2) == "500 Hz"


def direction(levels, baselines, key="side"):
    bands = ((2000.0, 4000.0), (4000.0, 8000.0))
    requirement = next(r for r in requirements_of(TARGET) if r.key == key)
    changes = [
        words.Change(band_hz=band, level_db=level, baseline_db=base)
        for band, level, base in zip(bands, levels, baselines, strict=True)
    ]
    whole = words.Change(
        band_hz=(2000.0, 8000.0),
        level_db=float(np.mean(levels)),
        baseline_db=float(np.mean(baselines)),
    )
    return words.Direction(requirement=requirement, octaves=tuple(changes), whole=whole)


@pytest.mark.parametrize(
    ("levels", "text"),
    [
        ((-4.0, -3.0), "1.5 dB less at the edge of the ±60° window than from the box, most of it "
         "at 2–4 kHz (2.0 dB)."),
        ((-2.0, -2.0), "none on average; the edge of the ±60° window is as loud as from the box."),
        ((-1.0, -1.5), "none; 0.8 dB more at the edge of the ±60° window than from the box."),
        ((0.0, -2.5), "none; 0.8 dB more at the edge of the ±60° window than from the box, but "
         "0.5 dB less at 4–8 kHz."),
    ],
)  # fmt: skip
def test_horizontal_sentence(levels, text):
    found = words.horizontal_sentence(direction(levels, (-2.0, -2.0)), (2000.0, 8000.0), "box")
    assert found == "Horizontal cost, 2–8 kHz: " + text


def test_vertical_sentence_owns_up_to_a_loss():
    found = {
        "floor": direction((-1.0, -1.0), (-2.0, -2.0), "floor"),
        "ceiling": direction((-3.0, -3.0), (-3.0, -3.0), "ceiling"),
    }
    assert words.vertical_sentence(found, (2000.0, 8000.0), "box") == (
        "Vertical control, 2–8 kHz: 1.0 dB more towards the floor bounce (−34°) and no less "
        "towards the ceiling bounce (+45°) than from the box; 0.5 dB worse on average."
    )


def test_leader_is_named_where_it_is_not_the_best():
    def changes(floor, ceiling):
        return {
            "floor": direction((-floor,) * 2, (0.0, 0.0), "floor"),
            "ceiling": direction((-ceiling,) * 2, (0.0, 0.0), "ceiling"),
        }

    found = {"c001": changes(2.0, 2.0), "c002": changes(3.0, 4.0), "c003": changes(9.0, 9.0)}
    places = {"c001": 1, "c002": 4, "c003": None}
    assert words.leader_sentence(found, "c001", places) == (
        "Most vertical control: c002 (place 4), 3.5 dB better than the baseline on average."
    )
    assert words.leader_sentence(found, "c002", places) == ""


def test_tie_with_the_baseline_is_no_win(data):
    baseline, same = (
        entry("baseline", data["fair"], is_baseline=True),
        entry("c001", data["fair"]),
    )
    run = run_view([baseline[0], same[0]], ())
    best = next(row for row in run.rows if not row.candidate.is_baseline)
    base = next(row for row in run.rows if row.candidate.is_baseline)
    assert "too close to the box to mean anything" in words.verdict(run, best, base, "box")


def test_limits_of_a_target_are_drawn_as_given():
    limit = Limit(angle_deg=-40.0, frequencies_hz=(2000.0, 4000.0), levels_db=(-1.0, -5.0))
    target = Target(floor=limit, ceiling=TARGET.ceiling, horizontal=())
    floor, ceiling = requirements_of(target)
    assert floor.title == "Towards the floor bounce, −40°"
    assert ceiling.is_upper
    assert [mark.label for mark in marks_of(target)] == ["ceiling +45°", "floor −40°"]


# ------------------------------------------------------------------ the choice
def test_the_choice_is_drawn_and_what_is_dominated_is_marked(fuller_run, fuller_html):
    page = fuller_html
    assert "What the choice is between" in page
    assert "<small>dominated by c001</small>" in page
    figure = page[page.index('aria-label="Two scatter plots') :]
    figure = figure[: figure.index("</svg>")]
    on_front = [row.candidate.id for row in fuller_run.rows if row.is_on_front]
    assert on_front == ["c001"]  # it holds the baseline down as well
    assert re.search(r"On the front: [^.]*c001", figure)
    for text in ("Excess in vertical control, dB", ">c001<", ">dominated<"):
        assert text in figure
    assert ">c002<" not in figure  # a dominated one is a hollow mark without a name


def test_which_differences_mean_anything_stands_under_the_ranking(html, fuller_html):
    line = "Smallest difference that means anything: 0.28 dB; c001 meshed 3 ways"
    assert line in fuller_html
    assert "an estimate; no shape was meshed several ways" in html


@pytest.mark.usefixtures("without_figures")
def test_one_ranked_candidate_leaves_no_choice(data):
    result, view = entry("baseline", data["baseline"], is_baseline=True)
    assert "What the choice is between" not in render(run_view([result], [view]))


def test_each_term_has_a_colour_of_its_own(run):
    colours = term_colours(run.rows)
    assert len(colours) == len(TERM_NAMES)
    assert len(set(colours.values())) == len(TERM_NAMES)


def test_what_arrives_at_the_seat_stands_in_the_detail(html, fuller_html):
    page = fuller_html
    assert page.count("At the listening seat") == 2  # one candidate in detail, and the baseline
    # The default room: 34 degrees down, 1.8 ms later, 1.6 dB by distance.
    row = page[page.index('<th scope="row">Floor</th>') :]
    assert row.startswith('<th scope="row">Floor</th><td>−34</td><td>1.8</td><td>−1.6</td>')
    assert "At the listening seat" not in html


def test_centre_and_load_show_what_is_known(data, scales):
    """A sum of sources, or an older file, has a centre but no load."""
    (dataset, *_) = data.values()
    bare = figures.centre_and_load(dataset, None, scales)
    assert [axes.get_title(loc="left") for axes in bare.axes] == ["Acoustic centre"]
    shape = (1, 1, dataset.sizes["frequency"])
    dims = ("source", "source_b", "frequency")
    loaded = dataset.assign(
        load_resistance=(dims, np.full(shape, 0.2)), load_reactance=(dims, np.full(shape, 0.1))
    )
    figure = figures.centre_and_load(loaded, loaded, scales)
    centre, load = figure.axes
    assert [line.get_label() for line in load.lines] == [
        "baseline, resistance",
        "baseline, reactance",
        "resistance",
        "reactance",
    ]
    np.testing.assert_allclose(load.lines[2].get_ydata(), 0.2)
    np.testing.assert_allclose(load.lines[3].get_ydata(), 0.1)
    assert len(centre.lines) == 4


def test_small_changes_stand_under_the_ranking(html, fuller_html):
    assert "Small changes: what the shop must hold" in fuller_html
    assert "<td>± 1 mm</td><td>−0.04</td><td>–</td>" in fuller_html
    assert "more: not solved" in fuller_html
    assert "Small changes: what" not in html
