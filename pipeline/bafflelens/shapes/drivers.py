# SPDX-License-Identifier: GPL-3.0-or-later
"""Drivers: domes with surround and slit, and cones with surround and dust cap.

A driver sits in a plane across the x axis with its axis along x. Its surfaces are named after
what they are, and after the driver where there are several: ``dome``, ``dome_upper``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

from bafflelens.shapes import solids
from bafflelens.shapes.fields import angle, length
from bafflelens.shapes.outline import Corner, polygon
from bafflelens.shapes.rules import Footprint, fault
from bafflelens.shapes.solids import MM, Solid

FINEST_ON_CONE_MM: Final = 8.0
"""A cone is not meshed finer than this: six elements a wavelength up to 7 kHz, and a cone
midrange hands over well below (common practice, no source)."""

_FLATTEST_CAP_MM: Final = 2.0
_SMALLEST_DUST_CAP_MM: Final = 12.0  # in diameter
_NARROWEST_SLIT_MM: Final = 0.8
_TOLERANCE_MM: Final = 1e-3


@dataclass(frozen=True)
class Dome:
    """Parameters of a dome tweeter: a spherical cap in a flat surround."""

    diameter_mm: float = length(26.0, 19.0, 38.0, "diameter of the dome")
    height_mm: float = length(
        6.0, -12.0, 12.0, "height of the dome over its rim; negative for an inverted dome"
    )
    surround_mm: float = length(3.0, 2.0, 6.0, "width of the surround, a flat ring")
    slit_mm: float = length(0.0, 0.0, 2.0, "width of a slit around the surround, or 0")
    slit_depth_mm: float = length(3.0, 1.0, 6.0, "depth of that slit")


@dataclass(frozen=True)
class Cone:
    """Parameters of a cone driver: a recessed cone with a dust cap, in a flat surround."""

    diameter_mm: float = length(90.0, 50.0, 180.0, "diameter of the cone at its mouth")
    depth_mm: float = length(18.0, 8.0, 50.0, "mouth to the rim of the dust cap")
    angle_deg: float = angle(55.0, 30.0, 75.0, "cone from the axis")
    cap_height_mm: float = length(8.0, 2.0, 25.0, "height of the dust cap over its rim")
    surround_mm: float = length(10.0, 4.0, 20.0, "width of the surround, a flat ring")


@dataclass(frozen=True)
class Midranges(Cone):
    """Parameters of equal cone drivers above the tweeter, below it, or both."""

    above_mm: float = length(0.0, 0.0, 400.0, "tweeter axis up to a midrange's axis; 0: none")
    below_mm: float = length(0.0, 0.0, 400.0, "tweeter axis down to a midrange's axis; 0: none")


@dataclass(frozen=True, kw_only=True)
class Tweeter:
    """A dome at its place.

    Attributes
    ----------
    dome : Dome
        The parameters.
    name : str
        ``tweeter``, ``tweeter_upper`` or ``tweeter_lower``.
    x, y, z : float
        Middle of its rim in mm.
    """

    dome: Dome
    name: str = "tweeter"
    x: float = 0.0
    y: float = 0.0
    z: float = 0.0

    @property
    def radius(self) -> float:
        """Radius of the dome in mm."""
        return self.dome.diameter_mm / 2

    @property
    def rim(self) -> float:
        """Radius of the surround's outer edge in mm."""
        return self.radius + self.dome.surround_mm

    @property
    def reach(self) -> float:
        """Radius of all of it, with the slit, in mm."""
        return self.rim + self.dome.slit_mm

    @property
    def recess(self) -> float:
        """How far it reaches behind its plane in mm."""
        slit = self.dome.slit_depth_mm if self.dome.slit_mm > 0 else 0.0
        return max(slit, -self.dome.height_mm, 0.0)

    @property
    def footprint(self) -> Footprint:
        """What it covers of the front."""
        return Footprint(name=self.name.replace("_", " "), y=self.y, z=self.z, radius=self.reach)

    def faults(self) -> list[str]:
        """Return the rules of the dome itself that are broken."""
        dome = self.dome
        faults = []
        if abs(dome.height_mm) > self.radius:
            rule = f"at most the dome's radius, {self.radius:g} mm"
            faults.append(fault("dome height", f"{dome.height_mm:g} mm", rule))
        if abs(dome.height_mm) < _FLATTEST_CAP_MM:
            rule = (
                f"at least {_FLATTEST_CAP_MM:g} mm, or at most -{_FLATTEST_CAP_MM:g} mm inverted"
            )
            faults.append(fault("dome height", f"{dome.height_mm:g} mm", rule))
        if 0 < dome.slit_mm < _NARROWEST_SLIT_MM:
            rule = f"0 or at least {_NARROWEST_SLIT_MM:g} mm, below which air sticks to the walls"
            faults.append(fault("slit around the surround", f"{dome.slit_mm:g} mm", rule))
        return faults

    def source(self) -> dict[str, Any]:
        """Return how it moves: the dome as a piston, the surround tapering to rest."""
        return _source(self, ["dome"], "surround", self.radius)

    def added(self, occ: Any, body: Solid, *, half: bool) -> Solid:
        """Return the body with the dome in a plane of it."""
        dome = self.dome
        bulge = solids.cap(occ, self.x, self.y, self.z, self.radius, dome.height_mm, half=half)
        body = (solids.fused if dome.height_mm > 0 else solids.cut)(occ, body, bulge)
        if dome.slit_mm > 0:
            groove = polygon(
                [
                    Corner((self.x - dome.slit_depth_mm, self.rim)),
                    Corner((self.x - dome.slit_depth_mm, self.reach)),
                    Corner((self.x + 1.0, self.reach)),
                    Corner((self.x + 1.0, self.rim)),
                ]
            )
            body = solids.cut(occ, body, solids.turned(occ, groove, self.y, self.z, half=half))
        return body

    def lines(self, occ: Any, *, half: bool) -> list[int]:
        """Return the edges to draw on the body: the surround's outer one."""
        if self.dome.slit_mm > 0:
            return []  # the slit is that edge
        return [solids.circle(occ, self.x, self.y, self.z, self.rim, half=half)]

    def surface_at(self, x: float, y: float, z: float) -> str:
        """Return the name of the surface that a point is on, empty if not on this driver."""
        radius = math.hypot(y - self.y, z - self.z)
        behind = self.x - x
        if behind > self.recess + _TOLERANCE_MM or -behind > self.radius:
            return ""
        if radius < self.radius:
            return surface_name("dome", self.name)
        if radius < self.rim - _TOLERANCE_MM and abs(behind) < _TOLERANCE_MM:
            return surface_name("surround", self.name)
        if self.dome.slit_mm > 0 and radius < self.reach + _TOLERANCE_MM and behind > 0:
            return surface_name("slit", self.name) if behind > _TOLERANCE_MM else ""
        return ""


