# SPDX-License-Identifier: GPL-3.0-or-later
"""Straight lines against a mesh: where each meets it first.

Depends on: mesh.

Moller and Trumbore, Fast, minimum storage ray/triangle intersection, Journal of Graphics Tools 2
(1997), section 2; from memory.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np

from bafflelens.conventions import FloatArray
from bafflelens.mesh import Mesh

_PAIRS: Final = 2_000_000
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
    corner = mesh.corners
    edge_1, edge_2 = corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0]
    directions = np.broadcast_to(along, starts.shape)
    nearest = np.full(len(starts), np.inf)
    owner = np.zeros(len(starts), dtype=np.int64)
    step = max(1, _PAIRS // mesh.n_triangles)
    for low in range(0, len(starts), step):
        here = slice(low, low + step)
        ray = directions[here, None]
        across = np.cross(ray, edge_2[None])
        size = np.einsum("ntj,tj->nt", across, edge_1)
        with np.errstate(divide="ignore", invalid="ignore"):
            inverse = np.where(np.abs(size) > _PARALLEL, 1 / size, np.nan)
            offset = starts[here, None] - corner[None, :, 0]
            u = np.einsum("ntj,ntj->nt", offset, across) * inverse
            turned = np.cross(offset, edge_1[None])
            v = np.einsum("ntj,ntj->nt", np.broadcast_to(ray, turned.shape), turned) * inverse
            distance = np.einsum("ntj,tj->nt", turned, edge_2) * inverse
            meets = (u >= 0) & (v >= 0) & (u + v <= 1) & (distance > 0)
        distance = np.where(meets, distance, np.inf)
        owner[here] = distance.argmin(axis=1)
        nearest[here] = distance.min(axis=1)
    return (nearest, owner) if owners else nearest
