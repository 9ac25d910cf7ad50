# SPDX-License-Identifier: GPL-3.0-or-later
"""Crossing and folded triangles are found; those that only touch are not."""

import numpy as np
import pytest

from bafflelens.mesh.intersections import crossing_triangles
from bafflelens.mesh.mesh import Mesh


def surface(points: list[tuple[float, float, float]], *triangles: tuple[int, int, int]) -> Mesh:
    names = np.full(len(triangles), "baffle")
    return Mesh(np.array(points, dtype=float), np.array(triangles), names)


FLAT = [(0, 0, 0), (1, 0, 0), (0, 1, 0)]


@pytest.mark.parametrize(
    ("points", "second", "crosses"),
    [
        # Three corners of its own: through the middle, beside it, in its plane, at its edge.
        ([(0.2, 0.2, -1), (0.3, 0.2, 1), (0.2, 0.3, 1)], (3, 4, 5), True),
        ([(1.2, 0.2, -1), (1.3, 0.2, 1), (1.2, 0.3, 1)], (3, 4, 5), False),
        ([(0.2, 0.2, 0.1), (0.3, 0.2, 1), (0.2, 0.3, 1)], (3, 4, 5), False),
        ([(2, 2, 0), (3, 2, 0), (2, 3, 0)], (3, 4, 5), False),
        # One corner in common: the opposite edge goes through, or does not.
        ([(0.4, 0.2, -1), (0.4, 0.2, 1)], (0, 3, 4), True),
        ([(-0.4, -0.2, -1), (-0.4, -0.2, 1)], (0, 3, 4), False),
        # An edge in common: a step, and folded back.
        ([(0.5, 0.5, 1.0)], (1, 0, 3), False),
        ([(0.1, 0.8, 1e-4)], (1, 0, 3), True),
    ],
)
def test_two_triangles(points, second, crosses):
    pairs = crossing_triangles(surface(FLAT + points, (0, 1, 2), second))
    assert pairs.tolist() == ([[0, 1]] if crosses else [])


def sphere(n: int, centre: float = 0.0) -> Mesh:
    """A latitude-longitude sphere of radius 1."""
    polar = np.linspace(0, np.pi, n)[1:-1]
    around = np.linspace(0, 2 * np.pi, 2 * n, endpoint=False)
    ring = np.stack(
        [
            np.outer(np.sin(polar), np.cos(around)).ravel(),
            np.outer(np.sin(polar), np.sin(around)).ravel(),
            np.outer(np.cos(polar), np.ones_like(around)).ravel(),
        ],
        axis=1,
    )
    points = np.concatenate((ring, [(0, 0, 1), (0, 0, -1)])) + np.array((centre, 0, 0))
    m, top = len(around), len(ring)
    rows = []
    for j in range(m):
        k = (j + 1) % m
        rows.append((top, j, k))
        rows.append((top + 1, top - m + k, top - m + j))
        for i in range(len(polar) - 1):
            a, b, c, d = i * m + j, i * m + k, (i + 1) * m + j, (i + 1) * m + k
            rows += [(a, c, b), (b, c, d)]
    return Mesh(points, np.array(rows), np.full(len(rows), "dome"))


def test_a_sphere_is_sound_and_two_that_overlap_cross_along_a_circle():
    one, other = sphere(16), sphere(12, centre=1.1)
    assert len(crossing_triangles(one)) == 0
    together = Mesh(
        np.concatenate((one.vertices, other.vertices)),
        np.concatenate((one.triangles, other.triangles + len(one.vertices))),
        np.concatenate((one.surface, other.surface)),
    )
    pairs = crossing_triangles(together)
    assert len(pairs) > 30
    centre = together.centroids[pairs]
    # The circle is where both are 1 away from their centres: x = 0.55.
    np.testing.assert_allclose(centre[..., 0], 0.55, atol=0.25)
    assert np.all((pairs[:, 0] < one.n_triangles) & (pairs[:, 1] >= one.n_triangles))


def test_sizes_may_differ_by_a_hundred():
    """A needle of a triangle through a large one, in a mesh with sizes in between."""
    points = [*((100 * x, 100 * y, z) for x, y, z in FLAT)]
    points += [(20, 20, -0.5), (20.5, 20, 0.5), (20, 20.5, 0.5)]
    points += [(60, 60, 5), (70, 60, 5), (60, 70, 5)]
    mesh = surface(points, (0, 1, 2), (3, 4, 5), (6, 7, 8))
    assert crossing_triangles(mesh).tolist() == [[0, 1]]
