# SPDX-License-Identifier: GPL-3.0-or-later
"""Pieces of a part cut from the analysed body in gmsh's geometry kernel, and measured there.

Works in the process that exports the body (`bafflelens.handoff.exporter`). Each piece is made in
a model of its own, for the kernel writes all that a model holds.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np
from scipy.spatial import cKDTree

from bafflelens.base.conventions import FloatArray
from bafflelens.base.errors import MeshingError, invalid
from bafflelens.handoff.cut_sections import whole_section
from bafflelens.handoff.face_names import face_names, write_names
from bafflelens.handoff.face_nets import FaceNet, inside_face, nets_of
from bafflelens.handoff.part_pieces import INNER, POCKET, SEAT
from bafflelens.handoff.print_mesh import print_mesh
from bafflelens.handoff.rounded_corners import ROUNDED, in_a_copy, round_corners
from bafflelens.handoff.solid_edges import edges_of
from bafflelens.shapes.meshing import gmsh_process

_MM: Final = 1e-3
_ON_TOOL_M: Final = 1e-7
_ON_FACE_M: Final = 1e-6
_NEAREST: Final = 6  # named faces that a place is held against
_SPLINE: Final = "BSpline surface"
_FOUND: Final = "pieces.json"
_SAME_RADIUS: Final = 0.01
_SHARE_OF_TIME: Final = 0.4  # of the exporter's, for a part with rounded corners


def begin_pieces(
    gmsh: Any, folder: Path, named: Sequence[tuple[FloatArray, str]], request: Mapping[str, Any]
) -> Callable[[], dict[str, Any]]:
    """Begin to cut every piece of the plan from ``solid.brep``, in a copy of this process.

    What is returned waits for it and gives what was found of the ``pieces`` and of the
    ``corners`` (`rounded_corners.round_corners`); `MeshingError` is raised there.

    Parameters
    ----------
    gmsh : module
        Counting in metres.
    folder : Path
        Each piece leaves ``<name>.step`` and ``<name>.npz`` there.
    named : sequence of (points, name)
        Places on the faces of the analysed solid.
    request : mapping
        The exporter's, with the plan as ``pieces``, and ``round_m``, the radius of sharp inner
        corners; 0 if they stay as they are.
    """
    if not request["pieces"]:
        return lambda: {"pieces": [], "corners": None}
    copy = os.fork()
    if copy:
        return lambda: _waited_for(copy, folder)
    code = 1
    try:
        code = gmsh_process.do_work(folder, lambda: _make_pieces(gmsh, folder, named, request))
    finally:
        os._exit(code)  # what the first process is to clear away is left to it


def _waited_for(copy: int, folder: Path) -> dict[str, Any]:
    """Return what a copy found when it has ended."""
    _, status = os.waitpid(copy, 0)
    if code := os.waitstatus_to_exitcode(status):
        otherwise = invalid("part", "pieces", f"one that can be cut (exit code {code})")
        raise MeshingError(gmsh_process.fault_left(folder, otherwise))
    found: dict[str, Any] = json.loads((folder / _FOUND).read_text())
    return found


def _make_pieces(
    gmsh: Any, folder: Path, named: Sequence[tuple[FloatArray, str]], request: Mapping[str, Any]
) -> None:
    corners = round_corners(gmsh, folder, named, request) if request["round_m"] else None
    if corners and corners["rounded"]:
        # What the kernel has rounded it may not be able to cut or to mesh.
        limit_s = _SHARE_OF_TIME * float(request["time_limit_s"])
        if in_a_copy(lambda: _cut_pieces(gmsh, folder, named, request, corners), limit_s):
            return
        (folder / ROUNDED).unlink()
        corners = {"rounded": 0, "left": [*corners["done"], *corners["left"]]}
    _cut_pieces(gmsh, folder, named, request, corners)


def _cut_pieces(
    gmsh: Any,
    folder: Path,
    named: Sequence[tuple[FloatArray, str]],
    request: Mapping[str, Any],
    corners: Mapping[str, Any] | None,
) -> None:
    found = []
    for piece in request["pieces"]:
        gmsh.model.add(piece["name"])
        found.append(_made(gmsh, folder, named, request, piece))
    (folder / _FOUND).write_text(json.dumps({"pieces": found, "corners": corners}))


def _made(
    gmsh: Any,
    folder: Path,
    named: Sequence[tuple[FloatArray, str]],
    request: Mapping[str, Any],
    piece: Mapping[str, Any],
) -> dict[str, Any]:
    model, occ, name = gmsh.model, gmsh.model.occ, piece["name"]
    body = _imported(occ, folder / "solid.brep")
    rounded = _imported(occ, folder / ROUNDED) if (folder / ROUNDED).exists() else body
    occ.synchronize()
    analysed = [int(tag) for _, tag in model.getBoundary(body, oriented=False)]
    try:
        keep = [_tool(occ, tool) for tool in piece["keep"]]
        if len(keep) > 1:
            keep, _ = occ.fuse(keep[:1], keep[1:])
        made, _ = occ.intersect(rounded, keep, removeObject=False)
        made, _ = occ.cut(made, [_tool(occ, tool) for tool in piece["cut"]])
        occ.synchronize()
    except Exception as error:  # gmsh raises plain Exception
        rule = f"one that the geometry kernel can cut ({error})"
        raise MeshingError(invalid("part", name, rule)) from error
    solids = [entity for entity in made if entity[0] == 3]
    if len(solids) != 1:
        rule = "one that hangs together: the lens or the driver's room cuts it in two"
        raise MeshingError(invalid("part", f"{name}' of '{len(solids)} pieces", rule))
    faces = [int(tag) for _, tag in model.getBoundary(solids, oriented=False)]
    nets = nets_of(model, faces)
    cut_faces = _cut_faces(model, nets, (*piece["keep"], *piece["cut"]))
    formed = {face: net for face, net in nets.items() if face not in cut_faces}
    radius = float(request["round_m"])
    inner = [face for face, net in formed.items() if _is_round(model, face, net, radius)]
    formed = {face: net for face, net in formed.items() if face not in inner}
    names = face_names(formed, named) | cut_faces | dict.fromkeys(inner, INNER)
    # A face that nothing cut is one and the same in both.
    others = nets_of(model, [face for face in analysed if face not in nets])
    off_m, where = _farthest(model, formed, {face: (nets | others)[face] for face in analysed})
    areas: dict[str, float] = {}
    for face in faces:
        areas[names[face]] = areas.get(names[face], 0.0) + float(occ.getMass(2, face))
    volume, box = float(occ.getMass(*solids[0])), occ.getBoundingBox(*solids[0])
    centre = request["centre_m"]
    plane = {
        "kind": "vertical",
        "at": float(centre[1]),
        "cut": float(box[0]),
        "origin": (float(centre[1]), 0.0),
        "along": (0.0, 1.0),
    }
    cut = whole_section(model, solids[0][1], list(map(float, box)), plane)
    occ.remove(body if rounded is body else [*body, *rounded], recursive=True)
    occ.synchronize()
    gmsh.write(str(folder / f"{name}.step"))
    write_names(model, folder / f"{name}.step", faces, names)
    mesh, chord_m = print_mesh(gmsh, nets, names, float(request["chord_m"]))
    mesh.save(folder / f"{name}.npz")
    return {
        "name": name,
        "volume_m3": volume,
        "areas_m2": areas,
        "off_m": off_m,
        "where_m": where,
        "chord_m": chord_m,
        "section": cut,
        "edges": list(edges_of(model, faces, request["symmetry"])),
    }


def _imported(occ: Any, path: Path) -> list[tuple[int, int]]:
    return [entity for entity in occ.importShapes(str(path)) if entity[0] == 3]


def _is_round(model: Any, face: int, net: FaceNet, radius: float) -> bool:
    """Tell whether a face has the radius of rounded corners all over."""
    if not radius or model.getType(2, face) == "Plane":
        return False
    flat = net.parameters.ravel().tolist()
    bends = np.abs(model.getPrincipalCurvatures(face, flat)[:2]).max(axis=0)
    return bool(np.abs(bends * radius - 1).max() < _SAME_RADIUS)


def _tool(occ: Any, tool: Mapping[str, Any]) -> tuple[int, int]:
    """Add a box or a cylinder along x; return its entity."""
    if "radius" in tool:
        y, z, back = (tool[key] * _MM for key in ("y", "z", "back"))
        long = (tool["front"] - tool["back"]) * _MM
        return 3, int(occ.addCylinder(back, y, z, long, 0, 0, tool["radius"] * _MM))
    low, high = np.array(tool["low"]) * _MM, np.array(tool["high"]) * _MM
    return 3, int(occ.addBox(*low.tolist(), *(high - low).tolist()))


def _cut_faces(
    model: Any, nets: Mapping[int, FaceNet], tools: Sequence[Mapping[str, Any]]
) -> dict[int, str]:
    """Return the names of the faces that lie on the surface of a tool: they were cut by it.

    The flat end of the driver's pocket is its seat.
    """
    found = {}
    for face, net in nets.items():
        tool = next((t for t in tools if _off_tool(t, net.points) < _ON_TOOL_M), None)
        if tool is not None:
            is_seat = tool["name"] == POCKET and model.getType(2, face) == "Plane"
            found[face] = SEAT if is_seat else str(tool["name"])
    return found


def _off_tool(tool: Mapping[str, Any], points: FloatArray) -> float:
    """Return how far points are at most from the surface of a tool, in m."""
    if "radius" in tool:
        away = np.hypot(points[:, 1] - tool["y"] * _MM, points[:, 2] - tool["z"] * _MM)
        beyond = np.maximum(tool["back"] * _MM - points[:, 0], points[:, 0] - tool["front"] * _MM)
        wall = np.maximum(np.abs(away - tool["radius"] * _MM), beyond)
        beside = np.abs(points[:, [0]] - np.array([tool["back"], tool["front"]]) * _MM)
        inside = np.maximum(away - tool["radius"] * _MM, 0.0)
        ends = np.maximum(beside.min(axis=1), inside)
        return float(np.minimum(wall, ends).max())
    planes = np.array([tool["low"], tool["high"]]) * _MM
    return float(np.abs(points[:, None] - planes).min(axis=(1, 2)).max())


def _farthest(
    model: Any, formed: Mapping[int, FaceNet], analysed: Mapping[int, FaceNet]
) -> tuple[float, list[float]]:
    """Return how far the faces that were not cut are at most from the analysed ones, and where.

    Places inside each face are projected onto the analysed faces about them; onto a B-spline,
    where that takes minutes, along its own parameters.
    """
    owner = np.concatenate([np.full(len(net.points), face) for face, net in analysed.items()])
    tree = cKDTree(np.concatenate([net.points for net in analysed.values()]))
    largest, place = 0.0, [0.0, 0.0, 0.0]
    for face, net in formed.items():
        points, parameters = net.points, net.parameters
        _, nearest = tree.query(points, k=_NEAREST)
        away = np.full(len(points), np.inf)
        for other in np.unique(owner[nearest]).tolist():
            if model.getType(2, other) == _SPLINE and model.getType(2, face) == _SPLINE:
                # What is cut keeps the surface of its face, and so the places' parameters.
                same = model.getValue(2, other, parameters.ravel().tolist())
                away = np.minimum(
                    away, np.linalg.norm(np.asarray(same).reshape(-1, 3) - points, axis=1)
                )
            elif model.getType(2, other) != _SPLINE:
                feet = model.getClosestPoint(2, other, points.ravel().tolist())[0]
                away = np.minimum(
                    away, np.linalg.norm(np.asarray(feet).reshape(-1, 3) - points, axis=1)
                )
        far = np.flatnonzero(away > _ON_FACE_M)
        if len(far):
            away[far] = np.minimum(away[far], _from_any(model, points[far], analysed))
        if away.max() > largest:
            largest, place = float(away.max()), points[int(away.argmax())].tolist()
    return largest, place


def _from_any(model: Any, points: FloatArray, analysed: Mapping[int, FaceNet]) -> FloatArray:
    """Return how far points are from the nearest face with a foot inside, of all that are.

    The places nearest to a point may all be those of one small face beside a large one.
    """
    away = np.full(len(points), np.inf)
    for face in analysed:
        if model.getType(2, face) == _SPLINE:
            continue
        feet, at = model.getClosestPoint(2, face, points.ravel().tolist())
        inside = inside_face(model, face, np.asarray(at).reshape(-1, 2))
        distance = np.linalg.norm(np.asarray(feet).reshape(-1, 3) - points, axis=1)
        away = np.minimum(away, np.where(inside, distance, np.inf))
    return away
