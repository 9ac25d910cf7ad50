# SPDX-License-Identifier: GPL-3.0-or-later
"""Where a shape is too narrow for the model or for its mesh: slits of air, and thin walls.

Air without viscosity makes a slit of less than about half a millimetre resonate too sharply: the
viscous layers at its walls, sqrt(2 nu / omega) thick (0.04 mm at 3 kHz; textbook, from memory),
then fill a good part of it. A wall that is thin against its elements costs accuracy where the
meshes of its two faces do not match: about 0.2 dB where elements are longer than four
thicknesses (measured with the near-singular cases of the project).
"""

from __future__ import annotations

from typing import Final

import numpy as np
from scipy.spatial import cKDTree

from bafflelens.base.conventions import FloatArray
from bafflelens.mesh.mesh import Mesh

NARROWEST_GAP_M: Final = 0.5e-3
ELEMENTS_OVER_WALL: Final = 4.0

_OPPOSED: Final = -0.7  # cosine between normals of faces that look at each other
_LIKE_MESHED: Final = 0.1  # offset of opposite centroids, of the element, that does no harm
_CLASSES: Final = 24  # of element sizes, each twice as large as the one before


def warnings_of(mesh: Mesh, symmetry: tuple[str, ...] = ()) -> tuple[str, ...]:
    """Return what a reader of the results should know of narrow places, one line each.

    Parameters
    ----------
    mesh : Mesh
        The finest mesh of a shape.
    symmetry : tuple of {"x", "y", "z"}
        Planes in which it is mirrored.
    """
    mesh = mesh.whole(symmetry)
    found = []
    gap, where = narrowest_gap(mesh)
    if gap < NARROWEST_GAP_M:
        found.append(
            f"a gap of {1e3 * gap:.2f} mm at {_place(where)}, narrower than "
            f"{1e3 * NARROWEST_GAP_M:g} mm: without the viscosity of air it resonates too sharply"
        )
    wall, element, where = worst_wall(mesh)
    if element > ELEMENTS_OVER_WALL * wall:
        found.append(
            f"a wall of {1e3 * wall:.1f} mm at {_place(where)} has elements of "
            f"{1e3 * element:.1f} mm even on the finest mesh: about 0.2 dB less sure"
        )
    return tuple(found)


def narrowest_gap(mesh: Mesh) -> tuple[float, FloatArray]:
    """Return the width in m of the narrowest gap of air below the limit, and where it is.

    Infinite where there is none: only faces that look at each other within the limit count.
    """
    distance, _ = _opposite(mesh, np.full(mesh.n_triangles, NARROWEST_GAP_M), into_air=True)
    narrowest = int(np.argmin(distance))
    return float(distance[narrowest]), mesh.centroids[narrowest]


def worst_wall(mesh: Mesh) -> tuple[float, float, FloatArray]:
    """Return the wall that is thinnest against its elements and not meshed alike on both faces.

    Returns
    -------
    (float, float, (3,) array)
        Thickness and longest edge in m, and where it is; an infinite thickness if there is none
        below a quarter of the edge.
    """
    edge = mesh.longest_edges
    thickness, other = _opposite(mesh, edge / ELEMENTS_OVER_WALL, into_air=False)
    facing = other >= 0
    across = mesh.centroids[other] - mesh.centroids
    along = np.einsum("ij,ij->i", across, mesh.normals)[:, np.newaxis] * mesh.normals
    unlike = np.linalg.norm(across - along, axis=1) > _LIKE_MESHED * edge
    thickness = np.where(facing & unlike, thickness, np.inf)
    worst = int(np.argmin(thickness / edge))
    return float(thickness[worst]), float(edge[worst]), mesh.centroids[worst]


def _opposite(mesh: Mesh, reach: FloatArray, *, into_air: bool) -> tuple[FloatArray, FloatArray]:
    """Return how far off the face opposite each centroid is, and its number.

    A ray runs from each centroid along its normal, or against it into the solid; only triangles
    of an opposed normal stop it.

    Parameters
    ----------
    mesh : Mesh
        The whole surface.
    reach : (n_triangles,) array
        How long each ray is, in m.
    into_air : bool
        Which way it runs.

    Returns
    -------
    (n_triangles,) array, (n_triangles,) integer array
        Distance in m, infinite where there is nothing, and the triangle, -1 where there is none.
    """
    rays = mesh.normals if into_air else -mesh.normals
    radius = np.linalg.norm(mesh.corners - mesh.centroids[:, np.newaxis], axis=2).max(axis=1)
    distance = np.full(mesh.n_triangles, np.inf)
    other = np.full(mesh.n_triangles, -1)
    size_class = np.floor(np.log2(radius / radius.min())).astype(int)
    for number in range(min(int(size_class.max()), _CLASSES) + 1):
        members = np.flatnonzero(size_class == number)
        if not members.size:
            continue
        near = cKDTree(mesh.centroids[members]).query_ball_point(
            mesh.centroids, reach + radius[members].max(), return_sorted=False
        )
        start = np.repeat(np.arange(mesh.n_triangles), [len(found) for found in near])
        if not start.size:
            continue
        target = members[np.concatenate([np.asarray(found, dtype=int) for found in near])]
        opposed = np.einsum("ij,ij->i", mesh.normals[start], mesh.normals[target]) < _OPPOSED
        start, target = start[opposed], target[opposed]
        hit = _ray_lengths(mesh, mesh.centroids[start], rays[start], target)
        good = hit <= reach[start]
        start, target, hit = start[good], target[good], hit[good]
        for i in np.argsort(-hit):  # the nearest last, so that it stays
            if hit[i] < distance[start[i]]:
                distance[start[i]], other[start[i]] = hit[i], target[i]
    return distance, other


def _ray_lengths(
    mesh: Mesh, origin: FloatArray, ray: FloatArray, target: FloatArray
) -> FloatArray:
    """Return where rays meet the triangles, in m; infinite where they miss, (n,)."""
    first, second, third = (mesh.corners[target, i] for i in range(3))
    normal = mesh.normals[target]
    with np.errstate(divide="ignore", invalid="ignore"):
        length = np.einsum("ij,ij->i", first - origin, normal) / np.einsum("ij,ij->i", ray, normal)
    point = origin + length[:, np.newaxis] * ray
    inside = np.ones(len(target), dtype=bool)
    for a, b in ((first, second), (second, third), (third, first)):
        inside &= np.einsum("ij,ij->i", np.cross(b - a, point - a), normal) >= -1e-12
    return np.where(inside & (length > 1e-9), length, np.inf)


def _place(where: FloatArray) -> str:
    x, y, z = 1e3 * where
    return f"({x:.0f}, {y:.0f}, {z:.0f}) mm"
