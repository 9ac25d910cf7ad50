# SPDX-License-Identifier: GPL-3.0-or-later
"""How thick a solid is behind places of its surface, straight through."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from bafflelens.base.conventions import FloatArray
from bafflelens.handoff.probes import probes
from bafflelens.handoff.rays import first_hits
from bafflelens.mesh.mesh import Mesh

OFF_M: Final = 2e-5
"""From the surface, so that a ray does not meet where it starts."""
_GRAZES: Final = 0.1  # cosine between a ray and the normal of a face that it grazes: 6 degrees
_MOST_GRAZED: Final = 8


def looked_through(
    mesh: Mesh, numbers: NDArray[np.int64], step_m: float
) -> tuple[FloatArray, NDArray[np.int64], FloatArray]:
    """Return places of triangles in m, their triangles, and how thick it is there in mm.

    A face along which a ray grazes stands square to where the ray comes from: that is an edge, no
    wall, though the chords of a round hole may lie a hair inside it. The ray goes on behind it.

    Parameters
    ----------
    mesh : Mesh
        Of a closed surface.
    numbers : (n,) array
        The triangles that are looked through.
    step_m : float
        How far places of a triangle are apart.
    """
    points, owner = probes(mesh, numbers, step_m)
    inward = -mesh.normals[owner]
    gone = np.full(len(points), OFF_M)
    going = np.arange(len(points))
    for _ in range(_MOST_GRAZED):
        along = inward[going]
        start = points[going] + gone[going, np.newaxis] * along
        ahead, met = first_hits(mesh, start, along, owners=True)
        gone[going] += ahead
        grazes = np.abs(np.einsum("ij,ij->i", mesh.normals[met], along)) < _GRAZES
        going = going[grazes & np.isfinite(ahead)]
        if not len(going):
            break
        gone[going] += OFF_M
    gone[going] = np.inf
    return points, owner, gone * 1e3
