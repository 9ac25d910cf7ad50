# SPDX-License-Identifier: GPL-3.0-or-later
"""Straight lines against a mesh: where each meets it first.

Moller and Trumbore, Fast, minimum storage ray/triangle intersection, Journal of Graphics Tools 2
(1997), section 2; from memory.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numba import njit

from bafflelens.base.conventions import FloatArray
from bafflelens.mesh.mesh import Mesh

_PARALLEL: Final = 1e-14


def first_hits(mesh: Mesh, starts: FloatArray, along: FloatArray, *, owners: bool = False) -> Any:
    """Return the distance to the first triangle that each ray meets; infinite if none.

    Parameters
    ----------
    mesh : Mesh
        The surface.
    starts : (n, 3) array
        In m.
    along : (3,) or (n, 3) array
        Unit vectors.
    owners : bool
        Return the numbers of the triangles as well.
    """
    starts = np.ascontiguousarray(starts, dtype=float)
    directions = np.ascontiguousarray(np.broadcast_to(along, starts.shape), dtype=float)
    nearest = np.full(len(starts), np.inf)
    owner = np.zeros(len(starts), dtype=np.int64)
    _meet(np.ascontiguousarray(mesh.corners, dtype=float), starts, directions, nearest, owner)
    return (nearest, owner) if owners else nearest


@njit(cache=True, error_model="numpy")
def _meet(corners, starts, directions, nearest, owner):  # type: ignore[no-untyped-def]
    for ray in range(len(starts)):
        sx, sy, sz = starts[ray]
        dx, dy, dz = directions[ray]
        for number in range(len(corners)):
            ax, ay, az = corners[number, 0]
            ux, uy, uz = (
                corners[number, 1, 0] - ax,
                corners[number, 1, 1] - ay,
                (corners[number, 1, 2] - az),
            )
            vx, vy, vz = (
                corners[number, 2, 0] - ax,
                corners[number, 2, 1] - ay,
                (corners[number, 2, 2] - az),
            )
            px, py, pz = dy * vz - dz * vy, dz * vx - dx * vz, dx * vy - dy * vx
            size = px * ux + py * uy + pz * uz
            if abs(size) <= _PARALLEL:
                continue
            ox, oy, oz = sx - ax, sy - ay, sz - az
            u = (ox * px + oy * py + oz * pz) / size
            if u < 0 or u > 1:
                continue
            qx, qy, qz = oy * uz - oz * uy, oz * ux - ox * uz, ox * uy - oy * ux
            v = (dx * qx + dy * qy + dz * qz) / size
            if v < 0 or u + v > 1:
                continue
            distance = (vx * qx + vy * qy + vz * qz) / size
            if 0 < distance < nearest[ray]:
                nearest[ray] = distance
                owner[ray] = number
