# SPDX-License-Identifier: GPL-3.0-or-later
"""Cabinets with edges of their own, a head, a leaning front, an offset tweeter: closed forms."""

import math

import numpy as np
import pytest

from bafflelens.base.conventions import direction_vectors
from bafflelens.base.medium import Air
from bafflelens.bem.engines import solve
from bafflelens.bem.problem import HelmholtzProblem
from bafflelens.mesh.quality import mesh_size
from bafflelens.mesh.source_motion import normal_velocity
from bafflelens.shapes.meshing.geometry import mesh_shape
from bafflelens.shapes.meshing.loading import check_parameters, load_shape
from bafflelens.shapes.meshing.moving_parts import source_motions

from .conftest import GEOMETRIES, TIME_LIMIT_S, size

WIDTH, HEIGHT, DEPTH = 0.21, 0.40, 0.25
CAP = math.pi * 0.006 * (3 * 0.013**2 + 0.006**2) / 6
CORNER = 1 - math.pi / 4  # what a round-over of radius 1 takes from a square corner
SHARP = {
    "edges.top_radius_mm": 0.0,
    "edges.bottom_radius_mm": 0.0,
    "edges.side_radius_mm": 0.0,
}


def box(solid, values: dict[str, float]) -> float:
    """Return the volume of the whole shaped cabinet without its dome, in m^3."""
    volume, _ = solid("shaped_cabinet", {**SHARP, **values})
    return 2 * volume - CAP


def test_every_edge_has_a_treatment_of_its_own(solid):
    values = {"edges.top_radius_mm": 40.0, "edges.bottom_chamfer_mm": 25.0}
    expected = WIDTH * (HEIGHT * DEPTH - CORNER * 0.040**2 - 0.025**2 / 2)
    assert box(solid, values) == pytest.approx(expected, rel=1e-7)


@pytest.mark.parametrize(("low", "growth"), [(10.0, 30.0), (40.0, -30.0)])
def test_side_edges_grow_evenly_along_the_height(solid, low, growth):
    """The mean square of a radius that goes evenly from a to b is (a^2 + a b + b^2) / 3."""
    a, b = low / 1000, (low + growth) / 1000
    mean_square = (a**2 + a * b + b**2) / 3
    rounded = box(solid, {"edges.side_radius_mm": low, "edges.side_growth_mm": growth})
    expected = HEIGHT * (WIDTH * DEPTH - 2 * CORNER * mean_square)
    assert rounded == pytest.approx(expected, rel=1e-6)
    chamfered = box(solid, {"edges.side_chamfer_mm": low, "edges.side_growth_mm": growth})
    assert chamfered == pytest.approx(HEIGHT * (WIDTH * DEPTH - mean_square), rel=1e-6)


@pytest.mark.parametrize("slant", [12.0, -12.0])
def test_a_leaning_box_is_a_trapezium_in_the_side_view(solid, slant):
    lean = math.radians(slant)
    top_depth = DEPTH - HEIGHT * math.sin(lean)
    expected = WIDTH * (DEPTH + top_depth) / 2 * HEIGHT * math.cos(lean)
    assert box(solid, {"cabinet.slant_deg": slant}) == pytest.approx(expected, rel=1e-7)


def test_the_front_of_a_leaning_box_is_the_plane_of_the_tweeter():
    shape = load_shape(GEOMETRIES / "shaped_cabinet.py")
    (mesh,) = mesh_shape(shape, {**SHARP, "cabinet.slant_deg": 10.0}, [size(20)], TIME_LIMIT_S)
    front = mesh.surface == "baffle"
    np.testing.assert_allclose(mesh.corners[front][..., 0], 0.0, atol=1e-9)
    sides = mesh.normals[mesh.surface == "cabinet"]
    below = sides[sides[:, 2] < -0.5]  # level in the room: turned by the slant here
    np.testing.assert_allclose(below[:, 0], -math.sin(math.radians(10.0)), atol=1e-6)


