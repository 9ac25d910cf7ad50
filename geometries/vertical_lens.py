# SPDX-License-Identifier: GPL-3.0-or-later
r"""Vertical lens: the plain baffle with a recessed guide above and below the dome, open sideways.

A *lens* here is a shallow guide, open to the sides: two walls that hold sound together
vertically and leave it free horizontally. This one is a recess in the front of the cabinet;
nothing stands proud of the front plane.

Origin and axes
    Origin where the tweeter's axis meets the undisturbed front plane of the baffle; x forward,
    y to the loudspeaker's own left, z up. The dome sits in the floor of the recess, its rim at
    x = -depth.

Side view (y = 0), not to scale::

      z                     |     baffle (front plane), x = 0
      ^                     |
      |                    /      lip: an arc tangent to wall and front plane
      +---> x            /
                       /          wall, at the wall half-angle from the axis
          cabinet    /
                    |             rim gap
                    )             dome and surround, in the floor of the recess
                    |
                     \
                       \
                         \
                           \
                            |
                    |<----->|     depth

Plan (z = 0), left half, not to scale::

      y       ___________
      ^                   \       end of the floor, rounded like the cabinet's front edge
      |                    |
      +---> x              /
                          /       floor, at the side angle from the axis
          cabinet        /
                        |         flat floor
                        )         dome

Depth
    Follows from opening, wall and throat::

        depth = (opening height / 2 - throat half-height) / tan(wall half-angle)
        throat half-height = dome radius + surround + rim gap       (13 + 3 + 1 mm)

    so that the straight walls, if they had no lip, would meet the front plane exactly at the
    opening height.
Lips
    A lip is an arc tangent to the wall and to the front plane. A large radius turns nearly the
    whole wall into a curve. The lip ends lip radius * tan((90 - wall half-angle) / 2) above the
    opening height / 2.
Side passage
    The floor is flat as far as the throat is high, and then runs to both sides at the side angle
    from the reference axis: 90 degrees is straight sideways, less brings it forward.

    - If it reaches the cabinet's side first, the channel stays open there. The floor ends in a
      rounding (or chamfer) of the same size as the cabinet's front edge, tangent to floor and
      side: there is no step. Where that rounding dips below the depth, the walls run on with
      it, or, where that would pinch it off, stay a throat apart. The walls and lips
      themselves end at the side in a sharp edge.
    - If it reaches the front plane first, the channel closes there: the floor runs out into the
      front plane over an arc of the front edge's radius (at least 5 mm), again without a step.

    In between, sliver-thin remains of wall or baffle would be left; `check` refuses these few
    side angles and names the nearest ones that work.

The surround is flat: a half roll of 3 mm is far smaller than any wavelength of interest. Only
the four front edges are rounded or chamfered; where two of them meet, they are mitred. The left
half (y >= 0) is built; the right one is its mirror image.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

SYMMETRY = ("y",)

MM = 1e-3  # parameters are in mm, the model in m
SHORTEST_EDGE_MM = 3.0  # anything smaller would cost many tiny triangles and change nothing
WIDER_STRIP_MM = 8.0  # the same for a strip without a rounding beside it
DEPTH_RANGE_MM = (10.0, 50.0)  # shallower shades nothing, deeper is a horn
SMALLEST_CLOSING_RADIUS_MM = 5.0  # where the floor runs out into the front plane


def _length(default: float, low: float, high: float, text: str) -> float:
    """Return a dataclass field that holds a length in mm."""
    metadata = {"unit": "mm", "range": (low, high), "help": text}
    return field(default=default, metadata=metadata)


def _angle(default: float, low: float, high: float, text: str) -> float:
    """Return a dataclass field that holds an angle in degrees."""
    metadata = {"unit": "deg", "range": (low, high), "help": text}
    return field(default=default, metadata=metadata)


@dataclass(frozen=True)
class Dome:
    """The moving parts of the tweeter."""

    diameter_mm: float = _length(26.0, 19.0, 38.0, "diameter of the dome")
    height_mm: float = _length(6.0, 2.0, 12.0, "height of the dome over its rim")
    surround_mm: float = _length(3.0, 2.0, 6.0, "width of the surround, a flat ring")


@dataclass(frozen=True)
class Lens:
    """The recessed guide around the dome."""

    opening_height_mm: float = _length(
        120.0, 90.0, 160.0, "height at which the straight walls would meet the front plane"
    )
    wall_half_angle_deg: float = _angle(45.0, 35.0, 65.0, "upper wall from the reference axis")
    lip_radius_mm: float = _length(20.0, 5.0, 100.0, "arc between wall and front plane")
    side_angle_deg: float = _angle(80.0, 60.0, 90.0, "floor at the sides from the reference axis")
    rim_gap_mm: float = _length(1.0, 1.0, 2.0, "surround's outer edge to the foot of the wall")


@dataclass(frozen=True)
class Cabinet:
    """The closed box."""

    width_mm: float = _length(210.0, 120.0, 400.0, "outer width")
    height_mm: float = _length(400.0, 200.0, 1200.0, "outer height")
    depth_mm: float = _length(250.0, 100.0, 500.0, "outer depth")
    tweeter_below_top_mm: float = _length(105.0, 60.0, 300.0, "tweeter axis to the cabinet's top")
    edge_radius_mm: float = _length(15.0, 0.0, 50.0, "radius of the front edges, or 0")
    edge_chamfer_mm: float = _length(0.0, 0.0, 50.0, "45 degree chamfer of the front edges, or 0")


@dataclass(frozen=True)
class Parameters:
    """All parameters, grouped by physical part."""

    dome: Dome = field(default_factory=Dome)
    lens: Lens = field(default_factory=Lens)
    cabinet: Cabinet = field(default_factory=Cabinet)


@dataclass(frozen=True)
class Recess:
    """What follows from the parameters; lengths in mm, angles in radians."""

    throat: float  # half-height of the floor, and half-width of its flat middle
    depth: float  # front plane to floor
    wall_angle: float
    wall_length: float  # straight wall if there were no lip
    lip_setback: float  # how much of it the lip takes
    mouth: float  # half-height where the lip meets the front plane
    side_angle: float
    edge: float  # radius or chamfer of the cabinet's front edge
    strip: float  # narrowest flat strip allowed between lens and front edge
    half_width: float  # of the cabinet

    @property
    def closing_radius(self) -> float:
        """Radius over which the floor runs out into the front plane, if it gets there."""
        return max(self.edge, SMALLEST_CLOSING_RADIUS_MM)

    def closing_corner(self, side_angle: float) -> float:
        """Return y where the inclined floor would meet the front plane."""
        if math.pi / 2 - side_angle < 1e-6:
            return math.inf
        return self.throat + self.depth * math.tan(side_angle)

    def baffle_beside(self, side_angle: float) -> float:
        """Return the flat baffle left between a closed channel and the cabinet's edge."""
        setback = self.closing_radius * math.tan((math.pi / 2 - side_angle) / 2)
        return self.half_width - self.edge - self.closing_corner(side_angle) - setback

    def depth_at_side(self, side_angle: float) -> float:
        """Return the depth of an open channel where its floor is highest, at the side's edge."""
        run = self.half_width - self.edge - self.throat
        rise = (run * math.cos(side_angle) - self.edge) / math.sin(side_angle) + self.edge
        return self.depth - rise

    @property
    def groove_depth(self) -> float:
        """Return how far the walls go on behind the floor, to meet its end at the side."""
        dip = self.depth_at_side(self.side_angle) + self.edge - self.depth
        return max(dip, 0.0) + 1.0

    def closes(self, side_angle: float) -> bool:
        """Whether the channel closes on the front plane before it reaches the side."""
        return self.baffle_beside(side_angle) >= self.strip

    def stays_open(self, side_angle: float) -> bool:
        """Whether the channel is still open where it reaches the cabinet's side."""
        return self.depth_at_side(side_angle) >= SHORTEST_EDGE_MM


