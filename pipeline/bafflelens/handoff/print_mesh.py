# SPDX-License-Identifier: GPL-3.0-or-later
"""The mesh of a solid for printing: flat triangles within a chord of its faces."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np

from bafflelens.base.conventions import FloatArray
from bafflelens.base.errors import MeshingError, invalid
from bafflelens.handoff.face_nets import FaceNet
from bafflelens.mesh.mesh import Mesh
from bafflelens.shapes.meshing.mesher import _cleaned

_LARGEST_EDGE_M: Final = 0.06
_SMALLEST_EDGE_M: Final = 0.0004
_TRIES: Final = 4
_AIM: Final = 0.65  # of the tolerance: middles of real triangles are farther off than of even ones
_AIM_AGAIN: Final = 0.8  # of what would be within it if the error followed the aim


def print_mesh(
    gmsh: Any, nets: Mapping[int, FaceNet], names: Mapping[int, str], chord_m: float
) -> tuple[Mesh, float]:
    """Return a mesh and its measured chord error, finer and finer until within tolerance."""
    model, faces = gmsh.model, list(nets)
    model.removePhysicalGroups()
    groups: dict[str, list[int]] = {}
    for face in faces:
        groups.setdefault(names[face], []).append(face)
    radius = {face: _smallest_radius(model, face, net) for face, net in nets.items()}
    for option, value in {
        "Mesh.MeshSizeFromCurvature": 0,
        "Mesh.MeshSizeFromPoints": 0,
        "Mesh.MeshSizeExtendFromBoundary": 0,  # flat faces need no edges as short as their rims'
        "Mesh.MeshSizeMax": _LARGEST_EDGE_M,
        "Mesh.MeshSizeMin": _SMALLEST_EDGE_M,
    }.items():
        gmsh.option.setNumber(option, value)
    aim_m, error_m, fault = _AIM * chord_m, math.inf, ""
    for attempt in range(_TRIES):
        _set_sizes(model, faces, radius, aim_m)
        gmsh.option.setNumber("Mesh.Algorithm", (6, 5, 1, 6)[attempt])
        model.mesh.clear()
        try:
            model.mesh.generate(2)
            mesh = _cleaned(model, groups, set(groups), (), "solid")
            mesh.require_closed()
        except Exception as error:  # gmsh raises plain Exception
            fault = str(error)
            continue
        error_m = _chord_error(model, faces)
        if error_m <= chord_m:
            return mesh, error_m
        aim_m *= _AIM_AGAIN * chord_m / error_m
    reason = fault or f"{error_m * 1e3:.3f} mm off"
    rule = f"closed and within {chord_m * 1e3:g} mm of the solid"
    raise MeshingError(invalid("mesh for printing", reason, rule))


def _smallest_radius(model: Any, face: int, net: FaceNet) -> float:
    if model.getType(2, face) == "Plane":
        return math.inf
    bends = model.getPrincipalCurvatures(face, net.parameters.ravel().tolist())[:2]
    bend = max(float(np.abs(values).max()) for values in bends)
    return 1 / bend if bend > 1e-6 else math.inf


def _set_sizes(
    model: Any, faces: Sequence[int], radius: Mapping[int, float], chord_m: float
) -> None:
    """Let edges be so long that the middle of a triangle on a ball is a chord off."""
    field = model.mesh.field
    for tag in field.list():
        field.remove(tag)
    alike: dict[float, list[int]] = {}
    for face in faces:
        edge = max(math.sqrt(6 * chord_m * radius[face]), _SMALLEST_EDGE_M)
        if edge < _LARGEST_EDGE_M:  # else the largest size is its own
            alike.setdefault(edge, []).append(face)
    rules = []
    for edge, of_one_size in alike.items():
        rule = field.add("Constant")
        field.setNumbers(rule, "SurfacesList", of_one_size)
        field.setNumber(rule, "VIn", edge)
        field.setNumber(rule, "VOut", _LARGEST_EDGE_M)
        rules.append(rule)
    smallest = field.add("Min")
    field.setNumbers(smallest, "FieldsList", rules)
    field.setAsBackgroundMesh(smallest)


def _chord_error(model: Any, faces: Sequence[int]) -> float:
    """Return the largest distance of the triangles' middles, and their edges', from the faces."""
    tags, coordinates, _ = model.mesh.getNodes()
    row = np.zeros(int(max(tags)) + 1, dtype=int)
    row[np.asarray(tags, dtype=int)] = np.arange(len(tags))
    points = np.asarray(coordinates).reshape(-1, 3)
    largest = 0.0
    for face in faces:
        if model.getType(2, face) == "Plane":
            continue
        if model.getType(2, face) == "BSpline surface":
            largest = max(largest, _spline_chord(model, face))
            continue
        nodes = np.asarray(model.mesh.getElementsByType(2, face)[1], dtype=int)
        corner = points[row[nodes].reshape(-1, 3)]
        probes = np.concatenate(
            [corner.mean(axis=1), *((corner[:, i] + corner[:, i - 1]) / 2 for i in range(3))]
        )
        feet = np.asarray(model.getClosestPoint(2, face, probes.ravel().tolist())[0])
        away = np.linalg.norm(feet.reshape(-1, 3) - probes, axis=1)
        largest = max(largest, float(away.max()))
    return largest


def _spline_chord(model: Any, face: int) -> float:
    """Return the same of a B-spline, from the nodes' parameters: its projection takes minutes."""
    tags, coordinates, parameters = model.mesh.getNodes(
        2, face, includeBoundary=True, returnParametricCoord=True
    )
    row = {int(tag): number for number, tag in enumerate(tags)}
    nodes = model.mesh.getElementsByType(2, face)[1]
    corner = np.array([row[int(tag)] for tag in nodes]).reshape(-1, 3)
    points = np.asarray(coordinates).reshape(-1, 3)[corner]
    places = np.asarray(parameters).reshape(-1, 2)[corner]

    def probes(values: FloatArray) -> FloatArray:
        sides = [(values[:, i] + values[:, i - 1]) / 2 for i in range(3)]
        return np.concatenate([values.mean(axis=1), *sides])

    flat = probes(places).ravel().tolist()
    on_face = np.asarray(model.getValue(2, face, flat)).reshape(-1, 3)
    normal = np.asarray(model.getNormal(face, flat)).reshape(-1, 3)
    return float(np.abs(((on_face - probes(points)) * normal).sum(axis=1)).max())
