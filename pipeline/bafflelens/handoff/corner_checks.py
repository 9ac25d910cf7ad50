# SPDX-License-Identifier: GPL-3.0-or-later
"""Whether a round cutter can make a part, and whether that is still what was analysed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from bafflelens.base.closest_point import closest, searchable
from bafflelens.base.conventions import FloatArray
from bafflelens.handoff.checks import (
    FAILED,
    NOTHING_CONCAVE,
    PASSED,
    Check,
    cutter_check,
    made_from_front,
)
from bafflelens.handoff.inner_corners import InnerCorners, RegionOff, inner_corners
from bafflelens.handoff.part_pieces import INNER
from bafflelens.handoff.solid import Rounded, Solid
from bafflelens.job.handoff_section import AS_CUT, ROUNDED, HandoffSection
from bafflelens.mesh.source_motion import SourceMotion

_NAMED: Final = 4  # corners of which the place is said; the picture shows all
_WAYS_OUT: Final = (
    "give the shape a radius of its own there and solve it again, or take a smaller cutter_mm"
)


def corners_of_part(solid: Solid, motions: Sequence[SourceMotion]) -> InnerCorners:
    """Return the sharp inner corners of the analysed front."""
    return inner_corners(solid.mesh, made_from_front(solid.mesh, motions), solid.edges)


@dataclass(frozen=True, kw_only=True, eq=False)
class CornersAsMade:
    """What became of the inner corners of an analysed front.

    Attributes
    ----------
    left_mm : (n, 3) array
        Places of those that are still sharp, though they should be rounded.
    off_m, place_m, whose
        How far the part is off there at most, where, and by whose doing; empty if nothing of the
        part is other than analysed.
    """

    left_mm: FloatArray
    off_m: float
    place_m: FloatArray
    whose: str


def corners_as_made(
    solid: Solid, corners: InnerCorners, settings: HandoffSection
) -> CornersAsMade:
    """Measure the inner corners of a part; arguments are those of `with_corners`."""
    left = np.zeros((0, 3)) if solid.rounded is None else _left_sharp(solid, solid.rounded)
    (off_m, place), whose = corners.largest_off(settings.cutter_mm / 2e3), "the cutter leaves them"
    is_rounded = solid.rounded is not None and solid.rounded.n_rounded > 0
    if settings.inner_corners == ROUNDED and solid.rounded is not None and not is_rounded:
        whose = ""
    elif settings.inner_corners != AS_CUT and is_rounded:
        if settings.inner_corners == ROUNDED or not len(left):
            (off_m, place), whose = _measured(solid, corners), "they are rounded"
        else:
            whose = "they are rounded, or the cutter leaves them"
    return CornersAsMade(left_mm=left, off_m=off_m, place_m=place, whose=whose)


def with_corners(
    checks: Sequence[Check],
    solid: Solid,
    corners: InnerCorners,
    settings: HandoffSection,
    regions: Sequence[RegionOff],
    known: CornersAsMade | None = None,
) -> tuple[Check, ...]:
    """Return checks of a part, where its inner corners are rounded by or for the cutter.

    "Inside radius" and "same as analysed" are changed; the rest stays.

    Parameters
    ----------
    checks : sequence of Check
        Those of body and part.
    solid : Solid
        With the pieces of the part.
    corners : InnerCorners
        Those of the analysed front, from `corners_of_part`; there are some.
    settings : HandoffSection
        The cutter, and what becomes of inner corners.
    regions : sequence of RegionOff
        How far that puts each region off.
    known : CornersAsMade, optional
        Of `corners_as_made`, where that was looked for before.
    """
    there = known or corners_as_made(solid, corners, settings)
    changed = {
        "inside radius": lambda check: _radius_check(check, solid, corners, settings, there),
        "same as analysed": lambda check: _same_check(check, settings, there, regions),
    }
    return tuple(
        changed[check.name](check) if check.name in changed else check for check in checks
    )


def _radius_check(
    check: Check,
    solid: Solid,
    corners: InnerCorners,
    settings: HandoffSection,
    there: CornersAsMade,
) -> Check:
    """Say what became of each sharp inner corner; other radii stay as they were judged."""
    nowhere = np.zeros(solid.mesh.n_triangles, dtype=bool)
    smooth = cutter_check(solid, nowhere, settings.cutter_mm)
    others = smooth.text.replace(NOTHING_CONCAVE, "nothing else is concave")
    radius, left = settings.cutter_mm / 2, there.left_mm
    accepted = settings.inner_corners != ROUNDED
    if settings.inner_corners == AS_CUT:
        text = f"sharp inner corners stay as the cutter leaves them, R{radius:g}"
    elif solid.rounded is None:
        text = f"{corners.text}; those of a carved front are not rounded in the solid"
    else:
        text = f"{solid.rounded.n_rounded} sharp inner corners are rounded to R{radius:g}"
        if len(left):
            places = ", ".join(
                "({:.1f}, {:.1f}, {:.1f})".format(*place) for place in left[:_NAMED]
            )
            more = f" and {len(left) - _NAMED} more" if len(left) > _NAMED else ""
            text += f"; the kernel cannot round {len(left)}, at {places} mm{more}"
    if accepted and settings.inner_corners != AS_CUT and (solid.rounded is None or len(left)):
        text += f": there R{radius:g} stays, as the cutter leaves it"
    if accepted or (solid.rounded is not None and not len(left)):
        return Check(
            name=check.name, state=smooth.state, text=f"{text}; {others}",
            value=min(radius, smooth.value), marked=smooth.marked,
            place_mm=_place(corners.middles[0] * 1e3),
        )  # fmt: skip
    text += (
        f"; they are sharp in the solid, and a cutter leaves R{radius:g}: "
        f"inner_corners = '{AS_CUT}' accepts R{radius:g} there"
    )
    return Check(
        name=check.name, state=FAILED, text=f"{text}; {others}", value=0.0,
        marked=check.marked, place_mm=_place(left[0]) if len(left) else check.place_mm,
    )  # fmt: skip


def _left_sharp(solid: Solid, rounded: Rounded) -> FloatArray:
    """Return places in mm, (n, 3): corners that the kernel left, or that the part still has."""
    if len(rounded.left_mm):
        return rounded.left_mm
    analysed = {name for name in solid.mesh.surface.tolist() if not name.startswith("cabinet")}
    found = []
    for piece in solid.pieces:
        front = np.isin(piece.mesh.surface, [*analysed, INNER])
        found.append(inner_corners(piece.mesh, front, piece.edges).middles[:1] * 1e3)
    return np.concatenate(found)


def _same_check(
    check: Check,
    settings: HandoffSection,
    there: CornersAsMade,
    regions: Sequence[RegionOff],
) -> Check:
    """Add how far the inner corners are off, and whether that is within the tolerance."""
    if not there.whose:
        return check
    radius_m, largest = settings.cutter_mm / 2e3, there.off_m
    x, y, z = (1e3 * float(value) for value in there.place_m)
    nearest = max(regions, key=lambda region: region.share)
    same = nearest.share <= 1
    which = f"of {len(regions)} regions that have them" if len(regions) > 1 else "is"
    text = (
        f"{check.text}; inner corners as {there.whose}, R{radius_m * 1e3:g}: up to "
        f"{largest * 1e3:.2f} mm off, at ({x:.1f}, {y:.1f}, {z:.1f}) mm; nearest to its limit "
        f"{which}: {nearest.text}"
    )
    text += "; the same within tolerance" if same else f", which is beyond it; {_WAYS_OUT}"
    return Check(
        name=check.name, state=PASSED if check.state == PASSED and same else FAILED, text=text,
        value=max(check.value, largest * 1e3), marked=check.marked, place_mm=(x, y, z),
    )  # fmt: skip


def _measured(solid: Solid, corners: InnerCorners) -> tuple[float, FloatArray]:
    """Return how far the part is off the analysed corners at most, and where."""
    away = np.full(len(corners.turn), np.inf)
    for piece in solid.pieces:
        there = searchable(piece.mesh.vertices, piece.mesh.triangles)
        away = np.minimum(away, closest(there, corners.middles).distance)
    worst = int(away.argmax())
    return float(away[worst]), corners.middles[worst]


def _place(point_mm: FloatArray) -> tuple[float, float, float]:
    x, y, z = (float(value) for value in point_mm)
    return x, y, z
