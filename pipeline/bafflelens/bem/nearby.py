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
def find(points, turns, together, signs, centroids, limit2, reach, order, span, below, box):
    """Return the near elements of all points.

    Points that are neighbours go through the tree together, and look only at what is near one of
    them.

    Parameters
    ----------
    points : (n_points, 3) array
        Field points in m.
    turns : (n_points,) integer array
        The order in which they are taken: neighbours after one another.
    together : int
        So many of them at a time.
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
    n, n_images = len(points), len(signs)
    counts = np.zeros(n, np.int64)
    # pairs, in the order of turns
    elements, images, squares = (
        np.empty(64 * n, np.int64),
        np.empty(64 * n, np.int8),
        np.empty(64 * n),
    )
    stack, low, high = np.zeros(box_tree.DEEPEST, np.int64), np.empty(3), np.empty(3)
    seen, places = np.empty((n_images, len(order)), np.int64), np.empty(n_images, np.int64)
    total = 0
    for first in range(0, n, together):
        last = min(first + together, n)
        for image in range(n_images):
            low[:], high[:] = np.inf, -np.inf
            for turn in range(first, last):
                for axis in range(3):
                    c = points[turns[turn], axis] * signs[image, axis]
                    low[axis], high[axis] = min(low[axis], c), max(high[axis], c)
            places[image] = _within_reach(low, high, reach, span, below, box, stack, seen[image])
        for turn in range(first, last):
            i = turns[turn]
            before = total
            for image in range(n_images):
                x = points[i, 0] * signs[image, 0]
                y = points[i, 1] * signs[image, 1]
                z = points[i, 2] * signs[image, 2]
                if total + places[image] > len(elements):
                    elements = np.concatenate((elements, elements, seen[image]))
                    images = np.concatenate((images, images, np.empty(len(order), np.int8)))
                    squares = np.concatenate((squares, squares, np.empty(len(order))))
                for candidate in range(places[image]):
                    j = order[seen[image, candidate]]
                    dx, dy, dz = centroids[j, 0] - x, centroids[j, 1] - y, centroids[j, 2] - z
                    squared = dx * dx + dy * dy + dz * dz
                    elements[total], images[total], squares[total] = j, image, squared
                    total += squared < limit2[j]  # otherwise the next one takes its place
            counts[i] = total - before
    return _by_point(turns, counts, elements, images, squares)


@njit(cache=True)
def _within_reach(low, high, reach, span, below, box, stack, seen):
    """Set ``seen`` to the places of elements that may be near a box; return how many there are."""
    waiting, number = 1, 0
    stack[0] = 0
    while waiting:
        waiting -= 1
        node = stack[waiting]
        squared = 0.0
        for axis in range(3):
            off = max(box[node, 0, axis] - high[axis], low[axis] - box[node, 1, axis], 0.0)
            squared += off * off
        if squared >= reach[node]:
            continue
        if below[node, 0] >= 0:
            # the first of them is taken out first: places rise
            stack[waiting], stack[waiting + 1] = below[node, 1], below[node, 0]
            waiting += 2
            continue
        for place in range(span[node, 0], span[node, 1]):
            seen[number] = place
            number += 1
    return number


@njit(cache=True)
def _by_point(turns, counts, elements, images, squares):
    """Return what was found in the order of turns in that of the points: see `find`."""
    start = np.zeros(len(counts) + 1, np.int64)
    for i in range(len(counts)):
        start[i + 1] = start[i] + counts[i]
    element, image = np.empty(start[-1], np.int64), np.empty(start[-1], np.int64)
    distance, at = np.empty(start[-1]), 0
    for i in turns:
        for p in range(start[i], start[i + 1]):
            element[p], image[p], distance[p] = elements[at], images[at], np.sqrt(squares[at])
            at += 1
    return start, element, image, distance


@njit(cache=True, nogil=True)
def first_near(start, element, image_of, place, point, image, column):
    """Return the first pair of a point whose element has its place from ``column`` on.

    Or that of a later image. The pairs of a point are in the order of images and places.
    """
    p, end = start[point], start[point + 1]
    while p < end:
        middle = (p + end) // 2
        other = place[element[middle]]
        if image_of[middle] < image or (image_of[middle] == image and other < column):
            p = middle + 1
        else:
            end = middle
    return p
