# SPDX-License-Identifier: GPL-3.0-or-later
"""A mesh made finer stays closed, keeps volume, areas and names, and gets no thin triangles."""

import numpy as np
import pytest
from bodies import capped_sphere

from bafflelens.base.errors import MeshingError
from bafflelens.mesh import division
from bafflelens.mesh.division import divided

BALL = capped_sphere(0.4, np.radians(40))


def edge_lengths(mesh):
    corners = mesh.vertices[mesh.triangles]
    return np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2)


@pytest.mark.parametrize("size", [1.0, 0.2, 0.05])
def test_edges_are_as_short_as_asked_and_all_else_stays(size):
    fine = divided(BALL, lambda points: np.full(len(points), size))
    fine.require_closed(())
    assert edge_lengths(fine).max() <= 4 / 3 * size + 1e-12
    assert fine.volume == pytest.approx(BALL.volume, rel=1e-12)
    for name in ("cap", "rigid"):
        area = fine.areas[fine.surface == name].sum()
        assert area == pytest.approx(BALL.areas[BALL.surface == name].sum(), rel=1e-12)
    assert fine.smallest_angles_deg.min() >= BALL.smallest_angles_deg.min() / 2
    # Halving overshoots by a factor of two in the edge at most, so four in the number.
    assert fine.n_triangles <= max(BALL.n_triangles, 4 * BALL.areas.sum() / (0.43 * size**2))


def test_a_size_that_grows_is_followed():
    def size_at(points):
        return 0.03 + 0.2 * np.maximum(1 - points[:, 0], 0)

    fine = divided(BALL, size_at)
    fine.require_closed(())
    front = fine.centroids[:, 0] > 0.9
    assert edge_lengths(fine)[front].max() < 0.1
    assert edge_lengths(fine)[fine.centroids[:, 0] < -0.5].max() > 0.2


def test_what_would_be_endless_is_refused(monkeypatch):
    monkeypatch.setattr(division, "MOST_TRIANGLES", 1000)
    with pytest.raises(
        MeshingError, match=r"Invalid mesh '\d+ triangles'. Must be one that needs"
    ):
        divided(BALL, lambda points: np.full(len(points), 0.01))
