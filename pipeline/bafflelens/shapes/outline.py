# SPDX-License-Identifier: GPL-3.0-or-later
"""Plane outlines made of lines, arcs, conics and splines: what prisms and turned parts start from.

Pure geometry in mm; `bafflelens.shapes.solids` hands it to the CAD kernel.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

Point = tuple[float, float]


@dataclass(frozen=True)
class Line:
    """A straight segment to `end`."""

    end: Point


@dataclass(frozen=True)
class Arc:
    """A circular arc of less than half a turn about `centre` to `end`."""

    centre: Point
    end: Point


@dataclass(frozen=True)
class Conic:
    """A conic to `end`: a quadratic Bezier curve whose middle pole `control` weighs `weight`.

    Below 1 it is an ellipse, at 1 a parabola, above it a hyperbola.
    """

    control: Point
    weight: float
    end: Point


@dataclass(frozen=True)
class Spline:
    """A smooth curve through the points of `through`, the last of which is its end."""

    through: tuple[Point, ...]

    @property
    def end(self) -> Point:
        """Where it ends."""
        return self.through[-1]


Segment = Line | Arc | Conic | Spline


@dataclass(frozen=True)
class Outline:
    """A closed outline: from `start` along `segments`, and straight back if they end elsewhere."""

    start: Point
    segments: tuple[Segment, ...]


@dataclass(frozen=True)
class Corner:
    """A corner of a polygon.

    Attributes
    ----------
    at : tuple of 2 floats
        Where it is.
    size : float
        Radius of an arc tangent to both sides, or, if not `rounded`, of the arc whose chord is
        the chamfer (at a right angle: how far each side is cut back); 0 keeps it sharp.
    rounded : bool
        Arc or chamfer.
    """

    at: Point
    size: float = 0.0
    rounded: bool = True


def corner_path(before: Point, corner: Corner, after: Point) -> tuple[Segment, ...]:
    """Return the segments from somewhere on the way from `before` past a corner."""
    if corner.size == 0:
        return (Line(corner.at),)
    u, v = corner.at
    to_before, to_after = _unit(corner.at, before), _unit(corner.at, after)
    half_angle = math.acos(to_before[0] * to_after[0] + to_before[1] * to_after[1]) / 2
    setback = corner.size / math.tan(half_angle)
    first = (u + setback * to_before[0], v + setback * to_before[1])
    last = (u + setback * to_after[0], v + setback * to_after[1])
    if not corner.rounded:
        return (Line(first), Line(last))
    reach = corner.size / math.sin(half_angle) / (2 * math.cos(half_angle))
    centre = (u + reach * (to_before[0] + to_after[0]), v + reach * (to_before[1] + to_after[1]))
    return (Line(first), Arc(centre, last))


def polygon(corners: Sequence[Corner]) -> Outline:
    """Return a polygon whose corners are rounded, chamfered or sharp."""
    segments: list[Segment] = []
    for number, corner in enumerate(corners):
        before = corners[number - 1].at
        after = corners[(number + 1) % len(corners)].at
        segments += corner_path(before, corner, after)
    return Outline(start=segments[-1].end, segments=tuple(segments))


def _unit(start: Point, end: Point) -> Point:
    distance = math.dist(start, end)
    return ((end[0] - start[0]) / distance, (end[1] - start[1]) / distance)


def moved(segment: Segment, by: float) -> Segment:
    """Return a segment moved along its first coordinate."""
    return _mapped(segment, lambda point: (point[0] + by, point[1]))


def flipped(segment: Segment) -> Segment:
    """Return a segment mirrored in its second coordinate."""
    return _mapped(segment, lambda point: (point[0], -point[1]))


def _mapped(segment: Segment, to: Callable[[Point], Point]) -> Segment:
    if isinstance(segment, Line):
        return Line(to(segment.end))
    if isinstance(segment, Arc):
        return Arc(to(segment.centre), to(segment.end))
    if isinstance(segment, Conic):
        return Conic(to(segment.control), segment.weight, to(segment.end))
    return Spline(tuple(to(point) for point in segment.through))


def backwards(start: Point, segments: tuple[Segment, ...]) -> tuple[Segment, ...]:
    """Return a path backwards, from its end to its start."""
    starts = [start, *(segment.end for segment in segments[:-1])]
    path: list[Segment] = []
    for begin, segment in zip(reversed(starts), reversed(segments), strict=True):
        if isinstance(segment, Line):
            path.append(Line(begin))
        elif isinstance(segment, Arc):
            path.append(Arc(segment.centre, begin))
        elif isinstance(segment, Conic):
            path.append(Conic(segment.control, segment.weight, begin))
        else:
            path.append(Spline((*reversed(segment.through[:-1]), begin)))
    return tuple(path)
