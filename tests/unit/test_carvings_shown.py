# SPDX-License-Identifier: GPL-3.0-or-later
"""What a report says of carving: where material went, what it gained, and that this leads."""

from dataclasses import replace

import numpy as np
import patterns
import pytest
from small_view import small_view

from bafflelens.report.carvings import carvings_of, where_text
from bafflelens.report.page import render
from bafflelens.report.shown import Shown
from bafflelens.report.tables import parameter_rows
from bafflelens.report.view import CarvedView

PNG = bytes.fromhex(
    "89504e470d0a1a0a0000000d4948445200000001000000010806000000"
    "1f15c4890000000d49444154789c6360f8cf5003000004800180f7a0c05b0000000049454e44ae426082"
)


def view():
    frequencies = patterns.sixth_octaves(per_octave=3)

    def leaving(up_db):
        """More or less sound at the same rate with the angle, upwards and downwards."""
        return lambda f, a, e: 1e-4 * 10 ** (-up_db * np.abs(e) / 90 / 20) + 0 * a

    datasets = {
        name: patterns.dataset(leaving(up_db), frequencies)
        for name, up_db in (("baseline", 0.0), ("c001", 6.0), ("c001_carved", 12.0))
    }
    carved = CarvedView(
        id="c001_carved",
        parent="c001",
        where="Added: clay.",
        added_m=0.0078,
        taken_m=0.0,
        picture=PNG,
        sheet="limits <8 mm>",
    )
    return replace(small_view(datasets, name="small", title="Carved"), carvings=(carved,))


def test_places_are_named_once_each_with_their_images():
    y, z = np.meshgrid(np.linspace(-0.1, 0.1, 81), np.linspace(-0.1, 0.1, 81))
    points = np.stack([0 * y, y, z], axis=2).reshape(-1, 3)

    def bump(left_m, up_m):
        return np.exp(-((y - left_m) ** 2 + (z - up_m) ** 2) / 0.012**2).ravel()

    height = 0.008 * bump(0, 0.045) + 0.006 * bump(0, -0.045)
    height = height - 0.002 * (bump(0.06, 0) + bump(-0.06, 0)) + 0.002 * bump(0.06, 0.08)
    assert where_text(points, height) == (
        "Added: 8.0 mm at 45 mm above the axis; 6.0 mm at 45 mm below the axis. "
        "Taken: 2.0 mm at 60 mm to both sides of the axis."
    )
    assert where_text(points, 0 * height) == "Nothing was moved."


def test_the_gain_is_that_of_the_scores_and_the_terms_are_both_sides():
    run = view()
    scores = {row.candidate.id: row.candidate.score for row in run.rows}
    (shown,) = carvings_of(run, {"c001": "c001", "c001_carved": "c001, carved"})
    before, after = scores["c001"].total_db, scores["c001_carved"].total_db
    assert after < before
    assert f"Carving c001 gained {before - after:.2f} dB" in shown.gain
    assert shown.terms[0].after_db == pytest.approx(after)
    assert sum(t.before_db for t in shown.terms[1:]) == pytest.approx(before, abs=0.3)


@pytest.mark.usefixtures("without_figures")
def test_a_page_leads_with_what_carving_gained():
    run = view()
    page = render(replace(run, detailed=0))
    first = page[: page.index('id="about"')]
    assert "Carving " in first[: first.index("Gains")]
    assert "Added: clay." in first
    assert "limits &lt;8 mm&gt;" in first
    assert page.index('id="carving"') < page.index('id="ranking"')
    assert 'id="carving"' not in render(replace(run, detailed=0, carvings=()))


def test_a_carved_shape_has_the_parameters_of_its_parent_and_how_far_it_was_moved():
    run = view()
    rows = tuple(
        replace(row, candidate=replace(row.candidate, values={"lens.lip_radius_mm": 39.0}))
        if row.candidate.id == "c001"
        else row
        for row in run.rows
    )
    run = replace(run, rows=rows)
    row = next(row for row in rows if row.candidate.id == "c001_carved")
    shown = next(each for each in run.views if each.id == "c001_carved")
    entry = Shown(row=row, name="c001_carved", view=shown, curves=None)
    found = [(each["part"], each["name"], each["value"]) for each in parameter_rows(entry, run)]
    assert found == [
        ("lens", "lip radius", "39"),
        ("carved from c001", "most added", "7.8"),
        ("carved from c001", "most taken", "0"),
    ]


def test_a_carving_without_scores_is_left_out():
    run = view()
    missing = replace(run.carvings[0], id="c009_carved", parent="c009")
    assert carvings_of(replace(run, carvings=(missing,)), {}) == ()
