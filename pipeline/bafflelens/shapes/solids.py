# SPDX-License-Identifier: GPL-3.0-or-later
"""Solids for gmsh's CAD kernel, from dimensions in mm; the model itself is in metres.

Each function takes ``model.occ`` first. A solid is a list of gmsh's (dimension, tag) pairs.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from typing import Any, Final

from bafflelens.shapes.outline import Arc, Conic, Line, Outline, Point, Segment

MM: Final = 1e-3
Solid = list[tuple[int, int]]
Lift = Callable[[float, float], tuple[float, float, float]]

_SAME_MM: Final = 1e-7
_FULLEST_CAP: Final = 0.995  # height over radius: 0.05 mm less on a hemisphere of 20 mm


def outline_wire(occ: Any, outline: Outline, lift: Lift) -> int:
    """Return the closed wire of an outline; `lift` takes its (u, v) in mm to space in mm."""
    first = _point(occ, lift, outline.start)
    at, tag = outline.start, first
    curves = []
    for segment in outline.segments:
        if isinstance(segment, Line) and math.dist(segment.end, at) < _SAME_MM:
            continue
        closes = math.dist(segment.end, outline.start) < _SAME_MM
        end = first if closes else _point(occ, lift, segment.end)
        curves.append(_curve(occ, lift, tag, segment, end))
        at, tag = segment.end, end
    if tag != first:
        curves.append(occ.addLine(tag, first))
    return int(occ.addWire(curves, checkClosed=True))


def outline_face(occ: Any, outline: Outline, lift: Lift) -> int:
    """Return the plane face inside an outline."""
    return int(occ.addPlaneSurface([outline_wire(occ, outline, lift)]))


def prism(occ: Any, outline: Outline, lift: Lift, along: tuple[float, float, float]) -> Solid:
    """Return what an outline sweeps when it is moved by `along`, in mm."""
    face = outline_face(occ, outline, lift)
    return _of_dimension(3, occ.extrude([(2, face)], *(MM * step for step in along)))


def loft(occ: Any, outlines: Sequence[tuple[Outline, Lift]], *, ruled: bool = True) -> Solid:
    """Return the solid between outlines of equally many segments.

    Ruled from each to the next, or smooth through all of them.
    """
    wires = [outline_wire(occ, outline, lift) for outline, lift in outlines]
    return _of_dimension(3, occ.addThruSections(wires, makeSolid=True, makeRuled=ruled))


def turned(occ: Any, outline: Outline, y: float, z: float, *, half: bool) -> Solid:
    """Return what an outline in (x, distance from the axis) sweeps about an axis along x.

    Parameters
    ----------
    occ : gmsh.model.occ
        The kernel.
    outline : Outline
        In (x, r), mm.
    y, z : float
        The axis, mm.
    half : bool
        Only the half at y >= 0 of an axis in the mirror plane.
    """
    start = -math.pi / 2 if half else math.pi  # from below, or from the right: seams hide there
    cosine, sine = round(math.cos(start)), round(math.sin(start))
    face = outline_face(occ, outline, lambda x, r: (x, y + r * cosine, z + r * sine))
    angle = math.pi if half else 2 * math.pi
    swept = occ.revolve([(2, face)], 0, MM * y, MM * z, 1, 0, 0, angle)
    return _of_dimension(3, swept)


def cap(
    occ: Any, x: float, y: float, z: float, radius: float, height: float, *, half: bool
) -> Solid:
    """Return a spherical cap whose flat side is at `x`; a negative height points backwards."""
    # A full hemisphere would have the poles of its ball on the rim, which the kernel cannot cut.
    rise = min(abs(height), _FULLEST_CAP * radius)
    ball = (radius**2 + rise**2) / (2 * rise)
    forward = math.copysign(1.0, height)
    middle = MM * (x + forward * (rise - ball))
    # The poles are above and below, the seam is behind (in front): none of them is on the cap.
    sphere = occ.addSphere(middle, MM * y, MM * z, MM * ball)
    if forward > 0:
        occ.rotate([(3, sphere)], middle, MM * y, MM * z, 0, 0, 1, math.pi)
    reach = MM * 2 * radius
    box = occ.addBox(
        MM * (x if forward > 0 else x - 2 * rise),
        MM * y if half else MM * y - reach,
        MM * z - reach,
        MM * 2 * rise,
        reach if half else 2 * reach,
        2 * reach,
    )
    shape, _ = occ.intersect([(3, sphere)], [(3, box)])
    return list(shape)


def fused(occ: Any, body: Solid, *others: Solid) -> Solid:
    """Return the union."""
    result, _ = occ.fuse(body, [piece for other in others for piece in other])
    return list(result)


def cut(occ: Any, body: Solid, *tools: Solid) -> Solid:
    """Return the body without what the tools take away."""
    result, _ = occ.cut(body, [piece for tool in tools for piece in tool])
    return list(result)


def common(occ: Any, one: Solid, other: Solid) -> Solid:
    """Return what two solids have in common."""
    result, _ = occ.intersect(one, other)
    return list(result)


def circle(occ: Any, x: float, y: float, z: float, radius: float, *, half: bool) -> int:
    """Return a circle (or its half at y >= 0) in the plane across the x axis at `x`."""
    end = math.pi if half else 2 * math.pi
    return int(
        occ.addCircle(
            MM * x,
            MM * y,
            MM * z,
            MM * radius,
            angle1=0,
            angle2=end,
            zAxis=[1, 0, 0],
            xAxis=[0, 0, -1],
        )
    )


def polyline(occ: Any, x: float, points: Sequence[Point]) -> list[int]:
    """Return the lines between points (y, z) of the plane across the x axis at `x`."""
    tags = [occ.addPoint(MM * x, MM * y, MM * z) for y, z in points]
    return [int(occ.addLine(*ends)) for ends in itertools.pairwise(tags)]


def drawn_on(occ: Any, body: Solid, curves: Sequence[int]) -> Solid:
    """Return the body with curves that lie on it made into edges of its faces."""
    pieces, _ = occ.fragment(body, [(1, curve) for curve in curves])
    return _of_dimension(3, pieces)


def _of_dimension(dimension: int, entities: Sequence[tuple[int, int]]) -> Solid:
    return [entity for entity in entities if entity[0] == dimension]


def _point(occ: Any, lift: Lift, at: Point) -> int:
    x, y, z = lift(*at)
    return int(occ.addPoint(MM * x, MM * y, MM * z))


def _curve(occ: Any, lift: Lift, start: int, segment: Segment, end: int) -> int:
    if isinstance(segment, Line):
        return int(occ.addLine(start, end))
    if isinstance(segment, Arc):
        return int(occ.addCircleArc(start, _point(occ, lift, segment.centre), end))
    if isinstance(segment, Conic):
        control = _point(occ, lift, segment.control)
        weights, knots, multiplicities = [1, segment.weight, 1], [0, 1], [3, 3]
        poles = [start, control, end]
        return int(occ.addBSpline(poles, -1, 2, weights, knots, multiplicities))
    inner = [_point(occ, lift, point) for point in segment.through[:-1]]
    return int(occ.addSpline([start, *inner, end]))
