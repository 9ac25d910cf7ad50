# SPDX-License-Identifier: GPL-3.0-or-later
"""The outline of a section beside the driver, and the straight lines and arcs that it is made of.

Read from the points of the section, which lie on the exact curves: so it serves a shape of any
script, and one that was drawn or carved.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final, Literal

import numpy as np

from bafflelens.base.conventions import FloatArray

SAME_MM: Final = 0.02
_ON_ARC_MM: Final = 1e-5  # the points are the exact curves', to eight digits
_CORNER_DEG: Final = 10.0
_LEAST_POINTS: Final = 8  # on one circle, for an arc
_LEAST_TURN_DEG: Final = 2.0
_LARGEST_RADIUS_MM: Final = 5000.0
_LONGER: Final = 3.0  # a straight line than the steps along a curve beside it


@dataclass(frozen=True, kw_only=True, eq=False)
class ContourPiece:
    """A piece of a contour.

    Attributes
    ----------
    kind : {"line", "arc", "free"}
        What it is.
    points : (n, 2) array
        Along it, ends included, in mm.
    radius : float
        Of an arc, in mm.
    """

    kind: Literal["line", "arc", "free"]
    points: FloatArray
    radius: float = math.inf

    @property
    def length(self) -> float:
        """From end to end, in mm."""
        return float(np.linalg.norm(self.points[-1] - self.points[0]))

    @property
    def middle(self) -> tuple[float, float]:
        """A place on it, half-way."""
        number = len(self.points) // 2
        place = self.points[number] if len(self.points) > 2 else self.points.mean(axis=0)
        return float(place[0]), float(place[1])

    @property
    def angle_deg(self) -> float:
        """Of a line, from the axis."""
        x, h = self.points[-1] - self.points[0]
        return math.degrees(math.atan2(h, x))


def contour(
    loops: Sequence[FloatArray], rim: tuple[float, float], radius: float, way: int
) -> FloatArray:
    """Return the outline from the driver's rim outwards, over the front, to the back.

    Parameters
    ----------
    loops : sequence of (n, 2) array
        Closed outlines of a section: x, and the way across, in mm.
    rim : tuple of (float, float)
        x of the rim, and where the axis is across.
    radius : float
        Of the rim.
    way : {1, -1}
        Up (or to the left) from the axis, or down.

    Returns
    -------
    (n, 2) array
        x, and the distance from the axis; empty where nothing starts at the rim.
    """
    best: tuple[float, FloatArray] | None = None
    for loop in loops:
        points = np.column_stack((loop[:, 0], way * (loop[:, 1] - rim[1])))
        if np.allclose(points[0], points[-1]):
            points = points[:-1]
        after = np.roll(points, -1, axis=0)
        level = (abs(points[:, 0] - rim[0]) < SAME_MM) & (abs(after[:, 0] - rim[0]) < SAME_MM)
        outer = np.maximum(points[:, 1], after[:, 1])
        for number in np.flatnonzero(level & (outer > radius - SAME_MM)).tolist():
            if best is not None and outer[number] >= best[0]:
                continue
            rising = after[number, 1] > points[number, 1]
            path = (
                np.roll(points, -number - 1, axis=0)
                if rising
                else (np.roll(points, -number - 1, axis=0)[::-1])
            )
            inner = min(points[number, 1], after[number, 1])
            start = np.array([[rim[0], max(radius, inner)]])
            best = float(outer[number]), np.concatenate((start, path))
    if best is None:
        return np.empty((0, 2))
    path = best[1]
    back = np.flatnonzero(path[:, 0] <= path[:, 0].min() + SAME_MM)
    return np.asarray(path[: int(back[0]) + 1])


def pieces(points: FloatArray) -> list[ContourPiece]:
    """Return the straight lines, arcs and other curves of a contour, in turn."""
    points = points[np.r_[True, np.linalg.norm(np.diff(points, axis=0), axis=1) > 1e-6]]
    steps = np.diff(points, axis=0)
    way = np.unwrap(np.arctan2(steps[:, 1], steps[:, 0]))
    corners = np.flatnonzero(abs(np.diff(way)) > math.radians(_CORNER_DEG)) + 1
    bounds = [0, *corners.tolist(), len(points) - 1]
    return [
        piece for low, high in pairwise(bounds) for piece in _smooth_pieces(points[low : high + 1])
    ]


def _smooth_pieces(points: FloatArray) -> Iterator[ContourPiece]:
    """Yield the pieces of a contour without corners."""
    start, last, free = 0, len(points) - 1, 0
    while start < last:
        end, radius = _arc_from(points, start)
        kind: Literal["line", "arc"] = "arc"
        if end == start and _is_line(points, start):
            end, kind, radius = start + 1, "line", math.inf
        if end == start:
            start += 1
            continue
        if free < start:
            yield ContourPiece(kind="free", points=points[free : start + 1])
        yield ContourPiece(kind=kind, points=points[start : end + 1], radius=radius)
        start = free = end
    if free < last:
        yield ContourPiece(kind="free", points=points[free:])


def _is_line(points: FloatArray, start: int) -> bool:
    """Return whether the step from a point is straight: much longer than those beside it."""
    length = np.linalg.norm(np.diff(points, axis=0), axis=1)
    beside = [length[n] for n in (start - 1, start + 1) if 0 <= n < len(length)]
    return not beside or bool(length[start] > _LONGER * min(beside))


def _arc_from(points: FloatArray, start: int) -> tuple[int, float]:
    """Return the last point of the arc that starts at a point, and its radius; or the start."""
    if start + _LEAST_POINTS > len(points):
        return start, math.inf
    centre, radius = _circle(points[start], points[start + 2], points[start + _LEAST_POINTS - 1])
    if not radius < _LARGEST_RADIUS_MM:
        return start, math.inf
    off = abs(np.linalg.norm(points[start:] - centre, axis=1) - radius)
    beyond = np.flatnonzero(off > _ON_ARC_MM)
    end = len(points) - 1 if len(beyond) == 0 else start + int(beyond[0]) - 1
    if end < start + _LEAST_POINTS - 1:
        return start, math.inf
    chord = np.linalg.norm(points[end] - points[start])
    turn = 2 * math.asin(min(1.0, float(chord) / 2 / radius))
    return (end, radius) if turn > math.radians(_LEAST_TURN_DEG) else (start, math.inf)


def _circle(a: FloatArray, b: FloatArray, c: FloatArray) -> tuple[FloatArray, float]:
    """Return centre and radius of the circle through three points; infinite on a line."""
    u, v = b - a, c - a
    size = 2 * (u[0] * v[1] - u[1] * v[0])
    if abs(size) < 1e-12:
        return a, math.inf
    off = np.array([v[1] * (u @ u) - u[1] * (v @ v), u[0] * (v @ v) - v[0] * (u @ u)]) / size
    return a + off, float(np.linalg.norm(off))
