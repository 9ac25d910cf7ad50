# SPDX-License-Identifier: GPL-3.0-or-later
"""The solid angle under which a closed body is seen: all of it inside, nothing outside.

Source: Gauss's theorem. Points are taken far away, close to flat faces and at edges, so that both
the closed form and what stands for it farther away are used.
"""

import numpy as np
import pytest
from piston_boxes import piston_box

from bafflelens.bem.solid_angle import solid_angle_share


def beside(mesh, sign):
    """Return points a thousandth of an edge off every triangle."""
    off = 1e-3 * mesh.longest_edges[:, np.newaxis] * mesh.normals
    towards = 0.1 * mesh.centroids[:, np.newaxis] + 0.9 * mesh.corners
    return np.concatenate((mesh.centroids, *towards.transpose(1, 0, 2))) + sign * np.tile(
        off, (4, 1)
    )


@pytest.mark.parametrize(("sign", "share"), [(1, 0), (-1, 1)])
def test_beside_the_surface(sign, share):
    mesh = piston_box().mesh
    np.testing.assert_allclose(solid_angle_share(mesh, beside(mesh, sign)), share, atol=2e-3)


def test_far_away_and_in_the_middle():
    mesh = piston_box().mesh
    middle = mesh.vertices.mean(axis=0)
    far = middle + 3 * np.eye(3)
    np.testing.assert_allclose(solid_angle_share(mesh, far), 0, atol=1e-4)
    assert solid_angle_share(mesh, middle[np.newaxis])[0] == pytest.approx(1, abs=2e-3)


def test_the_kept_part_and_its_image_are_the_whole():
    problem = piston_box(("y",))
    whole = problem.mesh.whole(problem.symmetry)
    points = beside(whole, -1)[::7]
    signs = np.array([[1.0, 1.0, 1.0], [1.0, -1.0, 1.0]])
    np.testing.assert_allclose(
        solid_angle_share(problem.mesh, points, signs),
        solid_angle_share(whole, points),
        atol=1e-12,
    )
