# SPDX-License-Identifier: GPL-3.0-or-later
"""The closest point of a triangle surface.

The triangles are divided until all are small, so that the closest one is among the few whose
middles are closest to a point: exact but for triangles that lie edge-on, and fast.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from bafflelens.conventions import FloatArray, IntArray

_CANDIDATES: Final = 12
_CHUNK: Final = 20_000


@dataclass(frozen=True)
class Pieces:
    """A surface in small triangles, ready for many look-ups.

    Attributes
    ----------
    corners : (n_pieces, 3, 3) array
        Corners in m.
    normals : (n_pieces, 3) array
        Unit normals.
    owner : (n_pieces,) integer array
        The triangle of the surface that a piece is part of.
    tree : cKDTree
        Of the middles.
    """

    corners: FloatArray
    normals: FloatArray
    owner: IntArray
    tree: cKDTree


@dataclass(frozen=True)
class Feet:
    """The closest points on a surface, one a point asked for.

    Attributes
    ----------
    points : (n, 3) array
        The closest points in m.
    normals : (n, 3) array
        Normals of the surface there.
    owner : (n,) integer array
        Triangles that they lie on.
    distance : (n,) array
        Distances in m; infinite where no triangle faces the right way.
    """

    points: FloatArray
    normals: FloatArray
    owner: IntArray
    distance: FloatArray


def pieces(vertices: FloatArray, triangles: IntArray, largest_m: float) -> Pieces:
    """Divide a surface into triangles with no edge longer than a limit.

    Parameters
    ----------
    vertices : (n_vertices, 3) array
        Coordinates in m.
    triangles : (n_triangles, 3) integer array
        Vertex numbers.
    largest_m : float
        Longest edge of a piece in m.
    """
    waiting = np.asarray(vertices)[triangles]
    owner = np.arange(len(triangles))
    done, owners = [], []
    while len(waiting):
        edges = np.linalg.norm(waiting - np.roll(waiting, -1, axis=1), axis=2)
        large = edges.max(axis=1) > largest_m
        done.append(waiting[~large])
        owners.append(owner[~large])
        waiting, owner, edges = waiting[large], owner[large], edges[large]
        # The longest edge is halved: slim triangles become shorter, not slimmer.
        first = edges.argmax(axis=1)[:, None]
        order = (first + np.arange(3)) % 3
        a, b, c = np.take_along_axis(waiting, order[:, :, None], axis=1).swapaxes(0, 1)
        middle = (a + b) / 2
        waiting = np.concatenate((np.stack((a, middle, c), 1), np.stack((middle, b, c), 1)))
        owner = np.concatenate((owner, owner))
    corners = np.concatenate(done)
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.linalg.norm(cross, axis=1)
    kept = length > 0
    corners, cross, length = corners[kept], cross[kept], length[kept]
    return Pieces(
        corners=corners,
        normals=cross / length[:, None],
        owner=np.concatenate(owners)[kept],
        tree=cKDTree(corners.mean(axis=1)),
    )


def closest(
    surface: Pieces,
    points: FloatArray,
    normals: FloatArray | None = None,
    *,
    least_cosine: float = 0.0,
    candidates: int = _CANDIDATES,
) -> Feet:
    """Return the closest point on a surface for each of many points.

    Parameters
    ----------
    surface : Pieces
        The surface.
    points : (n, 3) array
        Points in m.
    normals : (n, 3) array, optional
        Where given, only triangles that face the same way as a point's normal count.
    least_cosine : float
        Cosine between the two normals that counts as the same way.
    candidates : int
        How many pieces are looked at for each point.
    """
    parts = [
        _closest(
            surface,
            points[start : start + _CHUNK],
            None if normals is None else normals[start : start + _CHUNK],
            least_cosine,
            min(candidates, len(surface.corners)),
        )
        for start in range(0, max(len(points), 1), _CHUNK)
    ]
    if len(parts) == 1:
        return parts[0]
    return Feet(
        points=np.concatenate([part.points for part in parts]),
        normals=np.concatenate([part.normals for part in parts]),
        owner=np.concatenate([part.owner for part in parts]),
        distance=np.concatenate([part.distance for part in parts]),
    )


def _closest(
    surface: Pieces,
    points: FloatArray,
    normals: FloatArray | None,
    least_cosine: float,
    candidates: int,
) -> Feet:
    _, near = surface.tree.query(points, k=candidates)
    near = np.asarray(near).reshape(len(points), candidates)
    feet = _on_triangles(points[:, None, :], surface.corners[near])
    away = feet - points[:, None, :]
    distance = np.sqrt(np.einsum("nki,nki->nk", away, away))
    if normals is not None:
        cosine = np.einsum("nkj,nj->nk", surface.normals[near], normals)
        distance = np.where(cosine >= least_cosine, distance, np.inf)
    best = distance.argmin(axis=1)
    row = np.arange(len(points))
    piece = near[row, best]
    return Feet(
        points=feet[row, best],
        normals=surface.normals[piece],
        owner=surface.owner[piece],
        distance=distance[row, best],
    )


def _on_triangles(points: FloatArray, corners: FloatArray) -> FloatArray:
    """Return the closest point of each triangle, (n, k, 3); corners are (n, k, 3, 3)."""
    a, b, c = corners[..., 0, :], corners[..., 1, :], corners[..., 2, :]
    ab, ac, ap = b - a, c - a, points - a

    def dot(one: FloatArray, other: FloatArray) -> FloatArray:
        return np.asarray(np.einsum("...i,...i->...", one, other))

    aa, ab_ac, cc = dot(ab, ab), dot(ab, ac), dot(ac, ac)
    pa, pc = dot(ap, ab), dot(ap, ac)
    determinant = np.maximum(aa * cc - ab_ac**2, 1e-300)
    v = (cc * pa - ab_ac * pc) / determinant
    w = (aa * pc - ab_ac * pa) / determinant
    inside = (v >= 0) & (w >= 0) & (v + w <= 1)
    best = a + v[..., None] * ab + w[..., None] * ac
    nearest = np.where(inside, dot(best - points, best - points), np.inf)
    for start, along in ((a, ab), (a, ac), (b, c - b)):
        share = np.clip(dot(points - start, along) / np.maximum(dot(along, along), 1e-300), 0, 1)
        foot = start + share[..., None] * along
        squared = dot(foot - points, foot - points)
        better = squared < nearest
        best = np.where(better[..., None], foot, best)
        nearest = np.where(better, squared, nearest)
    return np.asarray(best)


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
