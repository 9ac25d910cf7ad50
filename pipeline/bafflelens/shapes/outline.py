# SPDX-License-Identifier: GPL-3.0-or-later
"""Plane outlines made of lines, arcs, conics and splines: what prisms and turned parts start from.

Pure geometry in mm; `bafflelens.shapes.solids` hands it to the CAD kernel.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
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
