# SPDX-License-Identifier: GPL-3.0-or-later
"""Which elements are near a point, found in the tree of boxes around them, compiled."""

import numpy as np
from numba import njit, prange

from bafflelens.base import box_tree


@njit(cache=True)
def farthest(limit2, order, span, below):
    """Return the largest of ``limit2`` in each node of a tree of triangles."""
    reach = np.zeros(len(span))
    for node in range(len(span) - 1, -1, -1):  # those below come after it
        if below[node, 0] >= 0:
            reach[node] = max(reach[below[node, 0]], reach[below[node, 1]])
        else:
            for place in range(span[node, 0], span[node, 1]):
                reach[node] = max(reach[node], limit2[order[place]])
    return reach


@njit(cache=True)
def _near_of(point, centroids, limit2, reach, order, span, below, box, found):
    """List the near elements of a point in rising order; return them, as many as there are."""
    stack, waiting, count = np.zeros(128, np.int64), 1, 0
    while waiting:
        waiting -= 1
        node = stack[waiting]
        if box_tree.gap(point, box[node]) >= reach[node]:
            continue
        if below[node, 0] >= 0:
            stack[waiting : waiting + 2] = below[node]
            waiting += 2
            continue
        for place in range(span[node, 0], span[node, 1]):
            j = order[place]
            if _distance2(point, centroids[j]) < limit2[j]:
                if count == len(found):
                    found = np.concatenate((found, found))
                found[count] = j
                count += 1
    return np.sort(found[:count])


@njit(parallel=True, cache=True)
def count_near(points, signs, centroids, limit2, reach, order, span, below, box):
    """Return the number of near elements of each point, (n_points,).

    Parameters
    ----------
    points : (n_points, 3) array
        Field points in m.
    signs : (n_images, 3) array
        Mirror images: the sign of each coordinate.
    centroids, limit2 : (n_triangles, 3) and (n_triangles,) arrays
        Centroids in m, and the squared distance in m^2 below which an element is near.
    reach : (n_nodes,) array
        From `farthest`.
    order, span, below, box : arrays
        From `box_tree.build`.
    """
    counts = np.zeros(points.shape[0], dtype=np.int64)
    for i in prange(points.shape[0]):
        found = np.empty(128, np.int64)
        for image in range(signs.shape[0]):
            point = points[i] * signs[image]
            counts[i] += _near_of(
                point, centroids, limit2, reach, order, span, below, box, found
            ).size
    return counts


@njit(parallel=True, cache=True)
def list_near(
    points, signs, centroids, limit2, reach, order, span, below, box, start, element, image_of,
    distance,
):  # fmt: skip
    """Set the near elements of each point, their mirror image and distance, in place.

    Parameters are those of `count_near`; those of point i begin at ``start[i]``.
    """
    for i in prange(points.shape[0]):
        at = start[i]
        found = np.empty(128, np.int64)
        for image in range(signs.shape[0]):
            point = points[i] * signs[image]
            for j in _near_of(point, centroids, limit2, reach, order, span, below, box, found):
                element[at] = j
                image_of[at] = image
                distance[at] = np.sqrt(_distance2(point, centroids[j]))
                at += 1


@njit(cache=True)
def _distance2(point, centroid):
    total = 0.0
    for i in range(3):
        total += (centroid[i] - point[i]) ** 2
    return total
