# SPDX-License-Identifier: GPL-3.0-or-later
"""The places of a front that a shop has words for: walls, lips, floor, throat, front, sides.

Told from where a triangle lies, which way it faces and how the surface bends there:

- what moves is the driver;
- within one and a half rim radii of a source's axis is its throat;
- of the cabinet, the outside faces back, up, down or to a side; the rest of it, and what bends
  in the front plane, is its front edge;
- of a lens or guide, what faces nearly forward and lies deep is the floor, or beside the throat
  of a lens the side passage; what bends away from the air in the front half of the depth is the
  lip; the rest is wall: upper or lower, or left or right where it faces more sideways than up.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from bafflelens.base.conventions import FloatArray
from bafflelens.handoff.neighbours import sides_of
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.source_motion import SourceMotion

DRIVER: Final = "driver"
_THROAT_RADII: Final = 1.5
_FORWARD: Final = 0.94  # cosine of 20 degrees
_BENT_PER_M: Final = 6.0  # a radius of 170 mm; flatter is a wall


def regions_of(mesh: Mesh, motions: Sequence[SourceMotion]) -> NDArray[np.str_]:
    """Return the name of the region of each triangle, (n_triangles,).

    Parameters
    ----------
    mesh : Mesh
        The whole nominal surface, both halves.
    motions : sequence of SourceMotion
        What moves, and where.
    """
    moving = {n for m in motions for n in m.surfaces}
    surface = mesh.surface.astype(object)
    found = surface.copy()
    is_cabinet = np.char.startswith(mesh.surface, "cabinet")
    is_baffle = np.char.startswith(mesh.surface, "baffle")
    guided = ~is_cabinet & ~is_baffle
    bend = _bends(mesh)
    _name_outside(found, mesh, is_cabinet)
    forward = mesh.normals[:, 0] > _FORWARD
    found[is_baffle] = np.where(forward, "front", "front edge")[is_baffle]
    for name in np.unique(surface[guided]).tolist() if guided.any() else ():
        if name not in moving:
            _name_guide(found, mesh, np.flatnonzero(surface == name), bend, motions)
    for motion in motions:
        away = mesh.centroids - motion.centre
        along = away @ np.asarray(motion.axis)
        radial = np.linalg.norm(away - along[:, None] * np.asarray(motion.axis), axis=1)
        near = guided & (radial < _THROAT_RADII * motion.outer_radius_m)
        name = "throat" if len(motions) == 1 else f"throat of {motion.name}"
        found[near & (np.abs(along) < 2 * motion.outer_radius_m)] = name
    found[np.isin(mesh.surface, list(moving))] = DRIVER
    return found.astype(str)


def _name_outside(found: NDArray[np.object_], mesh: Mesh, chosen: NDArray[np.bool_]) -> None:
    axis = np.abs(mesh.normals).argmax(axis=1)
    positive = np.take_along_axis(mesh.normals, axis[:, None], axis=1)[:, 0] > 0
    names = np.array(
        [["back", "front edge"], ["right side", "left side"], ["bottom", "top"]], dtype=object
    )
    found[chosen] = names[axis, positive.astype(int)][chosen]


def _name_guide(
    found: NDArray[np.object_],
    mesh: Mesh,
    chosen: NDArray[np.int64],
    bend: FloatArray,
    motions: Sequence[SourceMotion],
) -> None:
    normal, middle = mesh.normals[chosen], mesh.centroids[chosen]
    x = middle[:, 0]
    deep, high = (float(end) for end in (mesh.corners[chosen, :, 0].min(), x.max()))
    centre = np.asarray(motions[0].centre)
    across = middle[:, 1:] - centre[1:]
    upright = np.abs(normal[:, 2]) >= np.abs(normal[:, 1])
    up = np.where(across[:, 1] >= 0, "upper", "lower")
    side = np.where(across[:, 0] >= 0, "left", "right")
    which = np.where(upright, up, side).astype(object)
    name = which + " wall"
    in_front = x > (deep + high) / 2
    name = np.where((bend[chosen] > _BENT_PER_M) & in_front, which + " lip", name)
    level = np.abs(normal[:, 2]) < 0.1
    if str(mesh.surface[chosen[0]]).startswith("lens"):  # open to the sides; a waveguide is not
        name = np.where(level & (normal[:, 0] > 0.5), side.astype(object) + " passage", name)
    flat = normal[:, 0] > _FORWARD
    if high - deep > 1e-3:
        name = np.where(flat & level & (x < deep + 0.1 * (high - deep)), "floor", name)
    else:
        name = np.where(flat, "front", name)
    found[chosen] = name


def _bends(mesh: Mesh) -> FloatArray:
    """Return how much each triangle's surroundings bend away from the air, in 1/m, smoothed."""
    sides = sides_of(mesh)
    owner, other = sides.owner, sides.other
    away = mesh.centroids[other] - mesh.centroids[owner]
    turn = mesh.normals[other] - mesh.normals[owner]
    distance = np.maximum((away**2).sum(axis=1), 1e-12)
    sharp = (mesh.normals[other] * mesh.normals[owner]).sum(axis=1) < 0.8
    each = np.where(sharp, 0.0, (turn * away).sum(axis=1) / distance)
    bend = np.maximum(each.reshape(-1, 3), 0.0).sum(axis=1)
    return np.asarray((bend + bend[other.reshape(-1, 3)].sum(axis=1)) / 4)
