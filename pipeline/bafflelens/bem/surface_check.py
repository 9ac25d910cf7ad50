# SPDX-License-Identifier: GPL-3.0-or-later
"""Whether a surface is one that a radiation problem may be solved on: read `require_body`.

Boundary elements give numbers for any triangles. They mean something only on a closed surface that
faces outwards and does not overlap itself: an open, inverted or self-crossing one is tens of
decibels off without a word.

The test is cheap beside a solve: edges in pairs, the signed volume of every shell, and the solid
angle under which the body is seen from points just off the surface, which is nothing in the air
and the whole sphere inside (Gauss's theorem). Points are taken where the boxes of two shells
overlap, on the longest triangles and evenly over all: a surface that crosses itself over a few
small triangles only may pass. `mesh.intersections.crossing_triangles` finds every crossing, and
takes longer.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from bafflelens.base.conventions import FloatArray, IntArray
from bafflelens.base.errors import MeshingError, invalid
from bafflelens.bem.solid_angle import solid_angle_share
from bafflelens.mesh.mesh import Mesh

_MOST_TRIANGLES: Final = 120  # of each kind, with four points each
_TOWARDS_CORNER: Final = 0.85
_OFF_SURFACE: Final = 1e-3  # of the longest edge
_SMALLEST: Final = 1e-10  # area over the square of the longest edge


def require_body(mesh: Mesh, symmetry: tuple[str, ...] = ()) -> None:
    """Raise unless a surface is closed, faces outwards and does not overlap itself.

    Parameters
    ----------
    mesh : Mesh
        The surface; the kept part where there is symmetry.
    symmetry : tuple of {"x", "y", "z"}
        Planes of mirror symmetry.

    Raises
    ------
    MeshingError
        That says what is wrong, and where.
    """
    if not np.isfinite(mesh.vertices).all():
        number = int(np.flatnonzero(~np.isfinite(mesh.vertices).all(axis=1))[0])
        given = tuple(mesh.vertices[number].tolist())
        raise MeshingError(invalid(f"vertex {number} of the mesh", given, "finite coordinates"))
    flat = np.flatnonzero(mesh.areas <= _SMALLEST * mesh.longest_edges**2)
    if flat.size:
        rule = "of an area above 0, on every triangle"
        what = f"triangle {flat[0]} of the mesh, at {_place(mesh.centroids[flat[0]])}"
        raise MeshingError(invalid(what, f"area {mesh.areas[flat[0]]:.3g} m^2", rule))
    mesh.require_closed(symmetry)
    full = mesh.whole(symmetry)
    shell = _shells(full)
    volumes = np.bincount(shell, weights=_volume_parts(full))
    if (volumes <= 0).any():
        number = int(np.argmin(volumes))
        where = _place(full.centroids[np.flatnonzero(shell == number)[0]])
        rule = "above 0 for every closed shell: normals point into the air, and there are no caves"
        raise MeshingError(
            invalid("volume of a shell", f"{volumes[number]:.3g} m^3, at {where}", rule)
        )
    chosen = _sample(full, shell)
    off = (_OFF_SURFACE * full.longest_edges[chosen])[:, np.newaxis] * full.normals[chosen]
    middle, corners = full.centroids[chosen], full.corners[chosen]
    points = [middle, *(middle + _TOWARDS_CORNER * (corners[:, n] - middle) for n in range(3))]
    for sign, wanted in ((1, 0.0), (-1, 1.0)):
        beside = np.concatenate([point + sign * off for point in points])
        wrong = np.flatnonzero(np.abs(solid_angle_share(full, beside) - wanted) > 0.5)
        if wrong.size:
            rule = "of one body that nowhere overlaps itself or another shell"
            place = _place(beside[wrong[0]])
            raise MeshingError(invalid("mesh", f"overlapping at {place}", rule))


def _place(point: FloatArray) -> str:
    x, y, z = (1e3 * value for value in point.tolist())
    return f"({x:.1f}, {y:.1f}, {z:.1f}) mm"


def _shells(mesh: Mesh) -> IntArray:
    """Return the number of the shell of every triangle: what hangs together by vertices."""
    one, other, third = mesh.triangles.T
    n = len(mesh.vertices)
    rows, columns = np.concatenate((one, other)), np.concatenate((other, third))
    graph = coo_matrix((np.ones(rows.size), (rows, columns)), (n, n))
    _, part = connected_components(graph, directed=False)
    return np.asarray(np.unique(part[one], return_inverse=True)[1].ravel(), dtype=np.int64)


def _volume_parts(mesh: Mesh) -> FloatArray:
    """Return the signed volume of the tetrahedron that each triangle spans with the middle."""
    corner = mesh.corners - mesh.vertices.mean(axis=0)
    return np.asarray(
        np.einsum("ij,ij->i", corner[:, 0], np.cross(corner[:, 1], corner[:, 2])) / 6
    )


def _sample(mesh: Mesh, shell: IntArray) -> IntArray:
    """Return the triangles beside which the solid angle is looked at."""
    n_shells = int(shell.max()) + 1
    low = np.array([mesh.corners[shell == n].min(axis=(0, 1)) for n in range(n_shells)])
    high = np.array([mesh.corners[shell == n].max(axis=(0, 1)) for n in range(n_shells)])
    met = np.zeros(mesh.n_triangles, dtype=bool)
    for n in range(n_shells):
        inside = ((mesh.centroids > low[n]) & (mesh.centroids < high[n])).all(axis=1)
        met |= inside & (shell != n)
    longest = np.argsort(-mesh.longest_edges)[: _MOST_TRIANGLES // 4]
    everywhere = np.arange(mesh.n_triangles)
    met_most, all_most = (_evenly(n, _MOST_TRIANGLES) for n in (np.flatnonzero(met), everywhere))
    return np.unique(np.concatenate((met_most, all_most, longest)))


def _evenly(numbers: IntArray, most: int) -> IntArray:
    step = max(1, -(-numbers.size // most))
    return numbers[::step]
