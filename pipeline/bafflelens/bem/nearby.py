# SPDX-License-Identifier: GPL-3.0-or-later
"""Which elements are near a point, found in the tree of boxes around them, compiled."""

import numpy as np
from numba import njit

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
def find(points, signs, centroids, limit2, reach, order, span, below, box):
    """Return the near elements of all points.

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
        From `box_tree.build_tree`.

    Returns
    -------
    start : (n_points + 1,) integer array
        First pair of each point.
    element, image : (n_pairs,) integer arrays
        The element, and which mirror image of it; of each point rising by image, then by the
        element's place in ``order``.
    distance : (n_pairs,) array
        From the point to the centroid, in m.
    """
    start = np.zeros(len(points) + 1, np.int64)
    element, image_of = np.empty(1024, np.int64), np.empty(1024, np.int64)
    distance = np.empty(1024)
    stack, point, count = np.zeros(128, np.int64), np.empty(3), 0
    for i in range(len(points)):
        for image in range(len(signs)):
            for axis in range(3):
                point[axis] = points[i, axis] * signs[image, axis]
            waiting, stack[0] = 1, 0
            while waiting:
                waiting -= 1
                node = stack[waiting]
                if box_tree.gap(point, box[node]) >= reach[node]:
                    continue
                if below[node, 0] >= 0:
                    # the first of them is taken out first: places rise
                    stack[waiting], stack[waiting + 1] = below[node, 1], below[node, 0]
                    waiting += 2
                    continue
                for place in range(span[node, 0], span[node, 1]):
                    j = order[place]
                    squared = 0.0
                    for axis in range(3):
                        squared += (centroids[j, axis] - point[axis]) ** 2
                    if squared >= limit2[j]:
                        continue
                    if count == len(element):
                        element = np.concatenate((element, element))
                        image_of = np.concatenate((image_of, image_of))
                        distance = np.concatenate((distance, distance))
                    element[count], image_of[count] = j, image
                    distance[count] = np.sqrt(squared)
                    count += 1
        start[i + 1] = count
    return start, element[:count].copy(), image_of[:count].copy(), distance[:count].copy()
