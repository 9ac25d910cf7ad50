# SPDX-License-Identifier: GPL-3.0-or-later
"""A tree of boxes around triangles, compiled: which triangle is closest to a point, exactly.

A node's box holds all triangles below it, so what is farther than the closest found so far is
left out unseen. Triangles may differ in size as they like. Within a triangle the foot of the
perpendicular counts if it falls inside, else the closest point of the three edges.
"""

import numpy as np
from numba import njit

_LEAF = 4  # triangles that a node keeps rather than divides
DEEPEST = 128
"""More nodes than ever wait while the tree is gone through."""


@njit(cache=True, nogil=True)
def build_tree(corners):
    """Return the tree of triangles.

    Parameters
    ----------
    corners : (n, 3, 3) array
        Corners of the triangles.

    Returns
    -------
    order : (n,) integer array
        Numbers of the triangles, those of a node side by side.
    span : (n_nodes, 2) integer array
        Where a node's triangles start and end in `order`.
    below : (n_nodes, 2) integer array
        The two nodes below; -1 where there is none.
    box : (n_nodes, 2, 3) array
        Lowest and highest corner.
    """
    n = len(corners)
    order = np.arange(n)
    middle = np.empty((n, 3))
    for t in range(n):
        for i in range(3):
            middle[t, i] = (corners[t, 0, i] + corners[t, 1, i] + corners[t, 2, i]) / 3
    span = np.empty((2 * n, 2), np.int64)
    below = np.full((2 * n, 2), -1, np.int64)
    box = np.empty((2 * n, 2, 3))
    span[0, 0], span[0, 1] = 0, n
    made, looked = 1, 0
    while looked < made:
        start, end = span[looked, 0], span[looked, 1]
        for i in range(3):
            box[looked, 0, i], box[looked, 1, i] = np.inf, -np.inf
        low, high = np.full(3, np.inf), np.full(3, -np.inf)
        for place in range(start, end):
            t = order[place]
            for i in range(3):
                low[i] = min(low[i], middle[t, i])
                high[i] = max(high[i], middle[t, i])
                for c in range(3):
                    box[looked, 0, i] = min(box[looked, 0, i], corners[t, c, i])
                    box[looked, 1, i] = max(box[looked, 1, i], corners[t, c, i])
        if end - start > _LEAF:
            # number by number: what numpy writes in one line takes seconds to compile
            axis = 0
            for i in range(1, 3):
                if high[i] - low[i] > high[axis] - low[axis]:
                    axis = i
            along, part = np.empty(end - start), order[start:end].copy()
            for place in range(end - start):
                along[place] = middle[part[place], axis]
            by_place = np.argsort(along)
            for place in range(end - start):
                order[start + place] = part[by_place[place]]
            half = (start + end) // 2
            span[made, 0], span[made, 1] = start, half
            span[made + 1, 0], span[made + 1, 1] = half, end
            below[looked, 0], below[looked, 1] = made, made + 1
            made += 2
        looked += 1
    return order, span[:made], below[:made], box[:made]


@njit(cache=True, nogil=True)
def search(points, facing, least_cosine, farthest, corners, normals, order, span, below, box):
    """Return the closest point of the triangles for each point.

    Parameters
    ----------
    points : (n, 3) array
        The points.
    facing : (n, 3) array
        Directions that the triangle's normal must agree with; (0, 3) if any will do.
    least_cosine : float
        Cosine between the two that counts as agreement.
    farthest : float
        What is farther away does not count.
    corners, normals : (n_triangles, 3, 3) and (n_triangles, 3) arrays
        The triangles.
    order, span, below, box
        As `build_tree` returns them.

    Returns
    -------
    feet : (n, 3) array
        The closest points; the points themselves where no triangle counts.
    owner : (n,) integer array
        Numbers of the triangles; -1 where none counts.
    distance : (n,) array
        Distances; infinite where none counts.
    """
    n = len(points)
    feet, distance = points.copy(), np.full(n, np.inf)
    owner = np.full(n, -1, np.int64)
    stack, gaps = np.empty(DEEPEST, np.int64), np.empty(DEEPEST)
    foot = np.empty(3)
    for p in range(n):
        point = points[p]
        best = farthest * farthest
        stack[0], gaps[0], waiting = 0, gap(point, box[0]), 1
        while waiting:
            waiting -= 1
            node = stack[waiting]
            if gaps[waiting] > best:
                continue
            if below[node, 0] >= 0:
                near, far = below[node, 0], below[node, 1]
                near_gap, far_gap = gap(point, box[near]), gap(point, box[far])
                if far_gap < near_gap:
                    near, far, near_gap, far_gap = far, near, far_gap, near_gap
                if far_gap <= best:
                    stack[waiting], gaps[waiting] = far, far_gap
                    waiting += 1
                if near_gap <= best:
                    stack[waiting], gaps[waiting] = near, near_gap
                    waiting += 1
                continue
            for place in range(span[node, 0], span[node, 1]):
                t = order[place]
                if len(facing):
                    cosine = 0.0
                    for i in range(3):
                        cosine += normals[t, i] * facing[p, i]
                    if cosine < least_cosine:
                        continue
                squared = _foot(point, corners[t], foot)
                if squared < best or (squared == best and owner[p] < 0):
                    best = squared
                    owner[p] = t
                    for i in range(3):  # number by number here, too
                        feet[p, i] = foot[i]
        if owner[p] >= 0:
            distance[p] = np.sqrt(best)
    return feet, owner, distance


@njit(cache=True, nogil=True)
def gap(point, box):
    """Return the squared distance of a point from a box."""
    squared = 0.0
    for i in range(3):
        off = max(box[0, i] - point[i], point[i] - box[1, i], 0.0)
        squared += off * off
    return squared


@njit(cache=True, nogil=True)
def _foot(point, corners, foot):
    """Set the closest point of a triangle; return its squared distance."""
    a, b, c = corners[0], corners[1], corners[2]
    bb, bc, cc, pb, pc = 0.0, 0.0, 0.0, 0.0, 0.0
    for i in range(3):
        to_b, to_c, to_p = b[i] - a[i], c[i] - a[i], point[i] - a[i]
        bb += to_b * to_b
        bc += to_b * to_c
        cc += to_c * to_c
        pb += to_p * to_b
        pc += to_p * to_c
    best = np.inf
    determinant = bb * cc - bc * bc
    if determinant > 0.0:
        v, w = (cc * pb - bc * pc) / determinant, (bb * pc - bc * pb) / determinant
        if v >= 0.0 and w >= 0.0 and v + w <= 1.0:
            best = 0.0
            for i in range(3):
                foot[i] = a[i] + v * (b[i] - a[i]) + w * (c[i] - a[i])
                best += (foot[i] - point[i]) ** 2
    for edge in range(3):
        start, end = corners[edge], corners[(edge + 1) % 3]
        along, length = 0.0, 0.0
        for i in range(3):
            along += (point[i] - start[i]) * (end[i] - start[i])
            length += (end[i] - start[i]) ** 2
        share = min(max(along / length, 0.0), 1.0) if length > 0.0 else 0.0
        squared = 0.0
        for i in range(3):
            squared += (start[i] + share * (end[i] - start[i]) - point[i]) ** 2
        if squared < best:
            best = squared
            for i in range(3):
                foot[i] = start[i] + share * (end[i] - start[i])
    return best
