# SPDX-License-Identifier: GPL-3.0-or-later
"""The part as it is made: what of the analysed body is kept, and what is cut out of it.

Everything is boxes and cylinders along the axis, in mm of the reference frame. Front panel and
shell are what the body has in common with slabs, walls and a block behind the lens; an insert is
what it has in common with a body and its flange, and the panel has the recess for it. Out of that
come the driver's room and seat, pilot holes and locating holes.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np

from bafflelens.base.conventions import BoolArray, FloatArray
from bafflelens.base.errors import InputError, invalid
from bafflelens.handoff.driver_room import (
    driver_room,
    driver_seat,
    further_holes,
    pilot_holes,
    require_hole,
)
from bafflelens.handoff.part_pieces import (
    BEYOND_MM,
    LOCATING,
    OPENING,
    RECESS,
    Box,
    PartPiece,
    PartPlan,
    Round,
    Tool,
)
from bafflelens.job.handoff_section import ANALYSED, INSERT, SHELL, HandoffSection
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.source_motion import SourceMotion
from bafflelens.mesh.surface_names import GUIDING_KINDS, surface_kind

NO_PART: Final = (
    "The analysed body is not the part: the job's [handoff] does not say how it is made."
)
_AHEAD_MM: Final = 0.1  # of the dome, that its room is cut free


def plan_part(
    body: Mesh, motions: Sequence[SourceMotion], settings: HandoffSection, candidate: str
) -> PartPlan | None:
    """Return how a part is made; None where the job does not say.

    Parameters
    ----------
    body : Mesh
        All of the analysed surface.
    motions : sequence of SourceMotion
        The drivers; the job describes the seat of the first.
    settings : HandoffSection
        How it is made.
    candidate : str
        For messages.

    Raises
    ------
    InputError
        If the lens is deeper than what it is to be cut from, or the hole smaller than the dome.
    """
    if settings.made == ANALYSED:
        return None
    points, moving = body.corners * 1e3, _moving(body, motions)
    low, high = points.reshape(-1, 3).min(axis=0), points[~moving].reshape(-1, 3).max(axis=0)
    front = float(high[0])
    x, y, z = (1e3 * float(value) for value in motions[0].centre)
    require_hole(settings, motions[0], candidate)
    seat = driver_seat(settings, x)
    sheets = settings.sheets_mm
    kinds = [surface_kind(name) for name in body.surface.tolist()]
    formed = np.array([kind in GUIDING_KINDS for kind in kinds]) & ~moving
    deepest = min(x, float(points[formed][:, :, 0].min(initial=x)))
    thick = _thickness(
        settings, front - deepest, None if seat is None else front - seat, candidate
    )
    back = front - thick
    reach = (
        low - BEYOND_MM,
        np.array([max(front, float(points[..., 0].max())), *high[1:]]) + BEYOND_MM,
    )
    places = points[formed].reshape(-1, 3)
    places = places[places[:, 0] < front - sum(sheets) + settings.least_wall_mm]
    block = _block(settings, places, (low, high), reach, (y, z), back)
    ahead = float(points[moving][:, :, 0].max() if moving.any() else x) + _AHEAD_MM
    screws = tuple(pilot_holes(settings, (y, z), seat))
    further = tuple(further_holes(motions, (back, ahead)))
    cuts = [*driver_room(settings, motions, (back, ahead), seat), *further, *screws]
    locating = tuple(_locating(settings, (y, z), front, block, back))
    slab = Box(
        name="back",
        low=(front - sum(sheets), float(reach[0][1]), float(reach[0][2])),
        high=_at(reach[1]),
    )
    if settings.made == INSERT:
        pieces = _insert(settings, (y, z), front, back, slab, [*cuts, *locating])
    else:
        keep: list[Tool] = [slab, block] if block else [slab]
        if settings.made == SHELL:
            keep += _walls(settings.wall_mm, (low, high), reach)
        name = "shell" if settings.made == SHELL else "panel"
        pieces = (PartPiece(name=name, keep=tuple(keep), cut=(*cuts, *locating)),)
    return PartPlan(
        made=settings.made,
        pieces=pieces,
        centre=(x, y, z),
        sheets=sheets,
        thick=thick,
        front=front,
        seat=seat,
        block=block,
        screws=screws,
        locating=locating,
        further=further,
    )


def _moving(body: Mesh, motions: Sequence[SourceMotion]) -> BoolArray:
    return np.isin(body.surface, driver_names(motions))


def driver_names(motions: Sequence[SourceMotion]) -> list[str]:
    """Return the surfaces that belong to drivers."""
    return [n for m in motions for n in m.surfaces]


def _at(place: FloatArray) -> tuple[float, float, float]:
    x, y, z = (float(value) for value in place)
    return x, y, z


def _thickness(
    settings: HandoffSection, depth: float, seat_depth: float | None, candidate: str
) -> float:
    """Return from front plane to back: in whole millimetres what the lens needs, if not given."""
    sheets = sum(settings.sheets_mm)
    needed = depth + settings.least_wall_mm
    if seat_depth is not None:
        behind = settings.driver_from == "behind"
        rest = settings.flange_depth_mm if behind else settings.least_wall_mm
        needed = max(needed, seat_depth + rest)
    if settings.made == INSERT:
        sheets = 0.0
    if settings.backing_mm is None:
        return sheets + max(0.0, math.ceil(needed - sheets - 1e-6))
    thick = sheets + settings.backing_mm
    if thick < needed - 1e-6:
        rule = (
            f"at least {needed - sheets:.1f} mm for {candidate}: its lens is {depth:.1f} mm deep, "
            f"and behind that and the driver's seat least_wall_mm ({settings.least_wall_mm:g}) "
            "or the flange need room"
        )
        raise InputError(invalid("key 'handoff.backing_mm'", f"{settings.backing_mm:g}", rule))
    return thick


def _block(
    settings: HandoffSection,
    places: FloatArray,
    box: tuple[FloatArray, FloatArray],
    reach: tuple[FloatArray, FloatArray],
    axis: tuple[float, float],
    back: float,
) -> Box | None:
    """Return the block behind the sheets: around what is deeper than they are, and the driver.

    It stays within the cabinet's walls but where the lens itself reaches through them.
    """
    start = float(box[1][0]) - sum(settings.sheets_mm)
    if settings.made == INSERT or back > start - 1e-6:
        return None
    radius = (
        max(
            settings.pocket_mm if settings.flange_mm else 0.0,
            (settings.magnet_mm or 0.0) + 2 * settings.clearance_mm,
            settings.hole_mm or 0.0,
        )
        / 2
    )
    around = np.array([np.array(axis) - radius, np.array(axis) + radius])
    places = np.concatenate((places[:, 1:], around))
    low, high = places.min(axis=0), places.max(axis=0)
    inner_low, inner_high = box[0][1:] + settings.wall_mm, box[1][1:] - settings.wall_mm
    margin = settings.backing_margin_mm
    low = np.where(low < inner_low, reach[0][1:], np.maximum(np.floor(low - margin), inner_low))
    high = np.where(
        high > inner_high, reach[1][1:], np.minimum(np.ceil(high + margin), inner_high)
    )
    return Box(
        name="block",
        low=(back, float(low[0]), float(low[1])),
        high=(start + BEYOND_MM / 10, float(high[0]), float(high[1])),
    )


def _locating(
    settings: HandoffSection,
    axis: tuple[float, float],
    front: float,
    block: Box | None,
    back: float,
) -> Iterator[Round]:
    """Yield the locating holes, each from the back that it is drilled into."""
    sheets = sum(settings.sheets_mm)
    for across, up in settings.locating_mm:
        y, z = axis[0] + across, axis[1] + up
        face = front - sheets
        behind = block is not None and block.holds(np.array([[back + 1e-3, y, z]]))[0]
        if behind or settings.made == INSERT:
            face = back
        yield Round(
            name=LOCATING, y=y, z=z, radius=settings.locating_hole_mm / 2,
            back=face - BEYOND_MM / 10, front=face + settings.locating_depth_mm,
        )  # fmt: skip


def _walls(
    wall: float, box: tuple[FloatArray, FloatArray], reach: tuple[FloatArray, FloatArray]
) -> list[Tool]:
    """Return the other five walls of a shell, each beyond the body on its outer sides."""
    found: list[Tool] = []
    for axis, sides in ((0, (-1,)), (1, (-1, 1)), (2, (-1, 1))):
        for side in sides:
            low, high = reach[0].copy(), reach[1].copy()
            if side < 0:
                high[axis] = box[0][axis] + wall
            else:
                low[axis] = box[1][axis] - wall
            found.append(Box(name="inside", low=_at(low), high=_at(high)))
    return found


def _insert(
    settings: HandoffSection,
    axis: tuple[float, float],
    front: float,
    back: float,
    slab: Box,
    cuts: Sequence[Tool],
) -> tuple[PartPiece, ...]:
    """Return the insert, a body with a flange, and the panel with the recess for it."""
    body, flange = settings.insert_mm or 0.0, settings.insert_flange_mm or 0.0
    step, gap = front - settings.insert_flange_depth_mm, settings.insert_gap_mm
    ahead, sheet = slab.high[0], slab.low[0]
    y, z = axis

    def bore(name: str, across: float, start: float) -> Round:
        return Round(name=name, y=y, z=z, radius=across / 2, back=start, front=ahead)

    return (
        PartPiece(
            name="insert",
            keep=(bore("insert_body", body, back), bore("insert_flange", flange, step)),
            cut=tuple(cuts),
        ),
        PartPiece(
            name="panel",
            keep=(slab,),
            cut=(
                bore(RECESS, flange + 2 * gap, step),
                bore(OPENING, body + 2 * gap, sheet - BEYOND_MM),
            ),
        ),
    )
