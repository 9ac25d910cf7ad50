# SPDX-License-Identifier: GPL-3.0-or-later
"""Mesh: geometry of triangles, mirroring, the closedness check, files."""

import numpy as np
import pytest

from bafflelens.base.errors import MeshingError, StoreError
from bafflelens.mesh.mesh import Mesh

# A box 1 x 2 x 3 with a corner in the origin, two triangles a face, normals outwards.
CORNERS = np.array([(x, y, z) for x in (0.0, 1.0) for y in (0.0, 2.0) for z in (0.0, 3.0)])
FACES = {
    "back": (0, 1, 3, 2),
    "front": (4, 6, 7, 5),
    "right": (0, 4, 5, 1),
    "left": (2, 3, 7, 6),
    "bottom": (0, 2, 6, 4),
    "top": (1, 5, 7, 3),
}


def box(leave_out: tuple[str, ...] = ()) -> Mesh:
    kept = {name: face for name, face in FACES.items() if name not in leave_out}
    triangles = [t for a, b, c, d in kept.values() for t in ((a, b, c), (a, c, d))]
    names = [name for name in kept for _ in range(2)]
    return Mesh(CORNERS.copy(), np.array(triangles), np.array(names))


def test_box_has_its_volume_areas_and_normals():
    mesh = box()
    mesh.require_closed()
    assert mesh.n_triangles == 12
    assert mesh.volume == pytest.approx(6.0)
    assert mesh.areas[mesh.surface == "front"].sum() == pytest.approx(6.0)
    assert mesh.areas[mesh.surface == "left"].sum() == pytest.approx(3.0)
    np.testing.assert_allclose(mesh.normals[mesh.surface == "front"], [(1, 0, 0)] * 2)
    np.testing.assert_allclose(mesh.normals[mesh.surface == "bottom"], [(0, 0, -1)] * 2)
    # The divergence theorem for a constant field: the area vector of a closed surface is zero.
    np.testing.assert_allclose(mesh.areas @ mesh.normals, 0, atol=1e-12)


def test_edges_and_angles_of_a_known_triangle():
    mesh = Mesh(
        np.array([(0, 0, 0), (3, 0, 0), (0, 4, 0.0)]), np.array([(0, 1, 2)]), np.array(["a"])
    )
    assert mesh.longest_edges == pytest.approx([5.0])
    assert mesh.smallest_angles_deg == pytest.approx([np.degrees(np.arctan2(3, 4))])
    np.testing.assert_allclose(mesh.centroids, [(1, 4 / 3, 0)])


@pytest.mark.parametrize(("plane", "open_face"), [("x", "back"), ("y", "right"), ("z", "bottom")])
def test_mirrored_half_is_closed_and_twice_as_large(plane, open_face):
    half = box(leave_out=(open_face,))
    half.require_closed((plane,))
    whole = half.mirrored(plane)
    whole.require_closed()
    assert whole.volume == pytest.approx(12.0)
    assert len(whole.vertices) == 12  # four of the eight lie on the plane and are shared
    assert set(whole.surface) == set(half.surface)


def test_octant_is_mirrored_in_three_planes():
    octant = box(leave_out=("back", "right", "bottom"))
    octant.require_closed(("x", "y", "z"))
    assert octant.mirrored("x").mirrored("y").mirrored("z").volume == pytest.approx(48.0)


def test_a_hole_is_named_with_its_place():
    with pytest.raises(MeshingError, match=r"4 free edges, the first at .* mm\. Must be a closed"):
        box(leave_out=("top",)).require_closed()


def test_a_free_edge_off_the_mirror_plane_is_found():
    half = box(leave_out=("right",))
    aside = Mesh(half.vertices + np.array((1.0, 0.0, 0.0)), half.triangles, half.surface)
    with pytest.raises(MeshingError, match="8 free edges"):
        aside.require_closed(("x",))


def test_one_turned_triangle_is_found():
    mesh = box()
    mesh.triangles[3] = mesh.triangles[3][::-1]
    with pytest.raises(MeshingError, match="edges are used twice in the same direction"):
        mesh.require_closed()


def test_an_inside_out_box_is_found():
    mesh = box()
    inside_out = Mesh(mesh.vertices, mesh.triangles[:, ::-1], mesh.surface)
    assert inside_out.volume == pytest.approx(-6.0)
    with pytest.raises(MeshingError, match=r"volume -6 m\^3\. Must have outward normals"):
        inside_out.require_closed()


def test_unused_vertices_are_dropped():
    mesh = box()
    loose = Mesh(np.vstack(([(9.0, 9, 9)], mesh.vertices)), mesh.triangles + 1, mesh.surface)
    tidy = loose.without_unused_vertices()
    assert len(tidy.vertices) == 8
    np.testing.assert_array_equal(tidy.corners, mesh.corners)


def test_a_saved_mesh_comes_back_unchanged(tmp_path):
    path = tmp_path / "box.npz"
    box().save(path)
    loaded = Mesh.load(path)
    np.testing.assert_array_equal(loaded.vertices, box().vertices)
    np.testing.assert_array_equal(loaded.triangles, box().triangles)
    np.testing.assert_array_equal(loaded.surface, box().surface)
    assert [entry.name for entry in tmp_path.iterdir()] == ["box.npz"]  # no temporary left


@pytest.mark.parametrize("content", [None, b"", b"not a mesh"])
def test_a_broken_mesh_file_is_one_clear_line(tmp_path, content):
    path = tmp_path / "broken.npz"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(
        StoreError, match=r"Invalid mesh file '.*broken\.npz'\. Must be a (readable )?mesh saved"
    ):
        Mesh.load(path)
