# SPDX-License-Identifier: GPL-3.0-or-later
"""The plain baffle against closed forms: a box, its treated edges, a spherical cap."""

import numpy as np
import pytest

from bafflelens.mesh.absorbers import PorousLayer
from bafflelens.shapes.meshing.geometry import mesh_shape
from bafflelens.shapes.meshing.loading import check_parameters, load_shape
from bafflelens.shapes.meshing.moving_parts import surface_absorbers

from .conftest import GEOMETRIES, TIME_LIMIT_S, size

WIDTH, HEIGHT, DEPTH = 0.21, 0.40, 0.25
DOME_RADIUS, DOME_HEIGHT, RIM = 0.013, 0.006, 0.016
CAP_VOLUME = np.pi * DOME_HEIGHT * (3 * DOME_RADIUS**2 + DOME_HEIGHT**2) / 6
CAP_AREA = np.pi * (DOME_RADIUS**2 + DOME_HEIGHT**2)
RING_AREA = np.pi * (RIM**2 - DOME_RADIUS**2)


def box_volume(inset: float, inset_squared: float) -> float:
    """Volume of a box whose four front edges are cut back alike, with mitred corners.

    At the depth x behind the front every side is set back by i(x); the cross-section is
    (W - 2 i)(H - 2 i). The arguments are the integrals of i and of i squared over x.
    """
    return WIDTH * HEIGHT * DEPTH - 2 * (WIDTH + HEIGHT) * inset + 4 * inset_squared


EDGES = {
    "sharp": ({"cabinet.edge_radius_mm": 0.0}, 0.0, box_volume(0.0, 0.0)),
    # i(x) = r - sqrt(r^2 - (r - x)^2)
    "rounded": (
        {},
        0.015,
        box_volume((1 - np.pi / 4) * 0.015**2, (5 / 3 - np.pi / 2) * 0.015**3),
    ),
    # i(x) = c - x
    "chamfered": (
        {"cabinet.edge_radius_mm": 0.0, "cabinet.edge_chamfer_mm": 20.0},
        0.020,
        box_volume(0.020**2 / 2, 0.020**3 / 3),
    ),
}


@pytest.mark.parametrize("kind", EDGES)
def test_solid_has_the_volume_and_areas_of_the_closed_form(solid, kind):
    values, edge, box = EDGES[kind]
    volume, areas = solid("plain_baffle", values)
    assert 2 * volume == pytest.approx(box + CAP_VOLUME, rel=1e-7)
    assert 2 * areas["dome"] == pytest.approx(CAP_AREA, rel=1e-6)  # integrated numerically
    assert 2 * areas["surround"] == pytest.approx(RING_AREA, rel=1e-7)
    # What is not front or front edge: the back, and four sides that begin behind the edge.
    sides = 2 * (WIDTH + HEIGHT) * (DEPTH - edge)
    assert 2 * areas["cabinet"] == pytest.approx(WIDTH * HEIGHT + sides, rel=1e-7)
    if kind == "sharp":
        assert 2 * areas["baffle"] == pytest.approx(WIDTH * HEIGHT - np.pi * RIM**2, rel=1e-7)


def test_felt_is_a_ring_on_the_baffle(solid):
    _, bare = solid("plain_baffle", {"cabinet.edge_radius_mm": 0.0})
    _, areas = solid("plain_baffle", {"cabinet.edge_radius_mm": 0.0, "felt.width_mm": 30.0})
    ring = np.pi * ((RIM + 0.03) ** 2 - RIM**2)
    assert "felt" not in bare
    assert 2 * areas["felt"] == pytest.approx(ring, rel=1e-7)
    assert areas["felt"] + areas["baffle"] == pytest.approx(bare["baffle"], rel=1e-7)
    assert areas["surround"] == pytest.approx(bare["surround"], rel=1e-7)


def test_felt_comes_with_its_layer():
    shape = load_shape(GEOMETRIES / "plain_baffle.py")
    assert surface_absorbers(shape, {}) == {}
    given = {
        "felt.width_mm": 20.0,
        "felt.thickness_mm": 4.0,
        "felt.flow_resistivity_kpa_s_m2": 25.0,
    }
    layer = PorousLayer(thickness_m=0.004, flow_resistivity=25e3)
    assert surface_absorbers(shape, given) == {"felt": layer}
    (mesh,) = mesh_shape(shape, given, [size(20)], TIME_LIMIT_S)
    assert "felt" in mesh.surface


@pytest.fixture(scope="module")
def default_meshes():
    shape = load_shape(GEOMETRIES / "plain_baffle.py")
    return mesh_shape(shape, {}, [size(8), size(4)], TIME_LIMIT_S)


def test_mesh_converges_to_the_solid(default_meshes):
    """Edges of flat triangles on curved surfaces: the error falls with the square of the size."""
    exact = (EDGES["rounded"][2] + CAP_VOLUME) / 2
    meshes = default_meshes
    errors = [1 - mesh.volume / exact for mesh in meshes]
    assert 0 < errors[1] < errors[0] < 5e-4
    assert meshes[1].areas[meshes[1].surface == "dome"].sum() * 2 == pytest.approx(
        CAP_AREA, rel=0.02
    )


def test_the_finest_edges_are_at_the_dome(default_meshes):
    _, mesh = default_meshes
    distance = np.linalg.norm(mesh.centroids, axis=1)
    near, far = (distance > 0.03) & (distance < 0.05), distance > 0.25
    assert np.median(mesh.longest_edges[near]) == pytest.approx(4e-3 * 1.15, rel=0.15)
    assert np.median(mesh.longest_edges[far]) == pytest.approx(8e-3, rel=0.15)


@pytest.mark.parametrize(
    ("values", "message"),
    [
        (
            {"cabinet.edge_chamfer_mm": 10.0},
            "Invalid front edge 'radius 15 mm and chamfer 10 mm'. Must be one or the other; "
            "set the other to 0.",
        ),
        (
            {"cabinet.edge_radius_mm": 1.0},
            "Invalid front edge '1 mm'. Must be 0 or at least 3 mm.",
        ),
        (
            {"dome.diameter_mm": 20.0, "dome.height_mm": 11.0},
            "Invalid dome height '11 mm'. Must be at most the dome's radius, 10 mm.",
        ),
        ({"felt.width_mm": 2.0}, "Invalid width of the felt '2 mm'. Must be 0 or at least 3 mm."),
        (
            {"cabinet.tweeter_below_top_mm": 70.0, "felt.width_mm": 40.0},
            "Invalid distance from the tweeter's axis to the cabinet's top '70 mm'. Must be at "
            "least 74 mm: dome, surround and felt, the front edge and 3 mm between them.",
        ),
        (
            {"cabinet.tweeter_below_top_mm": 60.0, "cabinet.edge_radius_mm": 45.0},
            "Invalid distance from the tweeter's axis to the cabinet's top '60 mm'. Must be at "
            "least 64 mm: dome and surround, the front edge and 3 mm between them.",
        ),
        (
            {"cabinet.tweeter_below_top_mm": 300.0, "cabinet.height_mm": 320.0},
            "Invalid distance from the tweeter's axis to the cabinet's bottom '20 mm'. Must be "
            "at least 34 mm: dome and surround, the front edge and 3 mm between them.",
        ),
    ],
)
def test_rules_are_told_with_both_numbers(values, message):
    assert check_parameters(load_shape(GEOMETRIES / "plain_baffle.py"), values) == [message]
