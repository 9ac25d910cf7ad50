# SPDX-License-Identifier: GPL-3.0-or-later
"""Inner corners of shipped shapes that are rounded for a cutter, read again by another kernel.

A fillet is where a ball of its radius rolls: the ball's centre is a radius from the sharp solid,
and nothing of that is nearer. Where the floor bends by less than what counts as sharp, 10 degrees
in the vertical lens, the ball dips by R (1 - cos 10 deg).
"""

import math

import gmsh
import numpy as np
import pytest
from handed_lens import GEOMETRIES
from second_kernel import distances_to, points_on, read_step

from bafflelens.base.errors import MeshingError
from bafflelens.handoff import rounded_corners
from bafflelens.handoff.exporter import _united
from bafflelens.handoff.face_names import named_points
from bafflelens.shapes.meshing.loading import load_script
from bafflelens.shapes.meshing.shape_script import built_symmetry

RADIUS_MM = 3.0
RIM_M = 0.016


@pytest.fixture
def rounded(request, tmp_path):
    """Folder with a shipped shape as ``solid.brep``, its names, and the centre of its rim."""
    gmsh.initialize(readConfigFiles=False, interruptible=False)
    try:
        gmsh.option.setNumber("General.Terminal", 0)
        gmsh.option.setString("Geometry.OCCTargetUnit", "M")
        script = load_script(GEOMETRIES / f"{request.param}.py")
        gmsh.model.add("shape")
        script.build(gmsh.model, script.Parameters())
        named = named_points(gmsh.model, built_symmetry(script))
        _united(gmsh, built_symmetry(script), tmp_path)
        gmsh.write(str(tmp_path / "solid.brep"))
        floor = np.concatenate([points for points, name in named if name == "surround"])[0, 0]
        yield tmp_path, named, (float(floor), 0.0, 0.0)
    finally:
        gmsh.finalize()


def step_of(path, drivers=None):
    """A solid of gmsh's as the bytes of a STEP file; with its drivers plugged, if given."""
    gmsh.model.add("written")
    body = gmsh.model.occ.importShapes(str(path))
    if drivers:
        rounded_corners._plugged(gmsh.model, list(body), drivers)
    gmsh.model.occ.synchronize()
    gmsh.write(str(path.with_suffix(".step")))
    return path.with_suffix(".step").read_bytes()


@pytest.mark.parametrize(
    ("rounded", "count", "dips_deg"),
    [("vertical_lens", 10, 10.0), ("waveguide", 2, 0.0)],
    indirect=["rounded"],
)
def test_fillets_are_where_a_ball_rolls(rounded, count, dips_deg):
    folder, named, centre = rounded
    request = {"round_m": RADIUS_MM * 1e-3, "drivers": [(*centre, RIM_M)]}
    found = rounded_corners.round_corners(gmsh, folder, named, request)
    assert (found["rounded"], found["left"]) == (count, [])
    made = read_step(step_of(folder / rounded_corners.ROUNDED))
    sharp = read_step(step_of(folder / "solid.brep", [(*centre, RIM_M)]))
    assert made.is_valid
    assert made.is_closed
    assert made.n_solids == 1
    assert made.volume > sharp.volume
    # Every corner is covered: as far off at least as the bluntest would be that is rounded.
    middles = np.array(found["done"]) * 1e3
    blunt = RADIUS_MM * (1 / math.cos(math.radians(rounded_corners.LEAST_TURN_DEG) / 2) - 1)
    assert distances_to(made, middles).min() > blunt
    points, normals = points_on(made, 0.05, with_normals=True)
    # Not the cabinet's sides, which the fillets end in, nor the far rest of the shape.
    near = np.linalg.norm(points[:, None] - middles, axis=2).min(axis=1) < 20
    near = np.flatnonzero(near & (np.abs(points[:, 1]) < 104.9))
    near = near[:: max(1, len(near) // 300)]
    cut = near[distances_to(sharp, points[near]) > 0.01]
    assert len(cut) > 20
    balls = distances_to(sharp, points[cut] + RADIUS_MM * normals[cut])
    dip = RADIUS_MM * (1 - math.cos(math.radians(dips_deg)))
    assert balls.max() < RADIUS_MM + 0.01
    assert balls.min() > RADIUS_MM - dip - 0.01


@pytest.mark.parametrize("rounded", ["vertical_lens"], indirect=True)
def test_fillets_that_are_not_those_of_the_ball_or_miss_an_edge_are_refused(rounded):
    folder, named, centre = rounded
    body = rounded_corners._scaled(gmsh, folder / "solid.brep", 1e3)
    rim = [1e3 * value for value in (*centre, RIM_M)]
    solid = rounded_corners._plugged(gmsh.model, body, [rim])
    places = [(1e3 * points, name) for points, name in named]
    edges = rounded_corners._sharp_edges(gmsh.model, solid, places)
    assert len(edges) == 10
    ((_, sharp),) = gmsh.model.occ.copy([(3, solid)])
    made = gmsh.model.occ.fillet([solid], [edge.curve for edge in edges], [1.5 * RADIUS_MM])
    gmsh.model.occ.synchronize()

    def required(made, radius, edges=edges):
        rounded_corners._require_rounded(gmsh.model, made, sharp, edges, radius)

    required(made, 1.5 * RADIUS_MM)
    with pytest.raises(MeshingError, match=r"mm off'\. Must be within 0\.12 mm of a ball"):
        required(made, RADIUS_MM)
    with pytest.raises(MeshingError, match=r"'10 edges on the surface'\. Must be one"):
        required([(3, sharp)], RADIUS_MM)
    with pytest.raises(MeshingError, match=r"Invalid fillet '2 pieces'\. Must be one solid"):
        required([*made, (3, sharp)], RADIUS_MM)


def test_the_shortest_corners_of_a_chain_are_left_first():
    def edge(curve, long):
        return rounded_corners._Edge(
            curve=curve, places=np.zeros((3, 3)), long=long, ends=frozenset()
        )

    chain = [edge(1, 70.0), edge(2, 14.0), edge(3, 30.0), edge(4, 70.0), edge(5, 14.0)]
    tries = [[one.curve for one in few] for few in rounded_corners._fewer(chain)]
    assert tries == [[1, 2, 3, 4, 5], [1, 3, 4], [1, 4]]
