# SPDX-License-Identifier: GPL-3.0-or-later
"""A dome with cone midranges: solids against closed forms, names, sources, rules."""

import math

import numpy as np
import pytest

from bafflelens.shapes.meshing.geometry import mesh_shape
from bafflelens.shapes.meshing.loading import check_parameters, load_shape
from bafflelens.shapes.meshing.moving_parts import source_motions

from .conftest import GEOMETRIES, TIME_LIMIT_S, size

SCRIPT = GEOMETRIES / "two_way.py"
CONE, DEPTH, SURROUND, CAP_HEIGHT = 0.045, 0.018, 0.010, 0.008
CAP = CONE - DEPTH * math.tan(math.radians(55.0))
FUNNEL = math.pi * DEPTH * (CONE**2 + CONE * CAP + CAP**2) / 3
BULGE = math.pi * CAP_HEIGHT * (3 * CAP**2 + CAP_HEIGHT**2) / 6
FUNNEL_AREA = math.pi * (CONE + CAP) * math.hypot(CONE - CAP, DEPTH)


def test_a_cone_takes_a_funnel_less_its_dust_cap_from_the_box(solid):
    plain, _ = solid("plain_baffle", {})
    volume, areas = solid("two_way", {})
    assert 2 * (plain - volume) == pytest.approx(FUNNEL - BULGE, rel=1e-6)
    assert 2 * areas["cone"] == pytest.approx(FUNNEL_AREA, rel=1e-6)
    assert 2 * areas["dust_cap"] == pytest.approx(math.pi * (CAP**2 + CAP_HEIGHT**2), rel=1e-6)
    ring = math.pi * ((CONE + SURROUND) ** 2 - CONE**2)
    assert 2 * areas["cone_surround"] == pytest.approx(ring, rel=1e-6)


def test_two_cones_have_names_and_sources_of_their_own(solid):
    both = {
        "midrange.above_mm": 100.0,
        "midrange.below_mm": 130.0,
        "cabinet.tweeter_below_top_mm": 190.0,
    }
    _, areas = solid("two_way", both)
    for kind in ("cone", "dust_cap", "cone_surround"):
        assert areas[f"{kind}_upper"] == pytest.approx(areas[f"{kind}_lower"], rel=1e-9)
    motions = {motion.name: motion for motion in source_motions(load_shape(SCRIPT), both)}
    assert set(motions) == {"tweeter", "midrange_upper", "midrange_lower"}
    assert motions["midrange_upper"].centre == (0.0, 0.0, 0.1)
    assert motions["midrange_lower"].centre == (0.0, 0.0, -0.13)
    assert motions["midrange_lower"].piston_surfaces == ("cone_lower", "dust_cap_lower")


def test_without_cones_it_is_the_plain_baffle(solid):
    volume, areas = solid("two_way", {"midrange.below_mm": 0.0})
    plain_volume, plain_areas = solid("plain_baffle", {})
    assert volume == pytest.approx(plain_volume, rel=1e-9)
    assert areas == pytest.approx(plain_areas, rel=1e-6)


def test_a_cone_is_not_meshed_finer_than_it_is_used():
    shape = load_shape(SCRIPT)
    (mesh,) = mesh_shape(shape, {"midrange.below_mm": 215.0}, [size(2)], TIME_LIMIT_S)
    edges = {
        kind: np.median(mesh.longest_edges[mesh.surface == kind]) for kind in ("dome", "cone")
    }
    assert edges["dome"] < 2.5e-3
    assert edges["cone"] > 3.5e-3


def test_an_inverted_dome_and_a_slit_take_their_volumes(solid):
    plain, _ = solid("two_way", {})
    changed, areas = solid(
        "two_way", {"dome.height_mm": -6.0, "dome.slit_mm": 1.0, "dome.slit_depth_mm": 2.0}
    )
    cap = math.pi * 0.006 * (3 * 0.013**2 + 0.006**2) / 6
    groove = math.pi * (0.017**2 - 0.016**2) * 0.002
    assert 2 * (plain - changed) == pytest.approx(2 * cap + groove, rel=1e-5)
    walls = 2 * math.pi * (0.016 + 0.017) * 0.002 + groove / 0.002
    assert 2 * areas["slit"] == pytest.approx(walls, rel=1e-6)


RULES = [
    (
        {"midrange.depth_mm": 30.0},
        "Invalid cone depth '30 mm'. Must be at most 27.3 mm for a cone of 90 mm at 55 deg, "
        "so that a dust cap of 12 mm is left.",
    ),
    (
        {"midrange.cap_height_mm": 25.0},
        "Invalid dust cap height '25 mm'. Must be at most the dust cap's radius, 19.3 mm.",
    ),
    (
        {"midrange.below_mm": 70.0},
        "Invalid distance from the tweeter to the midrange '-1.0 mm'. Must be at least 6 mm.",
    ),
    (
        {"midrange.below_mm": 240.0},
        "Invalid distance from the midrange's middle to the cabinet's bottom '55 mm'. Must be "
        "at least 76 mm: 55 mm of its own, 6 mm of front and the edge.",
    ),
    (
        {"cabinet.width_mm": 130.0},
        "Invalid half-width of the flat front beside the midrange '50.0 mm'. Must be at least "
        "61.0 mm at -110 mm from the tweeter's axis, 6 mm of it free.",
    ),
    (
        {"dome.height_mm": 1.0},
        "Invalid dome height '1 mm'. Must be at least 2 mm, or at most -2 mm inverted.",
    ),
    (
        {"dome.slit_mm": 0.5},
        "Invalid slit around the surround '0.5 mm'. Must be 0 or at least 0.8 mm, below which "
        "air sticks to the walls.",
    ),
    (
        {"midrange.depth_mm": 50.0, "midrange.angle_deg": 30.0, "cabinet.depth_mm": 60.0},
        "Invalid parameter 'cabinet.depth_mm' '60 mm'. Must be from 100 to 500 mm.",
    ),
]


@pytest.mark.parametrize(("values", "message"), RULES)
def test_rules_are_told_with_both_numbers(values, message):
    values = {"cabinet.height_mm": 400.0, **values}
    assert check_parameters(load_shape(SCRIPT), values) == [message]
