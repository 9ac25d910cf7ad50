# SPDX-License-Identifier: GPL-3.0-or-later
"""A shape's surface as few triangles that follow its curves, and how far points are from it.

Flat triangles that stay within some hundredths of a millimetre of a lens are many, and making
them takes seconds. These have the surface's own point over the middle of each edge besides, as
second-order triangles have: what a flat one is off by is then known to the fourth power of its
angle. Built and meshed in a process of its own (`main`), once for each dimension of a part.
"""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from bafflelens.base import ready_process
from bafflelens.base.closest_point import Searchable, closest, searchable, shares
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
from bafflelens.shapes.meshing.parameters import Shape, fill_parameters
from bafflelens.shapes.meshing.shape_script import built_symmetry

_LARGEST_M: Final = 0.04
_LARGEST_GUIDING_M: Final = 0.008  # on curves whose curvature may change along a face
_EDGES_A_TURN: Final = 24
_BEHIND: Final = 10  # in turn: there are many, and the solid and its part are waited for first
# Of gmsh, for flat and for bent faces. On these Delaunay takes a fifth of the time of the adaptive
# one, whose better triangles are for a solve.
_ALGORITHMS: Final = ((6, 5), (5, 1), (1, 1))
_SECOND_ORDER: Final = 9  # gmsh's number of a triangle with six nodes


@dataclass(frozen=True, kw_only=True)
class CurvedSurface:
    """A closed surface.

    Attributes
    ----------
    flat : Searchable
        Its triangles, flat.
    corners : (n_triangles, 3, 3) array
        Their corners in m, outward.
    middles : (n_triangles, 3, 3) array
        Points of the surface over the middles of the edges 0-1, 1-2 and 2-0, in m.
    """

    flat: Searchable
    corners: FloatArray
    middles: FloatArray

    @classmethod
    def of(cls, corners: FloatArray, middles: FloatArray) -> CurvedSurface:
        """Return it from its triangles."""
        triangles = np.arange(3 * len(corners)).reshape(-1, 3)
        flat = searchable(corners.reshape(-1, 3), triangles)
        return cls(flat=flat, corners=corners, middles=middles)

    def heights(self, points: FloatArray, normals: FloatArray, reach_m: float) -> FloatArray:
        """Return how far it stands before points, (n,), along its own normals, in m.

        0 where nothing of it that faces the same way is within reach.

        Parameters
        ----------
        points, normals : (n, 3) array
            Points in m, and the way that the surface must face there.
        reach_m : float
            How far is looked.
        """
        feet = closest(self.flat, points, normals, least_cosine=0.7, farthest_m=reach_m)
        found = np.flatnonzero(np.isfinite(feet.distance))
        owner = feet.owner[found]
        corners = self.corners[owner]
        triangles = np.arange(3 * len(found)).reshape(-1, 3)
        share = shares(corners.reshape(-1, 3), triangles, feet.points[found])
        chords = (corners + np.roll(corners, -1, axis=1)) / 2
        weight = 4 * share * np.roll(share, -1, axis=1)
        bulge = (weight[:, :, None] * (self.middles[owner] - chords)).sum(axis=1)
        height = np.zeros(len(points))
        off = feet.points[found] + bulge - points[found]
        height[found] = (off * feet.normals[found]).sum(axis=1)
        return height


def curved_surface(
    shape: Shape, values: Mapping[str, float], time_limit_s: float
) -> CurvedSurface:
    """Build a shape and return its whole surface.

    Parameters
    ----------
    shape : Shape
        The shape, of a script.
    values : mapping of str to float
        Its parameters.
    time_limit_s : float
        Time for it.

    Raises
    ------
    MeshingError
        If it cannot be built or meshed in time.
    """
    with tempfile.TemporaryDirectory(prefix="bafflelens_surface_") as name:
        folder = Path(name)
        request = {
            "script": str(shape.script.resolve()),
            "values": {key: float(value) for key, value in values.items()},
            "time_limit_s": time_limit_s,
        }
        (folder / "request.json").write_text(json.dumps(request))
        ended = ready_process.run_ready(__name__, folder, time_limit_s)
        if ended:
            rule = f"one that can be built and meshed; that ended with {ended}"
            line = invalid("shape", shape.name, rule)
            raise MeshingError(gmsh_process.fault_left(folder, line))
        with np.load(folder / "surface.npz") as data:
            corners, middles = data["corners"], data["middles"]
    for plane in shape.symmetry:
        corners, middles = _mirrored(corners, middles, "xyz".index(plane))
    return CurvedSurface.of(corners, middles)


def _mirrored(
    corners: FloatArray, middles: FloatArray, axis: int
) -> tuple[FloatArray, FloatArray]:
    """Return triangles and their mirror images, which run the other way round."""
    image, over = corners[:, ::-1].copy(), middles[:, _TURNED].copy()
    image[..., axis] *= -1
    over[..., axis] *= -1
    return np.concatenate((corners, image)), np.concatenate((middles, over))


_TURNED: Final = (1, 0, 2)  # edges of a triangle whose corners are turned round


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
    bent = [
        face for faces in groups.values() for face in faces if model.getType(2, face) != "Plane"
    ]
    _set_sizes(gmsh, groups)
    _generate(gmsh, bent)
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
    middle[turned] = middle[turned][:, _TURNED]
    return flat[outward], flat[middle]


def _set_sizes(gmsh: Any, groups: Mapping[str, list[int]]) -> None:
    """Let edges be as long as curves allow: distance from a driver is nothing to a height."""
    model = gmsh.model
    bent = [
        face
        for name, faces in groups.items()
        if surface_kind(name) in GUIDING_KINDS
        for face in faces
        if model.getType(2, face) != "Plane"
    ]
    if bent:
        rule = model.mesh.field.add("Constant")
        model.mesh.field.setNumbers(rule, "SurfacesList", bent)
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
