# SPDX-License-Identifier: GPL-3.0-or-later
"""The closest point of a surface: the same as from all triangles, and as known for a sphere."""

import numpy as np
import pytest
from bodies import box, icosphere

from bafflelens.closest import closest, pieces, shares


def test_distance_from_a_box_is_exact():
    mesh = box((0.2, 0.3, 0.4), (1, 1, 1))
    points = np.random.default_rng(1).uniform(-0.4, 0.4, (500, 3))
    half = np.array((0.1, 0.15, 0.2))
    away = np.abs(points) - half
    outside = np.linalg.norm(np.maximum(away, 0), axis=1)
    exact = np.where((away < 0).all(axis=1), -away.max(axis=1), outside)
    feet = closest(pieces(mesh.vertices, mesh.triangles, 0.03), points)
    np.testing.assert_allclose(feet.distance, exact, atol=1e-12)
    np.testing.assert_allclose(np.linalg.norm(points - feet.points, axis=1), exact, atol=1e-12)


def test_pieces_keep_area_and_owner():
    mesh = box((0.2, 0.3, 0.4), (2, 1, 1))
    divided = pieces(mesh.vertices, mesh.triangles, 0.05)
    edges = np.linalg.norm(divided.corners - np.roll(divided.corners, 1, axis=1), axis=2)
    assert edges.max() <= 0.05
    cross = np.cross(
        divided.corners[:, 1] - divided.corners[:, 0],
        divided.corners[:, 2] - divided.corners[:, 0],
    )
    areas = np.bincount(divided.owner, np.linalg.norm(cross, axis=1) / 2)
    np.testing.assert_allclose(areas, mesh.areas)
    np.testing.assert_allclose(divided.normals, mesh.normals[divided.owner], atol=1e-9)


def test_only_triangles_that_face_the_same_way_count():
    mesh = box((0.02, 0.3, 0.3), (1, 4, 4))
    point = np.array([[0.012, 0.0, 0.0]])
    surface = pieces(mesh.vertices, mesh.triangles, 0.03)
    front = closest(surface, point, np.array([[1.0, 0, 0]]), candidates=80)
    back = closest(surface, point, np.array([[-1.0, 0, 0]]), candidates=80)
    none = closest(surface, point, np.array([[0, 1.0, 0]]), least_cosine=0.9, candidates=12)
    assert front.distance == pytest.approx(0.002)
    assert back.distance == pytest.approx(0.022)
    assert np.isinf(none.distance).all()


def test_shares_reproduce_the_point():
    mesh = icosphere(4)
    rng = np.random.default_rng(2)
    chosen = rng.integers(0, mesh.n_triangles, 50)
    weights = rng.dirichlet(np.ones(3), 50)
    points = np.einsum("nc,ncj->nj", weights, mesh.corners[chosen])
    found = shares(mesh.vertices, mesh.triangles[chosen], points)
    np.testing.assert_allclose(found, weights, atol=1e-9)


def test_many_points_are_looked_up_in_parts():
    mesh = icosphere(6)
    points = np.random.default_rng(3).normal(size=(25_000, 3))
    points *= 1.5 / np.linalg.norm(points, axis=1, keepdims=True)
    feet = closest(pieces(mesh.vertices, mesh.triangles, 0.1), points)
    assert feet.distance.shape == (25_000,)
    np.testing.assert_allclose(feet.distance, 0.5, atol=0.03)
