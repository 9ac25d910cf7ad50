# SPDX-License-Identifier: GPL-3.0-or-later
"""One side of a lens in a section, from the driver's rim to the front plane."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from bafflelens.base.conventions import FloatArray
from bafflelens.handoff.contour import SAME_MM, ContourPiece, contour, pieces
from bafflelens.handoff.solid import Section

_TOUCHES_MM: Final = 1e-5
_TANGENT_DEG: Final = 2.0


@dataclass(frozen=True, kw_only=True, eq=False)
class LensWall:
    """A side of the lens in a section, from the rim to the front plane.

    ``points`` are x below the front plane and the distance from the axis; ``foot`` is where it
    leaves the floor, ``mouth`` where it is the front; ``lip`` the arc into the front, if any;
    ``straight`` the straight wall, if that is all that there is besides the lip.
    """

    points: FloatArray
    foot: float
    mouth: float
    depth: float
    lip: ContourPiece | None
    straight: ContourPiece | None

    def height(self, depth: float) -> float:
        """Return the distance from the axis at a depth below the front plane."""
        return float(np.interp(-depth, self.points[:, 0], self.points[:, 1]))

    def is_like(self, other: LensWall) -> bool:
        """Return whether another is the same."""
        if (self.lip is None) != (other.lip is None) or abs(self.depth - other.depth) > SAME_MM:
            return False
        depths = np.linspace(0, self.depth, 25)
        return all(abs(self.height(d) - other.height(d)) < SAME_MM for d in depths)


def lens_wall(
    section: Section, rim: tuple[float, float], radius: float, front: float, way: int
) -> LensWall | None:
    """Return one side of the lens in a section; None where it does not come to the front."""
    path = contour(section.whole, rim, radius, way)
    if len(path) == 0:
        return None
    path = path - [front, 0.0]
    at_front = np.flatnonzero(path[:, 0] > -_TOUCHES_MM)
    if len(at_front) == 0:
        return None
    path = path[: int(at_front[0]) + 1]
    on_floor = np.flatnonzero(path[:, 0] < path[0, 0] + SAME_MM)
    wall = path[int(on_floor[-1]) :]
    if len(wall) < 2:
        return None
    parts = pieces(wall)
    last = parts[-1]
    lip = last if last.kind == "arc" and _ends_along_front(last) and len(parts) > 1 else None
    others = parts[:-1] if lip is not None else parts
    is_straight = len(others) == 1 and others[0].kind == "line"
    return LensWall(
        points=wall,
        foot=float(wall[0, 1]),
        mouth=float(wall[-1, 1]),
        depth=float(-wall[0, 0]),
        lip=lip,
        straight=others[0] if is_straight else None,
    )


def path_to_side(
    level: Section, rim: tuple[float, float], radius: float, front: float, way: int
) -> FloatArray:
    """Return the floor in a section, (n, 2) as of a wall, from the rim to the cabinet's side."""
    path = contour(level.whole, rim, radius, way) - [front, 0.0]
    side = np.flatnonzero(path[:, 1] > path[:, 1].max() - _TOUCHES_MM)[0]
    return np.asarray(path[: int(side) + 1])


def _ends_along_front(arc: ContourPiece) -> bool:
    """Return whether an arc runs into the front plane without a bend."""
    x, h = arc.points[-1] - arc.points[-2]
    step = math.degrees(math.asin(min(1.0, math.hypot(x, h) / 2 / arc.radius)))
    return abs(90 - math.degrees(math.atan2(h, x)) - step) < _TANGENT_DEG
