# SPDX-License-Identifier: GPL-3.0-or-later
"""The solid angle under which a body is seen, which tells inside from outside.

Of a triangle nearby in closed form, A. van Oosterom and J. Strackee, "The solid angle of a plane
triangle", IEEE Trans. Biomed. Eng. 30 (1983) 125 (citation from memory); of one farther away than
some of its edges as that of its area at its centroid, which is within a few per cent of it.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from bafflelens.base.conventions import FloatArray
from bafflelens.base.threads import on_threads
from bafflelens.bem.triangle_potentials import FOUR_PI, angle_of, corners_from
from bafflelens.mesh.mesh import Mesh

_NEAR_EDGES = 4.0  # a triangle is nearby within so many of its longest edges
_UNMIRRORED = np.ones((1, 3))


def solid_angle_share(
    mesh: Mesh, points: FloatArray, signs: FloatArray = _UNMIRRORED
) -> FloatArray:
    """Return the solid angle under which a closed body is seen over 4 pi: 1 inside, 0 outside.

    Parameters
    ----------
    mesh : Mesh
        The whole body, or the kept part of a symmetric one.
    points : (n_points, 3) array
        Coordinates in m, off the surface.
    signs : (n_images, 3) array
        By what the coordinates are multiplied for each mirror image.
    """
    share = np.zeros(len(points))
    _add_solid_angle(
        np.ascontiguousarray(points, dtype=float),
        signs,
        mesh.corners,
        mesh.centroids,
        mesh.normals * mesh.areas[:, np.newaxis],
        (_NEAR_EDGES * mesh.longest_edges) ** 2,
        share,
    )
    return share / FOUR_PI


@on_threads
@njit(nogil=True, cache=True)
def _add_solid_angle(thread, threads, points, signs, corners, centroids, areas, near2, out):
    for i in range(thread, points.shape[0], threads):
        total = 0.0
        for image in range(signs.shape[0]):
            x = points[i, 0] * signs[image, 0]
            y = points[i, 1] * signs[image, 1]
            z = points[i, 2] * signs[image, 2]
            for j in range(centroids.shape[0]):
                dx, dy, dz = centroids[j, 0] - x, centroids[j, 1] - y, centroids[j, 2] - z
                r2 = dx * dx + dy * dy + dz * dz
                if r2 > near2[j]:
                    flux = dx * areas[j, 0] + dy * areas[j, 1] + dz * areas[j, 2]
                    total += flux / (r2 * np.sqrt(r2))
                else:
                    total += angle_of(*corners_from(x, y, z, corners[j]))[0]
        out[i] += total
