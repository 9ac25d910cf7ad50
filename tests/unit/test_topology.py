# SPDX-License-Identifier: GPL-3.0-or-later
"""The digest of a topology: the same while vertices move, another with anything else."""

import numpy as np
import pytest

from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.topology import digest


@pytest.fixture(name="mesh")
def _tetrahedron():
    vertices = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]], dtype=float)
    triangles = np.array([[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]])
    return Mesh(vertices, triangles, np.array(["dome", "dome", "baffle", "baffle"]))


def test_a_moved_mesh_keeps_its_digest(mesh):
    moved = Mesh(mesh.vertices * 1.5 + 0.1, mesh.triangles, mesh.surface)
    assert digest(moved) == digest(mesh)


def test_how_the_numbers_are_stored_makes_no_difference(mesh):
    stored = Mesh(mesh.vertices, mesh.triangles.astype(np.int32), mesh.surface.astype("<U40"))
    assert digest(stored) == digest(mesh)


def test_anything_else_changes_it(mesh):
    renamed = np.where(mesh.surface == "dome", "lens", mesh.surface)
    turned = np.roll(mesh.triangles, 1, axis=1)
    swapped = np.array(["dome", "baffle", "dome", "baffle"])
    others = [
        Mesh(mesh.vertices, mesh.triangles, renamed),
        Mesh(mesh.vertices, turned, mesh.surface),
        Mesh(mesh.vertices, mesh.triangles, swapped),
        Mesh(mesh.vertices, mesh.triangles[::-1], mesh.surface),
        Mesh(np.concatenate((mesh.vertices, [[2, 2, 2]])), mesh.triangles, mesh.surface),
    ]
    found = [digest(mesh), digest(mesh, ("x",)), digest(mesh, ("x", "y")), *map(digest, others)]
    assert len(set(found)) == len(found)


def test_the_order_of_mirror_planes_makes_no_difference(mesh):
    assert digest(mesh, ("x", "y")) == digest(mesh, ("y", "x"))
