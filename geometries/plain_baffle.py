# SPDX-License-Identifier: GPL-3.0-or-later
r"""Plain baffle: a dome flush in the front of a closed cabinet, the baseline of every job.

Origin and axes
    Origin where the tweeter's axis meets the front plane; x forward, y to the loudspeaker's own
    left, z up. The rim of the dome lies in the front plane, x = 0.

Side view (y = 0), not to scale::

        z                 ____________________
        ^                |                    \    front edge: rounded, chamfered or sharp
        |                |                     |
        +---> x          |                     |-   surround, a flat ring
                         |       cabinet       | )  dome, a spherical cap
                         |                     |-
                         |                     |    baffle (front plane), x = 0
                         |____________________/

Felt
    Around the surround the baffle may carry a ring of felt, let in flush: the usual cheap
    alternative to a lens. It is a locally reacting porous layer; a width of 0 is none.

The surround is flat: a half roll of 3 mm is far smaller than any wavelength of interest. Only
the four front edges are rounded or chamfered; where two of them meet, they are mitred. The left
half (y >= 0) is built; the right one is its mirror image.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, fields
from typing import Any

SYMMETRY = ("y",)

MM = 1e-3  # parameters are in mm, the model in m
SHORTEST_EDGE_MM = 3.0  # anything smaller would cost many tiny triangles and change nothing


def _length(default: float, low: float, high: float, text: str) -> float:
    """Return a dataclass field that holds a length in mm."""
    metadata = {"unit": "mm", "range": (low, high), "help": text}
    return field(default=default, metadata=metadata)


def _resistivity(default: float, low: float, high: float, text: str) -> float:
    """Return a dataclass field that holds an air-flow resistivity in kPa s/m^2."""
    metadata = {"unit": "kpa_s_m2", "range": (low, high), "help": text}
    return field(default=default, metadata=metadata)


@dataclass(frozen=True)
class Dome:
    """The moving parts of the tweeter."""

    diameter_mm: float = _length(26.0, 19.0, 38.0, "diameter of the dome")
    height_mm: float = _length(6.0, 2.0, 12.0, "height of the dome over its rim")
    surround_mm: float = _length(3.0, 2.0, 6.0, "width of the surround, a flat ring")


@dataclass(frozen=True)
class Cabinet:
    """The closed box."""

    width_mm: float = _length(210.0, 120.0, 400.0, "outer width")
    height_mm: float = _length(400.0, 200.0, 1200.0, "outer height")
    depth_mm: float = _length(250.0, 100.0, 500.0, "outer depth")
    tweeter_below_top_mm: float = _length(105.0, 60.0, 300.0, "tweeter axis to the cabinet's top")
    edge_radius_mm: float = _length(15.0, 0.0, 50.0, "radius of the front edges, or 0")
    edge_chamfer_mm: float = _length(0.0, 0.0, 50.0, "45 degree chamfer of the front edges, or 0")


@dataclass(frozen=True)
class Felt:
    """A ring of felt around the tweeter."""

    width_mm: float = _length(0.0, 0.0, 60.0, "width of the ring from the surround on, or 0")
    thickness_mm: float = _length(5.0, 1.0, 30.0, "thickness")
    flow_resistivity_kpa_s_m2: float = _resistivity(
        30.0, 1.0, 200.0, "static air-flow resistivity; soft felt is 10 to 50"
    )


@dataclass(frozen=True)
class Parameters:
    """All parameters, grouped by physical part."""

    dome: Dome = field(default_factory=Dome)
    felt: Felt = field(default_factory=Felt)
    cabinet: Cabinet = field(default_factory=Cabinet)


def check(parameters: Parameters) -> list[str]:
    """Return every rule between parameters that is broken, with both numbers."""
    dome, cabinet = parameters.dome, parameters.cabinet
    radius, chamfer = cabinet.edge_radius_mm, cabinet.edge_chamfer_mm
    edge = max(radius, chamfer)
    felt = parameters.felt.width_mm
    rim = dome.diameter_mm / 2 + dome.surround_mm + felt
    parts = "dome, surround and felt" if felt else "dome and surround"
    faults = []
    if 0 < felt < SHORTEST_EDGE_MM:
        faults.append(
            f"Invalid width of the felt '{felt:g} mm'. "
            f"Must be 0 or at least {SHORTEST_EDGE_MM:g} mm."
        )
    if dome.height_mm > dome.diameter_mm / 2:
        faults.append(
            f"Invalid dome height '{dome.height_mm:g} mm'. "
            f"Must be at most the dome's radius, {dome.diameter_mm / 2:g} mm."
        )
    if radius > 0 and chamfer > 0:
        faults.append(
            f"Invalid front edge 'radius {radius:g} mm and chamfer {chamfer:g} mm'. "
            "Must be one or the other; set the other to 0."
        )
    if 0 < edge < SHORTEST_EDGE_MM:
        faults.append(
            f"Invalid front edge '{edge:g} mm'. Must be 0 or at least {SHORTEST_EDGE_MM:g} mm."
        )
    if edge > cabinet.depth_mm - 20:
        faults.append(
            f"Invalid front edge '{edge:g} mm'. "
            f"Must be at least 20 mm less than the cabinet's depth, {cabinet.depth_mm:g} mm."
        )
    for side, distance in (
        ("side", cabinet.width_mm / 2),
        ("top", cabinet.tweeter_below_top_mm),
        ("bottom", cabinet.height_mm - cabinet.tweeter_below_top_mm),
    ):
        if rim + edge + SHORTEST_EDGE_MM > distance:
            faults.append(
                f"Invalid distance from the tweeter's axis to the cabinet's {side} "
                f"'{distance:g} mm'. Must be at least {rim + edge + SHORTEST_EDGE_MM:g} mm: "
                f"{parts}, the front edge and 3 mm between them."
            )
    return faults


def sources(parameters: Parameters) -> list[dict[str, Any]]:
    """Return what moves: the dome as a piston, the surround tapering to rest at its rim."""
    radius = parameters.dome.diameter_mm / 2 * MM
    return [
        {
            "name": "tweeter",
            "axis": (1.0, 0.0, 0.0),
            "centre": (0.0, 0.0, 0.0),
            "piston_surfaces": ["dome"],
            "taper_surfaces": ["surround"],
            "inner_radius_m": radius,
            "outer_radius_m": radius + parameters.dome.surround_mm * MM,
        }
    ]


def absorbers(parameters: Parameters) -> dict[str, dict[str, float]]:
    """Return what covers surfaces: the ring of felt, if there is one."""
    felt = parameters.felt
    if felt.width_mm == 0:
        return {}
    layer = {
        "thickness_m": felt.thickness_mm * MM,
        "flow_resistivity_pa_s_m2": felt.flow_resistivity_kpa_s_m2 * 1e3,
    }
    return {"felt": layer}


def resolved(parameters: Parameters) -> dict[str, float | None]:
    """Return what is not there: of radius and chamfer one, and all of the felt without a width."""
    unused = "edge_radius_mm" if parameters.cabinet.edge_chamfer_mm > 0 else "edge_chamfer_mm"
    absent = [f"cabinet.{unused}"]
    if parameters.felt.width_mm == 0:
        absent += [f"felt.{item.name}" for item in fields(parameters.felt)]
    return dict.fromkeys(absent)


def build(model: Any, parameters: Parameters) -> None:
    """Add the left half of the surface, in metres, to a gmsh model and name its parts."""
    occ = model.occ
    cabinet = parameters.cabinet
    half_width = cabinet.width_mm / 2 * MM
    depth = cabinet.depth_mm * MM
    top = cabinet.tweeter_below_top_mm * MM
    bottom = top - cabinet.height_mm * MM
    edge = max(cabinet.edge_radius_mm, cabinet.edge_chamfer_mm) * MM
    rounded = cabinet.edge_chamfer_mm == 0

    # Two prisms, one along y and one along z, cut each other to the cabinet.
    side_view = _outline(
        occ,
        [
            (0, bottom, edge, rounded),
            (0, top, edge, rounded),
            (-depth, top, 0, False),
            (-depth, bottom, 0, False),
        ],
        lambda x, z: (x, 0, z),
    )
    plan = _outline(
        occ,
        [
            (0, 0, 0, False),
            (0, half_width, edge, rounded),
            (-depth, half_width, 0, False),
            (-depth, 0, 0, False),
        ],
        lambda x, y: (x, y, bottom - depth),
    )
    body, _ = occ.intersect(
        _extruded(occ, side_view, (0, 2 * half_width, 0)),
        _extruded(occ, plan, (0, 0, top - bottom + 2 * depth)),
    )
    body = _add_dome(occ, body, parameters.dome, 0.0)
    rim = (parameters.dome.diameter_mm / 2 + parameters.dome.surround_mm) * MM
    felt_rim = rim + parameters.felt.width_mm * MM
    if felt_rim > rim:
        ring = occ.addCircle(
            0, 0, 0, felt_rim, angle1=0, angle2=math.pi, zAxis=[1, 0, 0], xAxis=[0, 0, -1]
        )
        pieces, _ = occ.fragment(body, [(1, ring)])
        body = [piece for piece in pieces if piece[0] == 3]
    occ.synchronize()

    names = ("dome", "surround", "felt", "baffle", "cabinet")
    groups: dict[str, list[int]] = {name: [] for name in names}
    for _, face in model.getBoundary(body, oriented=False):
        x_min, _, z_min, _, y_max, z_max = model.getBoundingBox(2, face)
        if y_max < 1e-6:
            continue  # the mirror plane
        if model.getType(2, face) == "Sphere":
            groups["dome"].append(face)
        elif x_min < -edge - 1e-6:
            groups["cabinet"].append(face)
        elif -rim - 1e-6 < z_min and z_max < rim + 1e-6:
            groups["surround"].append(face)
        elif -felt_rim - 1e-6 < z_min and z_max < felt_rim + 1e-6:
            groups["felt"].append(face)
        else:
            groups["baffle"].append(face)
    for name, faces in groups.items():
        if faces:
            model.addPhysicalGroup(2, faces, name=name)


def _add_dome(occ: Any, body: Any, dome: Dome, plane: float) -> Any:
    """Add the dome to the flat face at x = `plane` and draw the surround's outer edge on it."""
    radius, height = dome.diameter_mm / 2 * MM, dome.height_mm * MM
    sphere_radius = (radius**2 + height**2) / (2 * height)
    # A sphere whose poles are on the z axis: none of them is on the dome.
    ball = occ.addSphere(plane + height - sphere_radius, 0, 0, sphere_radius, angle3=math.pi)
    front = occ.addBox(plane, 0, -2 * radius, 2 * height, 2 * radius, 4 * radius)
    cap, _ = occ.intersect([(3, ball)], [(3, front)])
    body, _ = occ.fuse(body, cap)
    rim = radius + dome.surround_mm * MM
    ring = occ.addCircle(
        plane, 0, 0, rim, angle1=0, angle2=math.pi, zAxis=[1, 0, 0], xAxis=[0, 0, -1]
    )
    pieces, _ = occ.fragment(body, [(1, ring)])
    return [piece for piece in pieces if piece[0] == 3]