def test_a_head_tapers_and_steps(solid):
    tapered = box(solid, {"head.height_mm": 150.0, "head.top_width_mm": 130.0})
    front = WIDTH * 0.25 + (WIDTH + 0.13) / 2 * 0.15
    assert tapered == pytest.approx(front * DEPTH, rel=1e-7)
    stepped = box(
        solid,
        {"head.height_mm": 150.0, "head.bottom_width_mm": 170.0, "head.top_width_mm": 130.0},
    )
    front = WIDTH * 0.25 + (0.17 + 0.13) / 2 * 0.15
    assert stepped == pytest.approx(front * DEPTH, rel=1e-7)


def test_the_offset_cabinet_with_no_offset_is_the_whole_of_the_shaped_one(solid):
    changed = {
        "cabinet.slant_deg": 5.0,
        "head.height_mm": 160.0,
        "head.top_width_mm": 150.0,
        "edges.top_radius_mm": 25.0,
    }
    half, half_areas = solid("shaped_cabinet", {**changed, "edges.side_growth_mm": 10.0})
    same = {"cabinet.tweeter_offset_mm": 0.0, "edges.left_growth_mm": 10.0}
    full, areas = solid("offset_cabinet", {**changed, **same, "edges.right_growth_mm": 10.0})
    assert full == pytest.approx(2 * half, rel=1e-7)
    for name, area in areas.items():
        assert area == pytest.approx(2 * half_areas[name], rel=1e-6)


def test_half_and_whole_radiate_alike():
    """The same cabinet as a mirrored half and as a whole of its own mesh: within 0.2 dB.

    ``tests/benchmarks/two_ways.py`` shows it up to 10 kHz.
    """
    angle = np.arange(-60.0, 61.0, 5.0)
    both_orbits = np.concatenate(
        (direction_vectors(angle, 0 * angle), direction_vectors(0 * angle, angle))
    )
    changed = {"cabinet.slant_deg": 5.0, "head.height_mm": 160.0, "head.top_width_mm": 150.0}
    levels = []
    for name, values in (
        ("shaped_cabinet", {**changed, "edges.side_growth_mm": 10.0}),
        (
            "offset_cabinet",
            {
                **changed,
                "edges.left_growth_mm": 10.0,
                "edges.right_growth_mm": 10.0,
                "cabinet.tweeter_offset_mm": 0.0,
            },
        ),
    ):
        shape = load_shape(GEOMETRIES / f"{name}.py")
        (mesh,) = mesh_shape(shape, values, [mesh_size("standard", 1250.0, Air())], TIME_LIMIT_S)
        problem = HelmholtzProblem(
            mesh=mesh,
            frequency_hz=1250.0,
            air=Air(),
            normal_velocity=normal_velocity(mesh, source_motions(shape, values), 1250.0),
            symmetry=shape.symmetry,
        )
        levels.append(20 * np.log10(np.abs(solve(problem).far_field(both_orbits)[0])))
    assert np.abs(levels[0] - levels[1]).max() < 0.2
    assert np.ptp(levels[0]) > 3.0  # it is no sphere


def test_an_offset_tweeter_stays_at_the_origin_and_the_box_moves(solid):
    values = {"cabinet.tweeter_offset_mm": 30.0, "edges.left_radius_mm": 30.0}
    values |= {"edges.right_radius_mm": 0.0, "edges.right_chamfer_mm": 20.0}
    values |= {"edges.top_radius_mm": 0.0, "edges.bottom_radius_mm": 0.0}
    volume, _ = solid("offset_cabinet", values)
    expected = HEIGHT * (WIDTH * DEPTH - CORNER * 0.030**2 - 0.020**2 / 2)
    assert volume - CAP == pytest.approx(expected, rel=1e-6)
    shape = load_shape(GEOMETRIES / "offset_cabinet.py")
    (mesh,) = mesh_shape(shape, values, [size(25)], TIME_LIMIT_S)
    low, high = mesh.vertices.min(axis=0), mesh.vertices.max(axis=0)
    assert (low[1], high[1]) == pytest.approx((-0.135, 0.075))
    (motion,) = source_motions(shape, values)
    assert motion.centre == (0.0, 0.0, 0.0)
    dome = mesh.corners[mesh.surface == "dome"]
    np.testing.assert_allclose(np.hypot(dome[..., 1], dome[..., 2]).max(), 0.013, rtol=1e-6)


