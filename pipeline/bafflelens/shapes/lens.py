# SPDX-License-Identifier: GPL-3.0-or-later
"""Lenses: a recess whose guide walls hold sound together vertically and leave it free sideways.

The front of the body is whatever is farthest forward of two things: the walls above and below
(the same at every y), and a floor that rises to both sides (the same at every z). So two prisms
make it: the side view with the walls, and the plan of the floor.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any, Final

from scipy.optimize import brentq

from bafflelens.shapes import solids
from bafflelens.shapes.fields import length
from bafflelens.shapes.hull import Hull
from bafflelens.shapes.outline import (
    Arc,
    Corner,
    Line,
    Point,
    Segment,
    backwards,
    flipped,
    moved,
    polygon,
)
from bafflelens.shapes.profiles import Profile, smallest_radius
from bafflelens.shapes.rules import SHORTEST_MM, STRIP_MM, Footprint, fault
from bafflelens.shapes.solids import Solid
from bafflelens.shapes.walls import AnyWall, wall_faults, wall_profile

_GROOVE_MM: Final = 1.0  # the walls go on behind the floor by this, and the floor fills it
_OVER_LIP_MM: Final = 1.5  # the floor goes on above the lips by this, inside the cabinet
_LEAST_FLOOR_DEG: Final = 30.0  # rising floor from the axis
_STEEPEST_BLENDED_DEG: Final = 80.0  # wall at the mouth from the axis
_LEAVES_TRIED: Final = 60
_TOLERANCE_MM: Final = 1e-3


@dataclass(frozen=True)
class Passage:
    """Parameters of the lens that both walls share, and of its way out to the sides."""

    depth_mm: float = length(24.0, 6.0, 60.0, "floor to front plane")
    passage_width_mm: float = length(
        0.0, 0.0, 600.0, "width at which the floor meets the front; 0: flat out of the sides"
    )
    passage_blend_mm: float = length(
        10.0, 0.0, 80.0, "beyond that width until the floor is the front"
    )
    smallest_radius_mm: float = length(
        3.0, 3.0, 50.0, "no wall and no blend is curved more tightly than this"
    )


@dataclass(frozen=True, kw_only=True)
class Side:
    """One wall of a lens with what follows from its parameters; lengths in mm.

    Attributes
    ----------
    profile : Profile
        From throat to mouth, before the blend.
    depth : float
        Of the lens.
    blend : float
        Beyond the mouth until the wall is the front.
    leaves_at : float
        t at which the blend leaves the profile.
    """

    profile: Profile
    depth: float
    blend: float
    leaves_at: float

    @property
    def throat(self) -> float:
        """Return the distance of the wall's foot from the axis."""
        return self.profile.at(0.0)[1]

    @property
    def end(self) -> float:
        """Return the distance from the axis at which the wall is the front."""
        return self.profile.at(1.0)[1] + self.blend

    @property
    def blend_radius(self) -> float:
        """Radius of the arc between wall and front, infinite if there is none."""
        if self.blend == 0:
            return math.inf
        tangent = self.end - _tangent_height(self.profile, self.depth, self.leaves_at)
        turn = math.pi / 2 - self.profile.angle(self.leaves_at)
        return tangent / math.tan(turn / 2)

    def path(self) -> tuple[Point, tuple[Segment, ...]]:
        """Return the start behind the floor and the segments to the front, in (x, h)."""
        opening = self.profile.angle(0.0)
        start = (-self.depth - _GROOVE_MM, self.throat - _GROOVE_MM * math.tan(opening))
        segments: list[Segment] = [Line((-self.depth, self.throat))]
        segments.append(moved(self.profile.until(self.leaves_at), -self.depth))
        if self.blend > 0:
            centre = (-self.blend_radius, self.end)
            segments.append(Arc(centre, (0.0, self.end)))
        return start, tuple(segments)


