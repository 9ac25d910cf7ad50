# SPDX-License-Identifier: GPL-3.0-or-later
"""The first screen in words: dimensions, what is lost outside the band, what to do next."""

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import patterns
import pytest
from first_screen import run_with_pictures
from small_view import TARGET, small_view

from bafflelens.mesh.mesh import Mesh
from bafflelens.report.curves import Towards, requirements_of
from bafflelens.report.dimensions import dimension_words, dimensions_of
from bafflelens.report.figures import bounce_pair, polars
from bafflelens.report.figures.axes import Scales
from bafflelens.report.figures.standard import standard_figure
from bafflelens.report.outside_band import outside_band
from bafflelens.report.page import render
from bafflelens.scoring.sensitivity import ParameterChange, Robustness
from bafflelens.shapes.meshing.loading import dimensions_of_shape, load_shape

GEOMETRIES = Path(__file__).parents[2] / "geometries"
BAND_HZ = (2000.0, 8000.0)
SCALES = Scales(
    frequency_hz=(1000.0, 16000.0),
    scored_hz=(2000.0, 12000.0),
    response_db=(-30.0, 5.0),
    bounce_db=(-25.0, 5.0),
    directivity_db=(0.0, 20.0),
    beamwidth_deg=180.0,
)


def rim_at(depth_mm):
    """Return a mesh with a surround so far behind the front."""
    corners = np.array([[-depth_mm, 0, 0], [-depth_mm, 1, 0], [-depth_mm, 0, 1]]) * 1e-3
    return Mesh(corners, np.array([[0, 1, 2]]), np.array(["surround"]))


def test_the_dimensions_that_matter_are_said_in_words():
    known = dimensions_of_shape(load_shape(GEOMETRIES / "vertical_lens.py"))
    values = {
        "lens.opening_height_mm": 91.2,
        "lens.wall_half_angle_deg": 40.3,
        "lens.lip_radius_mm": 39.0,
        "cabinet.width_mm": 210.0,
    }
    found = dimensions_of(known(values), set(values) - {"cabinet.width_mm"}, rim_at(34))
    assert dimension_words(found) == "34 mm deep, mouth 91 mm, walls 40°, lip 39 mm"


def test_what_is_not_there_is_not_among_the_dimensions():
    known = dimensions_of_shape(load_shape(GEOMETRIES / "arc_lens.py"))
    searched = {"upper.mouth_height_mm", "lower.mouth_height_mm", "plate.diameter_mm"}
    found = dimensions_of(known({"upper.mouth_height_mm": 52.4}), searched, None)
    assert "plate" not in dimension_words(found)
    assert " 0 mm" not in dimension_words(found)
    assert dimension_words(found) == "upper mouth height 52 mm, lower mouth height 52 mm"


def towards(**level_db):
    frequency = np.array([1000.0, 2000.0, 4000.0, 8000.0, 9000.0, 10000.0, 11000.0, 16000.0])
    flat = np.full(frequency.shape, -3.0)
    levels = {key: flat.copy() for key in ("floor", "ceiling", "side")}
    for key, level in level_db.items():
        levels[key][4:7] = level
    return Towards(frequency_hz=frequency, level_db=levels)


def test_what_is_lost_outside_the_band_is_said():
    said = outside_band(towards(floor=1.7), towards(floor=-2.7), TARGET, BAND_HZ, "plain baffle")
    assert said == (
        "Outside the band: towards the floor +1.7 dB at 10 kHz (plain baffle −2.7 dB)."
    )


def test_to_lose_outside_the_band_is_to_be_quieter_at_the_sides():
    said = outside_band(towards(side=-9.0), towards(floor=1.0), TARGET, BAND_HZ, "plain baffle")
    assert "to the sides −9.0 dB at 10 kHz (plain baffle −3.0 dB)" in said
    assert "floor" not in said


