# SPDX-License-Identifier: GPL-3.0-or-later
"""The dimensions of a lens that can be touched, measured on the sections of the solid.

A wall or floor that is straight has an angle, an arc into the front a radius; a wall that is
curved is given by its heights at depths below the front plane, one after the other, as ISO 129-1
does with curves (from memory). Where straight lines would meet without their rounding is not
given: nobody can touch it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from bafflelens.base.conventions import FloatArray
from bafflelens.handoff.contour import ContourPiece, contour, pieces
from bafflelens.handoff.dimension import OnSheet, SheetDimension, general
from bafflelens.handoff.solid import Section, Solid
from bafflelens.mesh.source_motion import SourceMotion

_SAME_MM: Final = 0.02
_TOUCHES_MM: Final = 1e-5
_MOST_STATIONS: Final = 8
_STEPS_MM: Final = (1.0, 2.0, 2.5, 4.0, 5.0, 10.0, 20.0)
_TANGENT_DEG: Final = 2.0
_FORM_MM: Final = 0.1
_FORM_SHARE: Final = 0.005  # of the corners of the mesh, at most, that are farther off
_RADIUS_GAUGE: Final = "radius gauge, or the template of the section"
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


@dataclass(frozen=True, kw_only=True, eq=False)
class _Wall:
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

    def is_like(self, other: _Wall) -> bool:
        """Return whether another is the same."""
        if (self.lip is None) != (other.lip is None) or abs(self.depth - other.depth) > _SAME_MM:
            return False
        depths = np.linspace(0, self.depth, 25)
        return all(abs(self.height(d) - other.height(d)) < _SAME_MM for d in depths)


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


def part_box(solid: Solid, motions: Sequence[SourceMotion]) -> FloatArray:
    """Return lowest and highest corner in mm, (2, 3), without what moves: domes may stand out."""
    moving = {name for m in motions for name in (*m.piston_surfaces, *m.taper_surfaces)}
    resting = np.array([name not in moving for name in solid.mesh.surface])
    box = solid.box_m * 1e3
    if resting.any():
        corners = solid.mesh.corners[resting].reshape(-1, 3) * 1e3
        box[1, 0] = corners[:, 0].max()
    return box


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
    walls = [_wall(upright, (x, z), radius, front, way) for way in (1, -1)]
    floors = [_wall(level, (x, y), radius, front, way) for way in (1, -1)]
    above, below = walls
    if above is None or below is None or above.depth < _SAME_MM:
        return None
    form = _form(solid, motion, front, (above, below), floors)
    rows: list[SheetDimension] = [_depth(above, front, z)]
    if form == TURNED:
        rows += _walls("", (above,), z, front, around=True)
    elif above.is_like(below):
        rows += _walls("", (above,), z, front)
    else:
        rows += _walls("1", (above,), z, front, which="upper ", way=1)
        rows += _walls("2", (below,), z, front, which="lower ", way=-1)
    if form != TURNED:
        rows += _floor(solid, level, floors, y, front, (x, radius))
    return LensDimensions(rows=tuple(rows), form=form)


def through_the_axis(sections: Sequence[Section], kind: str) -> Section:
    """Return the first section of a kind: that through the axis."""
    return next(section for section in sections if section.kind == kind)


def _wall(
    section: Section, rim: tuple[float, float], radius: float, front: float, way: int
) -> _Wall | None:
    """Return one side of the lens in a section; None where it does not come to the front."""
    path = contour(section.whole, rim, radius, way)
    if len(path) == 0:
        return None
    path = path - [front, 0.0]
    at_front = np.flatnonzero(path[:, 0] > -_TOUCHES_MM)
    if len(at_front) == 0:
        return None
    path = path[: int(at_front[0]) + 1]
    on_floor = np.flatnonzero(path[:, 0] < path[0, 0] + _SAME_MM)
    wall = path[int(on_floor[-1]) :]
    if len(wall) < 2:
        return None
    parts = pieces(wall)
    last = parts[-1]
    lip = last if last.kind == "arc" and _ends_along_front(last) and len(parts) > 1 else None
    others = parts[:-1] if lip is not None else parts
    is_straight = len(others) == 1 and others[0].kind == "line"
    return _Wall(
        points=wall,
        foot=float(wall[0, 1]),
        mouth=float(wall[-1, 1]),
        depth=float(-wall[0, 0]),
        lip=lip,
        straight=others[0] if is_straight else None,
    )


def _ends_along_front(arc: ContourPiece) -> bool:
    """Return whether an arc runs into the front plane without a bend."""
    x, h = arc.points[-1] - arc.points[-2]
    step = math.degrees(math.asin(min(1.0, math.hypot(x, h) / 2 / arc.radius)))
    return abs(90 - math.degrees(math.atan2(h, x)) - step) < _TANGENT_DEG


def _depth(wall: _Wall, front: float, z: float) -> SheetDimension:
    foot = (front - wall.depth, z + wall.foot)
    return general(
        "D",
        "depth of the lens, from the front plane to the driver's seat",
        "straight edge over the front plane, depth rod to the floor beside the driver",
        wall.depth,
        view="A-A",
        shown=OnSheet(how="across", at_mm=(foot, (front, z + wall.mouth)), side="above"),
    )


def _walls(
    number: str,
    walls: Sequence[_Wall],
    z: float,
    front: float,
    *,
    which: str = "",
    way: int = 0,
    around: bool = False,
) -> Iterator[SheetDimension]:
    """Yield throat, mouth, and walls: of both if they are alike, else of one from the axis."""
    (wall,) = walls
    both = way == 0
    factor, sign = (2, 1) if both else (1, way)
    low = -1 if both else 0
    inside = "inside calipers" + (", two ways" if around else ", at mid width")
    how = inside if both else "height gauge on the driver's axis"
    across = "diameter" if around else "height"
    mark: Literal["", "diameter"] = "diameter" if around else ""

    def upright(
        symbol: str, name: str, how: str, height: float, depth: float, auxiliary: bool = False
    ) -> SheetDimension:
        ends = tuple((front - depth, z + s * height) for s in sorted((sign, low * sign)))
        return general(
            symbol + number, name, how, factor * height, view="A-A", sign=mark,
            is_auxiliary=auxiliary, shown=OnSheet(how="upright", at_mm=ends, side="right"),
        )  # fmt: skip

    name = f"throat {across}" if both else f"axis to the foot of the {which}wall"
    yield upright("V", f"{name}, on the floor", how, wall.foot, wall.depth)
    if wall.lip is not None:
        lip_at = (front + wall.lip.middle[0], z + sign * wall.lip.middle[1])
        yield general(
            f"Y{number}", f"radius of the {which}lip{'s' if both else ''}, wall into front plane",
            _RADIUS_GAUGE, wall.lip.radius, view="A-A", sign="radius", is_edge=True,
            shown=OnSheet(how="leader", at_mm=(lip_at,), side="left"),
        )  # fmt: skip
    if wall.straight is not None:
        foot, end = ((front + x, z + sign * h) for x, h in wall.straight.points[[0, -1]].tolist())
        yield general(
            f"Q{number}", f"{which}wall from the driver's axis",
            "bevel protractor on the straight wall, stock on the floor; 90\u00b0 less its reading",
            wall.straight.angle_deg, unit="deg", leg_mm=wall.straight.length, view="A-A",
            shown=OnSheet(how="angle", at_mm=(foot, (front, foot[1]), end), side="left"),
        )  # fmt: skip
    else:
        yield from _ordinates(wall, number, factor, sign, which, how, (z, front), around)
    text = f"mouth {across}" if both else f"axis to the {which}mouth"
    if wall.lip is None:
        yield upright("M", f"{text}, between the edges in the front plane", how, wall.mouth, 0.0)
    else:
        way_out = "between the ends of the lips" if both else "end of the lip"
        touch = "straight edge on the front plane with marking blue: where its contact ends"
        yield upright("M", f"{text} over the lips, {way_out}", touch, wall.mouth, 0.0, True)


def _ordinates(
    wall: _Wall,
    number: str,
    factor: int,
    sign: int,
    which: str,
    how: str,
    place: tuple[float, float],
    around: bool,
) -> Iterator[SheetDimension]:
    """Yield heights of a curved wall at depths: from near the floor to where the lip begins."""
    z, front = place
    for n, depth in enumerate(_stations(wall), start=1):
        height = wall.height(depth)
        what = "diameter" if around else "height between the walls"
        name = what if factor == 2 else f"axis to the {which}wall"
        yield general(
            f"X{number}{'.' if number else ''}{n}",
            f"{name}, {depth:.1f} mm below the front plane",
            f"{how}, its jaws {depth:.1f} mm deep; or the template of the section",
            factor * height, view="A-A", sign="diameter" if around else "",
            shown=OnSheet(
                how="leader", at_mm=((front - depth, z + sign * height),), side="left"
            ),
        )  # fmt: skip


def _stations(wall: _Wall) -> list[float]:
    """Return the depths at which a curved wall is measured, deepest first, in whole tenths."""
    end = 0.0 if wall.lip is None else round(-float(wall.lip.points[0, 0]), 1)
    step = next((s for s in _STEPS_MM if (wall.depth - end) / s <= _MOST_STATIONS), _STEPS_MM[-1])
    first, last = (
        math.floor((wall.depth - 0.3 * step) / step),
        math.ceil((end + 0.3 * step) / step),
    )
    depths = [step * n for n in range(first, last - 1, -1) if step * n > 0]
    return depths if wall.lip is None else [*depths, end]


def _floor(
    solid: Solid,
    level: Section,
    floors: Sequence[_Wall | None],
    y: float,
    front: float,
    rim: tuple[float, float],
) -> Iterator[SheetDimension]:
    """Yield what B-B tells of the floor: its flat part, its slope, how it ends at the sides."""
    left, right = floors
    if left is not None and right is not None and left.is_like(right):
        yield from _closed_floor(left, y, front)
        return
    for way, side, closed in ((1, "left", left), (-1, "right", right)):
        number = "" if _is_mirrored(level, y, rim) else ("1" if way > 0 else "2")
        if number == "" and way < 0:
            return
        if closed is not None:
            yield from _closed_floor(closed, y, front, number=number, side=f"{side} ", way=way)
            continue
        yield from _open_floor(level, y, front, rim, number, way)


def _is_mirrored(level: Section, y: float, rim: tuple[float, float]) -> bool:
    one, other = (contour(level.whole, (rim[0], y), rim[1], way) for way in (1, -1))
    return bool(abs(one[:, 1].max() - other[:, 1].max()) < _SAME_MM)


def _closed_floor(
    floor: _Wall, y: float, front: float, *, number: str = "", side: str = "", way: int = 0
) -> Iterator[SheetDimension]:
    """Yield a floor that comes to the front plane before the sides."""
    factor, sign, low = (2, 1, -1) if way == 0 else (1, way, 0)
    start = "" if way == 0 else f"axis to the {side}end of the "
    inside = "inside calipers, at the height of the axis"

    def across(
        symbol: str, name: str, how: str, half: float, depth: float, auxiliary: bool = False
    ) -> SheetDimension:
        ends = tuple((y + s * half, depth - front) for s in sorted((sign, low * sign)))
        return general(
            symbol + number, name, how, factor * half, view="B-B", is_auxiliary=auxiliary,
            shown=OnSheet(how="across", at_mm=ends, side="below"),
        )  # fmt: skip

    yield across("P", f"{start}flat floor, width", inside, floor.foot, floor.depth)
    if floor.straight is not None:
        yield _floor_angle(floor.straight, y, front, number, sign)
    if floor.lip is not None:
        yield _run_out(floor.lip, "into the front plane", y, front, number, sign)
        touch = "straight edge on the front plane with marking blue: where its contact ends"
        yield across("N", f"{start}passage over its run-outs, width", touch, floor.mouth, 0, True)
    else:
        yield across("N", f"{start}passage in the front plane, width", inside, floor.mouth, 0)


def _floor_angle(
    line: ContourPiece, y: float, front: float, number: str, sign: int
) -> SheetDimension:
    foot, end = ((y + sign * h, -(front + x)) for x, h in line.points[[0, -1]].tolist())
    return general(
        f"S{number}", "floor at the sides, from the driver's axis",
        "bevel protractor on the rising floor, stock on the flat floor; 90\u00b0 less its reading",
        line.angle_deg, unit="deg", leg_mm=line.length, view="B-B",
        shown=OnSheet(how="angle", at_mm=(foot, (foot[0], -front), end), side="above"),
    )  # fmt: skip


def _run_out(
    arc: ContourPiece, where: str, y: float, front: float, number: str, sign: int
) -> SheetDimension:
    x, h = arc.middle
    return general(
        f"U{number}", f"radius of the floor's run-out {where}", _RADIUS_GAUGE, arc.radius,
        view="B-B", sign="radius", is_edge=True,
        shown=OnSheet(how="leader", at_mm=((y + sign * h, -(front + x)),), side="above"),
    )  # fmt: skip


def _open_floor(
    level: Section, y: float, front: float, rim: tuple[float, float], number: str, way: int
) -> Iterator[SheetDimension]:
    """Yield a floor that leaves at the cabinet's side."""
    path = contour(level.whole, (rim[0], y), rim[1], way) - [front, 0.0]
    parts = pieces(path[: int(np.flatnonzero(path[:, 1] > path[:, 1].max() - _TOUCHES_MM)[0]) + 1])
    flat, slope = parts[0], next((p for p in parts[1:] if p.kind == "line"), None)
    factor, sign, low = (2, 1, -1) if not number else (1, way, 0)
    if slope is not None:
        half = float(flat.points[-1, 1])
        ends = tuple(
            (y + s * half, -(front + float(flat.points[-1, 0])))
            for s in sorted((low * sign, sign))
        )
        yield general(
            f"P{number}",
            "flat floor, width" if factor == 2 else "axis to the end of the flat floor",
            "inside calipers, at the height of the axis", factor * half, view="B-B",
            shown=OnSheet(how="across", at_mm=ends, side="below"),
        )  # fmt: skip
        yield _floor_angle(slope, y, front, number, sign)
    last = parts[-1]
    if last.kind == "arc":
        yield _run_out(last, "into the cabinet's side", y, front, number, sign)
    end = (y + sign * float(last.points[-1, 1]), -(front + float(last.points[-1, 0])))
    yield general(
        f"Z{number}", "end of the floor at the cabinet's side, below the front plane",
        "depth gauge from a straight edge over the front plane, along the side",
        float(-last.points[-1, 0]), view="B-B", is_auxiliary=True,
        shown=OnSheet(
            how="upright",
            at_mm=(end, (end[0], -front)),
            side="right" if sign > 0 else "left",
        ),
    )  # fmt: skip


def _form(
    solid: Solid,
    motion: SourceMotion,
    front: float,
    walls: tuple[_Wall, _Wall],
    floors: Sequence[_Wall | None],
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
        path = contour(level.whole, rim, radius, way) - [front, 0.0]
        there = y * way >= 0
        side = np.flatnonzero(path[:, 1] > path[:, 1].max() - _TOUCHES_MM)[0]
        path = path[: int(side) + 1]
        floor[there] = np.interp(way * y[there], path[:, 1], path[:, 0])
    return PRISMS if _share_off(np.maximum(wall, floor), x) < _FORM_SHARE else FREE


def _beyond(wall: _Wall, heights: FloatArray) -> FloatArray:
    """Return x of a wall at distances from the axis, straight on behind its foot."""
    found = np.interp(heights, wall.points[:, 1], wall.points[:, 0])
    (x, h), (x2, h2) = wall.points[:2]
    slope = (x2 - x) / max(h2 - h, 1e-9)
    return np.asarray(np.where(heights < wall.foot, x + slope * (heights - wall.foot), found))


def _share_off(found: FloatArray, x: FloatArray) -> float:
    return float(np.mean(abs(found - x) > _FORM_MM))