@dataclass(frozen=True, kw_only=True)
class Midrange:
    """A cone driver at its place.

    Attributes
    ----------
    cone : Cone
        The parameters.
    name : str
        ``midrange``, ``midrange_upper`` or ``midrange_lower``.
    x, y, z : float
        Middle of the cone's mouth in mm.
    """

    cone: Cone
    name: str = "midrange"
    x: float = 0.0
    y: float = 0.0
    z: float = 0.0

    @property
    def radius(self) -> float:
        """Radius of the cone's mouth in mm."""
        return self.cone.diameter_mm / 2

    @property
    def reach(self) -> float:
        """Radius of the surround's outer edge in mm."""
        return self.radius + self.cone.surround_mm

    @property
    def recess(self) -> float:
        """How far it reaches behind its plane in mm."""
        return self.cone.depth_mm

    @property
    def dust_cap_radius(self) -> float:
        """Radius at which the cone ends, in mm."""
        return self.radius - self.cone.depth_mm * math.tan(math.radians(self.cone.angle_deg))

    @property
    def footprint(self) -> Footprint:
        """What it covers of the front."""
        return Footprint(name=self.name.replace("_", " "), y=self.y, z=self.z, radius=self.reach)

    def faults(self) -> list[str]:
        """Return the rules of the cone itself that are broken."""
        cone = self.cone
        cap = 2 * self.dust_cap_radius
        if cap < _SMALLEST_DUST_CAP_MM:
            deepest = (self.radius - _SMALLEST_DUST_CAP_MM / 2) / math.tan(
                math.radians(cone.angle_deg)
            )
            rule = (
                f"at most {deepest:.1f} mm for a cone of {cone.diameter_mm:g} mm at "
                f"{cone.angle_deg:g} deg, so that a dust cap of {_SMALLEST_DUST_CAP_MM:g} mm "
                "is left"
            )
            return [fault("cone depth", f"{cone.depth_mm:g} mm", rule)]
        if cone.cap_height_mm > cap / 2:
            rule = f"at most the dust cap's radius, {cap / 2:.1f} mm"
            return [fault("dust cap height", f"{cone.cap_height_mm:g} mm", rule)]
        return []

    def source(self) -> dict[str, Any]:
        """Return how it moves: cone and dust cap as a piston, the surround tapering to rest."""
        moving = _source(self, ["cone", "dust_cap"], "cone_surround", self.radius)
        return {**moving, "finest_m": FINEST_ON_CONE_MM * MM}

    def added(self, occ: Any, body: Solid, *, half: bool) -> Solid:
        """Return the body with the cone in a plane of it."""
        bottom = self.x - self.cone.depth_mm
        funnel = polygon(
            [
                Corner((bottom, 0.0)),
                Corner((bottom, self.dust_cap_radius)),
                Corner((self.x, self.radius)),
                Corner((self.x, 0.0)),
            ]
        )
        body = solids.cut(occ, body, solids.turned(occ, funnel, self.y, self.z, half=half))
        bulge = solids.cap(
            occ, bottom, self.y, self.z, self.dust_cap_radius, self.cone.cap_height_mm, half=half
        )
        return solids.fused(occ, body, bulge)

    def lines(self, occ: Any, *, half: bool) -> list[int]:
        """Return the edges to draw on the body: the surround's outer one."""
        return [solids.circle(occ, self.x, self.y, self.z, self.reach, half=half)]

    def surface_at(self, x: float, y: float, z: float) -> str:
        """Return the name of the surface that a point is on, empty if not on this driver."""
        radius = math.hypot(y - self.y, z - self.z)
        behind = self.x - x
        if behind > self.recess + _TOLERANCE_MM or -behind > self.radius:
            return ""
        if radius < self.dust_cap_radius:
            return surface_name("dust_cap", self.name)
        if radius < self.radius:
            return surface_name("cone", self.name)
        if radius < self.reach and abs(behind) < _TOLERANCE_MM:
            return surface_name("cone_surround", self.name)
        return ""


