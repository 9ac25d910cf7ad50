# SPDX-License-Identifier: GPL-3.0-or-later
"""Profiles of a wall: how far it is from the axis at every depth, from the throat to the mouth.

A profile lives in the plane (d, h): d is the distance in front of the floor, h that from the
axis, both in mm. Its angle is taken from the axis: 0 is parallel to it, 90 degrees is the front
plane. Every profile runs from (0, throat) to (depth, mouth) as t goes from 0 to 1.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final, Protocol

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.optimize import brentq

from bafflelens.shapes.outline import Arc, Conic, Line, Point, Segment, Spline

STEEPEST_DEG: Final = 85.0
"""A wall may turn up to this angle at the mouth; beyond, it would lie in the front plane."""

_STRAIGHT_RAD: Final = 1e-4
_SAMPLES: Final = 24


class Profile(Protocol):
    """What every profile offers."""

    def at(self, t: float) -> Point:
        """Return the point at t."""
        ...

    def angle(self, t: float) -> float:
        """Return the angle from the axis at t, in radians."""
        ...

    def until(self, t: float) -> Segment:
        """Return the segment from the throat to t."""
        ...


@dataclass(frozen=True)
class ArcProfile:
    """A circular arc that leaves the throat at a given angle (radians)."""

    throat: float
    mouth: float
    depth: float
    opening: float

    @property
    def chord(self) -> float:
        """Angle of the straight line from throat to mouth."""
        return math.atan2(self.mouth - self.throat, self.depth)

    @property
    def _is_straight(self) -> bool:
        return abs(self.chord - self.opening) < _STRAIGHT_RAD

    @property
    def _radius(self) -> float:
        """Radius, positive where the wall flares outwards."""
        length = math.hypot(self.mouth - self.throat, self.depth)
        return length / (2 * math.sin(self.chord - self.opening))

    @property
    def _centre(self) -> Point:
        return (
            -self._radius * math.sin(self.opening),
            self.throat + self._radius * math.cos(self.opening),
        )

    def at(self, t: float) -> Point:
        """Return the point at t."""
        if self._is_straight:
            return (t * self.depth, self.throat + t * (self.mouth - self.throat))
        d, h = self._centre
        angle = self.angle(t)
        return (d + self._radius * math.sin(angle), h - self._radius * math.cos(angle))

    def angle(self, t: float) -> float:
        """Return the angle from the axis at t, in radians."""
        return self.opening + 2 * t * (self.chord - self.opening)

    def until(self, t: float) -> Segment:
        """Return the segment from the throat to t."""
        return Line(self.at(t)) if self._is_straight else Arc(self._centre, self.at(t))


@dataclass(frozen=True)
class ConicProfile:
    """A conic with given angles at throat and mouth (radians) and sharpness (0 to 1).

    Sharpness below 0.5 is an ellipse, 0.5 a parabola, above it a hyperbola, which stays close to
    its two tangents.
    """

    throat: float
    mouth: float
    depth: float
    opening: float
    closing: float
    sharpness: float

    @property
    def _weight(self) -> float:
        return self.sharpness / (1 - self.sharpness)

    @property
    def _control(self) -> Point:
        """Where the tangents at throat and mouth meet."""
        slope, end = math.tan(self.opening), math.tan(self.closing)
        d = (self.mouth - self.throat - end * self.depth) / (slope - end)
        return (d, self.throat + slope * d)

    @property
    def _poles(self) -> np.ndarray[Any, Any]:
        """Poles in homogeneous coordinates (w d, w h, w)."""
        (d, h), weight = self._control, self._weight
        return np.array(
            [
                (0.0, self.throat, 1.0),
                (weight * d, weight * h, weight),
                (self.depth, self.mouth, 1.0),
            ]
        )

    def _casteljau(self, t: float) -> tuple[np.ndarray[Any, Any], np.ndarray[Any, Any]]:
        """Return the poles of the part up to t, and the other pole beside t."""
        first, second, third = self._poles
        one, other = (1 - t) * first + t * second, (1 - t) * second + t * third
        return np.array([first, one, (1 - t) * one + t * other]), other

    def at(self, t: float) -> Point:
        """Return the point at t."""
        d, h, weight = self._casteljau(t)[0][2]
        return (float(d / weight), float(h / weight))

    def angle(self, t: float) -> float:
        """Return the angle from the axis at t, in radians."""
        (_, one, _), other = self._casteljau(t)
        one, other = one / one[2], other / other[2]
        return math.atan2(other[1] - one[1], other[0] - one[0])

    def until(self, t: float) -> Segment:
        """Return the segment from the throat to t."""
        start, middle, end = self._casteljau(t)[0]
        # In the normal form of a conic both ends weigh 1.
        weight = middle[2] / math.sqrt(start[2] * end[2])
        control = (float(middle[0] / middle[2]), float(middle[1] / middle[2]))
        return Conic(control, float(weight), self.at(t))


@dataclass(frozen=True)
class ExponentialProfile:
    """Throat + a (exp(m d) - 1), leaving the throat at a given angle (radians)."""

    throat: float
    mouth: float
    depth: float
    opening: float

    @cached_property
    def _rate(self) -> float:
        """The rate m, in 1/mm."""
        rise, slope = self.mouth - self.throat, math.tan(self.opening)
        least, most = 1e-6 / self.depth, 60 / self.depth
        return float(brentq(lambda m: slope * math.expm1(m * self.depth) / m - rise, least, most))

    def at(self, t: float) -> Point:
        """Return the point at t."""
        d = t * self.depth
        a = math.tan(self.opening) / self._rate
        return (d, self.throat + a * math.expm1(self._rate * d))

    def angle(self, t: float) -> float:
        """Return the angle from the axis at t, in radians."""
        return math.atan(math.tan(self.opening) * math.exp(self._rate * t * self.depth))

    def until(self, t: float) -> Segment:
        """Return the segment from the throat to t."""
        return _sampled(self, t)


@dataclass(frozen=True)
class SplineProfile:
    """A smooth cubic through control points at even depths.

    ``offsets`` say how far each control point is outside the straight line from throat to mouth.
    """

    throat: float
    mouth: float
    depth: float
    offsets: tuple[float, ...]

    @cached_property
    def _curve(self) -> CubicSpline:
        share = np.linspace(0.0, 1.0, len(self.offsets) + 2)
        height = self.throat + share * (self.mouth - self.throat)
        height[1:-1] += self.offsets
        return CubicSpline(share * self.depth, height, bc_type="natural")

    def at(self, t: float) -> Point:
        """Return the point at t."""
        return (t * self.depth, float(self._curve(t * self.depth)))

    def angle(self, t: float) -> float:
        """Return the angle from the axis at t, in radians."""
        return math.atan(float(self._curve(t * self.depth, 1)))

    def until(self, t: float) -> Segment:
        """Return the segment from the throat to t."""
        return _sampled(self, t)


def smallest_radius(profile: Profile, until: float = 1.0) -> float:
    """Return the smallest radius of curvature from the throat to t = `until`, in mm."""
    t = np.linspace(0.0, until, 101)
    points = np.array([profile.at(value) for value in t])
    angles = np.array([profile.angle(value) for value in t])
    length = np.linalg.norm(np.diff(points, axis=0), axis=1)
    turn = np.abs(np.diff(angles))
    return float((length / np.maximum(turn, 1e-12)).min())


def _sampled(profile: Profile, t: float) -> Spline:
    shares = np.linspace(0.0, t, _SAMPLES + 1)[1:]
    return Spline(tuple(profile.at(float(share)) for share in shares))