@pytest.mark.parametrize(
    ("band_hz", "said"),
    [
        ((2000.0, 8000.0), "Outside the band (1–2 kHz and 8–16 kHz): nowhere 1 dB worse than the"),
        ((1000.0, 16000.0), "Outside the band: nothing was solved there"),
    ],
)
def test_nothing_lost_and_nothing_known_are_told_apart(band_hz, said):
    assert outside_band(towards(), towards(), TARGET, band_hz, "plain baffle").startswith(said)


@pytest.mark.usefixtures("without_figures")
def test_the_first_screen_says_what_to_make_fear_and_do():
    run = run_with_pictures()
    changes = (
        ParameterChange(
            key="lens.lip_radius_mm", unit="mm", tolerance=1.0, less_db=0.1, more_db=0.3
        ),
    )
    found = Robustness(candidate="c002", score_db=3.0, changes=changes)
    rows = tuple(
        replace(row, robustness=found) if row.candidate.id == "c002" else row for row in run.rows
    )
    opinion = "Warning: bempp at most 0.90 dB apart, more than the 0.3 dB expected"
    page = render(replace(run, rows=rows, second_opinion=opinion, detailed=0))
    first = re.sub(r"<svg.*?</svg>", "", page[: page.index('id="about"')], flags=re.DOTALL)
    assert "Make c002: 34 mm deep, mouth 91 mm, walls 40°, lip 39 mm." in first
    assert "Most sensitive: lens lip radius; 1 mm off costs up to 0.30 dB." in first
    assert "Second opinion: bempp at most 0.90 dB apart" in first
    assert "Near a limit: lens lip radius" in first
    assert "widen lens.lip_radius_mm above 39 mm in the job" in first
    assert "bafflelens handoff results/small c002 --out handoff_c002" in first
    assert "bafflelens carve results/small c002" in first


@pytest.mark.usefixtures("without_figures")
def test_nothing_is_to_be_made_where_nothing_beats_the_baseline():
    frequencies = patterns.sixth_octaves(per_octave=3)
    dataset = patterns.dataset(lambda f, a, e: 1e-4 + 0 * a, frequencies)
    run = small_view({"baseline": dataset, "c001": dataset}, name="small", title="Equal")
    page = render(replace(run, detailed=0))
    first = page[: page.index('id="about"')]
    assert "Make none of these yet: none beats the plain baffle." in first
    assert "bafflelens handoff" not in first
    assert "Search elsewhere" in first


def test_the_baseline_is_behind_every_polar_plot_and_the_standard_curves():
    from bafflelens.directivity.standard_curves import standard_curves
    from bafflelens.report.curves import curves_of

    run = run_with_pictures()
    data = {view.id: view.dataset for view in run.views}
    best, plain = (curves_of(data[name], TARGET, 0.0) for name in ("c002", "baseline"))
    octaves = (2000.0, 4000.0)
    alone = polars(best, octaves, ())
    both = polars(best, octaves, (), ("plain baffle", plain))
    for one, two in zip(alone.axes, both.axes, strict=True):
        assert len(two.lines) == len(one.lines) + len(octaves)
    curves, behind = (standard_curves(data[name]) for name in ("c002", "baseline"))
    figure = standard_figure(curves, "c002", ("plain baffle", behind))
    for axes in figure.axes:
        pale = [line for line in axes.lines if line.get_alpha() is not None]
        assert len(pale) == len(axes.lines) / 2
    assert "plain baffle" in " ".join(text.get_text() for text in figure.texts)


@pytest.mark.parametrize("name", ["c009", "c009_carved", "c009.mesh1_carved"])
def test_the_legend_of_the_bounces_ends_within_the_picture(name):
    from bafflelens.report.curves import curves_of

    data = {view.id: view.dataset for view in run_with_pictures().views}
    best, plain = (curves_of(data[known], TARGET, 0.0) for known in ("c002", "baseline"))
    wanted = requirements_of(TARGET)
    figure = bounce_pair(name, best, ("plain baffle", plain), wanted, SCALES)
    (legend,) = figure.legends
    extent = legend.get_window_extent()
    assert 0 <= extent.x0 < extent.x1 <= figure.bbox.width
