# SPDX-License-Identifier: GPL-3.0-or-later
"""Solids from CAD: read a STEP file into gmsh, place it, and name its faces.

Works on a gmsh model, so it runs where gmsh runs (`bafflelens.shapes.meshing.mesher`). The
declaration says which faces are which, by the names that the CAD program wrote or by points that
lie on them.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from bafflelens.base.conventions import FloatArray, IntArray
from bafflelens.base.errors import GeometryError, MeshingError, invalid
from bafflelens.shapes.cad.declaration import (
    UNITS_M,
    ImportedSolid,
    MeshedBody,
    Placement,
    nearest_of,
)
from bafflelens.shapes.cad.step_file import FaceRecord, StepText, read_step_text, unit_name

MM: Final = 1e-3
_ON_FACE_M: Final = 5e-5  # CAD programs show two to three decimals of a millimetre
_SAME_CORNER: Final = 1e-6  # of the solid's size
_PLAUSIBLE_M: Final = (0.03, 3.0)  # largest side of anything that holds a tweeter


@dataclass(frozen=True, kw_only=True)
class Face:
    """One face of an imported solid.

    Attributes
    ----------
    tag : int
        Its number in the gmsh model.
    name : str
        What the file calls it; often nothing.
    kind : str
        Plane, Cylinder, Sphere ...
    area_m2 : float
        Its area.
    point_mm : tuple of 3 floats
        A point on it, in the file's frame, in mm.
    """

    tag: int
    name: str
    kind: str
    area_m2: float
    point_mm: tuple[float, float, float]


def placing_matrix(placement: Placement) -> FloatArray:
    """Return the rotation from the file's frame to the reference frame, (3, 3).

    Its rows are forward, left and up in the file's frame.
    """
    forward = np.asarray(placement.forward) / np.linalg.norm(placement.forward)
    up = np.asarray(placement.up) - (np.asarray(placement.up) @ forward) * forward
    up /= np.linalg.norm(up)
    return np.stack((forward, np.cross(up, forward), up))


def sources_of(declaration: ImportedSolid | MeshedBody) -> list[dict[str, Any]]:
    """Return what moves, in the reference frame and in m, as a script's ``sources()`` does."""
    turn = placing_matrix(declaration.placement)
    origin = np.asarray(declaration.placement.origin_mm)
    return [
        {
            "name": driver.name,
            "axis": tuple((turn @ np.asarray(driver.axis) / np.linalg.norm(driver.axis)).tolist()),
            "centre": tuple((turn @ (np.asarray(driver.centre_mm) - origin) * MM).tolist()),
            "piston_surfaces": list(driver.piston_surfaces),
            "taper_surfaces": list(driver.taper_surfaces),
            "inner_radius_m": driver.inner_radius_mm * MM,
            "outer_radius_m": driver.outer_radius_mm * MM,
        }
        for driver in declaration.sources
    ]


def build_imported(model: Any, path: Path, declaration: ImportedSolid) -> None:
    """Add the solid of a STEP file to a gmsh model, in the reference frame, faces named.

    Parameters
    ----------
    model : gmsh.model
        An empty model.
    path : Path
        The declaration; the STEP file lies beside it.
    declaration : ImportedSolid
        Its content.

    Raises
    ------
    GeometryError
        If the file holds not exactly one solid of a plausible size, or faces cannot be found.
    """
    step = path.parent / declaration.step
    text = read_step_text(step)
    unit_m = UNITS_M[declaration.unit] if declaration.unit else text.unit_m
    solid = _import_solid(model, step, unit_m / text.unit_m)
    _require_plausible(model, step, unit_m, stated=declaration.unit is not None)
    faces = _faces(model, step, text, unit_m)
    groups = _groups(model, step, declaration, faces)
    _place(model, solid, declaration.placement)
    for name, tags in groups.items():
        model.addPhysicalGroup(2, tags, name=name)


def list_faces(model: Any, step: Path) -> tuple[str, tuple[Face, ...]]:
    """Read a STEP file into an empty gmsh model; return size with unit in words, and its faces.

    Raises
    ------
    GeometryError
        As `build_imported`.
    """
    text = read_step_text(step)
    _import_solid(model, step, 1.0)
    _require_plausible(model, step, text.unit_m, stated=False)
    size = _size_text(model, MM, "mm")
    return f"{size}, written in {unit_name(text.unit_m)}", _faces(model, step, text, text.unit_m)