@dataclass(frozen=True, kw_only=True)
class Lens:
    """A lens with what follows from its parameters; lengths in mm.

    Attributes
    ----------
    upper, lower : Side
        The walls.
    depth : float
        Floor to front plane.
    flat : float
        Half-width of the flat floor.
    meets_at : float
        y at which the rising floor meets the front; infinite for a flat one.
    floor_blend : float
        Beyond it until the floor is the front.
    """

    upper: Side
    lower: Side
    depth: float
    flat: float
    meets_at: float
    floor_blend: float

    @property
    def ends_at(self) -> float:
        """Return y at which the floor is the front, infinite for a flat one."""
        return self.meets_at + self.floor_blend

    @property
    def floor_angle(self) -> float:
        """Angle of the rising floor from the axis, in radians."""
        return math.atan2(self.meets_at - self.flat, self.depth)

    @property
    def floor_radius(self) -> float:
        """Radius of the floor's blend, infinite if there is none."""
        turn = math.pi / 2 - self.floor_angle
        return self.floor_blend / math.tan(turn / 2) if self.floor_blend > 0 else math.inf

    @property
    def footprint(self) -> Footprint:
        """What a closed lens covers of the front; of an open one, the part near the axis."""
        width = 2 * (self.ends_at if math.isfinite(self.ends_at) else self.flat)
        height = self.upper.end + self.lower.end
        middle = (self.upper.end - self.lower.end) / 2
        return Footprint(name="lens", y=0.0, z=middle, width=width, height=height)


def make_lens(passage: Passage, upper: AnyWall, lower: AnyWall, reach: float) -> Lens:
    """Return a lens that keeps its rules (`lens_faults`).

    Parameters
    ----------
    passage, upper, lower : Passage, AnyWall, AnyWall
        The parameters.
    reach : float
        Radius of the tweeter with its surround and slit, in mm.
    """
    lower = lower_wall(upper, lower)
    above, below = (_side(wall, reach, passage.depth_mm) for wall in (upper, lower))
    width = passage.passage_width_mm / 2
    return Lens(
        upper=above,
        lower=below,
        depth=passage.depth_mm,
        flat=max(above.throat, below.throat),
        meets_at=width or math.inf,
        floor_blend=passage.passage_blend_mm if width else 0.0,
    )


def lower_wall(upper: AnyWall, lower: AnyWall) -> AnyWall:
    """Return the parameters of the lower wall: its own, or those of the upper one."""
    return lower if lower.mouth_height_mm > 0 else upper


def lens_faults(passage: Passage, upper: AnyWall, lower: AnyWall, reach: float) -> list[str]:
    """Return the rules of a lens by itself that are broken."""
    walls = [("upper", upper)]
    if lower.mouth_height_mm > 0:
        walls.append(("lower", lower))
    depth = passage.depth_mm
    faults: list[str] = []
    for which, wall in walls:
        throat = reach + wall.throat_gap_mm
        faults += wall_faults(which, wall, throat, depth) or _blend_faults(
            which, wall, throat, depth
        )
    if passage.passage_width_mm > 0:
        flat = max(reach + wall.throat_gap_mm for _, wall in walls)
        faults += _passage_faults(passage, flat)
    if faults:
        return faults
    lens = make_lens(passage, upper, lower, reach)
    limit = passage.smallest_radius_mm
    found = [("upper wall", smallest_radius(lens.upper.profile, lens.upper.leaves_at))]
    found.append(("upper blend", lens.upper.blend_radius))
    found.append(("lower wall", smallest_radius(lens.lower.profile, lens.lower.leaves_at)))
    found.append(("lower blend", lens.lower.blend_radius))
    if passage.passage_width_mm > 0:
        found.append(("floor's blend", lens.floor_radius))
    return [
        fault(f"radius of the {what}", f"{radius:.2f} mm", f"at least {limit:g} mm, the limit set")
        for what, radius in found
        if radius < limit - 1e-6
    ][:1]


def _passage_faults(passage: Passage, flat: float) -> Iterator[str]:
    depth, width = passage.depth_mm, passage.passage_width_mm
    least = 2 * (flat + depth * math.tan(math.radians(_LEAST_FLOOR_DEG)))
    if width < least:
        rule = (
            f"0, or at least {least:.1f} mm for a floor {2 * flat:g} mm wide and {depth:g} mm "
            f"deep that rises at {_LEAST_FLOOR_DEG:g} deg or more from the axis"
        )
        yield fault("passage width", f"{width:g} mm", rule)
        return
    most = math.hypot(width / 2 - flat, depth) - SHORTEST_MM
    blend = passage.passage_blend_mm
    if 0 < blend < SHORTEST_MM or blend > most:
        rule = f"0, or from {SHORTEST_MM:g} mm to {most:.1f} mm for this floor"
        yield fault("passage blend", f"{blend:g} mm", rule)


