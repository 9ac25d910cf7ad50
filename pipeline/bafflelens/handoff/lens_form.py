# SPDX-License-Identifier: GPL-3.0-or-later
"""How the surface of a lens follows from its sections, tried on the corners of the mesh."""

from __future__ import annotations

from typing import Final

import numpy as np

from bafflelens.base.conventions import FloatArray
from bafflelens.handoff.lens_wall import LensWall, path_to_side
from bafflelens.handoff.solid import Solid, through_the_axis
from bafflelens.mesh.source_motion import SourceMotion

_FORM_MM: Final = 0.1
_FORM_SHARE: Final = 0.005  # of the corners of the mesh, at most, that are farther off
PRISMS: Final = (
    "Form of the lens: the wall of A-A is the same at every width, the floor of B-B at every "
    "height; the surface is whichever of the two lies farther forward. A straight wall goes on "
    "behind the floor's level as far as the floor does."
)
TURNED: Final = "Form of the lens: the wall of A-A is turned about the driver's axis."
FREE: Final = (
    "Form of the lens: free. The dimensions hold in the sections A-A and B-B; between them the "
    "STEP file and the templates define the surface."
)
ALL_FREE: Final = "Form of the lens: free. The STEP file and the templates define its surface."


def lens_form(
    solid: Solid,
    motion: SourceMotion,
    front: float,
    walls: tuple[LensWall, LensWall],
) -> str:
    """Return how the surface follows from the sections, tried on the corners of the mesh."""
    mesh = solid.mesh
    chosen = np.array([name.startswith(("lens", "waveguide")) for name in mesh.surface])
    points = mesh.vertices[np.unique(mesh.triangles[chosen])] * 1e3
    points = points - [front, 1e3 * motion.centre[1], 1e3 * motion.centre[2]]
    x, y, z = points.T
    around = np.hypot(y, z)
    above, below = walls
    if _share_off(np.interp(around, above.points[:, 1], above.points[:, 0]), x) < _FORM_SHARE:
        return TURNED
    wall = np.where(z > 0, _beyond(above, z), _beyond(below, -z))
    level = through_the_axis(solid.sections, "horizontal")
    rim = (1e3 * motion.centre[0], 1e3 * motion.centre[1])
    radius = 1e3 * motion.outer_radius_m
    floor = np.empty(len(x))
    for way in (1, -1):
        path = path_to_side(level, rim, radius, front, way)
        there = y * way >= 0
        floor[there] = np.interp(way * y[there], path[:, 1], path[:, 0])
    return PRISMS if _share_off(np.maximum(wall, floor), x) < _FORM_SHARE else FREE


def _beyond(wall: LensWall, heights: FloatArray) -> FloatArray:
    """Return x of a wall at distances from the axis, straight on behind its foot."""
    found = np.interp(heights, wall.points[:, 1], wall.points[:, 0])
    (x, h), (x2, h2) = wall.points[:2]
    slope = (x2 - x) / max(h2 - h, 1e-9)
    return np.asarray(np.where(heights < wall.foot, x + slope * (heights - wall.foot), found))


def _share_off(found: FloatArray, x: FloatArray) -> float:
    return float(np.mean(abs(found - x) > _FORM_MM))
