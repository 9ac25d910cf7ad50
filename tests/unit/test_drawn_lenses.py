# SPDX-License-Identifier: GPL-3.0-or-later
"""Drawings, tables and templates of the shipped lenses, each lens exported once for all of it.

Texts of a drawing: none on another, none outside the frame, heights and places as said; the boxes
are those that a PDF reader gives of each text object, whatever wrote them. Templates as DXF: read
and audited by ezdxf. The table: a lens made anew from it alone, in another kernel, against its
STEP file (all of them: ``tests/benchmarks/drawn_again.py``).
"""

import functools
import io
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pypdfium2
import pytest
from ezdxf import filemanagement
from handed_lens import LENSES, compared, exported
from sheet_faults import MM, TEXT, blank, faults_of

from bafflelens.handoff.acoustic_tolerance import AcousticTolerance, TightPlace
from bafflelens.handoff.annotation import Around, spread, text_of
from bafflelens.handoff.dimension import OnSheet, general
from bafflelens.handoff.likeness import Likeness
from bafflelens.handoff.part_dimensions import measured_dimensions
from bafflelens.handoff.sheet import Sheet, sheet_pdf
from bafflelens.handoff.sheet_frame import (
    NARROW_MM,
    TITLE_BLOCK_MM,
    WIDE_MM,
    font_size,
    width_of,
    wrapped,
)
from bafflelens.handoff.solid_export import export_solid
from bafflelens.handoff.template_dxf import dxf_bytes
from bafflelens.handoff.templates import templates_of
from bafflelens.job.handoff_section import HandoffSection
from bafflelens.shapes.meshing.moving_parts import source_motions

OTHERS = ("arc_lens", "exponential_lens", "spline_lens", "waveguide", "two_way")


def invented_tolerance():
    """What places may be off, invented: steep below the driver, less so above, flat beyond."""
    y, z = (1e-3 * np.arange(-reach, reach + 1, 2.0) for reach in (90, 120))
    left, up = np.meshgrid(y, z, indexing="ij")

    def hill(middle_z, width):
        return np.exp(-(left**2 + (up - middle_z) ** 2) / width**2)

    slope = 0.9 * hill(-0.03, 0.02) - 0.06 * hill(0.04, 0.03)
    slope[np.hypot(left, up) < 0.017] = np.nan
    places = tuple(
        TightPlace(
            centre_m=(-0.01, across, height),
            surface="lens",
            slope_db=steep,
            is_mirrored=across > 0,
        )
        for across, height, steep in ((0.0, -0.03, 0.9), (0.02, 0.04, -0.06))
    )
    names = np.full(slope.shape, "lens")
    return AcousticTolerance(
        y_m=y, z_m=z, x_m=np.zeros(slope.shape), surface=names, slope_db=slope, places=places
    )


@functools.cache
def drawn(name, words="as the shop proposes"):
    """The drawing of a shipped shape, as PDF."""
    shape, solid = exported(name)
    motions = source_motions(shape, shape.defaults)
    table = measured_dimensions(solid, motions)
    return sheet_pdf(
        Sheet(
            run="lenses_20260101", candidate="c001", revision="1a2b3c4d", date="2026-01-01",
            shape=shape, dimensions=shape.defaults, solid=solid,
            likeness=Likeness(volume_share=0, largest_mm=0, corners_mm=0, where_mm=(0, 0, 0)),
            motions=motions, checks=(), warnings=(words * 12,), robustness=None,
            settings=HandoffSection(screws=6, screw_circle_mm=60, flange_mm=72, material=words),
            rows=table.rows, form=table.form, picture=blank(),
            tolerance=invented_tolerance(),
        )
    )  # fmt: skip


@pytest.mark.parametrize(
    "name",
    [
        "conic_lens",
        "vertical_lens",
        *(pytest.param(name, marks=pytest.mark.slow) for name in OTHERS),
    ],
)
def test_no_text_of_a_shipped_lens_overlaps_or_leaves_the_frame(name):
    assert faults_of(drawn(name)) == []


def test_long_words_of_a_job_stay_in_their_cells():
    words = "birch plywood 18 mm, three layers glued, sealed on all sides " * 3
    assert faults_of(drawn("vertical_lens", words)) == []


