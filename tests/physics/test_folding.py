# SPDX-License-Identifier: GPL-3.0-or-later
"""Folding: a symmetric body solved on half, a quarter and an eighth of its mesh.

The same discrete equations, only written for one image each: pressure, far field and power must
agree with the full mesh to 1e-4, whatever the mesh size (the tolerance of the linear solver is
set far below). What is left is the single precision of far elements.
"""

import bodies
import numpy as np
import pytest
import radiating

from bafflelens.bem.radiation import without_mirrored
from bafflelens.directivity.direction_set import directions

SIZE = (0.3, 0.5, 0.4)
DIVISIONS = (4, 6, 4)
K = 12.0
FOLDS = [("x",), ("y",), ("z",), ("y", "z"), ("x", "y", "z")]


def velocity(mesh):
    """Two symmetric motions: breathing of the x faces, and a smooth one of all the others."""
    x, y, z = mesh.centroids.T
    breathing = np.abs(mesh.normals[:, 0])
    smooth = (1 - breathing) * np.cos(5 * x) * np.cos(4 * y) * np.cos(6 * z)
    return np.stack([breathing, smooth])


def solve(symmetry):
    mesh = bodies.box(SIZE, DIVISIONS, symmetry)
    return radiating.solved(mesh, velocity(mesh), K, symmetry, tolerance=1e-7)


@pytest.fixture(scope="module")
def full():
    return solve(())


@pytest.mark.parametrize("symmetry", FOLDS)
def test_same_answer_as_the_full_mesh(full, symmetry):
    folded = solve(symmetry)
    mesh, whole = folded.problem.mesh, full.problem.mesh
    assert whole.n_triangles == mesh.n_triangles * 2 ** len(symmetry)
    distance = np.linalg.norm(whole.centroids[:, None] - mesh.centroids[None], axis=2)
    counterpart = distance.argmin(axis=0)
    assert distance.min(axis=0).max() < 1e-9
    pressure = full.surface_pressure[:, counterpart]
    assert radiating.relative_error(folded.surface_pressure, pressure) < 1e-4

    some = np.random.default_rng(3).normal(size=(50, 3))
    some /= np.linalg.norm(some, axis=1)[:, None]
    far = full.far_field(some)
    assert np.abs(folded.far_field(some) - far).max() < 1e-4 * np.abs(far).max()
    points = 0.7 * some
    near = full.pressure_at(points)
    assert np.abs(folded.pressure_at(points) - near).max() < 1e-4 * np.abs(near).max()
    power = full.cross_power()
    assert np.abs(folded.cross_power() - power).max() < 1e-4 * np.abs(power).max()


def test_the_order_of_the_planes_does_not_matter():
    mesh = bodies.box(SIZE, DIVISIONS, ("y", "z"))
    one, other = (
        radiating.solved(mesh, velocity(mesh), K, planes).surface_pressure
        for planes in (("y", "z"), ("z", "y"))
    )
    np.testing.assert_allclose(one, other, rtol=1e-5)


@pytest.mark.parametrize("symmetry", FOLDS)
def test_directions_that_mirror_others_are_taken_once(symmetry):
    everywhere = directions().vectors
    apart, which = without_mirrored(everywhere, symmetry)
    assert len(apart) < (0.5 ** len(symmetry) + 0.05) * len(everywhere)
    assert np.abs(np.abs(apart[which]) - np.abs(everywhere)).max() < 1e-11
    alike = [n for n, axis in enumerate("xyz") if axis not in symmetry]
    assert np.abs(apart[which][:, alike] - everywhere[:, alike]).max(initial=0.0) < 1e-11
    found = solve(symmetry)
    far = found.far_field(everywhere)
    assert np.abs(found.far_field(apart)[:, which] - far).max() < 1e-5 * np.abs(far).max()


def test_without_mirror_planes_no_direction_is_left_out():
    everywhere = directions().vectors
    apart, which = without_mirrored(everywhere, ())
    assert len(apart) == len(everywhere)
    assert np.abs(apart[which] - everywhere).max() < 1e-11
