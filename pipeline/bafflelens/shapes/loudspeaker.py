# SPDX-License-Identifier: GPL-3.0-or-later
"""A loudspeaker put together from a cabinet and what sits in its front.

Rules, solid, names and sources of any combination of drivers, a lens or a waveguide, a faceplate
and felt. The first driver is the tweeter that lens, waveguide, faceplate and felt are around.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from bafflelens.shapes import solids
from bafflelens.shapes.drivers import Driver
from bafflelens.shapes.hull import Hull, cut_to_plan, depth_faults, room_faults, side_view
from bafflelens.shapes.lens import (
    Lens,
    floor_solid,
    is_on_lens,
    lens_is_closed,
    lens_room_faults,
    recess_path,
)
from bafflelens.shapes.panels import (
    Felt,
    Plate,
    covers,
    felt_faults,
    felt_footprint,
    outline_lines,
    plate_faults,
    plate_footprint,
)
from bafflelens.shapes.rules import Footprint, fault, too_close
from bafflelens.shapes.solids import MM, Solid
from bafflelens.shapes.waveguide import Funnel, is_on_waveguide, with_waveguide

_PLANE_MM: Final = 1e-3
_SAMPLES: Final = 9  # across a face, in each of its two parameters
_MARGIN: Final = 0.004  # of a face, so narrow that it fits into a slit
_FRONT_NORMAL: Final = 0.3  # the sides of a leaning cabinet stay below, treated edges above


@dataclass(frozen=True, kw_only=True)
class Loudspeaker:
    """What a shape is made of.

    Attributes
    ----------
    hull : Hull
        The cabinet.
    drivers : tuple of Driver
        Its drivers, each at its place.
    lens : Lens, optional
        The lens around the first driver.
    funnel : Funnel, optional
        The waveguide around the first driver, if it has no lens.
    plate, felt : Plate, Felt
        What lies flat around the first driver or its lens.
    half : bool
        Whether only the half at y >= 0 is built.
    """

    hull: Hull
    drivers: tuple[Driver, ...]
    lens: Lens | None = None
    funnel: Funnel | None = None
    plate: Plate = field(default_factory=Plate)
    felt: Felt = field(default_factory=Felt)
    half: bool = True

    @property
    def middle(self) -> Footprint:
        """What sits in the middle of faceplate and felt."""
        return (self.lens or self.funnel or self.drivers[0]).footprint


def loudspeaker_faults(loudspeaker: Loudspeaker) -> list[str]:
    """Return the rules between the parts that are broken."""
    hull, drivers, lens = loudspeaker.hull, loudspeaker.drivers, loudspeaker.lens
    faults = [fault for driver in drivers for fault in driver.faults()]
    if faults:
        return faults
    for driver in drivers:
        if driver is drivers[0] and lens:
            faults += lens_room_faults(lens, hull)
            faults += depth_faults(hull, "lens", lens.depth + driver.recess)
        elif driver is drivers[0] and loudspeaker.funnel:
            faults += room_faults(hull, loudspeaker.funnel.footprint)
            recess = loudspeaker.funnel.depth + driver.recess
            faults += depth_faults(hull, "waveguide", recess)
        else:
            faults += room_faults(hull, driver.footprint)
            faults += depth_faults(hull, driver.footprint.name, driver.recess)
    if faults:
        return faults
    plate, felt = plate_footprint(loudspeaker.plate), felt_footprint(loudspeaker.felt)
    if lens and not lens_is_closed(lens, hull) and (plate or felt):
        value = f"{2 * lens.ends_at:g} mm" if lens.ends_at < 1e6 else "0 mm, out of the sides"
        what = "passage width of a lens in a faceplate" if plate else "passage width beside felt"
        return [fault(what, value, "one that ends on the front")]
    faults += plate_faults(loudspeaker.plate, hull, loudspeaker.middle)
    faults += felt_faults(loudspeaker.felt, hull, plate or loudspeaker.middle)
    outermost = felt or plate or loudspeaker.middle
    around = [outermost, *(driver.footprint for driver in drivers[1:])]
    for one, other in itertools.combinations(around, 2):
        faults += too_close(one, other)
    return faults


def loudspeaker_sources(loudspeaker: Loudspeaker) -> list[dict[str, Any]]:
    """Return what moves, one entry a driver."""
    return [driver.source() for driver in loudspeaker.drivers]


def build_loudspeaker(model: Any, loudspeaker: Loudspeaker) -> None:
    """Add the surface, in metres, to a gmsh model and name its parts."""
    body = _guided_cabinet(model.occ, loudspeaker)
    for driver in loudspeaker.drivers:
        body = driver.added(model.occ, body, half=loudspeaker.half)
    body = _with_lines(model.occ, body, loudspeaker)
    model.occ.synchronize()
    _name_faces(model, loudspeaker, body)


def _guided_cabinet(occ: Any, loudspeaker: Loudspeaker) -> Solid:
    hull, lens, half = loudspeaker.hull, loudspeaker.lens, loudspeaker.half
    if loudspeaker.funnel:
        body = cut_to_plan(occ, hull, side_view(hull), half=half)
        return with_waveguide(occ, body, loudspeaker.funnel, half=half)
    if lens is None:
        return cut_to_plan(occ, hull, side_view(hull), half=half)
    floor = floor_solid(occ, lens, hull, half=half)
    return cut_to_plan(occ, hull, side_view(hull, recess_path(lens)), floor, half=half)


def _with_lines(occ: Any, body: Solid, loudspeaker: Loudspeaker) -> Solid:
    """Return the body with the outlines of what lies flat in it."""
    lines = [
        line for driver in loudspeaker.drivers for line in driver.lines(occ, half=loudspeaker.half)
    ]
    for outline in (plate_footprint(loudspeaker.plate), felt_footprint(loudspeaker.felt)):
        if outline is not None:
            lines += outline_lines(occ, outline, half=loudspeaker.half)
    return solids.drawn_on(occ, body, lines) if lines else body


# ----------------------------------------------------------------------------- the names


def _name_faces(model: Any, loudspeaker: Loudspeaker, body: Sequence[tuple[int, int]]) -> None:
    groups: dict[str, list[int]] = {}
    for _, face in model.getBoundary(list(body), oriented=False):
        (x, y, z), normal = _point_on(model, face)
        if loudspeaker.half and abs(y) < _PLANE_MM and abs(normal[1]) > 0.99:
            continue  # the mirror plane
        groups.setdefault(_surface_at(loudspeaker, x, y, z, normal[0]), []).append(face)
    for name, faces in groups.items():
        model.addPhysicalGroup(2, faces, name=name)


def _surface_at(loudspeaker: Loudspeaker, x: float, y: float, z: float, forward: float) -> str:
    """Return the name of the surface at a point in mm with the x component of its normal."""
    for driver in loudspeaker.drivers:
        name = driver.surface_at(x, y, z)
        if name:
            return name
    lens, hull = loudspeaker.lens, loudspeaker.hull
    if lens and is_on_lens(lens, hull, x, y, z):
        return "lens"
    if loudspeaker.funnel and is_on_waveguide(loudspeaker.funnel, x, y, z):
        return "waveguide"
    if abs(x) < _PLANE_MM:
        if covers(plate_footprint(loudspeaker.plate), y, z):
            return "faceplate"
        return "felt" if covers(felt_footprint(loudspeaker.felt), y, z) else "baffle"
    in_front = x > -hull.deepest_edge - _PLANE_MM
    return "baffle" if in_front and abs(forward) > _FRONT_NORMAL else "cabinet"


def _point_on(model: Any, face: int) -> tuple[tuple[float, float, float], Sequence[float]]:
    """Return a point well inside a face, in mm, and the normal there."""
    low, high = model.getParametrizationBounds(2, face)
    shares = sorted(((n + 0.5) / _SAMPLES for n in range(_SAMPLES)), key=lambda s: abs(s - 0.5))
    span = [high[0] - low[0], high[1] - low[1]]
    inside: list[float] = []
    for along, across in itertools.product(shares, repeat=2):
        at = [low[0] + along * span[0], low[1] + across * span[1]]
        # A little to every side, too: a point on an edge belongs to both faces that meet there.
        around = [
            at,
            *([at[0] + sign * _MARGIN * span[0], at[1]] for sign in (-1, 1)),
            *([at[0], at[1] + sign * _MARGIN * span[1]] for sign in (-1, 1)),
        ]
        if all(model.isInside(2, face, point, parametric=True) for point in around):
            inside = at
            break
    if not inside:  # a thin face: the middle of one of its edges has to do
        _, edges = model.getAdjacencies(2, face)
        start, end = model.getParametrizationBounds(1, edges[0])
        edge = model.getValue(1, edges[0], [(start[0] + end[0]) / 2])
        inside = list(model.getParametrization(2, face, edge))
    x, y, z = (float(value) / MM for value in model.getValue(2, face, inside))
    return (x, y, z), [float(value) for value in model.getNormal(face, inside)]
