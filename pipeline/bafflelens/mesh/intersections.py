# SPDX-License-Identifier: GPL-3.0-or-later
"""Where a surface meets itself: triangles that cross, or are folded back on a neighbour."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np
from numpy.typing import NDArray

from bafflelens.base.conventions import FloatArray, IntArray
from bafflelens.mesh.mesh import Mesh

_FOLDED_COSINE: Final = -0.9999  # neighbours whose normals are nearly opposite: under a degree
_SHRUNK: Final = 1e-6  # of an edge or a triangle at its ends, so that touching is no crossing


def crossing_triangles(mesh: Mesh) -> IntArray:
    """Return the pairs of triangles that cross each other or are folded on each other.

    Triangles that share an edge can only be folded; those that share one corner cross if the
    edge opposite to it passes through the other.

    Parameters
    ----------
    mesh : Mesh
        The surface.

    Returns
    -------
    (n_pairs, 2) integer array
        Numbers of triangles; empty for a sound surface.
    """
    first, second = _close_pairs(mesh)
    shared = (mesh.triangles[first][:, :, None] == mesh.triangles[second][:, None, :]).sum((1, 2))
    bad = np.zeros(len(first), dtype=bool)
    neighbours = shared == 2
    turn = np.einsum("ij,ij->i", mesh.normals[first[neighbours]], mesh.normals[second[neighbours]])
    bad[neighbours] = turn < _FOLDED_COSINE
    apart = np.flatnonzero(shared < 2)
    for one, other in ((first, second), (second, first)):
        bad[apart] |= _pierces(mesh, one[apart], other[apart])
    return np.column_stack((first[bad], second[bad]))


def _close_pairs(mesh: Mesh) -> tuple[IntArray, IntArray]:
    """Return all pairs of triangles whose boxes overlap, the lower number first.

    Sizes differ much over a graded mesh, so triangles are looked for in classes of size: within
    a class and those below it, at the distance that their sizes allow.
    """
    radius = np.linalg.norm(mesh.corners - mesh.centroids[:, None, :], axis=2).max(axis=1)
    size_class = np.floor(np.log2(radius / radius.min()) + 1e-9).astype(int)
    low, high = mesh.corners.min(axis=1), mesh.corners.max(axis=1)
    pairs = [pair for pair in _pairs_by_class(mesh.centroids, radius, size_class) if len(pair)]
    both = np.sort(np.concatenate(pairs), axis=1) if pairs else np.zeros((0, 2), dtype=np.int64)
    first, second = both[:, 0], both[:, 1]
    overlap = ((low[first] <= high[second]) & (low[second] <= high[first])).all(axis=1)
    return first[overlap], second[overlap]


def _pairs_by_class(
    centroids: FloatArray, radius: FloatArray, size_class: IntArray
) -> Iterator[IntArray]:
    """Yield pairs of triangles, (n, 2), that are near enough to touch."""
    from scipy.spatial import cKDTree  # slow to load, and only meshing needs it

    for large in np.unique(size_class):
        members = np.flatnonzero(size_class == large)
        tree = cKDTree(centroids[members])
        yield members[tree.query_pairs(2 * radius[members].max(), output_type="ndarray")]
        smaller = np.flatnonzero(size_class < large)
        if not len(smaller):
            continue
        reach = radius[members].max() + radius[smaller].max()
        found = cKDTree(centroids[smaller]).query_ball_tree(tree, reach)
        counts = np.array([len(near) for near in found])
        near = np.concatenate([np.asarray(near, dtype=np.int64) for near in found])
        yield np.column_stack((np.repeat(smaller, counts), members[near]))


def _pierces(mesh: Mesh, one: IntArray, other: IntArray) -> NDArray[np.bool_]:
    """Return whether an edge of each triangle of `one` passes through that of `other`.

    An edge passes through a triangle if its ends are on both sides of the plane and it leaves
    all three edges on the same side (signed volumes). Edges that end in a common corner are left
    out: they touch there.
    """
    a, b, c = (mesh.corners[other][:, i] for i in range(3))
    result = np.zeros(len(one), dtype=bool)
    scale = _SHRUNK * mesh.longest_edges[other] ** 3
    for i in range(3):
        j = (i + 1) % 3
        start, end = mesh.corners[one][:, i], mesh.corners[one][:, j]
        ends = mesh.triangles[one][:, [i, j]]
        touches = (ends[:, :, None] == mesh.triangles[other][:, None, :]).any(axis=(1, 2))
        above, below = _volume(a, b, c, start), _volume(a, b, c, end)
        across = (above * below < 0) & (np.minimum(np.abs(above), np.abs(below)) > scale)
        sides = np.stack(
            [_volume(start, end, *edge) for edge in ((a, b), (b, c), (c, a))], axis=-1
        )
        inside = (sides > scale[:, None]).all(axis=1) | (sides < -scale[:, None]).all(axis=1)
        result |= across & inside & ~touches
    return result


def _volume(a: FloatArray, b: FloatArray, c: FloatArray, d: FloatArray) -> FloatArray:
    """Return six times the signed volume of tetrahedra, (n,), from corners (n, 3)."""
    return np.asarray(np.einsum("ij,ij->i", np.cross(b - a, c - a), d - a))
