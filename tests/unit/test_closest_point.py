# SPDX-License-Identifier: GPL-3.0-or-later
"""The closest point of a surface: the same as from all triangles, and as known for a sphere.

All triangles are tried by trimesh, whose way of finding the foot is another one.
"""

import numpy as np
import pytest
import trimesh.triangles
from bodies import box, icosphere
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import nnls

from bafflelens.base.closest_point import closest, searchable, shares


def by_trying_all(corners, points):
    """Return the distance from the closest of all triangles, (n,)."""
    away = [
        np.linalg.norm(
            trimesh.triangles.closest_point(corners, np.tile(point, (len(corners), 1))) - point,
            axis=1,
        )
        for point in points
    ]
    return np.array(away).min(axis=1)


def test_distance_from_a_box_is_exact():
    mesh = box((0.2, 0.3, 0.4), (1, 1, 1))
    points = np.random.default_rng(1).uniform(-0.4, 0.4, (500, 3))
    half = np.array((0.1, 0.15, 0.2))
    away = np.abs(points) - half
    outside = np.linalg.norm(np.maximum(away, 0), axis=1)
    exact = np.where((away < 0).all(axis=1), -away.max(axis=1), outside)
    feet = closest(searchable(mesh.vertices, mesh.triangles), points)
    np.testing.assert_allclose(feet.distance, exact, atol=1e-12)
    np.testing.assert_allclose(np.linalg.norm(points - feet.points, axis=1), exact, atol=1e-12)


def off_the_triangle(triangle, point):
    """Return how far a point is off a triangle: its corners, weighted, by scipy.

    trimesh's own answer is off by the triangle's size where that is 0.1 mm.
    """
    weight = 1e3  # the weights sum to 1
    _, rest = nnls(np.vstack([triangle.T, np.full(3, weight)]), [*point, weight])
    return rest


@given(st.integers(0, 2**32 - 1), st.integers(1, 120), st.floats(-3.0, 0.0))
@settings(deadline=None, max_examples=60)
def test_no_triangle_of_any_size_is_closer(seed, n_triangles, smallest):
    """Soups of triangles whose sizes differ up to a thousandfold, slivers among them."""
    rng = np.random.default_rng(seed)
    middles = rng.uniform(-0.1, 0.1, (n_triangles, 1, 3))
    sizes = 0.1 * 10 ** rng.uniform(smallest, 0, (n_triangles, 1, 1))
    corners = middles + sizes * rng.normal(size=(n_triangles, 3, 3))
    slim = rng.random(n_triangles) < 0.2
    corners[slim, 2] = corners[slim, :2].mean(axis=1) + 1e-7 * rng.normal(size=(slim.sum(), 3))
    vertices, triangles = corners.reshape(-1, 3), np.arange(3 * n_triangles).reshape(-1, 3)
    points = rng.uniform(-0.2, 0.2, (15, 3))
    feet = closest(searchable(vertices, triangles), points)
    # Where trimesh is off it is too far away: its foot, too, is on the triangle.
    assert (feet.distance <= by_trying_all(corners, points) + 1e-9).all()
    apart = np.linalg.norm(points - feet.points, axis=1)
    np.testing.assert_allclose(apart, feet.distance, atol=1e-12)
    for foot, triangle in zip(feet.points, corners[feet.owner], strict=True):
        assert off_the_triangle(triangle, foot) < 1e-12


def test_large_triangles_among_small_ones_are_found():
    """A plate of two triangles, and a finely meshed ball just above it."""
    ball = icosphere(24)
    plate = np.array([[-1.0, -1, 0], [1, -1, 0], [1, 1, 0], [-1, 1, 0]])
    vertices = np.concatenate((ball.vertices * 0.02 + (0, 0, 0.021), plate))
    n = len(ball.vertices)
    triangles = np.concatenate((ball.triangles, [[n, n + 1, n + 2], [n, n + 2, n + 3]]))
    points = np.random.default_rng(4).uniform(-0.03, 0.03, (300, 3)) * (1, 1, 0) + (0, 0, 4e-4)
    feet = closest(searchable(vertices, triangles), points)
    under = np.hypot(points[:, 0], points[:, 1]) < 1e-2
    np.testing.assert_allclose(feet.distance[~under], 4e-4, atol=1e-12)
    assert (feet.distance <= 4e-4 + 1e-12).all()


def test_only_triangles_that_face_the_same_way_count():
    mesh = box((0.02, 0.3, 0.3), (1, 4, 4))
    point = np.array([[0.012, 0.0, 0.0]])
    surface = searchable(mesh.vertices, mesh.triangles)
    front = closest(surface, point, np.array([[1.0, 0, 0]]), least_cosine=0.1)
    back = closest(surface, point, np.array([[-1.0, 0, 0]]), least_cosine=0.1)
    side = closest(surface, point, np.array([[0, 1.0, 0]]), least_cosine=0.9)
    none = closest(surface, point, np.array([[0, 1.0, 0]]), least_cosine=0.9, farthest_m=0.14)
    assert front.distance == pytest.approx(0.002)
    assert back.distance == pytest.approx(0.022)
    assert side.distance == pytest.approx(np.hypot(0.15, 0.002))
    assert np.isinf(none.distance).all()


def test_triangles_without_area_are_left_out_and_owners_kept():
    mesh = box((0.2, 0.3, 0.4), (2, 1, 1))
    triangles = np.concatenate(([[0, 0, 1]], mesh.triangles))
    surface = searchable(mesh.vertices, triangles)
    feet = closest(surface, mesh.centroids)
    np.testing.assert_array_equal(feet.owner, np.arange(mesh.n_triangles) + 1)
    np.testing.assert_allclose(feet.normals, mesh.normals, atol=1e-9)


def test_shares_reproduce_the_point():
    mesh = icosphere(4)
    rng = np.random.default_rng(2)
    chosen = rng.integers(0, mesh.n_triangles, 50)
    weights = rng.dirichlet(np.ones(3), 50)
    points = np.einsum("nc,ncj->nj", weights, mesh.corners[chosen])
    found = shares(mesh.vertices, mesh.triangles[chosen], points)
    np.testing.assert_allclose(found, weights, atol=1e-9)


def test_many_points_around_a_ball():
    mesh = icosphere(6)
    points = np.random.default_rng(3).normal(size=(25_000, 3))
    points *= 1.5 / np.linalg.norm(points, axis=1, keepdims=True)
    feet = closest(searchable(mesh.vertices, mesh.triangles), points)
    assert feet.distance.shape == (25_000,)
    np.testing.assert_allclose(feet.distance, 0.5, atol=0.03)
