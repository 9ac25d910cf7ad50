# SPDX-License-Identifier: GPL-3.0-or-later
"""Remove sliver triangles from a mesh by collapsing their shortest edge.

Slivers appear where a shape has an edge far shorter than the elements, or where two edges meet
in a cusp. They cost accuracy and solver steps and carry no information.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from bafflelens.base.conventions import FloatArray, IntArray
from bafflelens.mesh.mesh import Mesh

_SLIVER_DEG: Final = 14.0
_NEEDLE: Final = 0.4  # shortest over longest edge: flat triangles without a short edge stay
_IMPROVEMENT: Final = 1.25  # of the smallest angle, else it is not worth it
_LONGEST_GROWTH: Final = 1.3  # of the longest edge around
_LARGEST_TURN_COSINE: Final = float(np.cos(np.radians(35.0)))  # of any triangle's normal


def collapse_slivers(mesh: Mesh, rank: IntArray, movable: NDArray[np.bool_]) -> Mesh:
    """Return a mesh with fewer slivers; what cannot be improved is left as it is.

    Parameters
    ----------
    mesh : Mesh
        The mesh.
    rank : (n_vertices,) integer array
        How bound a vertex is; a vertex is moved onto one of the same or a higher rank only.
        Vertices on a mirror plane must outrank all others.
    movable : (n_vertices,) boolean array
        False for vertices that must stay where they are.

    Returns
    -------
    Mesh
        The same surface with some edges collapsed.
    """
    triangles = np.array(mesh.triangles)
    alive = np.ones(len(triangles), dtype=bool)
    angles = mesh.smallest_angles_deg
    slivers = np.flatnonzero(angles < _SLIVER_DEG)
    for number in slivers[np.argsort(angles[slivers])]:
        if not alive[number]:
            continue
        corner = triangles[number]
        lengths = np.linalg.norm(
            mesh.vertices[corner] - mesh.vertices[np.roll(corner, -1)], axis=1
        )
        if lengths.min() > _NEEDLE * lengths.max():
            continue
        side = int(np.argmin(lengths))
        ends = int(corner[side]), int(corner[(side + 1) % 3])
        for moved, goal in sorted((ends, ends[::-1]), key=lambda pair: rank[pair[0]]):
            if (
                movable[moved]
                and rank[moved] <= rank[goal]
                and _collapse(mesh.vertices, triangles, alive, moved, goal)
            ):
                break
    kept = Mesh(mesh.vertices, triangles[alive], mesh.surface[alive], mesh.places)
    return kept.without_unused_vertices()


def _collapse(
    vertices: FloatArray, triangles: IntArray, alive: NDArray[np.bool_], moved: int, goal: int
) -> bool:
    """Move one vertex onto another in `triangles` if all triangles around get better for it."""
    around = alive & (triangles == moved).any(axis=1)
    beyond = alive & (triangles == goal).any(axis=1)
    vanishing = around & beyond
    staying = around & ~vanishing
    # The surface is not pinched if the two have no neighbour in common beside the far corners
    # of the vanishing triangles (the link condition).
    common = np.intersect1d(triangles[around], triangles[beyond])
    if len(common) != 2 + vanishing.sum() or not staying.any():
        return False
    if vanishing.sum() == 2 and _on_border(triangles[around]) and _on_border(triangles[beyond]):
        return False  # an edge across the surface, from border to border
    before = _patch(vertices, triangles[around])
    after = _patch(vertices, np.where(triangles[staying] == moved, goal, triangles[staying]))
    turns = np.einsum("ij,ij->i", before.normals[staying[around]], after.normals)
    if (
        after.smallest_angles_deg.min() < _IMPROVEMENT * before.smallest_angles_deg.min()
        or after.longest_edges.max() > _LONGEST_GROWTH * before.longest_edges.max()
        or turns.min() < _LARGEST_TURN_COSINE
    ):
        return False
    triangles[staying] = after.triangles
    alive[vanishing] = False
    return True


def _on_border(fan: IntArray) -> bool:
    """Return whether the triangles around a vertex leave a gap, (n, 3) vertex numbers."""
    return len(np.unique(fan)) - 1 != len(fan)


def _patch(vertices: FloatArray, triangles: IntArray) -> Mesh:
    return Mesh(vertices, triangles, np.full(len(triangles), ""))
