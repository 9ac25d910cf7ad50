# SPDX-License-Identifier: GPL-3.0-or-later
"""Straight lines against a mesh: where each meets it first.

Moller and Trumbore, Fast, minimum storage ray/triangle intersection, Journal of Graphics Tools 2
(1997), section 2; from memory. Boxes that a line passes by, or whose near side is beyond what it
has met, are left out unseen.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numba import njit

from bafflelens.base.box_tree import DEEPEST
from bafflelens.base.conventions import FloatArray
from bafflelens.base.threads import on_threads
from bafflelens.mesh.mesh import Mesh

_PARALLEL: Final = 1e-14
_SLACK_M: Final = 1e-9  # around boxes: no triangle is lost to rounding


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
    directions = np.empty(starts.shape)  # of its own: what is read-only is compiled once more
    directions[:] = along
    nearest = np.full(len(starts), np.inf)
    owner = np.zeros(len(starts), dtype=np.int64)
    corners = np.ascontiguousarray(mesh.corners, dtype=float)
    _meet(corners, *mesh.boxes, starts, directions, nearest, owner)
    return (nearest, owner) if owners else nearest


@on_threads
@njit(nogil=True, cache=True, error_model="numpy")
def _meet(  # type: ignore[no-untyped-def]
    thread, threads, corners, order, span, below, box, starts, directions, nearest, owner
):
    stack, gaps = np.empty(DEEPEST, np.int64), np.empty(DEEPEST)
    for ray in range(thread, len(starts), threads):
        start, along = starts[ray], directions[ray]
        stack[0], gaps[0], waiting = 0, _enters(start, along, box[0]), 1
        while waiting:
            waiting -= 1
            node = stack[waiting]
            if gaps[waiting] > nearest[ray] or gaps[waiting] == np.inf:
                continue
            if below[node, 0] < 0:
                for place in range(span[node, 0], span[node, 1]):
                    number = order[place]
                    distance = _distance(start, along, corners[number])
                    if 0 < distance < nearest[ray]:
                        nearest[ray] = distance
                        owner[ray] = number
                continue
            near, far = below[node, 0], below[node, 1]
            near_gap, far_gap = _enters(start, along, box[near]), _enters(start, along, box[far])
            if far_gap < near_gap:
                near, far, near_gap, far_gap = far, near, far_gap, near_gap
            stack[waiting], gaps[waiting] = far, far_gap
            stack[waiting + 1], gaps[waiting + 1] = near, near_gap
            waiting += 2


@njit(cache=True, error_model="numpy")
def _enters(start, along, box):  # type: ignore[no-untyped-def]
    """Return at what distance a ray comes into a box; infinite if it passes it by."""
    first, last = 0.0, np.inf
    for i in range(3):
        low, high = box[0, i] - _SLACK_M - start[i], box[1, i] + _SLACK_M - start[i]
        if along[i] == 0:
            if low > 0 or high < 0:
                return np.inf
            continue
        one, other = low / along[i], high / along[i]
        first, last = max(first, min(one, other)), min(last, max(one, other))
    return first if first <= last else np.inf


@njit(cache=True, error_model="numpy")
def _distance(start, along, corners):  # type: ignore[no-untyped-def]
    """Return where a line meets a triangle, in lengths of its direction; infinite if nowhere."""
    sx, sy, sz = start
    dx, dy, dz = along
    ax, ay, az = corners[0]
    ux, uy, uz = corners[1, 0] - ax, corners[1, 1] - ay, corners[1, 2] - az
    vx, vy, vz = corners[2, 0] - ax, corners[2, 1] - ay, corners[2, 2] - az
    px, py, pz = dy * vz - dz * vy, dz * vx - dx * vz, dx * vy - dy * vx
    size = px * ux + py * uy + pz * uz
    if abs(size) <= _PARALLEL:
        return np.inf
    ox, oy, oz = sx - ax, sy - ay, sz - az
    u = (ox * px + oy * py + oz * pz) / size
    if u < 0 or u > 1:
        return np.inf
    qx, qy, qz = oy * uz - oz * uy, oz * ux - ox * uz, ox * uy - oy * ux
    v = (dx * qx + dy * qy + dz * qz) / size
    if v < 0 or u + v > 1:
        return np.inf
    return (vx * qx + vy * qy + vz * qz) / size
