# SPDX-License-Identifier: GPL-3.0-or-later
"""The dimensions of a lens that can be touched, measured on the sections of the solid.

A wall or floor that is straight has an angle, an arc into the front a radius, a wall that is
curved its heights. Where straight lines would meet without their rounding is not given: nobody
can touch it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from bafflelens.handoff.contour import SAME_MM
from bafflelens.handoff.dimension import SheetDimension
from bafflelens.handoff.floor_rows import floor_rows
from bafflelens.handoff.lens_form import TURNED, lens_form
from bafflelens.handoff.lens_wall import lens_wall
from bafflelens.handoff.solid import Solid, part_box, through_the_axis
from bafflelens.handoff.wall_rows import depth_row, wall_rows
from bafflelens.mesh.source_motion import SourceMotion


@dataclass(frozen=True, kw_only=True, eq=False)
class LensDimensions:
    """What the sections tell of a lens.

    Attributes
    ----------
    rows : tuple of SheetDimension
        Depth, walls, floor.
    form : str
        How the surface follows from them, in a sentence.
    """

    rows: tuple[SheetDimension, ...]
    form: str


def lens_dimensions(solid: Solid, motions: Sequence[SourceMotion]) -> LensDimensions | None:
    """Return the dimensions of a lens or waveguide around the first driver; None without one.

    Parameters
    ----------
    solid : Solid
        With the sections through the axis.
    motions : sequence of SourceMotion
        The drivers; the first one has the lens.
    """
    names = set(solid.mesh.surface.tolist())
    if not any(name.startswith(("lens", "waveguide")) for name in names):
        return None
    motion = motions[0]
    x, y, z = (1e3 * value for value in motion.centre)
    front = float(part_box(solid, motions)[1, 0])
    radius = 1e3 * motion.outer_radius_m
    upright, level = (through_the_axis(solid.sections, k) for k in ("vertical", "horizontal"))
    walls = [lens_wall(upright, (x, z), radius, front, way) for way in (1, -1)]
    floors = [lens_wall(level, (x, y), radius, front, way) for way in (1, -1)]
    above, below = walls
    if above is None or below is None or above.depth < SAME_MM:
        return None
    form = lens_form(solid, motion, front, (above, below))
    rows: list[SheetDimension] = [depth_row(above, front, z)]
    if form == TURNED:
        rows += wall_rows("", above, z, front, around=True)
    elif above.is_like(below):
        rows += wall_rows("", above, z, front)
    else:
        rows += wall_rows("1", above, z, front, which="upper ", way=1)
        rows += wall_rows("2", below, z, front, which="lower ", way=-1)
    if form != TURNED:
        rows += floor_rows(level, floors, y, front, (x, radius))
    return LensDimensions(rows=tuple(rows), form=form)