def _extruded(occ: Any, face: int, along: tuple[float, float, float]) -> list[tuple[int, int]]:
    """Return the solid that a face sweeps."""
    return [entity for entity in occ.extrude([(2, face)], *along) if entity[0] == 3]


def _outline(
    occ: Any,
    corners: Sequence[tuple[float, float, float, bool]],
    lift: Callable[[float, float], tuple[float, float, float]],
) -> int:
    """Return a plane face inside a polygon with rounded or chamfered corners.

    Each corner is (u, v, size, rounded): `size` is the radius of an arc tangent to both sides,
    or, if not `rounded`, of the arc whose chord is the chamfer; 0 keeps the corner sharp.
    `lift` takes (u, v) to a point in space.
    """
    ends = []  # for each corner: first point, centre of the arc or None, last point
    for number, (u, v, size, rounded) in enumerate(corners):
        before, after = corners[number - 1], corners[(number + 1) % len(corners)]
        to_before, to_after = (
            ((other[0] - u) / distance, (other[1] - v) / distance)
            for other in (before, after)
            for distance in (math.dist(other[:2], (u, v)),)
        )
        half_angle = math.acos(to_before[0] * to_after[0] + to_before[1] * to_after[1]) / 2
        setback = size / math.tan(half_angle)
        first = (u + setback * to_before[0], v + setback * to_before[1])
        last = (u + setback * to_after[0], v + setback * to_after[1])
        reach = size / math.sin(half_angle) / (2 * math.cos(half_angle))
        centre = (
            u + reach * (to_before[0] + to_after[0]),
            v + reach * (to_before[1] + to_after[1]),
        )
        point = occ.addPoint(*lift(*first))
        if size == 0:
            ends.append((point, None, point))
        else:
            middle = occ.addPoint(*lift(*centre)) if rounded else None
            ends.append((point, middle, occ.addPoint(*lift(*last))))
    curves = []
    for number, (first_point, middle, last_point) in enumerate(ends):
        if middle is not None:
            curves.append(occ.addCircleArc(first_point, middle, last_point))
        elif first_point != last_point:
            curves.append(occ.addLine(first_point, last_point))
        curves.append(occ.addLine(last_point, ends[(number + 1) % len(ends)][0]))
    return int(occ.addPlaneSurface([occ.addCurveLoop(curves)]))


if __name__ == "__main__":
    import sys

    import gmsh

    gmsh.initialize()
    build(gmsh.model, Parameters())
    gmsh.option.setNumber("Mesh.MeshSizeMax", 0.01)
    gmsh.model.mesh.generate(2)
    if "-nopopup" not in sys.argv:
        gmsh.fltk.run()
    gmsh.finalize()