def _import_solid(model: Any, step: Path, stretch: float) -> int:
    """Import the one solid of a file in m, times a factor; return its number."""
    import gmsh

    gmsh.option.setString("Geometry.OCCTargetUnit", "M")
    gmsh.option.setNumber("Geometry.OCCScaling", stretch)
    try:
        found = model.occ.importShapes(str(step))
        model.occ.synchronize()
    except Exception as error:
        rule = f"a STEP file that the geometry kernel can read ({error})"
        raise GeometryError(invalid("STEP file", step, rule)) from error
    solids = [tag for dimension, tag in found if dimension == 3]
    if not solids:
        n_faces = len(model.getEntities(2))
        rule = "one closed solid; export it as a solid, not as surfaces"
        value = f"{step}' with 'no solid, {n_faces} faces"
        raise GeometryError(invalid("STEP file", value, rule))
    if len(solids) > 1:
        volumes = ", ".join(f"{model.occ.getMass(3, tag) * 1e6:.1f}" for tag in solids[:6])
        rule = "one solid; join them in the CAD program (their volumes in cm^3: " + volumes + ")"
        raise GeometryError(invalid("STEP file", f"{step}' with '{len(solids)} solids", rule))
    return int(solids[0])


def _size_text(model: Any, unit_m: float, unit: str) -> str:
    low_high = np.array(model.occ.getBoundingBox(*model.getEntities(3)[0])).reshape(2, 3)
    sides = [f"{side:.4g}" for side in (low_high[1] - low_high[0]) / unit_m]
    return f"{' x '.join(sides)} {unit}"


def _require_plausible(model: Any, step: Path, unit_m: float, *, stated: bool) -> None:
    """Raise unless the solid is as large as something that holds a tweeter."""
    low_high = np.array(model.occ.getBoundingBox(*model.getEntities(3)[0])).reshape(2, 3)
    largest = float((low_high[1] - low_high[0]).max())
    smallest_m, largest_m = _PLAUSIBLE_M
    if smallest_m <= largest <= largest_m:
        return
    unit = unit_name(unit_m)
    whose = "key 'unit' says" if stated else "the file says it is in"
    size = _size_text(model, 1.0, "m") if largest > largest_m else _size_text(model, MM, "mm")
    others = [
        name
        for name, other_m in UNITS_M.items()
        if smallest_m <= largest * other_m / unit_m <= largest_m
    ]
    hint = f"; with unit = '{others[0]}' in the declaration it would be" if others else ""
    rule = (
        f"{smallest_m * 1e3:g} mm to {largest_m:g} m along its longest side; the solid is "
        f"{size} ({whose} {unit}){hint}"
    )
    raise GeometryError(invalid("size of", step, rule))


# ------------------------------------------------------------------------- faces and names


def _faces(model: Any, step: Path, text: StepText, unit_m: float) -> tuple[Face, ...]:
    """Return the faces of the solid, with the names that the file gives them."""
    tags = [int(tag) for _, tag in model.getBoundary(model.getEntities(3), oriented=False)]
    names = _names(model, tags, text.faces, unit_m)
    return tuple(
        Face(
            tag=tag,
            name=name,
            kind=str(model.getType(2, tag)),
            area_m2=float(model.occ.getMass(2, tag)),
            point_mm=_point_on(model, tag),
        )
        for tag, name in zip(tags, names, strict=True)
    )


def _names(
    model: Any, tags: Sequence[int], records: Sequence[FaceRecord], unit_m: float
) -> list[str]:
    """Return the name of each face in the file; empty where it has none or it is not certain.

    The kernel keeps no names. It keeps the order, unless it had to mend something; so the
    corners are compared, and the order decides between faces with the same corners.
    """
    if not any(record.name for record in records):
        return [""] * len(tags)
    written = [[[v * unit_m for v in c] for c in record.corners] for record in records]
    places = _places(written, [corners_of(model, tag) for tag in tags])
    names = []
    for alike in places:
        same = {records[number].name for number in alike}
        names.append(same.pop() if len(same) == 1 else "")
    return names


