# SPDX-License-Identifier: GPL-3.0-or-later
"""Whether the part as it is made has the analysed surface, and holds its driver and screws."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from bafflelens.base.closest_point import closest, searchable
from bafflelens.handoff.checks import FAILED, PASSED, UNKNOWN, Check, thinnest_wall
from bafflelens.handoff.corner_checks import corners_of_part
from bafflelens.handoff.likeness import Likeness
from bafflelens.handoff.part_pieces import HOLE, INNER, POCKET, SEAT, PartPlan, Round
from bafflelens.handoff.part_plan import driver_names
from bafflelens.handoff.rays import first_hits
from bafflelens.handoff.solid import Solid
from bafflelens.job.handoff_section import HandoffSection
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.source_motion import SourceMotion

_SAME_M: Final = 1e-5  # of a face that was not cut, from the analysed one
_SAME_SEAT: Final = 1e-3  # share of its area
_LEAST_AREA_M2: Final = 1e-6
_RIM_PLACES: Final = 72
_BEFORE_SEAT_MM: Final = 0.05


def part_checks(
    solid: Solid,
    body: Mesh,
    same: Likeness,
    plan: PartPlan,
    motions: Sequence[SourceMotion],
    settings: HandoffSection,
) -> tuple[Check, ...]:
    """Return the checks that stand in place of those of the analysed body, or beside them.

    Parameters
    ----------
    solid : Solid
        The analysed body, with the pieces of the part.
    body : Mesh
        All of the mesh that was analysed.
    same : Likeness
        How far the body is from what was analysed.
    plan : PartPlan
        How the part is made.
    motions : sequence of SourceMotion
        The drivers.
    settings : HandoffSection
        The shop's figures.
    """
    found = [_same_check(solid, body, same, motions, settings), _wall_check(solid, settings)]
    if plan.seat is not None:
        found.append(_seat_check(solid, plan, settings))
    found += [_undefined_seat(hole) for hole in plan.further]
    if settings.driver_depth_mm is not None:
        found.append(_room_check(solid, plan, settings))
    return tuple(found)


def with_part(checks: Sequence[Check], of_part: Sequence[Check]) -> tuple[Check, ...]:
    """Return the checks of the body, those that the part has as well replaced by the part's."""
    by_name = {check.name: check for check in of_part}
    kept = [by_name.pop(check.name, check) for check in checks]
    return (*kept, *by_name.values())


def _same_check(
    solid: Solid,
    body: Mesh,
    same: Likeness,
    motions: Sequence[SourceMotion],
    settings: HandoffSection,
) -> Check:
    """Compare the outer acoustic surface: each face that the part has of it, and what it lacks."""
    worst = max(solid.pieces, key=lambda piece: piece.off_m)
    x, y, z = (1e3 * value for value in worst.where_m)
    lacks = missing_areas(solid, body, motions, settings)
    text = (
        f"part against analysed surface: its faces within {worst.off_m * 1e3:.2f} mm"
        + (f", most at ({x:.1f}, {y:.1f}, {z:.1f}) mm" if worst.off_m > _SAME_M else "")
        + "; dome and surround are the driver's"
    )
    if settings.driver_from == "front" and settings.flange_mm is not None:
        text += f", and so is what its flange of {settings.flange_mm:g} mm covers"
    for name, (area, far, place) in lacks.items():
        u, v, w = place
        text += (
            f"; {name} differs over {area * 1e6:.0f} mm^2, up to {far * 1e3:.2f} mm at "
            f"({u * 1e3:.1f}, {v * 1e3:.1f}, {w * 1e3:.1f}) mm"
        )
    good = same.fits and worst.off_m <= _SAME_M and not lacks
    text += f"; {same.text}"
    return Check(
        name="same as analysed",
        state=PASSED if good else FAILED,
        text=text,
        value=max([worst.off_m, *(far for _, far, _ in lacks.values())]) * 1e3,
    )


