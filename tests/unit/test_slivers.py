# SPDX-License-Identifier: GPL-3.0-or-later
"""Sliver removal: needles go, shape, planes and fixed vertices stay."""

import numpy as np
import pytest

from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.slivers import collapse_slivers


def sheet(short: float) -> Mesh:
    """A flat strip of 6 x 2 squares, one column of which is only `short` wide."""
    columns = np.array([0.0, 1.0, 2.0, 3.0, 3.0 + short, 4.0, 5.0])
    vertices = np.array([(x, y, 0.0) for x in columns for y in (0.0, 1.0, 2.0)])
    triangles = []
    for column in range(6):
        for row in range(2):
            a = 3 * column + row
            b, c, d = a + 3, a + 4, a + 1
            triangles += [(a, b, c), (a, c, d)]
    return Mesh(vertices, np.array(triangles), np.full(len(triangles), "lens"))


def ranks(mesh: Mesh) -> np.ndarray:
    """Border above inside, corners above border."""
    x, y = mesh.vertices[:, 0], mesh.vertices[:, 1]
    return np.isin(x, (0.0, 5.0)).astype(int) + np.isin(y, (0.0, 2.0))


def everything_movable(mesh: Mesh) -> np.ndarray:
    return np.ones(len(mesh.vertices), dtype=bool)


def test_needles_are_collapsed_and_area_and_border_stay():
    mesh = sheet(0.05)
    cleaned = collapse_slivers(mesh, ranks(mesh), everything_movable(mesh))
    assert mesh.smallest_angles_deg.min() < 3
    assert cleaned.smallest_angles_deg.min() > 30
    assert cleaned.n_triangles == mesh.n_triangles - 4
    assert cleaned.areas.sum() == pytest.approx(10.0)
    np.testing.assert_allclose(cleaned.normals, np.tile((0, 0, 1), (20, 1)))


def test_a_good_mesh_is_left_alone():
    mesh = sheet(0.6)
    cleaned = collapse_slivers(mesh, ranks(mesh), everything_movable(mesh))
    np.testing.assert_array_equal(cleaned.triangles, mesh.triangles)


def test_fixed_vertices_stay_where_they_are():
    mesh = sheet(0.05)
    cleaned = collapse_slivers(mesh, ranks(mesh), np.zeros(len(mesh.vertices), dtype=bool))
    assert cleaned.n_triangles == mesh.n_triangles


def test_a_vertex_is_never_moved_off_a_higher_rank():
    mesh = sheet(0.05)
    on_line = np.isclose(mesh.vertices[:, 0], 3.05)  # say, a mirror plane
    cleaned = collapse_slivers(mesh, 10 * on_line, everything_movable(mesh))
    assert cleaned.n_triangles < mesh.n_triangles
    assert np.isclose(cleaned.vertices[:, 0], 3.05).sum() == 3
    assert np.isclose(cleaned.vertices[:, 0], 3.0).sum() < 3


def test_a_sharp_fold_is_not_flattened():
    mesh = sheet(0.05)
    folded = mesh.vertices.copy()
    far = folded[:, 0] > 3.02
    folded[far, 2] = folded[far, 0] - 3.0  # 45 degrees up behind x = 3
    folded[np.isclose(folded[:, 0], 3.05), 2] = 0.0  # the narrow column lies flat, before it
    bent = Mesh(folded, mesh.triangles, mesh.surface)
    cleaned = collapse_slivers(bent, ranks(mesh), everything_movable(mesh))
    before = bent.areas @ bent.normals
    np.testing.assert_allclose(cleaned.areas @ cleaned.normals, before, rtol=0.03)
