# SPDX-License-Identifier: GPL-3.0-or-later
"""Triangle meshes as shapes: named, placed, made finer, and what is said when it goes wrong."""

import meshio
import numpy as np
import pytest
from bodies import capped_sphere

from bafflelens.base.errors import GeometryError, MeshingError
from bafflelens.handoff.solid_export import export_solid
from bafflelens.mesh.files import write_mesh
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import MeshSize
from bafflelens.shapes.meshing.geometry import mesh_shape
from bafflelens.shapes.meshing.loading import load_shape
from bafflelens.shapes.meshing.moving_parts import source_motions

DECLARATION = """
title = "A ball with a moving cap"
mesh = "ball.vtu"
unit = "cm"
[surfaces]
dome = { regions = ["cap"] }
cabinet = { regions = ["rigid"] }
[[sources]]
name = "tweeter"
axis = [1, 0, 0]
centre_mm = [80, 0, 0]
piston_surfaces = ["dome"]
inner_radius_mm = 60
outer_radius_mm = 60
"""
BALL = capped_sphere(0.3, np.radians(35))
SIZE = MeshSize(
    source_size_m=0.01, growth=3.0, growth_distance_m=0.1, largest_m=0.06, curvature_elements=12
)


@pytest.fixture
def declared(tmp_path):
    """Return a function that writes a ball of 10 cm and its declaration."""

    def write(*replaced, mesh=BALL, name="ball.vtu"):
        write_mesh(tmp_path / name, Mesh(mesh.vertices * 10, mesh.triangles, mesh.surface))
        text = DECLARATION
        for old, new in replaced:
            assert old in text
            text = text.replace(old, new)
        (tmp_path / "ball.toml").write_text(text)
        return tmp_path / "ball.toml"

    return write


def meshed(path):
    (mesh,) = mesh_shape(load_shape(path), {}, [SIZE], 60.0)
    return mesh


def test_a_mesh_is_a_shape(declared):
    path = declared()
    mesh = meshed(path)
    mesh.require_closed(())
    assert mesh.volume == pytest.approx(BALL.volume * 1e-3, rel=1e-9)
    assert set(mesh.surface) == {"dome", "cabinet"}
    corners = mesh.vertices[mesh.triangles]
    longest = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
    assert longest[mesh.surface == "dome"].max() < 4 / 3 * 0.0101
    (motion,) = source_motions(load_shape(path), {})
    assert motion.centre == pytest.approx((0.08, 0, 0))


def test_it_is_placed_and_turned_outwards(declared):
    inside_out = Mesh(BALL.vertices, BALL.triangles[:, ::-1], BALL.surface)
    turned = ("[surfaces]", "[placement]\norigin_mm = [0, 0, 50]\nforward = [0, 1, 0]\n[surfaces]")
    mesh = meshed(declared(turned, mesh=inside_out))
    assert mesh.volume > 0
    # The file's x points to the right of y: the cap sits on the loudspeaker's own right.
    cap = mesh.centroids[mesh.surface == "dome"].mean(axis=0)
    assert cap[1] < -0.05
    assert cap[2] == pytest.approx(-0.05, abs=1e-3)


def test_names_of_the_file_may_be_the_surfaces(declared):
    names = np.where(BALL.surface == "cap", "dome", "cabinet")
    text = DECLARATION[DECLARATION.index("[surfaces]") : DECLARATION.index("[[sources]]")]
    mesh = meshed(declared((text, ""), mesh=Mesh(BALL.vertices, BALL.triangles, names)))
    assert set(mesh.surface) == {"dome", "cabinet"}


@pytest.mark.parametrize(
    ("replaced", "error", "message"),
    [
        (("mesh = ", "mash = "), GeometryError, "'mesh' \\(a triangle mesh\\)"),
        (("ball.vtu", "none.vtu"), GeometryError, "Invalid file 'none.vtu'. Must be a file in"),
        (('unit = "cm"', 'unit = "furlong"'), GeometryError, "Invalid key 'unit' 'furlong'"),
        (('unit = "cm"\n', ""), GeometryError, "Missing key 'unit'"),
        (('["cap"]', '["cab"]'), MeshingError, "Invalid region 'cab'. Must be one of cap, rigid"),
        (
            ('regions = ["rigid"]', 'points = ["rigid"]'),
            GeometryError,
            "points'. Must be one of regions",
        ),
        (
            ('cabinet = { regions = ["rigid"] }\n', ""),
            MeshingError,
            "Invalid region 'rigid'. Must",
        ),
        (('["dome"]\ninner', '["cone"]\ninner'), GeometryError, "Invalid surface of source"),
    ],
)
def test_faults_are_one_line(declared, replaced, error, message):
    path = declared(replaced)
    with pytest.raises(error, match=message):
        meshed(path)


def test_a_mesh_with_a_hole_is_refused(declared):
    holed = Mesh(BALL.vertices, BALL.triangles[1:], BALL.surface[1:])
    with pytest.raises(MeshingError, match="closed"):
        meshed(declared(mesh=holed))


def test_a_file_that_is_cut_short_is_refused(declared, tmp_path):
    path = declared()
    content = (tmp_path / "ball.vtu").read_bytes()
    (tmp_path / "ball.vtu").write_bytes(content[: len(content) // 2])
    with pytest.raises(MeshingError, match=r"Invalid mesh file '.*ball.vtu'. Must be a triangle"):
        meshed(path)


def test_quadrilaterals_are_refused(declared, tmp_path):
    path = declared()
    points = [[0.0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]]
    meshio.Mesh(points, [("quad", [[0, 1, 2, 3]])]).write(tmp_path / "ball.vtu")
    with pytest.raises(MeshingError, match="its cells are: quad"):
        meshed(path)


def test_it_is_no_solid_to_export(declared, tmp_path):
    """Triangles can be solved, but there is no solid in them to hand to a shop."""
    rule = "Must be a script or a STEP file where a solid is built: a triangle mesh is none."
    with pytest.raises(MeshingError, match=rf"^Invalid shape '.*ball\.toml'\. {rule}$"):
        export_solid(
            load_shape(declared()),
            {},
            name="ball",
            stamp="2026-01-01T00:00:00",
            chord_mm=0.1,
            spacing_mm=30.0,
            fan_step_deg=45.0,
            time_limit_s=60.0,
        )