def _blend_faults(which: str, wall: AnyWall, throat: float, depth: float) -> Iterator[str]:
    blend = wall.blend_mm
    if blend == 0:
        return
    profile = wall_profile(wall, throat, depth)
    end = math.degrees(profile.angle(1.0))
    _, longest = _longest_blend(profile, depth)
    if end > _STEEPEST_BLENDED_DEG:
        longest = 0.0  # there is hardly an edge to blend, and a blend would end in a sliver
    if not SHORTEST_MM <= blend <= longest:
        rule = f"0, or from {SHORTEST_MM:g} mm to {longest:.1f} mm for this wall"
        if longest < SHORTEST_MM:
            rule = f"0: this wall ends at {end:.1f} deg from the axis"
        yield fault(f"{which} blend", f"{blend:g} mm", rule)


def _longest_blend(profile: Profile, depth: float) -> tuple[float, float]:
    """Return the t at which the longest blend leaves the wall, and that blend.

    Some of the wall must be left. Where it flares strongly, a blend that leaves it early ends
    short of the mouth, so the longest one may leave late.
    """
    first = min(SHORTEST_MM / depth, 0.5)
    steps = [first + (1 - first) * n / _LEAVES_TRIED for n in range(_LEAVES_TRIED)]
    t = max(steps, key=lambda step: _blend_of(profile, depth, step))
    return t, _blend_of(profile, depth, t)


def _blend_of(profile: Profile, depth: float, t: float) -> float:
    """Return how far beyond the mouth a blend ends that leaves the wall at t."""
    d, h = profile.at(t)
    tangent = math.hypot(depth - d, _tangent_height(profile, depth, t) - h)
    return _tangent_height(profile, depth, t) + tangent - profile.at(1.0)[1]


def _tangent_height(profile: Profile, depth: float, t: float) -> float:
    """Return where the tangent at t meets the front plane."""
    d, h = profile.at(t)
    return h + (depth - d) * math.tan(profile.angle(t))


def _side(wall: AnyWall, reach: float, depth: float) -> Side:
    profile = wall_profile(wall, reach + wall.throat_gap_mm, depth)
    leaves_at = 1.0
    if wall.blend_mm > 0:
        first, _ = _longest_blend(profile, depth)
        leaves_at = float(
            brentq(lambda t: _blend_of(profile, depth, t) - wall.blend_mm, first, 1.0)
        )
    return Side(profile=profile, depth=depth, blend=wall.blend_mm, leaves_at=leaves_at)


# --------------------------------------------------------------------- rules with the cabinet


def lens_room_faults(lens: Lens, hull: Hull) -> list[str]:
    """Return the faults of a lens that does not fit into the front of a cabinet."""
    lower, upper = hull.flat_height()
    faults = []
    for which, side, free in (("upper", lens.upper, upper), ("lower", lens.lower, -lower)):
        if side.end > free - STRIP_MM + 1e-9:
            edge = "top" if which == "upper" else "bottom"
            rule = f"at most {free - STRIP_MM:.1f} mm, to leave the cabinet's {edge} edge free"
            value = f"{side.end:.1f} mm"
            faults.append(
                fault(
                    f"{which} wall's end above the axis"
                    if edge == "top"
                    else f"{which} wall's end below the axis",
                    value,
                    rule,
                )
            )
    if not faults and not lens_is_closed(lens, hull):
        faults += _open_faults(lens, hull)
    return faults


def lens_is_closed(lens: Lens, hull: Hull) -> bool:
    """Whether the floor is the front before it reaches the edges on both sides."""
    return lens.ends_at <= _narrowest_flat(lens, hull) - STRIP_MM + 1e-9