def recess(parameters: Parameters) -> Recess:
    """Return the dimensions of the recess that follow from the parameters."""
    dome, lens, cabinet = parameters.dome, parameters.lens, parameters.cabinet
    throat = dome.diameter_mm / 2 + dome.surround_mm + lens.rim_gap_mm
    wall_angle = math.radians(lens.wall_half_angle_deg)
    depth = (lens.opening_height_mm / 2 - throat) / math.tan(wall_angle)
    lip_setback = lens.lip_radius_mm * math.tan((math.pi / 2 - wall_angle) / 2)
    return Recess(
        throat=throat,
        depth=depth,
        wall_angle=wall_angle,
        wall_length=depth / math.cos(wall_angle),
        lip_setback=lip_setback,
        mouth=lens.opening_height_mm / 2 + lip_setback,
        side_angle=math.radians(lens.side_angle_deg),
        edge=max(cabinet.edge_radius_mm, cabinet.edge_chamfer_mm),
        # Along a rounding the triangles are small; elsewhere a narrow strip makes slivers.
        strip=SHORTEST_EDGE_MM if cabinet.edge_radius_mm > 0 else WIDER_STRIP_MM,
        half_width=cabinet.width_mm / 2,
    )


def check(parameters: Parameters) -> list[str]:
    """Return every rule between parameters that is broken, with both numbers."""
    dome, lens, cabinet = parameters.dome, parameters.lens, parameters.cabinet
    shape = recess(parameters)
    faults = []
    if dome.height_mm > dome.diameter_mm / 2:
        faults.append(
            f"Invalid dome height '{dome.height_mm:g} mm'. "
            f"Must be at most the dome's radius, {dome.diameter_mm / 2:g} mm."
        )
    if cabinet.edge_radius_mm > 0 and cabinet.edge_chamfer_mm > 0:
        faults.append(
            f"Invalid front edge 'radius {cabinet.edge_radius_mm:g} mm and chamfer "
            f"{cabinet.edge_chamfer_mm:g} mm'. Must be one or the other; set the other to 0."
        )
    if 0 < shape.edge < SHORTEST_EDGE_MM:
        faults.append(
            f"Invalid front edge '{shape.edge:g} mm'. "
            f"Must be 0 or at least {SHORTEST_EDGE_MM:g} mm."
        )
    shallowest, deepest = DEPTH_RANGE_MM
    if not shallowest - 1e-6 <= shape.depth <= deepest + 1e-6:
        faults.append(
            f"Invalid lens depth '{shape.depth:.4g} mm' (opening {lens.opening_height_mm:g} mm, "
            f"wall {lens.wall_half_angle_deg:g} deg, throat {2 * shape.throat:g} mm). "
            f"Must be from {shallowest:g} to {deepest:g} mm."
        )
        return faults  # what follows would only repeat this one
    straight = shape.wall_length - shape.lip_setback
    if straight < SHORTEST_EDGE_MM:
        longest = (shape.wall_length - SHORTEST_EDGE_MM) / shape.lip_setback * lens.lip_radius_mm
        faults.append(
            f"Invalid lip radius '{lens.lip_radius_mm:g} mm'. Must be at most {longest:.1f} mm, "
            f"so that {SHORTEST_EDGE_MM:g} mm of the {shape.wall_length:.1f} mm wall stay "
            "straight."
        )
    for side, distance in (
        ("top", cabinet.tweeter_below_top_mm),
        ("bottom", cabinet.height_mm - cabinet.tweeter_below_top_mm),
    ):
        free = distance - shape.edge - shape.strip
        if shape.mouth > free:
            faults.append(
                f"Invalid lens '{shape.mouth:.1f} mm' from the axis to the end of its lip. "
                f"Must be at most {free:g} mm, to leave the cabinet's {side} edge free."
            )
    narrowest = shape.throat + shape.edge + 2 * SHORTEST_EDGE_MM
    if shape.half_width < narrowest:
        faults.append(
            f"Invalid cabinet width '{cabinet.width_mm:g} mm'. Must be at least "
            f"{2 * narrowest:g} mm: the flat floor of the lens and both front edges."
        )
    elif not (shape.closes(shape.side_angle) or shape.stays_open(shape.side_angle)):
        faults.append(_in_between(shape, lens.side_angle_deg))
    least = shape.depth + 2 * shape.edge + 20
    if cabinet.depth_mm < least:
        faults.append(
            f"Invalid cabinet depth '{cabinet.depth_mm:g} mm'. Must be at least {least:.0f} mm "
            f"for a lens {shape.depth:.1f} mm deep."
        )
    return faults