def matching_order(
    written: Sequence[Sequence[Sequence[float]]], found: Sequence[Sequence[Sequence[float]]]
) -> list[int] | None:
    """Return for each face of a file which face of a model it is, by their corners in m.

    None if that is not certain: a face fits none, or one is left over.
    """
    places = _places(written, found)
    if any(len(alike) != 1 for alike in places):
        return None
    of_found = [alike[0] for alike in places]
    if sorted(of_found) != list(range(len(written))):
        return None
    return [of_found.index(number) for number in range(len(written))]


def matching_names(
    written: Sequence[Sequence[Sequence[float]]],
    found: Sequence[Sequence[Sequence[float]]],
    names: Sequence[str],
) -> list[str] | None:
    """Return for each face of a file the name of that of a model with its corners.

    Both halves of a face of revolution have the same corners: that does no harm where they have
    the same name. None if a face fits none, or faces of different names.

    Parameters
    ----------
    written, found : sequence of sequences of (x, y, z)
        Corners of the faces of the file and of the model, in m.
    names : sequence of str
        Of the faces of the model.
    """
    alike: list[set[str]] = [set() for _ in written]
    for name, places in zip(names, _places(written, found), strict=True):
        for number in places:
            alike[number].add(name)
    if len(written) != len(found) or any(len(each) != 1 for each in alike):
        return None
    return [next(iter(each)) for each in alike]


def _places(
    written: Sequence[Sequence[Sequence[float]]], found: Sequence[Sequence[Sequence[float]]]
) -> list[list[int]]:
    """Return for each face of a model which of a file's have its corners.

    If all fit in their order, that decides between faces with the same corners.
    """
    scale = max((abs(v) for face in written for c in face for v in c), default=0.0)
    step = _SAME_CORNER * max(scale, 1e-12)

    def key(corners: Iterable[Sequence[float]]) -> frozenset[tuple[int, ...]]:
        return frozenset(tuple(round(value / (100 * step)) for value in c) for c in corners)

    file, model = [key(face) for face in written], [key(face) for face in found]
    if len(file) == len(model) and all(map(_alike, file, model)):
        return [[number] for number in range(len(file))]
    boxes, places = _boxes(file), []
    for own, box in zip(model, _boxes(model), strict=True):
        # Only those that reach as far are looked at corner by corner.
        near = np.flatnonzero((np.abs(boxes - box) <= 1).all(axis=1)).tolist()
        places.append([number for number in near if _alike(file[number], own)])
    return places


def _boxes(faces: Sequence[frozenset[tuple[int, ...]]]) -> IntArray:
    """Return from where to where the corners of each face reach, (n, 6); 0 of one without."""
    found = np.zeros((len(faces), 2, 3), dtype=np.int64)
    for box, corners in zip(found, faces, strict=True):
        if corners:
            places = np.array(list(corners))
            box[:] = places.min(axis=0), places.max(axis=0)
    return found.reshape(-1, 6)


def _alike(one: frozenset[tuple[int, ...]], other: frozenset[tuple[int, ...]]) -> bool:
    """Return whether two sets of rounded corners are the same to a step of the rounding."""

    def covered(some: frozenset[tuple[int, ...]], by: frozenset[tuple[int, ...]]) -> bool:
        return all(
            any(all(abs(a - b) <= 1 for a, b in zip(p, q, strict=True)) for q in by) for p in some
        )

    return covered(one, other) and covered(other, one)


def corners_of(model: Any, tag: int) -> list[list[float]]:
    """Return the corners of a face of a model, in m."""
    points = model.getBoundary([(2, tag)], combined=False, oriented=False, recursive=True)
    return [model.getValue(0, point, []).tolist() for dimension, point in points if dimension == 0]


def _point_on(model: Any, tag: int) -> tuple[float, float, float]:
    """Return a point well inside a face, in mm."""
    low, high = (np.asarray(bound) for bound in model.getParametrizationBounds(2, tag))
    best, margin = None, -1.0
    for u in np.linspace(0.5, 0.95, 6):
        for v in np.linspace(0.5, 0.95, 6):
            for share in ((u, v), (1 - u, v), (u, 1 - v), (1 - u, 1 - v)):
                parameter = low + np.array(share) * (high - low)
                if not model.isInside(2, tag, parameter.tolist(), parametric=True):
                    continue
                room = min(min(share), 1 - max(share))
                if room > margin:
                    best, margin = parameter, room
    if best is None:
        x, y, z = model.occ.getCenterOfMass(2, tag)
    else:
        x, y, z = model.getValue(2, tag, best.tolist())
    return x / MM, y / MM, z / MM