def missing_areas(
    solid: Solid, body: Mesh, motions: Sequence[SourceMotion], settings: HandoffSection
) -> dict[str, tuple[float, float, tuple[float, ...]]]:
    """Return by name what of the analysed outer surface the part lacks.

    Looked at are the corners of the analysed mesh, each with its share of the triangles about
    it, that are not only the cabinet's or the driver's; what the flange of a driver from the front
    covers is the driver's.

    Returns
    -------
    dict
        Area in m^2, how far the part is from it at most, in m, and where.
    """
    names = body.surface
    is_cabinet = np.char.startswith(names, "cabinet")
    wanted = ~np.isin(names, driver_names(motions)) & ~is_cabinet
    chord = max(piece.chord_m for piece in solid.pieces)
    distance = np.full(len(body.vertices), np.inf)
    for piece in solid.pieces:
        formed = np.isin(piece.mesh.surface, [*names.tolist(), INNER])
        if formed.any():
            there = searchable(piece.mesh.vertices, piece.mesh.triangles[formed])
            distance = np.minimum(distance, closest(there, body.vertices).distance)
    gone = distance > chord + _SAME_M
    if solid.rounded is not None and solid.rounded.n_rounded:
        # What is rounded has a judgement of its own.
        gone &= ~corners_of_part(solid, motions).near(body.vertices, settings.cutter_mm / 2e3)
    if settings.driver_from == "front" and settings.flange_mm is not None:
        _, y, z = motions[0].centre
        away = np.hypot(body.vertices[:, 1] - y, body.vertices[:, 2] - z)
        gone &= away > settings.pocket_mm / 2e3 + _SAME_M
    found = {}
    for name in np.unique(names[wanted]).tolist():
        corners = body.triangles[wanted & (names == name)]
        lacking = gone[corners]
        area = float((body.areas[wanted & (names == name), None] / 3 * lacking).sum())
        if area > _LEAST_AREA_M2:
            lost = corners[lacking]
            worst = int(lost[distance[lost].argmax()])
            place = tuple(map(float, body.vertices[worst]))
            found[str(name)] = (area, float(distance[worst]), place)
    return found


def _wall_check(solid: Solid, settings: HandoffSection) -> Check:
    """Look straight through the part from every acoustic face of it."""
    formed = {*solid.mesh.surface.tolist(), INNER}
    found = []
    for piece in solid.pieces:
        names = piece.mesh.surface
        front = np.isin(names, sorted(formed)) & ~np.char.startswith(names, "cabinet")
        if front.any():
            found.append(thinnest_wall(piece.mesh, front, settings.least_wall_mm, piece.name))
    return min(found, key=lambda check: check.value)


def _seat_check(solid: Solid, plan: PartPlan, settings: HandoffSection) -> Check:
    """Check that the seat is whole, and that no screw comes nearer to the outside than a wall."""
    piece, name = solid.pieces[0], "flange and screws"
    inner = (settings.hole_mm or 0.0) / 2
    if not inner:
        cut = plan.pieces[0].cut
        inner = next(t.radius for t in cut if isinstance(t, Round) and t.name == HOLE)
    outer = settings.pocket_mm / 2
    whole = math.pi * (outer**2 - inner**2 - sum(hole.radius**2 for hole in plan.screws))
    share = piece.areas_m2.get(SEAT, 0.0) * 1e6 / whole
    faults = []
    if share < 1 - _SAME_SEAT:
        faults.append(f"the flange's seat is cut: {share:.1%} of its area is there")
    elif share > 1 + _SAME_SEAT:
        faults.append("the flange's pocket is closed at both ends")
    barred = _barred(solid, plan, settings)
    if barred:
        faults.append(
            f"the flange does not go in from the front: {barred:.0%} of its rim is barred"
        )
    ahead = _ahead_of_screws(solid, plan, settings)
    if ahead < settings.least_wall_mm - 2e3 * solid.chord_m:
        what = "the lens" if settings.driver_from == "behind" else "the back"
        ends = f"ends {ahead:.1f} mm before {what}" if ahead > 0 else f"comes out of {what}"
        faults.append(
            f"a pilot hole of {settings.pilot_depth_mm:g} mm {ends}, at least "
            f"{settings.least_wall_mm:g} mm asked"
        )
    if faults:
        return Check(name=name, state=FAILED, text="; ".join(faults), value=ahead)
    text = f"the seat in the {POCKET.replace('_', ' ')} is whole"
    if plan.screws:
        text += f"; {len(plan.screws)} pilot holes end {ahead:.1f} mm before the outside or more"
    return Check(name=name, state=PASSED, text=text, value=ahead)


