# SPDX-License-Identifier: GPL-3.0-or-later
"""A loudspeaker put together from a cabinet and its drivers: rules, solid, names, sources."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from bafflelens.shapes import solids
from bafflelens.shapes.cabinet import Hull, cut_to_plan, depth_faults, room_faults, side_view
from bafflelens.shapes.drivers import Driver
from bafflelens.shapes.rules import too_close
from bafflelens.shapes.solids import MM

_PLANE_MM: Final = 1e-4
_SAMPLES: Final = 9  # across a face, in each of its two parameters
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
    half : bool
        Whether only the half at y >= 0 is built.
    """

    hull: Hull
    drivers: tuple[Driver, ...]
    half: bool = True


def loudspeaker_faults(loudspeaker: Loudspeaker) -> list[str]:
    """Return the rules between cabinet and drivers that are broken."""
    faults = [fault for driver in loudspeaker.drivers for fault in driver.faults()]
    if faults:
        return faults
    for driver in loudspeaker.drivers:
        faults += room_faults(loudspeaker.hull, driver.footprint)
        faults += depth_faults(loudspeaker.hull, driver.footprint.name, driver.recess)
    for one, other in itertools.combinations(loudspeaker.drivers, 2):
        faults += too_close(one.footprint, other.footprint)
    return faults


def loudspeaker_sources(loudspeaker: Loudspeaker) -> list[dict[str, Any]]:
    """Return what moves, one entry a driver."""
    return [driver.source() for driver in loudspeaker.drivers]


def build_loudspeaker(model: Any, loudspeaker: Loudspeaker) -> None:
    """Add the surface, in metres, to a gmsh model and name its parts."""
    occ, half = model.occ, loudspeaker.half
    body = cut_to_plan(occ, loudspeaker.hull, side_view(loudspeaker.hull), half=half)
    for driver in loudspeaker.drivers:
        body = driver.added(occ, body, half=half)
    lines = [line for driver in loudspeaker.drivers for line in driver.lines(occ, half=half)]
    if lines:
        body = solids.drawn_on(occ, body, lines)
    occ.synchronize()
    _name_faces(model, loudspeaker, body)


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
    in_front = x > -loudspeaker.hull.deepest_edge - _PLANE_MM
    return "baffle" if in_front and abs(forward) > _FRONT_NORMAL else "cabinet"


def _point_on(model: Any, face: int) -> tuple[tuple[float, float, float], Sequence[float]]:
    """Return a point well inside a face, in mm, and the normal there."""
    low, high = model.getParametrizationBounds(2, face)
    shares = [(n + 0.5) / _SAMPLES for n in range(_SAMPLES)]
    inside = []
    for along, across in itertools.product(sorted(shares, key=lambda s: abs(s - 0.5)), repeat=2):
        at = [low[0] + along * (high[0] - low[0]), low[1] + across * (high[1] - low[1])]
        if model.isInside(2, face, at, parametric=True):
            inside = at
            break
    if not inside:  # a thin face: the middle of its mesh would do, the middle of its edge does too
        _, edges = model.getAdjacencies(2, face)
        start, end = model.getParametrizationBounds(1, edges[0])
        edge = model.getValue(1, edges[0], [(start[0] + end[0]) / 2])
        inside = list(model.getParametrization(2, face, edge))
    point = model.getValue(2, face, inside)
    x, y, z = (float(value) / MM for value in point)
    return (x, y, z), [float(value) for value in model.getNormal(face, inside)]
