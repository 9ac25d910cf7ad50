# SPDX-License-Identifier: GPL-3.0-or-later
"""The closest point of a triangle surface, exactly, found fast."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bafflelens.base.box_tree import build_tree, search
from bafflelens.base.conventions import FloatArray, IntArray


@dataclass(frozen=True)
class Searchable:
    """A surface, ready for many look-ups.

    Attributes
    ----------
    corners : (n, 3, 3) array
        Corners of the triangles that have an area, in m.
    normals : (n, 3) array
        Their unit normals.
    owner : (n,) integer array
        Their numbers in the surface.
    tree : tuple of arrays
        Boxes around them, as `boxtree.build` returns them.
    """

    corners: FloatArray
    normals: FloatArray
    owner: IntArray
    tree: tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64], FloatArray]


@dataclass(frozen=True)
class Feet:
    """The closest points on a surface, one a point asked for.

    Attributes
    ----------
    points : (n, 3) array
        The closest points in m; the points asked for where no triangle counts.
    normals : (n, 3) array
        Normals of the surface there; any where no triangle counts.
    owner : (n,) integer array
        Triangles that they lie on; any where no triangle counts.
    distance : (n,) array
        Distances in m; infinite where no triangle counts.
    """

    points: FloatArray
    normals: FloatArray
    owner: IntArray
    distance: FloatArray


def searchable(vertices: FloatArray, triangles: IntArray) -> Searchable:
    """Make a surface ready for look-ups.

    Parameters
    ----------
    vertices : (n_vertices, 3) array
        Coordinates in m.
    triangles : (n_triangles, 3) integer array
        Vertex numbers.
    """
    corners = np.asarray(vertices, dtype=np.float64)[triangles]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.linalg.norm(cross, axis=1)
    kept = np.flatnonzero(length > 0)
    corners = np.ascontiguousarray(corners[kept])
    return Searchable(
        corners=corners,
        normals=cross[kept] / length[kept, None],
        owner=kept,
        tree=build_tree(corners),
    )


def closest(
    surface: Searchable,
    points: FloatArray,
    normals: FloatArray | None = None,
    *,
    least_cosine: float = 0.0,
    farthest_m: float = math.inf,
) -> Feet:
    """Return the closest point on a surface for each of many points.

    Parameters
    ----------
    surface : Searchable
        The surface.
    points : (n, 3) array
        Points in m.
    normals : (n, 3) array, optional
        Where given, only triangles that face the same way as a point's normal count.
    least_cosine : float
        Cosine between the two normals that counts as the same way.
    farthest_m : float
        Triangles farther away do not count. With `normals` a limit saves the search through a
        whole surface of which nothing faces the right way.
    """
    feet, found, distance = search(
        np.ascontiguousarray(points, dtype=np.float64),
        np.ascontiguousarray(np.zeros((0, 3)) if normals is None else normals, dtype=np.float64),
        least_cosine,
        farthest_m,
        surface.corners,
        surface.normals,
        *surface.tree,
    )
    return Feet(
        points=feet,
        normals=surface.normals[found],
        owner=surface.owner[found],
        distance=distance,
    )


def shares(vertices: FloatArray, corners: IntArray, points: FloatArray) -> FloatArray:
    """Return how much each corner of a triangle has in a point of it, (n, 3), summing to 1.

    Parameters
    ----------
    vertices : (n_vertices, 3) array
        Coordinates in m.
    corners : (n, 3) integer array
        Vertex numbers of the triangle that each point lies on.
    points : (n, 3) array
        Points on these triangles.
    """
    a, b, c = (vertices[corners[:, i]] for i in range(3))
    cross = np.cross(b - a, c - a)
    area = np.maximum((cross**2).sum(axis=1), 1e-300)
    second = (np.cross(points - a, c - a) * cross).sum(axis=1) / area
    third = (np.cross(b - a, points - a) * cross).sum(axis=1) / area
    found = np.clip(np.stack((1 - second - third, second, third), axis=1), 0.0, 1.0)
    return np.asarray(found / found.sum(axis=1, keepdims=True))


def area_of(corners: FloatArray) -> NDArray[np.float64]:
    """Return the areas of triangles, (n,), from their corners, (n, 3, 3)."""
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    return np.asarray(0.5 * np.linalg.norm(cross, axis=1))
