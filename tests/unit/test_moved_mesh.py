# SPDX-License-Identifier: GPL-3.0-or-later
"""Meshes moved onto another shape of their script: on its surface, unharmed, or made anew.

A vertex on the moved mesh lies on the new solid within rounding, so closed forms of the new shape
hold: the places of its flat parts, the radius of its dome, and a volume that falls short of the
solid's as the first mesh's does.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from bafflelens.base.errors import MeshingError
from bafflelens.base.medium import Air
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.placed_files import load_placed, save_placed
from bafflelens.mesh.quality import mesh_size
from bafflelens.mesh.topology import digest
from bafflelens.shapes.meshing import moved_mesh
from bafflelens.shapes.meshing.geometry import mesh_shape
from bafflelens.shapes.meshing.loading import load_shape
from bafflelens.shapes.meshing.moved_mesh import require_unharmed
from bafflelens.workers.caching.entries import meshes_from_bytes, meshes_to_bytes

LENS = Path(__file__).parents[2] / "geometries" / "vertical_lens.py"
SIZES = [mesh_size("draft", 1600.0, Air())]
ON_SOLID_M = 1e-9  # how near the foot of a vertex is found


def meshed(values, anchors=()):
    (mesh,) = mesh_shape(load_shape(LENS), values, SIZES, 120.0, anchors)
    return mesh


@pytest.fixture(name="anchor", scope="module")
def _anchor():
    return meshed({})


@pytest.fixture(name="changed", scope="module")
def _changed():
    return {"lens.wall_half_angle_deg": 46.0, "lens.lip_radius_mm": 22.0, "dome.height_mm": 5.5}


@pytest.fixture(name="moved", scope="module")
def _moved(anchor, changed):
    return meshed(changed, [anchor])


def test_a_mesh_that_is_moved_nowhere_is_the_same(anchor):
    again = meshed({}, [anchor])
    assert again.places.is_moved
    assert not anchor.places.is_moved
    np.testing.assert_allclose(again.vertices, anchor.vertices, atol=1e-12)


def test_only_where_the_vertices_lie_changes(anchor, moved):
    assert moved.places.is_moved
    assert digest(moved, ("y",)) == digest(anchor, ("y",))
    assert np.abs(moved.vertices - anchor.vertices).max() > 1e-3


def test_the_dome_lies_on_its_new_sphere(moved):
    depth = (60.0 - 17.0) / np.tan(np.radians(46.0)) * 1e-3  # geometries/vertical_lens.py, Depth
    radius, height = 13e-3, 5.5e-3
    sphere = (radius**2 + height**2) / (2 * height)
    dome = moved.vertices[np.unique(moved.triangles[moved.surface == "dome"])]
    centre = np.array([height - sphere - depth, 0.0, 0.0])
    np.testing.assert_allclose(np.linalg.norm(dome - centre, axis=1), sphere, atol=ON_SOLID_M)


def test_flat_parts_stay_flat_and_the_mirror_plane_exact(anchor, moved):
    baffle = moved.vertices[np.unique(moved.triangles[moved.surface == "baffle"])]
    front = np.abs(baffle[:, 0]) < 1e-6
    assert front.sum() > 20
    assert np.abs(baffle[front, 0]).max() < ON_SOLID_M
    on_plane = anchor.vertices[:, 1] == 0.0
    assert (moved.vertices[on_plane, 1] == 0.0).all()


def test_its_volume_falls_short_like_the_first_mesh(anchor, changed, moved):
    fresh = meshed(changed)
    assert moved.volume == pytest.approx(fresh.volume, rel=3e-4)
    assert abs(fresh.volume - anchor.volume) > 5 * abs(fresh.volume - moved.volume)


def test_what_would_suffer_is_made_anew(anchor):
    far = {"lens.wall_half_angle_deg": 60.0, "lens.side_angle_deg": 62.0}
    mesh = meshed(far, [anchor])
    assert not mesh.places.is_moved
    np.testing.assert_array_equal(mesh.vertices, meshed(far).vertices)


def test_a_solid_of_another_make_is_meshed_anew(anchor):
    assert not meshed({"cabinet.edge_radius_mm": 0.0}, [anchor]).places.is_moved


def test_a_moved_mesh_may_be_moved_again(anchor, moved):
    back = meshed({}, [moved])
    np.testing.assert_allclose(back.vertices, anchor.vertices, atol=2e-4)


def test_places_are_kept_in_files_and_in_the_cache(moved, tmp_path):
    save_placed(moved, tmp_path / "mesh.npz")
    (cached,) = meshes_from_bytes(meshes_to_bytes([moved]))
    for found in (load_placed(tmp_path / "mesh.npz"), cached):
        assert found.places.is_moved
        assert found.places.solid == moved.places.solid
        np.testing.assert_array_equal(found.places.entity, moved.places.entity)
        np.testing.assert_array_equal(found.places.share, moved.places.share)


@pytest.mark.parametrize(
    ("change", "match"),
    [
        (lambda xyz: xyz * 1.2, "times as long on"),
        (lambda xyz: xyz * [1.0, 1.0, -1.0], "turn by more than 60 degrees"),
        (lambda xyz: xyz * [1.0, 0.2, 1.0], "become slivers"),
        (lambda xyz: xyz * [1.0, np.nan, 1.0], "turn by more than 60 degrees"),
    ],
)
def test_harm_is_told(anchor, change, match):
    harmed = Mesh(change(anchor.vertices), anchor.triangles, anchor.surface)
    with pytest.raises(MeshingError, match=match):
        require_unharmed(anchor, harmed)


def test_a_triangle_that_becomes_too_large_is_told(anchor, monkeypatch):
    inside = (anchor.places.entity[:, 0][anchor.triangles] == 2).all(axis=1)  # of a face
    inside &= anchor.surface == "cabinet"
    largest = np.argmax(np.where(inside, anchor.longest_edges, 0.0))
    corners = anchor.triangles[largest]
    vertices = anchor.vertices.copy()
    vertices[corners] += 0.4 * (vertices[corners] - vertices[corners].mean(axis=0))
    harmed = Mesh(vertices, anchor.triangles, anchor.surface)
    require_unharmed(anchor, harmed)  # one of so many does no harm
    for limit, value in (("_FEW", 0.0), ("_LARGEST_GROWTH", 1.35)):
        with monkeypatch.context() as patch:
            patch.setattr(moved_mesh, limit, value)
            with pytest.raises(MeshingError, match="become too large"):
                require_unharmed(anchor, harmed)


def test_an_unharmed_mesh_passes(anchor):
    shifted = replace(anchor, vertices=anchor.vertices + np.array([1e-3, 0.0, 0.0]))
    require_unharmed(anchor, shifted)