def _in_between(shape: Recess, side_angle_deg: float) -> str:
    """Return the fault of a channel that neither closes on the front nor is open at the side."""
    tenths = [n / 10 for n in range(600, 901)]  # of a degree, over the range of the side angle
    closing = [angle for angle in tenths if shape.closes(math.radians(angle))]
    opening = [angle for angle in tenths if shape.stays_open(math.radians(angle))]
    ways = []
    if closing:
        ways.append(f"at most {max(closing):g} deg to close it on the front plane")
    if opening:
        ways.append(f"at least {min(opening):g} deg to keep it open at the side")
    return (
        f"Invalid side angle '{side_angle_deg:g} deg' of a lens {shape.depth:.1f} mm deep: the "
        "channel would end in the cabinet's front edge. "
        f"Must be {' or '.join(ways) or 'smaller than the range allows: make the lens deeper'}."
    )


def sources(parameters: Parameters) -> list[dict[str, Any]]:
    """Return what moves: the dome as a piston, the surround tapering to rest at its rim."""
    radius = parameters.dome.diameter_mm / 2 * MM
    return [
        {
            "name": "tweeter",
            "axis": (1.0, 0.0, 0.0),
            "centre": (-recess(parameters).depth * MM, 0.0, 0.0),
            "piston_surfaces": ["dome"],
            "taper_surfaces": ["surround"],
            "inner_radius_m": radius,
            "outer_radius_m": radius + parameters.dome.surround_mm * MM,
        }
    ]


