# SPDX-License-Identifier: GPL-3.0-or-later
"""The closed box of a cabinet: its sections, its solid, and what must hold of it.

The front is the plane x = 0; where it leans, it is the rest of the box that is turned. Side view
and plan are two prisms (or lofts) that cut each other; treated edges meet in a mitre.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any, Final

from bafflelens.shapes import solids
from bafflelens.shapes.outline import Corner, Line, Outline, Segment, corner_path, polygon
from bafflelens.shapes.rules import SHORTEST_MM, STRIP_MM, Footprint, fault
from bafflelens.shapes.solids import Lift, Solid

SHALLOWEST_MM: Final = 50.0  # depth of a leaning cabinet where it is least
WALL_MM: Final = 20.0  # left between a recess, or a treated edge, and the back
_NARROWEST_FRONT_MM: Final = 40.0
_SMALLEST_STEP_MM: Final = 8.0
_SHORTEST_HEAD_MM: Final = 30.0
_BEYOND_MM: Final = 10.0  # what one prism sticks out of the other


@dataclass(frozen=True, kw_only=True)
class Edge:
    """A treated edge: radius or chamfer in mm at its lower and its upper end."""

    low: float = 0.0
    high: float = 0.0
    rounded: bool = True


@dataclass(frozen=True, kw_only=True)
class Hull:
    """A cabinet before anything is put into its front. Lengths in mm, angles in degrees.

    Attributes
    ----------
    width, height, depth : float
        Of the box; height along the front, depth at the bottom.
    top : float
        z of the top edge.
    offset : float
        y of the tweeter's axis from the middle of the cabinet, positive to the left.
    slant : float
        How far the front leans back.
    edges : dict of str to Edge
        ``top``, ``bottom``, ``left`` and ``right``.
    head_height, head_bottom, head_top : float
        Height of the head, and its widths; height 0 for none.
    """

    width: float
    height: float
    depth: float
    top: float
    edges: dict[str, Edge]
    offset: float = 0.0
    slant: float = 0.0
    head_height: float = 0.0
    head_bottom: float = 0.0
    head_top: float = 0.0

    @property
    def bottom(self) -> float:
        """Return z of the bottom edge."""
        return self.top - self.height

    @property
    def neck(self) -> float:
        """Return z where the head begins; the top if there is none."""
        return self.top - self.head_height

    @property
    def is_stepped(self) -> bool:
        """Whether the head begins with a step."""
        return self.head_height > 0 and self.head_bottom != self.width

    @property
    def top_depth(self) -> float:
        """Depth at the top."""
        return self.depth - self.height * math.sin(math.radians(self.slant))

    @property
    def least_depth(self) -> float:
        """Depth where it is least."""
        return min(self.depth, self.top_depth)

    @property
    def deepest_edge(self) -> float:
        """Return how far a treated edge reaches behind the front at most."""
        lean = 1 / math.tan(math.radians(45 - abs(self.slant) / 2))
        return lean * max(size for edge in self.edges.values() for size in (edge.low, edge.high))

    def width_at(self, z: float) -> float:
        """Return the width at a height, just above it where there is a step."""
        if self.head_height == 0 or z < self.neck - 1e-9:
            return self.width
        share = (z - self.neck) / self.head_height
        return self.head_bottom + share * (self.head_top - self.head_bottom)

    def edge_at(self, side: str, z: float) -> float:
        """Return the radius or chamfer of the left or right edge at a height."""
        edge = self.edges[side]
        return edge.low + (edge.high - edge.low) * (z - self.bottom) / self.height

    def flat_at(self, z: float) -> tuple[float, float]:
        """Return y of the right and the left end of the flat front at a height."""
        half = self.width_at(z) / 2
        return (
            -self.offset - half + self.edge_at("right", z),
            -self.offset + half - self.edge_at("left", z),
        )

    def flat_height(self) -> tuple[float, float]:
        """Return z of the lower and the upper end of the flat front."""
        lean = math.radians(self.slant)
        return (
            self.bottom + self.edges["bottom"].low / math.tan(math.pi / 4 - lean / 2),
            self.top - self.edges["top"].low / math.tan(math.pi / 4 + lean / 2),
        )


# ------------------------------------------------------------------------------ the rules


def hull_faults(hull: Hull) -> list[str]:
    """Return the rules of a cabinet that are broken."""
    return [*_edge_faults(hull), *_head_faults(hull), *_box_faults(hull)]


def _edge_faults(hull: Hull) -> Iterator[str]:
    told = set()
    for name, edge in hull.edges.items():
        what = f"{name} edge"
        if name in ("left", "right") and hull.edges["left"] == hull.edges["right"]:
            what = "side edge"
        if len(set(hull.edges.values())) == 1:
            what = "front edge"
        for size in (edge.low, edge.high):
            wrong = 0 < size < SHORTEST_MM or size < 0 or (size == 0) != (edge.low == 0)
            if wrong and (what, size) not in told:
                told.add((what, size))
                rule = f"0 or at least {SHORTEST_MM:g} mm"
                if edge.low != edge.high:
                    rule = f"at least {SHORTEST_MM:g} mm at both ends of an edge that grows"
                yield fault(what, f"{size:g} mm", rule)


def _head_faults(hull: Hull) -> Iterator[str]:
    if hull.head_height == 0:
        return
    highest = hull.height - _SHORTEST_HEAD_MM
    if not _SHORTEST_HEAD_MM <= hull.head_height <= highest:
        rule = f"0, or from {_SHORTEST_HEAD_MM:g} mm to {highest:g} mm for this cabinet"
        yield fault("head height", f"{hull.head_height:g} mm", rule)
    step = (hull.width - hull.head_bottom) / 2
    if step != 0 and step < _SMALLEST_STEP_MM:
        widest = hull.width - 2 * _SMALLEST_STEP_MM
        rule = f"0 or at most {widest:g} mm for a cabinet {hull.width:g} mm wide"
        yield fault("width where the head begins", f"{hull.head_bottom:g} mm", rule)
    if hull.head_top > hull.head_bottom:
        rule = f"at most that where the head begins, {hull.head_bottom:g} mm"
        yield fault("width of the head's top", f"{hull.head_top:g} mm", rule)
    run = (hull.head_bottom - hull.head_top) / 2
    if run > hull.head_height:
        least = hull.head_bottom - 2 * hull.head_height
        rule = f"at least {least:g} mm, so that the head tapers by at most 45 deg a side"
        yield fault("width of the head's top", f"{hull.head_top:g} mm", rule)


def _box_faults(hull: Hull) -> Iterator[str]:
    if hull.least_depth < SHALLOWEST_MM:
        rule = f"at least {SHALLOWEST_MM:g} mm where it is least"
        value = f"{hull.least_depth:.1f} mm"
        yield fault(f"depth of a cabinet that leans by {hull.slant:g} deg", value, rule)
    deepest = hull.least_depth - WALL_MM
    if hull.deepest_edge > deepest:
        rule = f"at most {deepest:.1f} mm, {WALL_MM:g} mm less than the cabinet's depth"
        yield fault("front edge", f"{hull.deepest_edge:.3g} mm deep", rule)
    # Where width or edges change, and as far beyond top and bottom as a leaning box is cut.
    low, high = _levels(hull)
    heights = sorted({hull.bottom, hull.neck - 1e-6, hull.neck, hull.top, low, high})
    for z in heights:
        right, left = hull.flat_at(z)
        if left - right < _NARROWEST_FRONT_MM:
            edges = f"{hull.edge_at('left', z):.1f} and {hull.edge_at('right', z):.1f} mm"
            rule = (
                f"at least {_NARROWEST_FRONT_MM:g} mm between edges of {edges} "
                f"on a width of {hull.width_at(z):.1f} mm"
            )
            yield fault("flat front", f"{left - right:.1f} mm wide", rule)
            return
    lower, upper = hull.flat_height()
    if upper - lower < _NARROWEST_FRONT_MM:
        rule = f"at least {_NARROWEST_FRONT_MM:g} mm between top and bottom edge"
        yield fault("flat front", f"{upper - lower:.1f} mm high", rule)


def room_faults(hull: Hull, footprint: Footprint) -> list[str]:
    """Return the faults of something that does not fit into the flat front of a cabinet.

    A strip must be left all around.
    """
    name = footprint.name
    lower, upper = hull.flat_height()
    half_height = footprint.radius or footprint.height / 2
    faults = []
    for side, available, end in (
        ("top", upper - footprint.z, hull.top - footprint.z),
        ("bottom", footprint.z - lower, footprint.z - hull.bottom),
    ):
        if available < half_height + STRIP_MM - 1e-9:
            needed = half_height + STRIP_MM + end - available
            rule = (
                f"at least {needed:.4g} mm: {half_height:.4g} mm of its own, {STRIP_MM:g} mm of "
                f"front and the edge"
            )
            faults.append(
                fault(
                    f"distance from the {name}'s middle to the cabinet's {side}",
                    f"{end:.4g} mm",
                    rule,
                )
            )
    if faults:
        return faults
    shortfall, worst = 0.0, ""
    for y, z in footprint.outline:
        grown_y = y + math.copysign(STRIP_MM, y - footprint.y)
        for level in (z - STRIP_MM, z + STRIP_MM):
            right, left = hull.flat_at(level)
            for missing, end in ((grown_y - left, left), (right - grown_y, -right)):
                if missing > shortfall + 1e-9:
                    shortfall = missing
                    reach = abs(grown_y)
                    worst = fault(
                        f"half-width of the flat front beside the {name}",
                        f"{end:.1f} mm",
                        f"at least {reach:.1f} mm at {z:+.0f} mm from the tweeter's axis, "
                        f"{STRIP_MM:g} mm of it free",
                    )
    return [worst] if worst else []


def depth_faults(hull: Hull, what: str, recess: float) -> list[str]:
    """Return a fault if something reaches too near to the back."""
    most = hull.least_depth - WALL_MM
    if recess <= most:
        return []
    rule = f"at most {most:.4g} mm, {WALL_MM:g} mm less than the cabinet's depth where it is least"
    return [fault(f"depth of the {what}", f"{recess:.4g} mm", rule)]


# ------------------------------------------------------------------------------ the solids


def side_view(hull: Hull, recess: tuple[Segment, ...] = ()) -> Outline:
    """Return the outline in (x, z), upwards along the front, with a recess if there is one.

    The recess begins with a line to its own lower end on the front.
    """
    lean = math.radians(hull.slant)
    back, rise = -math.cos(lean), math.sin(lean)
    bottom_front, top_front = (0.0, hull.bottom), (0.0, hull.top)
    bottom_back = (hull.depth * back, hull.bottom + hull.depth * rise)
    top_back = (hull.top_depth * back, hull.top + hull.top_depth * rise)
    edges = hull.edges
    bottom = Corner(bottom_front, edges["bottom"].low, edges["bottom"].rounded)
    top = Corner(top_front, edges["top"].low, edges["top"].rounded)
    segments = (
        *corner_path(bottom_back, bottom, top_front),
        *recess,
        *corner_path(bottom_front, top, top_back),
        Line(top_back),
        Line(bottom_back),
    )
    return Outline(start=bottom_back, segments=segments)


def cut_to_plan(occ: Any, hull: Hull, outline: Outline, *extra: Solid, half: bool) -> Solid:
    """Return what a side view sweeps, together with other solids, cut to the cabinet's plan."""
    right = 0.0 if half else -hull.offset - hull.width / 2 - _BEYOND_MM
    left = -hull.offset + hull.width / 2 + _BEYOND_MM
    body = solids.prism(occ, outline, lambda x, z: (x, right, z), (0, left - right, 0))
    if extra:
        body = solids.fused(occ, body, *extra)
    return solids.common(occ, body, _plan(occ, hull, half=half))


