# SPDX-License-Identifier: GPL-3.0-or-later
"""The process that builds a shape and meshes its surface by few triangles that follow its curves.

Started by `bafflelens.handoff.curved_surface`, a dozen times a hand-off: what looks for places on
the triangles, which is compiled and slow to load, is not imported here.
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np

from bafflelens.base.conventions import FloatArray
from bafflelens.base.errors import MeshingError, invalid
from bafflelens.mesh.surface_names import GUIDING_KINDS, surface_kind
from bafflelens.shapes.meshing import gmsh_process
from bafflelens.shapes.meshing.loading import load_script
from bafflelens.shapes.meshing.mesher import (
    _hide_other_faces,
    _named_faces,
    _outward,
    _vertices,
)
from bafflelens.shapes.meshing.parameters import fill_parameters
from bafflelens.shapes.meshing.shape_script import built_symmetry

TURNED: Final = (1, 0, 2)
"""Edges of a triangle whose corners are turned round."""

_LARGEST_M: Final = 0.04
_LARGEST_GUIDING_M: Final = 0.008  # on curves whose curvature may change along a face
_EDGES_A_TURN: Final = 27
_BEHIND: Final = 10  # in turn: there are many, and the solid and its part are waited for first
# Of gmsh, for flat and for bent faces. On these Delaunay takes a fifth of the time of the adaptive
# one, whose better triangles are for a solve.
_ALGORITHMS: Final = ((6, 5), (5, 1), (1, 1))
_SECOND_ORDER: Final = 9  # gmsh's number of a triangle with six nodes


def main(folder: Path) -> int:
    """Do what ``request.json`` in a folder asks for and return the exit code.

    Parameters
    ----------
    folder : Path
        The folder; the process leaves ``surface.npz`` there.
    """

    def work(gmsh: Any, request: Mapping[str, Any]) -> None:
        os.nice(_BEHIND)
        gmsh_process.start_gmsh(gmsh)
        corners, middles = _triangles(gmsh, Path(request["script"]), request["values"])
        np.savez(folder / "surface.npz", corners=corners, middles=middles)

    return gmsh_process.do_request(folder, work)


def _triangles(
    gmsh: Any, script: Path, values: Mapping[str, float]
) -> tuple[FloatArray, FloatArray]:
    """Return corners and middles of the triangles of what `build` builds."""
    model = gmsh.model
    module = load_script(script)
    parameters = fill_parameters(module, values)
    module.build(model, parameters)
    groups = _named_faces(model, script)
    _hide_other_faces(model, groups)
    bent = {name: _bent(model, faces) for name, faces in groups.items()}
    _set_sizes(gmsh, bent)
    _generate(gmsh, [face for faces in bent.values() for face in faces])
    model.mesh.setOrder(2)
    vertices, number, _, _ = _vertices(model)
    nodes, face = [], []
    for faces in groups.values():
        for tag in faces:
            of_face = number[model.mesh.getElementsByType(_SECOND_ORDER, tag)[1]].reshape(-1, 6)
            nodes.append(of_face)
            face.append(np.full(len(of_face), tag))
    corner, middle = np.split(np.concatenate(nodes), 2, axis=1)
    flat = vertices.copy()
    for plane in built_symmetry(module):
        axis = "xyz".index(plane)
        flat[np.abs(flat[:, axis]) < 1e-7, axis] = 0.0
    outward = _outward(flat, corner, np.concatenate(face))
    turned = outward[:, 0] != corner[:, 0]
    middle[turned] = middle[turned][:, TURNED]
    return flat[outward], flat[middle]


def _bent(model: Any, faces: Sequence[int]) -> list[int]:
    return [face for face in faces if model.getType(2, face) != "Plane"]


def _set_sizes(gmsh: Any, bent: Mapping[str, list[int]]) -> None:
    """Let edges be as long as curves allow: distance from a driver is nothing to a height."""
    model = gmsh.model
    guiding = [
        face
        for name, faces in bent.items()
        if surface_kind(name) in GUIDING_KINDS
        for face in faces
    ]
    if guiding:
        rule = model.mesh.field.add("Constant")
        model.mesh.field.setNumbers(rule, "SurfacesList", guiding)
        model.mesh.field.setNumber(rule, "VIn", _LARGEST_GUIDING_M)
        model.mesh.field.setNumber(rule, "VOut", _LARGEST_M)
        model.mesh.field.setAsBackgroundMesh(rule)
    for option, value in {
        "Mesh.MeshSizeMax": _LARGEST_M,
        "Mesh.MeshSizeFromCurvature": _EDGES_A_TURN,
        "Mesh.MeshSizeFromPoints": 0,
        "Mesh.MeshSizeExtendFromBoundary": 0,  # else small edges make whole faces fine
        "Mesh.MeshOnlyVisible": 1,
    }.items():
        gmsh.option.setNumber(option, value)


def _generate(gmsh: Any, bent: Sequence[int]) -> None:
    """Mesh the faces by the first algorithms that can."""
    fault = ""
    for flat, curved in _ALGORITHMS:
        gmsh.option.setNumber("Mesh.Algorithm", flat)
        for face in bent:
            gmsh.model.mesh.setAlgorithm(2, face, curved)
        gmsh.model.mesh.clear()
        try:
            gmsh.model.mesh.generate(2)
        except Exception as error:  # gmsh raises plain Exception
            fault = str(error)
            continue
        return
    raise MeshingError(invalid("shape", "its faces", f"ones that gmsh can mesh ({fault})"))