def _groups(
    model: Any, step: Path, declaration: ImportedSolid, faces: Sequence[Face]
) -> dict[str, list[int]]:
    """Return the numbers of the faces of each surface."""
    owner: dict[int, str] = {}
    faults: list[str] = []

    def claim(tag: int, surface: str) -> None:
        other = owner.setdefault(tag, surface)
        if other != surface:
            rule = f"on one surface; it is listed for '{other}' and for '{surface}'"
            faults.append(invalid("face", _shown(next(f for f in faces if f.tag == tag)), rule))

    for surface, listed in declaration.surfaces.items():
        for name in listed.named:
            tags = [face.tag for face in faces if face.name == name]
            if not tags:
                known = sorted({face.name for face in faces} - {""})
                rule = nearest_of(name, known) if known else "left out: the file names no faces"
                faults.append(invalid(f"face of surface '{surface}'", name, rule))
            for tag in tags:
                claim(tag, surface)
        for point in listed.points_mm:
            tag, fault = _face_at(model, faces, point)
            if fault:
                what = f"point of surface '{surface}'"
                faults.append(invalid(what, f"{_place_text(point)} mm", fault))
            elif tag:
                claim(tag, surface)
    left = [face for face in faces if face.tag not in owner]
    if declaration.other_faces is not None:
        for face in left:
            owner[face.tag] = declaration.other_faces
    elif left and not faults:
        shown = "; ".join(_shown(face) for face in left[:3])
        rule = (
            f"one that gives every face a surface; {len(left)} of {len(faces)} have none: {shown};"
            " 'other_faces' names the surface of all that are not listed"
        )
        faults.append(invalid("section", "surfaces", rule))
    if faults:
        raise GeometryError([f"{step.name}: {fault}" for fault in faults])
    groups: dict[str, list[int]] = {}
    for face in faces:
        groups.setdefault(owner[face.tag], []).append(face.tag)
    return groups


def _face_at(model: Any, faces: Sequence[Face], point_mm: Sequence[float]) -> tuple[int, str]:
    """Return the face that a point lies on, or 0 and the rule that it breaks."""
    point = model.occ.addPoint(*(value * MM for value in point_mm))
    distances = []
    for face in faces:
        distance, *ends = model.occ.getDistance(0, point, 2, face.tag)
        distances.append((float(distance), face, ends[3:]))
    model.occ.remove([(0, point)])
    distances.sort(key=lambda entry: entry[0])
    nearest, face, foot = distances[0]
    if nearest > _ON_FACE_M:
        where = _place_text([value / MM for value in foot])
        rule = (
            f"on a face of the solid; the nearest is {_shown(face)}, {nearest / MM:.3g} mm away "
            f"at {where} mm"
        )
        return 0, rule
    second, other, _ = distances[1] if len(distances) > 1 else (math.inf, face, [])
    if second <= _ON_FACE_M:
        return 0, f"inside one face; it lies on the edge of {_shown(face)} and {_shown(other)}"
    return face.tag, ""


def _shown(face: Face) -> str:
    name = f" '{face.name}'" if face.name else ""
    return f"{face.kind.lower()}{name} around {_place_text(face.point_mm)} mm"


def _place_text(point: Sequence[float]) -> str:
    return "(" + ", ".join(f"{value:.4g}" for value in point) + ")"


def _place(model: Any, solid: int, placement: Placement) -> None:
    """Move the solid from the file's frame to the reference frame."""
    origin = [-value * MM for value in placement.origin_mm]
    from scipy.spatial.transform import Rotation  # slow to load

    rotation = Rotation.from_matrix(placing_matrix(placement)).as_rotvec()
    angle = float(np.linalg.norm(rotation))
    before = [tag for _, tag in model.getEntities(2)]
    # One rotation: the kernel's general transformation would make splines of all surfaces.
    model.occ.translate([(3, solid)], *origin)
    if angle > 1e-12:
        model.occ.rotate([(3, solid)], 0, 0, 0, *(rotation / angle).tolist(), angle)
    model.occ.synchronize()
    if [tag for _, tag in model.getEntities(2)] != before:
        rule = "a solid whose faces keep their numbers while it is moved"
        raise MeshingError(invalid("placement", "of the STEP file", rule))