def resolved(parameters: Parameters) -> dict[str, float | None]:
    """Return what is not there: of radius and chamfer, the one that the edges have not."""
    unused = "edge_radius_mm" if parameters.cabinet.edge_chamfer_mm > 0 else "edge_chamfer_mm"
    return {f"cabinet.{unused}": None}


def build(model: Any, parameters: Parameters) -> None:
    """Add the left half of the surface, in metres, to a gmsh model and name its parts.

    Two prisms cut each other to the cabinet with a channel right through it: the side view with
    the recess, swept along y, and the plan, swept along z. A third prism, the plan of the
    floor, fills the channel up to the floor.
    """
    occ = model.occ
    shape = recess(parameters)
    body, _ = occ.intersect(_side_view_prism(occ, parameters, shape), _plan_prism(occ, parameters))
    body, _ = occ.fuse(body, _floor_prism(occ, parameters, shape))
    body = _add_dome(occ, body, parameters.dome, -shape.depth * MM)
    occ.synchronize()

    groups: dict[str, list[int]] = {
        name: [] for name in ("dome", "surround", "lens", "baffle", "cabinet")
    }
    for _, face in model.getBoundary(body, oriented=False):
        name = _surface_name(model, face, parameters, shape)
        if name:
            groups[name].append(face)
    for name, faces in groups.items():
        model.addPhysicalGroup(2, faces, name=name)


def _surface_name(model: Any, face: int, parameters: Parameters, shape: Recess) -> str:
    """Return the part that a face belongs to by where it lies, or nothing on the mirror plane."""
    tolerance = 1e-6
    x_min, _, z_min, _, y_max, z_max = model.getBoundingBox(2, face)
    reach = max(-z_min, z_max)
    rim = (parameters.dome.diameter_mm / 2 + parameters.dome.surround_mm) * MM
    if y_max < tolerance:
        return ""
    if model.getType(2, face) == "Sphere":
        return "dome"
    if reach < rim + tolerance and y_max < rim + tolerance:
        return "surround"
    if reach < shape.mouth * MM + tolerance and x_min < -tolerance:
        return "lens"
    return "baffle" if x_min > -shape.edge * MM - tolerance else "cabinet"