RULES = [
    (
        {"edges.top_chamfer_mm": 10.0},
        "Invalid top edge 'radius 15 mm and chamfer 10 mm'. Must be one or the other; set the "
        "other to 0.",
    ),
    (
        {"edges.side_growth_mm": -13.0},
        "Invalid side edge '2 mm'. Must be at least 3 mm at both ends of an edge that grows.",
    ),
    (
        {"edges.side_radius_mm": 80.0, "edges.side_growth_mm": 20.0},
        "Invalid flat front '10.0 mm wide'. Must be at least 40 mm between edges of 100.0 "
        "and 100.0 mm on a width of 210.0 mm.",
    ),
    (
        {"head.top_width_mm": 100.0},
        "Invalid head height '0 mm'. Must be more for a head 100 mm wide.",
    ),
    (
        {"head.height_mm": 390.0},
        "Invalid head height '390 mm'. Must be 0, or from 30 mm to 370 mm for this cabinet.",
    ),
    (
        {"head.height_mm": 150.0, "head.bottom_width_mm": 205.0},
        "Invalid width where the head begins '205 mm'. Must be 0 or at most 194 mm for a cabinet "
        "210 mm wide.",
    ),
    (
        {"head.height_mm": 150.0, "head.bottom_width_mm": 150.0, "head.top_width_mm": 170.0},
        "Invalid width of the head's top '170 mm'. Must be at most that where the head begins, "
        "150 mm.",
    ),
    (
        {"head.height_mm": 50.0, "head.top_width_mm": 90.0},
        "Invalid width of the head's top '90 mm'. Must be at least 110 mm, so that the head "
        "tapers by at most 45 deg a side.",
    ),
    (
        {"head.height_mm": 100.0, "head.bottom_width_mm": 100.0, "edges.side_radius_mm": 30.0},
        "Invalid half-width of the flat front beside the tweeter '20.0 mm'. Must be",
    ),
    (
        {"cabinet.depth_mm": 140.0, "cabinet.slant_deg": 15.0},
        "Invalid depth of a cabinet that leans by 15 deg '36.5 mm'. Must be at least 50 mm where "
        "it is least.",
    ),
    (
        {
            "cabinet.depth_mm": 100.0,
            "edges.top_radius_mm": 80.0,
            "cabinet.height_mm": 200.0,
            "cabinet.slant_deg": -5.0,
            "edges.bottom_radius_mm": 70.0,
        },
        "Invalid front edge '87.3 mm deep'. Must be at most 80.0 mm, 20 mm less than the "
        "cabinet's depth.",
    ),
    (
        {"cabinet.height_mm": 200.0, "edges.top_radius_mm": 80.0, "edges.bottom_radius_mm": 80.1},
        "Invalid parameter 'edges.bottom_radius_mm' '80.1 mm'. Must be from 0 to 80 mm.",
    ),
    (
        {
            "edges.top_radius_mm": 80.0,
            "cabinet.height_mm": 200.0,
            "edges.bottom_radius_mm": 80.0,
            "cabinet.slant_deg": 1.0,
        },
        "Invalid flat front '40.0 mm high'. Must be",
    ),
]


@pytest.mark.parametrize(("values", "message"), RULES)
def test_rules_are_told_with_both_numbers(values, message):
    faults = check_parameters(load_shape(GEOMETRIES / "shaped_cabinet.py"), values)
    assert any(fault.startswith(message) for fault in faults), faults


def test_a_tweeter_too_far_beside_the_middle_is_refused():
    faults = check_parameters(
        load_shape(GEOMETRIES / "offset_cabinet.py"), {"cabinet.tweeter_offset_mm": 80.0}
    )
    assert faults == [
        "Invalid half-width of the flat front beside the tweeter '10.0 mm'. Must be at least 22.0 "
        "mm at +0 mm from the tweeter's axis, 6 mm of it free."
    ]
