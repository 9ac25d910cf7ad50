# SPDX-License-Identifier: GPL-3.0-or-later
"""What all parts share: the smallest features, footprints on the front, and how rules are told."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from bafflelens.shapes.outline import Point

SHORTEST_MM: Final = 3.0
"""Anything smaller would cost many tiny triangles and change nothing."""

STRIP_MM: Final = 6.0
"""The narrowest strip of the front that is left between two things: narrower ones make slivers."""

_AROUND_CIRCLE: Final = 72


@dataclass(frozen=True, kw_only=True)
class Footprint:
    """What a part covers of the front plane, in mm: a circle, or an upright rectangle.

    Attributes
    ----------
    name : str
        What it is, for a message: "midrange".
    y, z : float
        Its middle.
    radius : float
        Radius of a circle; 0 for a rectangle.
    width, height : float
        Of a rectangle.
    """

    name: str
    y: float
    z: float
    radius: float = 0.0
    width: float = 0.0
    height: float = 0.0

    @property
    def outline(self) -> tuple[Point, ...]:
        """Points (y, z) around it that reach farthest."""
        if self.radius == 0:
            return tuple(
                (self.y + sign * self.width / 2, self.z + up * self.height / 2)
                for sign, up in ((-1, -1), (1, -1), (1, 1), (-1, 1))
            )
        angles = (2 * math.pi * n / _AROUND_CIRCLE for n in range(_AROUND_CIRCLE))
        return tuple(
            (self.y + self.radius * math.sin(a), self.z + self.radius * math.cos(a))
            for a in angles
        )

    def gap_to(self, other: Footprint) -> float:
        """Return the free distance between two footprints; negative if they overlap."""
        aside = abs(self.y - other.y) - (self.width + other.width) / 2
        along = abs(self.z - other.z) - (self.height + other.height) / 2
        away = math.hypot(max(aside, 0.0), max(along, 0.0)) or max(aside, along)
        return away - self.radius - other.radius

    def gap_within(self, other: Footprint) -> float:
        """Return by how much this one stays inside another; negative if it sticks out."""
        if other.radius > 0:
            return min(
                other.radius - math.hypot(y - other.y, z - other.z) for y, z in self.outline
            )
        return min(
            min(other.width / 2 - abs(y - other.y), other.height / 2 - abs(z - other.z))
            for y, z in self.outline
        )


def fault(what: str, value: str, rule: str) -> str:
    """Return a broken rule in the project's grammar.

    Examples
    --------
    >>> fault("dome height", "11 mm", "at most the dome's radius, 10 mm")
    "Invalid dome height '11 mm'. Must be at most the dome's radius, 10 mm."
    """
    return f"Invalid {what} '{value}'. Must be {rule}."


def too_close(one: Footprint, other: Footprint) -> list[str]:
    """Return a fault if two footprints leave less than a strip between them."""
    gap = one.gap_to(other)
    if gap >= STRIP_MM - 1e-9:
        return []
    rule = f"at least {STRIP_MM:g} mm"
    return [fault(f"distance from the {one.name} to the {other.name}", f"{gap:.1f} mm", rule)]
