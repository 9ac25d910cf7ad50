# SPDX-License-Identifier: GPL-3.0-or-later
"""What lies flat in the front: a faceplate, and felt or foam around what sits in the middle.

Neither changes the shape. Their outlines become edges of the surface, so that the faceplate can
be told apart and the felt be given an admittance by its name.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from bafflelens.shapes import solids
from bafflelens.shapes.fields import flow_resistivity, length
from bafflelens.shapes.hull import Hull, room_faults
from bafflelens.shapes.rules import STRIP_MM, Footprint, fault


@dataclass(frozen=True)
class Plate:
    """Parameters of a faceplate let in flush: round, or rectangular, or none."""

    diameter_mm: float = length(0.0, 0.0, 220.0, "diameter of a round faceplate, or 0")
    width_mm: float = length(0.0, 0.0, 300.0, "width of a rectangular faceplate, or 0")
    height_mm: float = length(0.0, 0.0, 300.0, "height of a rectangular faceplate, or 0")


@dataclass(frozen=True)
class Felt:
    """Parameters of a sheet of felt or foam around what sits in the middle, let in flush."""

    sheet_width_mm: float = length(0.0, 0.0, 400.0, "width of the sheet, or 0")
    sheet_height_mm: float = length(0.0, 0.0, 400.0, "height of the sheet, or 0")
    thickness_mm: float = length(5.0, 1.0, 30.0, "thickness")
    flow_resistivity_kpa_s_m2: float = flow_resistivity(
        30.0, 1.0, 200.0, "static air-flow resistivity; soft felt is 10 to 50"
    )


def plate_footprint(plate: Plate) -> Footprint | None:
    """Return what a faceplate covers, None if there is none."""
    if plate.diameter_mm > 0:
        return Footprint(name="faceplate", y=0.0, z=0.0, radius=plate.diameter_mm / 2)
    if plate.width_mm > 0:
        return Footprint(
            name="faceplate", y=0.0, z=0.0, width=plate.width_mm, height=plate.height_mm
        )
    return None


def felt_footprint(felt: Felt) -> Footprint | None:
    """Return the outer outline of the felt, None if there is none."""
    if felt.sheet_width_mm == 0:
        return None
    return Footprint(
        name="felt", y=0.0, z=0.0, width=felt.sheet_width_mm, height=felt.sheet_height_mm
    )


def felt_layer(felt: Felt) -> dict[str, dict[str, float]]:
    """Return what covers surfaces, as ``absorbers`` of a script gives it."""
    if felt.sheet_width_mm == 0:
        return {}
    layer = {
        "thickness_m": felt.thickness_mm * 1e-3,
        "flow_resistivity_pa_s_m2": felt.flow_resistivity_kpa_s_m2 * 1e3,
    }
    return {"felt": layer}


def plate_faults(plate: Plate, hull: Hull, inside: Footprint) -> list[str]:
    """Return the rules of a faceplate that are broken.

    Parameters
    ----------
    plate : Plate
        The faceplate.
    hull : Hull
        The cabinet.
    inside : Footprint
        What it must hold.
    """
    if plate.diameter_mm > 0 and (plate.width_mm > 0 or plate.height_mm > 0):
        value = f"{plate.diameter_mm:g} mm round and {plate.width_mm:g} x {plate.height_mm:g} mm"
        return [fault("faceplate", value, "one or the other; set the other to 0")]
    return _rectangle_faults("faceplate", plate.width_mm, plate.height_mm) or _holding_faults(
        plate_footprint(plate), hull, inside
    )


def felt_faults(felt: Felt, hull: Hull, inside: Footprint) -> list[str]:
    """Return the rules of the felt that are broken; see `plate_faults`."""
    return _rectangle_faults("felt", felt.sheet_width_mm, felt.sheet_height_mm) or _holding_faults(
        felt_footprint(felt), hull, inside
    )


def _rectangle_faults(name: str, width: float, height: float) -> list[str]:
    if (width > 0) != (height > 0):
        missing, given = ("height", width) if width > 0 else ("width", height)
        rule = f"more than 0 beside the other dimension, {given:g} mm"
        return [fault(f"{name} {missing}", "0 mm", rule)]
    return []


def _holding_faults(outer: Footprint | None, hull: Hull, inside: Footprint) -> list[str]:
    if outer is None:
        return []
    gap = inside.gap_within(outer)
    if gap < STRIP_MM - 1e-9:
        rule = f"at least {STRIP_MM:g} mm"
        what = f"distance from the {inside.name} to the outline of the {outer.name} around it"
        return [fault(what, f"{gap:.1f} mm", rule)]
    return room_faults(hull, outer)


def outline_lines(occ: Any, footprint: Footprint, *, half: bool) -> list[int]:
    """Return the outline of a footprint in the front plane as edges to draw on the body."""
    y, z = footprint.y, footprint.z
    if footprint.radius > 0:
        return [solids.circle(occ, 0.0, y, z, footprint.radius, half=half)]
    wide, tall = footprint.width / 2, footprint.height / 2
    if half:
        return solids.polyline(
            occ, 0.0, [(0.0, z - tall), (wide, z - tall), (wide, z + tall), (0.0, z + tall)]
        )
    ring = [(y - wide, z - tall), (y + wide, z - tall), (y + wide, z + tall), (y - wide, z + tall)]
    return solids.polyline(occ, 0.0, [*ring, ring[0]])


def covers(footprint: Footprint | None, y: float, z: float) -> bool:
    """Whether a point of the front plane lies on what has this outline."""
    if footprint is None:
        return False
    if footprint.radius > 0:
        return math.hypot(y - footprint.y, z - footprint.z) < footprint.radius
    return (
        abs(y - footprint.y) < footprint.width / 2 and abs(z - footprint.z) < footprint.height / 2
    )