def _plan(occ: Any, hull: Hull, *, half: bool) -> Solid:
    """Return the cabinet as seen from above, from below its bottom to above its top."""
    low, high = _levels(hull)
    if hull.is_stepped:
        below = _stack(occ, replace(hull, head_height=0.0), [low, hull.neck], half=half)
        return solids.fused(occ, below, _stack(occ, hull, [hull.neck, high], half=half))
    bends = [hull.neck] if hull.head_height > 0 and hull.head_top != hull.head_bottom else []
    return _stack(occ, hull, [low, *bends, high], half=half)


def _levels(hull: Hull) -> tuple[float, float]:
    """Return between which heights the plan is built: a leaning box ends beyond its front."""
    rise = math.sin(math.radians(hull.slant))
    return (
        hull.bottom + min(hull.depth * rise, 0.0) - _BEYOND_MM,
        hull.top + max(hull.top_depth * rise, 0.0) + _BEYOND_MM,
    )


def _stack(occ: Any, hull: Hull, levels: list[float], *, half: bool) -> Solid:
    outlines = [_plan_outline(hull, z, half=half) for z in levels]
    if all(outline == outlines[0] for outline in outlines):
        height = levels[-1] - levels[0]
        return solids.prism(occ, outlines[0], lambda x, y: (x, y, levels[0]), (0, 0, height))
    lifts = [_at_height(z) for z in levels]
    return solids.loft(occ, list(zip(outlines, lifts, strict=True)))


def _at_height(z: float) -> Lift:
    return lambda x, y: (x, y, z)


def _plan_outline(hull: Hull, z: float, *, half: bool) -> Outline:
    """Return the plan in (x, y) at a height."""
    back = -hull.depth - hull.height
    middle, reach = -hull.offset, hull.width_at(z) / 2
    left = Corner((0.0, middle + reach), hull.edge_at("left", z), hull.edges["left"].rounded)
    behind_left = Corner((back, middle + reach))
    if half:
        return polygon([Corner((0.0, 0.0)), left, behind_left, Corner((back, 0.0))])
    right = Corner((0.0, middle - reach), hull.edge_at("right", z), hull.edges["right"].rounded)
    return polygon([right, left, behind_left, Corner((back, middle - reach))])
