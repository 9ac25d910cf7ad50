# SPDX-License-Identifier: GPL-3.0-or-later
"""Sections of a solid in gmsh's geometry kernel: where they are, and their outlines."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any, Final

import numpy as np

from bafflelens.base.conventions import FloatArray
from bafflelens.mesh.mesh import Mesh

CURVE_CHORD_M: Final = 2e-6
"""Of the outlines of sections: a fifth of what is promised."""

_GUIDES: Final = ("lens", "waveguide", "faceplate")
_MOST_POINTS: Final = 4000  # of one curve


def planes(
    request: Mapping[str, Any], mesh: Mesh, box: Sequence[float]
) -> Iterator[dict[str, Any]]:
    """Yield the stations: through the axis, a spacing apart over the front, and the fan."""
    spacing, centre = float(request["spacing_m"]), request["centre_m"]
    front = ~np.char.startswith(mesh.surface, "cabinet")
    guides = (np.char.startswith(mesh.surface, kind) for kind in _GUIDES)
    guided = np.logical_or.reduce(list(guides))
    corners = mesh.corners[front if front.any() else np.ones_like(front)].reshape(-1, 3)
    shaped = mesh.corners[guided].reshape(-1, 3) if guided.any() else corners
    lowest = float(shaped[:, 0].min())
    cut = max(lowest - request["behind_m"], box[0] + 1e-6)
    centre_yz = (float(centre[1]), float(centre[2]))
    for axis, kind in {"y": "vertical", "z": "horizontal"}.items():
        number = "xyz".index(axis)
        middle = float(centre[number])
        low, high = float(shaped[:, number].min()), float(shaped[:, number].max())
        steps = range(
            math.ceil((low - middle) / spacing + 1e-6), math.floor((high - middle) / spacing) + 1
        )
        if axis in request["symmetry"] and not middle:
            steps = range(0, steps.stop)  # the others are their mirror images
        for step in sorted({0, *steps}, key=lambda n: (abs(n), n)):
            at = middle + step * spacing
            vertical = axis == "y"
            yield {
                "kind": kind,
                "at": at,
                "cut": cut,
                "origin": (at, 0.0) if vertical else (0.0, at),
                "along": (0.0, 1.0) if vertical else (1.0, 0.0),
            }
    for angle_deg in fan_angles(float(request["fan_step_deg"]), request["symmetry"], centre_yz):
        angle = math.radians(angle_deg)
        yield {
            "kind": "radial",
            "at": angle_deg,
            "cut": cut,
            "origin": centre_yz,
            "along": (math.sin(angle), math.cos(angle)),
        }


def fan_angles(
    step_deg: float, symmetry: Sequence[str], centre_m: tuple[float, float]
) -> list[float]:
    """Return the planes through the axis, as angles from up towards the left, in degrees.

    Those at 0 and 90 degrees are the vertical and the horizontal section; those that are mirror
    images of others are left out.

    Examples
    --------
    >>> fan_angles(30.0, ("y",), (0.0, 0.0))
    [30.0, 60.0]
    >>> fan_angles(45.0, (), (0.0, 0.0))
    [45.0, 135.0]
    """
    mirrored = ("y" in symmetry and not centre_m[0]) or ("z" in symmetry and not centre_m[1])
    end = 90.0 if mirrored else 180.0
    angles = [step_deg * n for n in range(1, math.ceil(end / step_deg))]
    return [angle for angle in angles if angle < end and angle != 90.0]


def section(
    model: Any, solid: int, box: Sequence[float], plane: Mapping[str, Any]
) -> dict[str, Any]:
    """Return the outlines of one section: all of it, the positive template and the scraper.

    Each is a list of closed loops of points in m: x, and the way from the plane's origin.
    """
    whole, template, side = _rectangles(box, plane)
    occ = model.occ
    cuts = {
        "whole": (whole, side, occ.intersect),
        "profile": (template, side, occ.intersect),
        "scraper": (template, side, occ.cut),
    }
    return {"kind": plane["kind"], "at": plane["at"], **_cut(model, solid, plane, cuts)}


def whole_section(
    model: Any, solid: int, box: Sequence[float], plane: Mapping[str, Any]
) -> dict[str, Any]:
    """Return the outlines of all of a solid in a section, as `section`, without templates."""
    whole, _, side = _rectangles(box, plane)
    found = _cut(model, solid, plane, {"whole": (whole, side, model.occ.intersect)})
    return {"kind": plane["kind"], "at": plane["at"], **found, "profile": [], "scraper": []}


def profile_before(
    model: Any, solid: int, box: Sequence[float], plane: Mapping[str, Any]
) -> dict[str, Any]:
    """Return the positive template of a section of what a solid was carved from, as `section`."""
    _, template, side = _rectangles(box, plane)
    found = _cut(model, solid, plane, {"profile": (template, side, model.occ.intersect)})
    return {"kind": plane["kind"], "at": plane["at"], "whole": [], **found, "scraper": []}


def _rectangles(box: Sequence[float], plane: Mapping[str, Any]) -> tuple[tuple[float, float], ...]:
    """Return from where to where along x all of a solid and a template lie, and across."""
    margin = 0.02
    origin, along = np.asarray(plane["origin"]), np.asarray(plane["along"])
    corners = np.array([(y, z) for y in (box[1], box[4]) for z in (box[2], box[5])])
    reach = (corners - origin) @ along
    whole = (box[0] - margin, box[3] + margin)
    template = (float(plane["cut"]), box[3] + margin)
    return whole, template, (float(reach.min()) - margin, float(reach.max()) + margin)


def _cut(
    model: Any,
    solid: int,
    plane: Mapping[str, Any],
    cuts: Mapping[str, tuple[tuple[float, float], tuple[float, float], Callable[..., Any]]],
) -> dict[str, list[list[list[float]]]]:
    """Return the loops of what rectangles and the solid have in common, or they have alone.

    Each rectangle is given by where it lies along x and across, and by how it is cut.
    """
    occ = model.occ
    origin, outward = np.asarray(plane["origin"]), np.asarray(plane["along"])
    found: dict[str, list[Any]] = {}
    for name, (along, side, how) in cuts.items():
        corners = zip(np.repeat(along, 2), (*side, *side[::-1]), strict=True)
        points = [occ.addPoint(u, *(origin + v * outward).tolist()) for u, v in corners]
        lines = [occ.addLine(points[n], points[(n + 1) % 4]) for n in range(4)]
        sheet = occ.addPlaneSurface([occ.addCurveLoop(lines)])
        found[name], _ = how([(2, sheet)], [(3, solid)], removeObject=True, removeTool=False)
    occ.synchronize()  # once for all: the kernel looks through the whole solid
    loops: dict[str, list[list[list[float]]]] = {name: [] for name in cuts}
    for name, pieces in found.items():
        for piece in [entity for entity in pieces if entity[0] == 2]:
            curves = [abs(tag) for _, tag in model.getBoundary([piece], oriented=False)]
            lines_of = [
                np.column_stack((line[:, 0], (line[:, 1:] - origin) @ outward))
                for line in (sampled(model, curve, CURVE_CHORD_M) for curve in curves)
            ]
            loops[name] += [loop.tolist() for loop in _chained(lines_of)]
    occ.remove([piece for pieces in found.values() for piece in pieces], recursive=True)
    occ.synchronize()
    return loops


def sampled(model: Any, curve: int, chord_m: float) -> FloatArray:
    """Return points on a curve, (n, 3), so close that its chords are within a tolerance."""
    low, high = (float(bound[0]) for bound in model.getParametrizationBounds(1, curve))
    n = 2 if model.getType(1, curve) == "Line" else 9
    while True:
        at = np.linspace(low, high, 2 * n - 1)
        points = np.asarray(model.getValue(1, curve, at.tolist())).reshape(-1, 3)
        ends, middles = points[::2], points[1::2]
        off = np.linalg.norm(middles - (ends[:-1] + ends[1:]) / 2, axis=1)
        if n == 2 or off.max() <= chord_m or n > _MOST_POINTS:
            return ends
        n = max(n + 1, math.ceil(n * math.sqrt(off.max() / chord_m)))


def _chained(lines: Sequence[FloatArray]) -> Iterator[FloatArray]:
    """Yield closed loops made of lines that share ends."""
    left = list(lines)
    while left:
        loop = left.pop(0)
        while left and np.linalg.norm(loop[0] - loop[-1]) > 1e-7:
            gaps = [min(np.linalg.norm(line[end] - loop[-1]) for end in (0, -1)) for line in left]
            nearest = int(np.argmin(gaps))
            if gaps[nearest] > 1e-6:
                break
            line = left.pop(nearest)
            if np.linalg.norm(line[0] - loop[-1]) > np.linalg.norm(line[-1] - loop[-1]):
                line = line[::-1]
            loop = np.concatenate((loop, line[1:]))
        yield loop