def test_the_check_of_texts_sees_an_overlap():
    import io

    from reportlab.pdfgen.canvas import Canvas

    stream = io.BytesIO()
    canvas = Canvas(stream)
    canvas.setPageSize((420 * MM, 297 * MM))
    for n in range(25):
        canvas.drawString((40 + 10 * n) * MM, 100 * MM, "x")
    canvas.drawString(41 * MM, 100.5 * MM, "xxxx")
    canvas.drawString(2 * MM, 100 * MM, "outside of it")
    canvas.save()
    assert len(faults_of(stream.getvalue())) == 3  # each of a pair sees the other


def test_every_symbol_of_the_table_is_on_sheet_one():
    shape, solid = exported("conic_lens")
    rows = measured_dimensions(solid, source_motions(shape, shape.defaults)).rows
    first, second, *_ = (
        " ".join(page.get_textpage().get_text_range().split())
        for page in pypdfium2.PdfDocument(drawn("conic_lens"))
    )
    assert len(rows) > 12
    assert len({row.symbol for row in rows}) == len(rows)
    for row in rows:
        assert f"{row.symbol} {row.nominal_text}" in first
        assert f"{row.symbol} {row.name}" in second
        assert "_" not in row.name + row.how  # words, no keys
    assert "A-A (1:1), the lens" in first
    for letter in "JKL":
        assert f" {letter} " in first


def test_side_edges_that_grow_are_drawn_with_the_heights_that_they_are_taken_at():
    """From 15 mm at the bottom to 30 at the top of 400 mm: straight between."""
    shape, _ = exported("conic_lens")
    edges = {"edges.side_radius_mm": 15.0, "edges.side_growth_mm": 15.0}
    values = {**shape.defaults, "lens.passage_width_mm": 70.0, **edges}
    solid = export_solid(
        shape, values, name="x", stamp="2026-01-01T00:00:00", chord_mm=0.5, spacing_mm=400.0,
        fan_step_deg=90.0, time_limit_s=300.0,
    )  # fmt: skip
    rows = measured_dimensions(solid, source_motions(shape, values)).rows
    sides = [row for row in rows if row.name.startswith("side edges")]
    assert [row.view for row in sides] == ["front", "front"]
    height = next(row.nominal for row in rows if row.symbol == "H")
    for row, end in zip(sides, ("above the bottom", "below the top"), strict=True):
        words = row.name.partition(", ")[2]
        away = float(words.split(" mm ")[0])
        assert words == f"{away:g} mm {end}: radius"
        level = away if end == "above the bottom" else height - away
        assert row.nominal == pytest.approx(15 + 15 * level / height, abs=0.1)
        assert row.shown.at_mm[0][1] == pytest.approx(
            next(r.shown.at_mm[0][1] for r in rows if r.symbol == "H") + level, abs=0.1
        )


def test_the_last_sheet_says_what_each_place_may_be_off_in_lines_with_their_millimetres():
    *_, last = pypdfium2.PdfDocument(drawn("conic_lens"))
    text = " ".join(last.get_textpage().get_text_range().split())
    assert "What each place of the front may be off" in text
    assert "to change by 0.1 dB" in text
    assert "1 0 -30 lens ±0.1 proud" in text
    assert "2 ±20 40 lens ±1.7 set back" in text
    # The zones of the invented slope: 0.1 dB over 0.9 dB a mm is the steepest.
    front = text.partition("Zones")[0]
    labels = [item for item in front.split() if item in {"0.2", "0.5", "1", "1.5", "2", "3", "5"}]
    assert {"0.2", "0.5", "1", "1.5", "2", "3", "5"} <= set(labels)
    greys = last.render(scale=2).to_numpy()[..., :3]
    assert np.ptp(greys, axis=2).max() == 0  # black and white


def test_lines_and_letters_are_those_of_the_standards():
    """ISO 128-2: wide to narrow 2:1. ISO 3098: heights of 2.5, 3.5 and 5 mm. From memory."""
    assert WIDE_MM == 2 * NARROW_MM
    heights = set()
    for page in pypdfium2.PdfDocument(drawn("vertical_lens")):
        for item in page.get_objects(filter=[TEXT]):
            matrix = item.get_matrix()
            heights.add(round(item.get_font_size() * np.hypot(matrix.a, matrix.b) / MM, 2))
    assert heights == {round(font_size(height), 2) for height in (2.5, 3.5, 5.0)}
    assert TITLE_BLOCK_MM[2] - TITLE_BLOCK_MM[0] == 180  # ISO 7200, from memory


