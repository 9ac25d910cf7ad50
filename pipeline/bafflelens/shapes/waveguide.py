# SPDX-License-Identifier: GPL-3.0-or-later
"""Waveguides: a shallow funnel around the dome, round or with a superelliptic mouth.

Every meridian is a circular arc from the throat, a circle, to the mouth in the front plane. All
arcs leave the throat at the same angle.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

from bafflelens.shapes import solids
from bafflelens.shapes.fields import angle, length, share
from bafflelens.shapes.outline import Line, Outline, Spline, moved
from bafflelens.shapes.profiles import STEEPEST_DEG, ArcProfile
from bafflelens.shapes.rules import Footprint, fault
from bafflelens.shapes.solids import Solid

_LEAST_RISE_MM: Final = 6.0
_SECTIONS: Final = 7  # from throat to mouth
_AROUND: Final = 32  # points of a section
_TOLERANCE_MM: Final = 1e-3
_CORNER_OF_ELLIPSE: Final = 1 / math.sqrt(2)  # how far its diagonal reaches into the corner


@dataclass(frozen=True)
class Waveguide:
    """Parameters of a waveguide."""

    mouth_width_mm: float = length(120.0, 60.0, 260.0, "width of the mouth")
    mouth_height_mm: float = length(120.0, 60.0, 260.0, "height of the mouth")
    squareness_pct: float = share(
        0.0, 0.0, 60.0, "0: round or elliptical; 100 would be a rectangle"
    )
    depth_mm: float = length(24.0, 6.0, 60.0, "floor to front plane")
    throat_gap_mm: float = length(1.0, 1.0, 15.0, "surround (or slit) to the foot of the wall")
    opening_angle_deg: float = angle(55.0, 0.0, 80.0, "wall at the throat from the axis")


@dataclass(frozen=True, kw_only=True)
class Funnel:
    """A waveguide with what follows from its parameters; lengths in mm.

    Attributes
    ----------
    waveguide : Waveguide
        The parameters.
    throat : float
        Radius of the throat.
    """

    waveguide: Waveguide
    throat: float

    @property
    def depth(self) -> float:
        """Floor to front plane."""
        return self.waveguide.depth_mm

    @property
    def is_round(self) -> bool:
        """Whether it is turned about its axis."""
        guide = self.waveguide
        return guide.mouth_width_mm == guide.mouth_height_mm and guide.squareness_pct == 0

    @property
    def exponent(self) -> float:
        """Exponent n of the mouth, a superellipse |y/a|^n + |z/b|^n = 1."""
        corner = _CORNER_OF_ELLIPSE
        corner += (1 - _CORNER_OF_ELLIPSE) * self.waveguide.squareness_pct / 100
        return -1 / math.log2(corner)

    @property
    def footprint(self) -> Footprint:
        """What it covers of the front."""
        guide = self.waveguide
        if self.is_round:
            return Footprint(name="waveguide", y=0.0, z=0.0, radius=guide.mouth_width_mm / 2)
        return Footprint(
            name="waveguide",
            y=0.0,
            z=0.0,
            width=guide.mouth_width_mm,
            height=guide.mouth_height_mm,
        )

    def mouth_radius(self, around: float) -> float:
        """Return the radius of the mouth at an angle from the z axis, in radians."""
        guide, n = self.waveguide, self.exponent
        across = abs(2 * math.sin(around) / guide.mouth_width_mm) ** n
        along = abs(2 * math.cos(around) / guide.mouth_height_mm) ** n
        return float((across + along) ** (-1 / n))

    def meridian(self, around: float) -> ArcProfile:
        """Return the wall at an angle from the z axis, in radians."""
        opening = math.radians(self.waveguide.opening_angle_deg)
        return ArcProfile(self.throat, self.mouth_radius(around), self.depth, opening)


def waveguide_faults(funnel: Funnel) -> list[str]:
    """Return the rules of a waveguide by itself that are broken."""
    return list(_funnel_faults(funnel))[:1]


def _funnel_faults(funnel: Funnel) -> Iterator[str]:
    guide = funnel.waveguide
    opening = f"{guide.opening_angle_deg:g} deg"
    least = 2 * (funnel.throat + _LEAST_RISE_MM)
    for what, value in (("width", guide.mouth_width_mm), ("height", guide.mouth_height_mm)):
        if value < least:
            rule = f"at least {least:g} mm, {_LEAST_RISE_MM:g} mm more than the throat all around"
            yield fault(f"mouth {what}", f"{value:g} mm", rule)
            return
    chords = [math.degrees(funnel.meridian(n / 90 * math.pi / 2).chord) for n in range(91)]
    if 2 * max(chords) - guide.opening_angle_deg > STEEPEST_DEG:
        needed = 2 * max(chords) - STEEPEST_DEG
        rule = f"at least {needed:.1f} deg, so that the arcs end at most {STEEPEST_DEG:g} deg "
        rule += "from the axis"
        yield fault("opening angle", opening, rule)
    if guide.opening_angle_deg > 2 * min(chords):
        rule = f"at most {2 * min(chords):.1f} deg, so that no wall turns towards the axis"
        yield fault("opening angle", opening, rule)


def with_waveguide(occ: Any, body: Solid, funnel: Funnel, *, half: bool) -> Solid:
    """Return the body without the funnel."""
    if funnel.is_round:
        profile = funnel.meridian(0.0)
        start = (-funnel.depth, 0.0)
        wall = moved(profile.until(1.0), -funnel.depth)
        outline = Outline(
            start=start, segments=(Line((-funnel.depth, funnel.throat)), wall, Line((0.0, 0.0)))
        )
        return solids.cut(occ, body, solids.turned(occ, outline, 0.0, 0.0, half=half))
    sections = []
    for number in range(_SECTIONS):
        share = number / (_SECTIONS - 1)
        outline, x = _section(funnel, share)
        sections.append((outline, _lift_to(x)))
    return solids.cut(occ, body, solids.loft(occ, sections, ruled=False))


def _section(funnel: Funnel, share: float) -> tuple[Outline, float]:
    """Return the outline in (y, z) at a share of the depth, and its x.

    It starts on the right, y < 0, where the seam of a half lies in what is cut away.
    """
    d = share * funnel.depth
    points = []
    for number in range(_AROUND + 1):
        around = -math.pi / 2 + 2 * math.pi * number / _AROUND
        radius = _height_at(funnel.meridian(around), d)
        points.append((radius * math.sin(around), radius * math.cos(around)))
    points[-1] = points[0]
    return Outline(start=points[0], segments=(Spline(tuple(points[1:])),)), d - funnel.depth


def _height_at(profile: ArcProfile, d: float) -> float:
    """Return the distance of an arc from the axis at d in front of the floor."""
    low, high = 0.0, 1.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if profile.at(middle)[0] < d else (low, middle)
    return profile.at((low + high) / 2)[1]


def _lift_to(x: float) -> solids.Lift:
    return lambda y, z: (x, y, z)


def is_on_waveguide(funnel: Funnel, x: float, y: float, z: float) -> bool:
    """Whether a point of the surface, in mm, is on the waveguide or its flat floor."""
    return (
        -funnel.depth - _TOLERANCE_MM < x < -_TOLERANCE_MM
        and math.hypot(y, z) < funnel.mouth_radius(math.atan2(y, z)) + _TOLERANCE_MM
    )
