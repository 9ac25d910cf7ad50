# SPDX-License-Identifier: GPL-3.0-or-later
"""Guide walls: what a user sets for one wall of a lens, and the profile that comes of it.

One class of parameters for each family of profiles. The lower wall mirrors the upper one while
its mouth height is 0.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from typing import Final

from bafflelens.shapes.fields import angle, length, share
from bafflelens.shapes.profiles import (
    STEEPEST_DEG,
    ArcProfile,
    ConicProfile,
    ExponentialProfile,
    Profile,
    SplineProfile,
)
from bafflelens.shapes.rules import fault

_LEAST_RISE_MM: Final = 6.0
_LEAST_TURN_DEG: Final = 2.0
_STEEPEST: Final = f"at most {STEEPEST_DEG:g} deg"


@dataclass(frozen=True)
class Wall:
    """Parameters that all walls have."""

    mouth_height_mm: float = length(48.0, 0.0, 150.0, "axis to the mouth; lower wall 0: as upper")
    throat_gap_mm: float = length(1.0, 1.0, 15.0, "surround (or slit) to the foot of the wall")
    blend_mm: float = length(8.0, 0.0, 80.0, "beyond the mouth until the wall is the front")


@dataclass(frozen=True)
class ArcWall(Wall):
    """Parameters of a wall that is a circular arc."""

    opening_angle_deg: float = angle(35.0, 0.0, 75.0, "wall at the throat from the axis")


@dataclass(frozen=True)
class ConicWall(Wall):
    """Parameters of a wall that is a conic."""

    opening_angle_deg: float = angle(35.0, 0.0, 75.0, "wall at the throat from the axis")
    mouth_angle_deg: float = angle(70.0, 20.0, 85.0, "wall at the mouth from the axis")
    sharpness_pct: float = share(
        50.0, 15.0, 85.0, "below 50 an ellipse, 50 a parabola, above a hyperbola"
    )


@dataclass(frozen=True)
class ExponentialWall(Wall):
    """Parameters of a wall that opens exponentially."""

    opening_angle_deg: float = angle(35.0, 5.0, 75.0, "wall at the throat from the axis")


@dataclass(frozen=True)
class SplineWall(Wall):
    """Parameters of a wall that is a smooth spline through five control points.

    They lie at one to five sixths of the depth; each is given by how far it is outside the
    straight line from throat to mouth, as a share of the mouth's height over the throat. For
    another number, add or remove fields here.
    """

    offset_1_pct: float = share(
        -5.0, -30.0, 30.0, "wall outside the straight line at 1/6 of depth"
    )
    offset_2_pct: float = share(
        -8.0, -30.0, 30.0, "wall outside the straight line at 2/6 of depth"
    )
    offset_3_pct: float = share(
        -9.0, -30.0, 30.0, "wall outside the straight line at 3/6 of depth"
    )
    offset_4_pct: float = share(
        -8.0, -30.0, 30.0, "wall outside the straight line at 4/6 of depth"
    )
    offset_5_pct: float = share(
        -5.0, -30.0, 30.0, "wall outside the straight line at 5/6 of depth"
    )


AnyWall = ArcWall | ConicWall | ExponentialWall | SplineWall


def wall_profile(wall: AnyWall, throat: float, depth: float) -> Profile:
    """Return the profile of a wall that keeps its rules (`wall_faults`)."""
    mouth = wall.mouth_height_mm
    if isinstance(wall, ArcWall):
        return ArcProfile(throat, mouth, depth, math.radians(wall.opening_angle_deg))
    if isinstance(wall, ConicWall):
        return ConicProfile(
            throat,
            mouth,
            depth,
            math.radians(wall.opening_angle_deg),
            math.radians(wall.mouth_angle_deg),
            wall.sharpness_pct / 100,
        )
    if isinstance(wall, ExponentialWall):
        return ExponentialProfile(throat, mouth, depth, math.radians(wall.opening_angle_deg))
    return SplineProfile(
        throat,
        mouth,
        depth,
        tuple(pct / 100 * (mouth - throat) for pct in control_offsets_pct(wall)),
    )


def control_offsets_pct(wall: SplineWall) -> tuple[float, ...]:
    """Return the offsets of the control points, in the order of their fields."""
    names = [item.name for item in fields(wall) if item.name.startswith("offset_")]
    return tuple(float(getattr(wall, name)) for name in names)


def wall_faults(which: str, wall: AnyWall, throat: float, depth: float) -> list[str]:
    """Return the rules of a profile that are broken.

    Parameters
    ----------
    which : str
        ``upper`` or ``lower``, for the message.
    wall : AnyWall
        The parameters.
    throat, depth : float
        Axis to the foot of the wall, and floor to front plane, in mm.
    """
    mouth = wall.mouth_height_mm
    if mouth < throat + _LEAST_RISE_MM:
        rule = (
            f"at least {throat + _LEAST_RISE_MM:g} mm, {_LEAST_RISE_MM:g} mm more than the throat"
        )
        return [fault(f"{which} mouth height", f"{mouth:g} mm", rule)]
    chord = math.degrees(math.atan2(mouth - throat, depth))
    straight = f"the straight wall from throat to mouth, {chord:.1f} deg"
    if isinstance(wall, ArcWall):
        end = 2 * chord - wall.opening_angle_deg
        what = f"{which} opening angle"
        if end > STEEPEST_DEG:
            least = 2 * chord - STEEPEST_DEG
            rule = f"at least {least:.1f} deg, so that the arc ends {_STEEPEST} from the axis"
            return [fault(what, f"{wall.opening_angle_deg:g} deg", rule)]
        if end < 0:
            rule = f"at most {2 * chord:.1f} deg, so that the walls do not turn towards each other"
            return [fault(what, f"{wall.opening_angle_deg:g} deg", rule)]
    elif isinstance(wall, ConicWall):
        if wall.opening_angle_deg > chord - _LEAST_TURN_DEG:
            rule = f"at least {_LEAST_TURN_DEG:g} deg less than {straight}"
            return [fault(f"{which} opening angle", f"{wall.opening_angle_deg:g} deg", rule)]
        if wall.mouth_angle_deg < chord + _LEAST_TURN_DEG:
            rule = f"at least {_LEAST_TURN_DEG:g} deg more than {straight}"
            return [fault(f"{which} mouth angle", f"{wall.mouth_angle_deg:g} deg", rule)]
    elif isinstance(wall, ExponentialWall):
        if wall.opening_angle_deg > chord - _LEAST_TURN_DEG:
            rule = f"at least {_LEAST_TURN_DEG:g} deg less than {straight}"
            return [fault(f"{which} opening angle", f"{wall.opening_angle_deg:g} deg", rule)]
        end = math.degrees(wall_profile(wall, throat, depth).angle(1.0))
        if end > STEEPEST_DEG:
            return [fault(f"{which} wall's angle at the mouth", f"{end:.1f} deg", _STEEPEST)]
    else:
        profile = wall_profile(wall, throat, depth)
        angles = [math.degrees(profile.angle(n / 100)) for n in range(101)]
        if min(angles) < 0:
            rule = "at least 0 deg everywhere, so that the walls do not turn towards each other"
            return [fault(f"{which} wall's angle", f"{min(angles):.1f} deg", rule)]
        if max(angles) > STEEPEST_DEG:
            rule = f"{_STEEPEST} everywhere"
            return [fault(f"{which} wall's angle", f"{max(angles):.1f} deg", rule)]
    return []
