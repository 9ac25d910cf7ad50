# SPDX-License-Identifier: GPL-3.0-or-later
"""Which triangles of a surface cross or are folded on each other, compiled.

See `bafflelens.mesh.intersections`, which is what others call.
"""

import numpy as np
from numba import njit

from bafflelens.base.box_tree import DEEPEST


@njit(cache=True)
def crossing_pairs(corners, triangles, normals, longest, folded, shrunk, order, span, below, box):
    """Return the pairs of triangles that cross or are folded on each other.

    Parameters
    ----------
    corners : (n, 3, 3) array
        Corners.
    triangles : (n, 3) integer array
        Numbers of the corners.
    normals : (n, 3) array
        Unit normals.
    longest : (n,) array
        Longest edge of each.
    folded : float
        Neighbours whose normals have a smaller cosine between them are folded.
    shrunk : float
        By so much of itself is what ends at a triangle no crossing.
    order, span, below, box
        As `box_tree.build_tree` returns them.

    Returns
    -------
    (n_pairs, 2) integer array
        The lower number first, rising.
    """
    n = len(corners)
    low, high = np.empty((n, 3)), np.empty((n, 3))
    for t in range(n):
        for i in range(3):
            low[t, i] = min(corners[t, 0, i], corners[t, 1, i], corners[t, 2, i])
            high[t, i] = max(corners[t, 0, i], corners[t, 1, i], corners[t, 2, i])
    found, count = np.empty((64, 2), np.int64), 0
    stack = np.empty(DEEPEST, np.int64)
    for t in range(n):
        stack[0], waiting = 0, 1
        while waiting:
            waiting -= 1
            node = stack[waiting]
            if not _overlap(low[t], high[t], box[node, 0], box[node, 1]):
                continue
            if below[node, 0] >= 0:
                stack[waiting], stack[waiting + 1] = below[node, 0], below[node, 1]
                waiting += 2
                continue
            for place in range(span[node, 0], span[node, 1]):
                u = order[place]
                if u <= t or not _overlap(low[t], high[t], low[u], high[u]):
                    continue
                shared = 0
                for i in range(3):
                    for j in range(3):
                        shared += triangles[t, i] == triangles[u, j]
                if shared == 2:
                    cosine = 0.0
                    for i in range(3):
                        cosine += normals[t, i] * normals[u, i]
                    is_bad = cosine < folded
                else:
                    is_bad = shared < 2 and (
                        _pierces(corners, triangles, t, u, shrunk * longest[u] ** 3)
                        or _pierces(corners, triangles, u, t, shrunk * longest[t] ** 3)
                    )
                if is_bad:
                    if count == len(found):
                        found = np.concatenate((found, found))
                    found[count, 0], found[count, 1] = t, u
                    count += 1
    return found[:count].copy()


@njit(cache=True)
def _overlap(low, high, other_low, other_high):
    """Return whether two boxes have a point in common."""
    apart = False
    for i in range(3):
        apart = apart or low[i] > other_high[i] or other_low[i] > high[i]
    return not apart


@njit(cache=True)
def _pierces(corners, triangles, one, other, scale):
    """Return whether an edge of one triangle passes through the other.

    An edge passes through a triangle if its ends are on both sides of the plane and it leaves
    all three edges on the same side (signed volumes). Edges that end in a common corner are left
    out: they touch there.
    """
    a, b, c = corners[other, 0], corners[other, 1], corners[other, 2]
    for i in range(3):
        j = (i + 1) % 3
        touches = False
        for k in range(3):
            corner = triangles[other, k]
            touches = touches or triangles[one, i] == corner or triangles[one, j] == corner
        if touches:
            continue
        start, end = corners[one, i], corners[one, j]
        above, below = _volume(a, b, c, start), _volume(a, b, c, end)
        if above * below >= 0 or min(abs(above), abs(below)) <= scale:
            continue
        first = _volume(start, end, a, b)
        second = _volume(start, end, b, c)
        third = _volume(start, end, c, a)
        if min(first, second, third) > scale or max(first, second, third) < -scale:
            return True
    return False


@njit(cache=True)
def _volume(a, b, c, d):
    """Return six times the signed volume of a tetrahedron."""
    bx, by, bz = b[0] - a[0], b[1] - a[1], b[2] - a[2]
    cx, cy, cz = c[0] - a[0], c[1] - a[1], c[2] - a[2]
    dx, dy, dz = d[0] - a[0], d[1] - a[1], d[2] - a[2]
    return (by * cz - bz * cy) * dx + (bz * cx - bx * cz) * dy + (bx * cy - by * cx) * dz