def _narrowest_flat(lens: Lens, hull: Hull) -> float:
    """Return from the axis to the nearer side edge, where that is least beside the lens."""
    levels = [-lens.lower.end - STRIP_MM, lens.upper.end + STRIP_MM]
    levels += [z for z in (hull.neck - 1e-6, hull.neck) if levels[0] < z < levels[1]]
    return min(min(-hull.flat_at(z)[0], hull.flat_at(z)[1]) for z in levels)


def _open_faults(lens: Lens, hull: Hull) -> Iterator[str]:
    """Yield the fault of a channel that neither ends on the front nor leaves at the side."""
    narrowest = _narrowest_flat(lens, hull)
    edge = max(max(e.low, e.high) for side, e in hull.edges.items() if side in ("left", "right"))
    widest = narrowest + edge
    if lens.flat + STRIP_MM > narrowest:
        rule = f"at least {lens.flat + STRIP_MM:.1f} mm: the flat floor of the lens and 6 mm"
        yield fault("half-width of the flat front beside the lens", f"{narrowest:.1f} mm", rule)
        return
    needed = edge + SHORTEST_MM
    if lens.depth < needed:
        rule = f"at least {needed:g} mm to leave at the sides, or a passage that ends on the front"
        yield fault("lens depth", f"{lens.depth:g} mm", rule)
        return
    if math.isinf(lens.meets_at):
        return
    rise = (widest - lens.flat) / math.tan(lens.floor_angle)
    if lens.depth - rise < needed:
        least = lens.flat + (widest - lens.flat) * lens.depth / (lens.depth - needed)
        most = narrowest - STRIP_MM - lens.floor_blend
        rule = (
            f"at most {2 * most:.1f} mm to end on the front, or 0 or at least {2 * least:.1f} mm "
            "to leave at the sides"
        )
        yield fault("passage width", f"{2 * lens.meets_at:g} mm", rule)


# ------------------------------------------------------------------------------ the solids


def recess_path(lens: Lens) -> tuple[Segment, ...]:
    """Return the recess in the side view, upwards along the front, in (x, z)."""
    up_start, up = lens.upper.path()
    down_start, down = lens.lower.path()
    start = (down_start[0], -down_start[1])
    mirrored = tuple(flipped(segment) for segment in down)
    return (
        Line(mirrored[-1].end),
        *backwards(start, mirrored),
        Line(up_start),
        *up,
    )


def floor_solid(occ: Any, lens: Lens, hull: Hull, *, half: bool) -> Solid:
    """Return what fills the recess up to the floor; it sticks out of the cabinet's sides."""
    back = -lens.depth - 2 * _GROOVE_MM - SHORTEST_MM
    far = hull.width + abs(hull.offset)
    left = [Corner((-lens.depth, lens.flat))] if math.isfinite(lens.meets_at) else []
    if lens_is_closed(lens, hull):
        rounding = lens.floor_radius if lens.floor_blend > 0 else 0.0
        left += [Corner((0.0, lens.meets_at), rounding), Corner((0.0, far))]
    elif math.isfinite(lens.meets_at):
        rise = (far - lens.flat) / math.tan(lens.floor_angle)
        left += [Corner((-lens.depth + rise, far))]
    else:
        left += [Corner((-lens.depth, far))]
    left += [Corner((back, far))]
    if half:
        corners = [Corner((back, 0.0)), Corner((-lens.depth, 0.0)), *left]
    else:
        right = [replace(corner, at=(corner.at[0], -corner.at[1])) for corner in reversed(left)]
        corners = [*right, *left]
    low, high = -lens.lower.end - _OVER_LIP_MM, lens.upper.end + _OVER_LIP_MM
    return solids.prism(occ, polygon(corners), lambda x, y: (x, y, low), (0, 0, high - low))


def is_on_lens(lens: Lens, hull: Hull, x: float, y: float, z: float) -> bool:
    """Whether a point of the surface, in mm, is on the lens."""
    right, left = hull.flat_at(z)
    return (
        -lens.depth - _TOLERANCE_MM < x < -_TOLERANCE_MM
        and -lens.lower.end < z < lens.upper.end
        and abs(y) < lens.ends_at
        and right < y < left
    )