Driver = Tweeter | Midrange


def surface_name(kind: str, driver: str) -> str:
    """Return the name of a surface of a driver.

    Examples
    --------
    >>> surface_name("dome", "tweeter"), surface_name("dome", "tweeter_upper")
    ('dome', 'dome_upper')
    """
    _, _, which = driver.partition("_")
    return f"{kind}_{which}" if which else kind


def _source(driver: Driver, pistons: list[str], taper: str, inner: float) -> dict[str, Any]:
    return {
        "name": driver.name,
        "axis": (1.0, 0.0, 0.0),
        "centre": (driver.x * MM, driver.y * MM, driver.z * MM),
        "piston_surfaces": [surface_name(kind, driver.name) for kind in pistons],
        "taper_surfaces": [surface_name(taper, driver.name)],
        "inner_radius_m": inner * MM,
        "outer_radius_m": (driver.rim if isinstance(driver, Tweeter) else driver.reach) * MM,
    }


def midranges(parameters: Midranges) -> tuple[Midrange, ...]:
    """Return the midranges above and below the tweeter."""
    above, below = parameters.above_mm, parameters.below_mm
    if above > 0 and below > 0:
        return (
            Midrange(cone=parameters, name="midrange_upper", z=above),
            Midrange(cone=parameters, name="midrange_lower", z=-below),
        )
    if above > 0:
        return (Midrange(cone=parameters, z=above),)
    return (Midrange(cone=parameters, z=-below),) if below > 0 else ()