def _side_view_prism(occ: Any, parameters: Parameters, shape: Recess) -> list[tuple[int, int]]:
    """Return the cabinet's side view with the recess, swept along y beyond the side."""
    cabinet = parameters.cabinet
    rounded = cabinet.edge_chamfer_mm == 0
    back = -cabinet.depth_mm
    top = cabinet.tweeter_below_top_mm
    bottom = top - cabinet.height_mm
    opening = parameters.lens.opening_height_mm / 2
    lip = parameters.lens.lip_radius_mm
    groove = shape.groove_depth
    if groove * math.tan(shape.wall_angle) < 0.8 * shape.throat:
        foot = [(-shape.depth - groove, shape.throat - groove * math.tan(shape.wall_angle))]
    else:
        foot = [(-shape.depth - groove, shape.throat), (-shape.depth, shape.throat)]
    corners = [
        (0, bottom, shape.edge, rounded),
        (0, -opening, lip, True),
        *((x, -z, 0, False) for x, z in reversed(foot)),
        *((x, z, 0, False) for x, z in foot),
        (0, opening, lip, True),
        (0, top, shape.edge, rounded),
        (back, top, 0, False),
        (back, bottom, 0, False),
    ]
    face = _outline(occ, _in_metres(corners), lambda x, z: (x, 0, z))
    return _extruded(occ, face, (0, cabinet.width_mm * MM, 0))


def _plan_prism(occ: Any, parameters: Parameters) -> list[tuple[int, int]]:
    """Return the left half of the cabinet's plan, swept along z beyond top and bottom."""
    cabinet = parameters.cabinet
    edge = max(cabinet.edge_radius_mm, cabinet.edge_chamfer_mm)
    half_width, depth = cabinet.width_mm / 2, cabinet.depth_mm
    corners = [
        (0, 0, 0, False),
        (0, half_width, edge, cabinet.edge_chamfer_mm == 0),
        (-depth, half_width, 0, False),
        (-depth, 0, 0, False),
    ]
    below = (cabinet.tweeter_below_top_mm - 2 * cabinet.height_mm) * MM
    face = _outline(occ, _in_metres(corners), lambda x, y: (x, y, below))
    return _extruded(occ, face, (0, 0, 3 * cabinet.height_mm * MM))


def _floor_prism(occ: Any, parameters: Parameters, shape: Recess) -> list[tuple[int, int]]:
    """Return the left half of the floor's plan, swept along z a little beyond the lips."""
    rounded = parameters.cabinet.edge_chamfer_mm == 0
    half_width = shape.half_width
    back = -shape.depth - 2 * shape.edge - 10  # inside the cabinet, behind the groove
    corners = [(back, 0.0, 0.0, False), (-shape.depth, 0, 0, False)]
    if math.pi / 2 - shape.side_angle > 1e-6:
        corners.append((-shape.depth, shape.throat, 0, False))
    if shape.closes(shape.side_angle):
        closing = shape.closing_corner(shape.side_angle)
        corners.append((0, closing, shape.closing_radius, True))
        corners.append((0, half_width, shape.edge, rounded))
    else:
        rise = (half_width - shape.throat) / math.tan(shape.side_angle)
        corners.append((-shape.depth + rise, half_width, shape.edge, rounded))
    corners.append((back, half_width, 0, False))
    height = (shape.mouth + SHORTEST_EDGE_MM / 2) * MM
    face = _outline(occ, _in_metres(corners), lambda x, y: (x, y, -height))
    return _extruded(occ, face, (0, 0, 2 * height))


