# SPDX-License-Identifier: GPL-3.0-or-later
"""Where the driver sits in a part, and what is cut for it: hole, pocket, room, pilot holes."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from bafflelens.base.conventions import FloatArray
from bafflelens.base.errors import InputError, invalid
from bafflelens.handoff.part_pieces import BEYOND_MM, HOLE, MAGNET, POCKET, SCREW, Round
from bafflelens.job.handoff_section import HandoffSection
from bafflelens.mesh.source_motion import SourceMotion


def require_hole(settings: HandoffSection, motion: SourceMotion, candidate: str) -> None:
    """Refuse a hole that is smaller than the dome."""
    least = 2e3 * motion.outer_radius_m
    if settings.hole_mm is not None and settings.hole_mm < least - 1e-6:
        rule = f"at least {least:g} mm, dome and surround of {candidate}"
        raise InputError(invalid("key 'handoff.hole_mm'", f"{settings.hole_mm:g}", rule))


def driver_seat(settings: HandoffSection, rim: float) -> float | None:
    """Return where the flange rests, its gasket between: before it or behind it."""
    if settings.flange_mm is None:
        return None
    if settings.driver_from == "behind":
        return rim - settings.rim_ahead_mm + settings.gasket_mm
    return rim - settings.flange_depth_mm - settings.gasket_mm


def driver_room(
    settings: HandoffSection,
    motions: Sequence[SourceMotion],
    ends: tuple[float, float],
    seat: float | None,
) -> Iterator[Round]:
    """Yield what is cut for the drivers: hole, pocket or rebate, room for the magnet."""
    back, ahead = ends[0] - BEYOND_MM, ends[1]
    _, y, z = (1e3 * float(value) for value in motions[0].centre)

    def bore(name: str, across: float, start: float, end: float) -> Round:
        return Round(name=name, y=y, z=z, radius=across / 2, back=start, front=end)

    hole = settings.hole_mm or 2e3 * motions[0].outer_radius_m
    yield bore(HOLE, hole, back, ahead)
    if seat is not None and settings.driver_from == "behind":
        yield bore(POCKET, settings.pocket_mm, back, seat)
        room = (settings.magnet_mm or 0.0) + 2 * settings.clearance_mm
        if room > settings.pocket_mm:
            yield bore(MAGNET, room, back, seat - settings.gasket_mm - settings.flange_depth_mm)
    elif seat is not None:
        yield bore(POCKET, settings.pocket_mm, seat, ahead)


def further_holes(motions: Sequence[SourceMotion], ends: tuple[float, float]) -> Iterator[Round]:
    """Yield a plain hole, as wide as dome and surround, for every driver but the first."""
    for motion in motions[1:]:
        _, y, z = (1e3 * float(value) for value in motion.centre)
        yield Round(
            name=f"{motion.name}_hole", y=y, z=z, radius=1e3 * motion.outer_radius_m,
            back=ends[0] - BEYOND_MM, front=ends[1],
        )  # fmt: skip


def pilot_holes(
    settings: HandoffSection, axis: tuple[float, float], seat: float | None
) -> Iterator[Round]:
    """Yield the pilot holes of the screws; none where no seat is known."""
    if seat is None:
        return
    deep = settings.pilot_depth_mm
    is_forward = settings.driver_from == "behind"
    for across, up in screw_ring(settings).tolist():
        yield Round(
            name=SCREW, y=axis[0] + across, z=axis[1] + up, radius=settings.pilot_hole_mm / 2,
            back=seat - (BEYOND_MM / 10 if is_forward else deep),
            front=seat + (deep if is_forward else BEYOND_MM / 10),
        )  # fmt: skip


def screw_ring(settings: HandoffSection) -> FloatArray:
    """Return the places of the screws from the axis, (n, 2) in mm: to the left, up."""
    if not settings.screws or settings.screw_circle_mm is None:
        return np.zeros((0, 2))
    angle = np.radians(settings.screw_angle_deg)
    angle = angle + 2 * np.pi * np.arange(settings.screws) / settings.screws
    return np.asarray(
        settings.screw_circle_mm / 2 * np.column_stack((np.sin(angle), np.cos(angle)))
    )