def _barred(solid: Solid, plan: PartPlan, settings: HandoffSection) -> float:
    """Return how much of a flange's rim has part of the lens before it, of one from the front."""
    if settings.driver_from != "front" or plan.seat is None or settings.flange_mm is None:
        return 0.0
    angle = 2 * np.pi * np.arange(_RIM_PLACES) / _RIM_PLACES
    _, y, z = plan.centre
    radius = settings.flange_mm / 2
    rim = np.column_stack(
        (
            np.full(_RIM_PLACES, plan.seat + _BEFORE_SEAT_MM),
            y + radius * np.sin(angle),
            z + radius * np.cos(angle),
        )
    )
    ahead = first_hits(solid.pieces[0].mesh, rim * 1e-3, np.array([1.0, 0.0, 0.0]))
    return float(np.isfinite(ahead).mean())


def _undefined_seat(hole: Round) -> Check:
    """Say that a driver has a hole and nothing else."""
    return Check(name=f"seat of the {_driver_of(hole)}", state=UNKNOWN, text=undefined_text(hole))


def undefined_text(hole: Round) -> str:
    """Return what of a further driver's seat nobody has said."""
    return (
        f"the {_driver_of(hole)} has a plain hole of \u00d8{2 * hole.radius:g} mm; rebate, "
        "flange, screws and depth are not defined: its maker's drawing comes before cutting"
    )


def _driver_of(hole: Round) -> str:
    return hole.name.removesuffix("_hole").replace("_", " ")


def _ahead_of_screws(solid: Solid, plan: PartPlan, settings: HandoffSection) -> float:
    """Return the least distance in mm from the end of a pilot hole's rim to the outside."""
    if not plan.screws:
        return math.inf
    is_forward = settings.driver_from == "behind"
    starts = []
    for hole in plan.screws:
        end = hole.front if is_forward else hole.back
        angle = 2 * np.pi * np.arange(12) / 12
        rim = np.column_stack(
            (
                np.full(12, end),
                hole.y + hole.radius * np.sin(angle),
                hole.z + hole.radius * np.cos(angle),
            )
        )
        starts.append(rim)
    places = np.concatenate(starts) * 1e-3
    if not is_forward:
        return float(places[:, 0].min()) * 1e3 - (plan.front - plan.thick)
    # From the seat, in the solid body: a hole that breaks through has a negative rest.
    seat = (plan.seat or 0.0) * 1e-3
    start = np.column_stack((np.full(len(places), seat), places[:, 1:]))
    ahead = first_hits(solid.mesh, start, np.array([1.0, 0.0, 0.0])) * 1e3
    return float(ahead.min()) - (plan.screws[0].front - (plan.seat or 0.0))


def _room_check(solid: Solid, plan: PartPlan, settings: HandoffSection) -> Check:
    """Check that the driver ends before the cabinet's back wall."""
    flange = plan.seat if plan.seat is not None else plan.centre[0]
    if plan.seat is not None:
        behind = settings.driver_from == "behind"
        flange += -settings.gasket_mm if behind else settings.gasket_mm + settings.flange_depth_mm
    end = flange - (settings.driver_depth_mm or 0.0)
    inside = float(solid.box_m[0, 0]) * 1e3 + settings.wall_mm
    rest = end - inside - settings.clearance_mm
    text = (
        f"the driver ends {end - inside:.1f} mm before the back wall of {settings.wall_mm:g} mm; "
        f"at least {settings.clearance_mm:g} asked"
    )
    return Check(
        name="driver's room", state=PASSED if rest >= 0 else FAILED, text=text, value=end - inside
    )