def _in_metres(
    corners: Sequence[tuple[float, float, float, bool]],
) -> list[tuple[float, float, float, bool]]:
    return [(u * MM, v * MM, size * MM, rounded) for u, v, size, rounded in corners]


def _add_dome(occ: Any, body: Any, dome: Dome, plane: float) -> Any:
    """Add the dome to the flat face at x = `plane` and draw the surround's outer edge on it."""
    radius, height = dome.diameter_mm / 2 * MM, dome.height_mm * MM
    sphere_radius = (radius**2 + height**2) / (2 * height)
    # A sphere whose poles are on the z axis: none of them is on the dome.
    ball = occ.addSphere(plane + height - sphere_radius, 0, 0, sphere_radius, angle3=math.pi)
    front = occ.addBox(plane, 0, -2 * radius, 2 * height, 2 * radius, 4 * radius)
    cap, _ = occ.intersect([(3, ball)], [(3, front)])
    body, _ = occ.fuse(body, cap)
    rim = radius + dome.surround_mm * MM
    ring = occ.addCircle(
        plane, 0, 0, rim, angle1=0, angle2=math.pi, zAxis=[1, 0, 0], xAxis=[0, 0, -1]
    )
    pieces, _ = occ.fragment(body, [(1, ring)])
    return [piece for piece in pieces if piece[0] == 3]


def _extruded(occ: Any, face: int, along: tuple[float, float, float]) -> list[tuple[int, int]]:
    """Return the solid that a face sweeps."""
    return [entity for entity in occ.extrude([(2, face)], *along) if entity[0] == 3]


def _outline(
    occ: Any,
    corners: Sequence[tuple[float, float, float, bool]],
    lift: Callable[[float, float], tuple[float, float, float]],
) -> int:
    """Return a plane face inside a polygon with rounded or chamfered corners.

    Each corner is (u, v, size, rounded): `size` is the radius of an arc tangent to both sides,
    or, if not `rounded`, of the arc whose chord is the chamfer; 0 keeps the corner sharp.
    `lift` takes (u, v) to a point in space.
    """
    ends = []  # for each corner: first point, centre of the arc or None, last point
    for number, (u, v, size, rounded) in enumerate(corners):
        before, after = corners[number - 1], corners[(number + 1) % len(corners)]
        to_before, to_after = (
            ((other[0] - u) / distance, (other[1] - v) / distance)
            for other in (before, after)
            for distance in (math.dist(other[:2], (u, v)),)
        )
        half_angle = math.acos(to_before[0] * to_after[0] + to_before[1] * to_after[1]) / 2
        setback = size / math.tan(half_angle)
        first = (u + setback * to_before[0], v + setback * to_before[1])
        last = (u + setback * to_after[0], v + setback * to_after[1])
        reach = size / math.sin(half_angle) / (2 * math.cos(half_angle))
        centre = (
            u + reach * (to_before[0] + to_after[0]),
            v + reach * (to_before[1] + to_after[1]),
        )
        point = occ.addPoint(*lift(*first))
        if size == 0:
            ends.append((point, None, point))
        else:
            middle = occ.addPoint(*lift(*centre)) if rounded else None
            ends.append((point, middle, occ.addPoint(*lift(*last))))
    curves = []
    for number, (first_point, middle, last_point) in enumerate(ends):
        if middle is not None:
            curves.append(occ.addCircleArc(first_point, middle, last_point))
        elif first_point != last_point:
            curves.append(occ.addLine(first_point, last_point))
        curves.append(occ.addLine(last_point, ends[(number + 1) % len(ends)][0]))
    return int(occ.addPlaneSurface([occ.addCurveLoop(curves)]))


if __name__ == "__main__":
    import sys

    import gmsh

    gmsh.initialize()
    build(gmsh.model, Parameters())
    gmsh.option.setNumber("Mesh.MeshSizeMax", 0.01)
    gmsh.model.mesh.generate(2)
    if "-nopopup" not in sys.argv:
        gmsh.fltk.run()
    gmsh.finalize()