def test_lanes_keep_lengths_apart_and_the_shortest_nearest():
    def length(symbol, low, high):
        shown = OnSheet(how="across", at_mm=((low, 0.0), (high, 0.0)), side="above")
        return general(symbol, "n", "h", high - low, view="A-A", shown=shown)

    rows = (length("W", 0, 200), length("E", 100, 200), length("Q", 0, 60), length("P", 101, 102))
    around = Around(rows=rows, window=(0, 0, 200, 50), scale=1)
    lanes = {lane.row.symbol: lane.number for lane in around.lanes("above")}
    assert lanes == {"P": 0, "Q": 0, "E": 1, "W": 2}
    assert around.room("above") > around.room("below")


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("how", ["across", "upright"])
def test_no_extension_line_passes_through_the_text_of_a_length(how, seed):
    """An extension line passes all lanes within its own; its own text stands off it as well."""
    rng = np.random.default_rng(seed)
    side, axis = ("above", 0) if how == "across" else ("left", 1)
    ends = np.sort(rng.uniform(0, 200, (7, 2)), axis=1)
    ends[:2] = [[84, 116], [69.5, 130.5]]  # a hole about the middle, and the seat about the hole
    rows = []
    for number, pair in enumerate(ends.round(1).tolist()):
        at = tuple((value, 0.0) if axis == 0 else (0.0, value) for value in pair)
        shown = OnSheet(how=how, at_mm=at, side=side)
        nominal = round(pair[1] - pair[0], 1)
        rows.append(general(f"X{number}", "n", "h", nominal, view="A-A", shown=shown))
    around = Around(rows=tuple(rows), window=(0, 0, 200, 200), scale=5)
    lanes = around.lanes(side)
    assert len(lanes) == len(rows)
    for lane in lanes:
        middle, half = around.text_place(lane.row), width_of(text_of(lane.row)) / 2
        for other in lanes:
            for point in other.row.shown.at_mm:
                line = point[axis] / 5
                if other.number >= lane.number:
                    assert abs(line - middle) >= half - 1e-9


def test_labels_are_spread_in_order_between_their_bounds():
    places = spread([5.0, 5.0, 5.0, 29.0], [4.0] * 4, 0.0, 30.0)
    assert all(b - a >= 4 - 1e-9 for a, b in pairwise(places))
    assert places[0] >= 2
    assert places[-1] == 28.0


def test_words_are_wrapped_and_none_is_lost():
    text = "a word, " * 20 + "x" * 90
    lines = wrapped(text, 60.0)
    assert "".join(lines).replace(" ", "") == text.replace(" ", "")
    assert all(width_of(line) <= 60.0 for line in lines)


# ------------------------------------------------------------------------ templates


@pytest.mark.parametrize("name", LENSES)
def test_no_template_has_an_error(name):
    shape, solid = exported(name)
    motion = source_motions(shape, shape.defaults)[0]
    centre = [1e3 * value for value in motion.centre]
    rim = 1e3 * motion.outer_radius_m
    templates = list(templates_of(solid.sections, name, centre, rim))
    assert len(templates) >= 4  # profile and scraper, upright and level
    for template in templates:
        document = filemanagement.read(io.StringIO(dxf_bytes(template).decode()))
        auditor = document.audit()
        assert not auditor.errors, template.name
        assert not auditor.fixes, template.name
        lines = document.modelspace().query("LWPOLYLINE[layer=='OUTLINE']")
        assert len(lines) == len(template.loops)
        assert all(line.closed for line in lines)


def test_the_audit_sees_a_broken_file():
    _, solid = exported("conic_lens")
    (template, *_) = templates_of(solid.sections, "x", (0, 0, 0), 16.0)
    document = filemanagement.read(io.StringIO(dxf_bytes(template).decode()))
    document.modelspace().query("TEXT")[0].dxf.style = "of no such name"
    auditor = document.audit()
    assert auditor.errors or auditor.fixes


# ---------------------------------------------------------------- made anew from the table


@pytest.mark.parametrize("name", LENSES)
def test_the_table_alone_gives_the_lens_within_a_tenth_of_a_millimetre(name):
    shape, solid = exported(name)
    rows = measured_dimensions(solid, source_motions(shape, shape.defaults)).rows
    assert max(compared(solid, rows, count=40)) < 0.1
    # It is the table that it is made from: half a millimetre more of depth is seen.
    deeper = [replace(row, nominal=row.nominal + 0.5 * (row.symbol == "D")) for row in rows]
    assert max(compared(solid, deeper, count=40)) > 0.3
