# SPDX-License-Identifier: GPL-3.0-or-later
"""The process that meshes one shape with gmsh.

Started by `bafflelens.shapes.meshing.geometry.mesh_shape` as ``python -m`` with a folder. The
folder holds ``request.json`` (script, parameter values, mesh sizes) and perhaps
``anchor_<n>.npz``, meshes of another shape of the script, which are moved onto this one where that
does no harm. The process leaves ``mesh_<n>.npz``, or ``fault.json`` with one line.

How fine the mesh is
    At the moving surfaces and on the lens the edges have the size that is asked for; a driver
    may state a size that is fine enough for it at any frequency. Elsewhere it grows linearly with
    the distance from the moving surfaces. Curved surfaces are resolved at any frequency, and so
    are the surround, with two rows of triangles, a slit, and what was carved (`carved_sizes`).
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from bafflelens.base.conventions import FloatArray, IntArray
from bafflelens.base.errors import GeometryError, MeshingError, invalid
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.placed_files import load_placed, save_placed
from bafflelens.mesh.quality import MeshSize
from bafflelens.mesh.sides import paired_sides
from bafflelens.mesh.slivers import collapse_slivers
from bafflelens.mesh.surface_names import GUIDING_KINDS, surface_kind
from bafflelens.shapes.meshing import gmsh_process
from bafflelens.shapes.meshing.carved_sizes import add_carved_sizes
from bafflelens.shapes.meshing.declared_shape import DeclaredBody, DeclaredScan
from bafflelens.shapes.meshing.loading import load_script
from bafflelens.shapes.meshing.moved_mesh import moved_onto
from bafflelens.shapes.meshing.parameters import fill_parameters
from bafflelens.shapes.meshing.shape_script import (
    built_symmetry,
    finished,
    script_line,
)
from bafflelens.shapes.meshing.solid_places import places_on, solid_digest, volume_ratio

_ALGORITHMS: Final = (6, 5, 1)  # frontal-Delaunay; should it fail, Delaunay, then adaptive
_SEGMENTS_ACROSS_TAPER: Final = 1.5  # gmsh makes two of it
_SLOPE_AROUND_TAPER: Final = 0.25  # the near field of the source falls as 1/r; edges follow it
_SLIT_ELEMENT: Final = 1.5  # longest edge in a slit over its width
_PLANE_TOLERANCE_M: Final = 1e-7
_RANK_ON_PLANE: Final = 10
_AXIS: Final = {"x": 0, "y": 1, "z": 2}


def main(folder: Path) -> int:
    """Do what ``request.json`` in a folder asks for (nothing, if it is empty).

    Parameters
    ----------
    folder : Path
        The folder.

    Returns
    -------
    int
        Exit code.
    """

    def work(gmsh: Any, request: Mapping[str, Any]) -> None:
        if not request:
            return
        sizes = [MeshSize(**size) for size in request["sizes"]]
        anchors = [
            load_placed(folder / f"anchor_{number}.npz") for number in range(request["anchors"])
        ]
        script = Path(request["script"])
        meshes = _meshes(gmsh, script, request["values"], sizes, anchors, folder / "sizes.txt")
        for number, mesh in enumerate(meshes):
            save_placed(mesh, folder / f"mesh_{number}.npz")

    return gmsh_process.do_request(folder, work)


def _meshes(
    gmsh: Any,
    script: Path,
    values: Mapping[str, float],
    sizes: Sequence[MeshSize],
    anchors: Sequence[Mesh],
    notes: Path,
) -> Iterator[Mesh]:
    """Build the solid once and yield its mesh at each size, moved there or made.

    ``notes`` is a file to write for gmsh.
    """
    module = load_script(script)
    parameters = fill_parameters(module, values)
    motions = module.sources(parameters)
    moving = {
        name
        for motion in motions
        for name in (*motion["piston_surfaces"], *motion["taper_surfaces"])
    }
    if isinstance(module, DeclaredBody):  # triangles already
        yield from module.body_at(sizes)
        return
    gmsh_process.start_gmsh(gmsh)
    gmsh.logger.start()
    try:
        module.build(gmsh.model, parameters)
    except GeometryError:
        raise  # an imported solid says what is wrong with it
    except Exception as error:
        raise MeshingError(_fault(gmsh, script, error)) from error
    groups = _named_faces(gmsh.model, script)
    missing = moving - set(groups)
    if missing:
        rule = f"a surface that build() names ({', '.join(groups)})"
        msg = f"{script}: {invalid('source surface', min(missing), rule)}"
        raise MeshingError(msg)
    _hide_other_faces(gmsh.model, groups)
    symmetry = built_symmetry(module)
    solid = solid_digest(gmsh.model, groups)
    carved = module.carved() if isinstance(module, DeclaredScan) else None
    for number, size in enumerate(sizes):
        moved = _moved(gmsh.model, anchors[number], solid, symmetry) if anchors else None
        if moved is not None:
            yield moved
            continue
        _set_sizes(gmsh, groups, motions, size)
        if carved is not None:
            _add_rule(gmsh, add_carved_sizes(gmsh, carved, size, notes))
        mesh = _mesh(gmsh, script, groups, moving, symmetry, solid)
        yield finished(module, mesh)


def _moved(model: Any, anchor: Mesh, solid: str, symmetry: tuple[str, ...]) -> Mesh | None:
    """Return a mesh moved onto the solid; None if that would harm it."""
    planes = {_AXIS[plane]: _PLANE_TOLERANCE_M for plane in symmetry}
    try:
        return moved_onto(model, anchor, solid, planes)
    except Exception:  # gmsh raises plain Exception; whatever is wrong with it, one is made
        return None


def _mesh(
    gmsh: Any,
    script: Path,
    groups: Mapping[str, list[int]],
    moving: set[str],
    symmetry: tuple[str, ...],
    solid: str,
) -> Mesh:
    """Return a closed mesh from the first algorithm that makes one."""
    fault = ""
    for algorithm in _ALGORITHMS:
        gmsh.option.setNumber("Mesh.Algorithm", algorithm)
        gmsh.model.mesh.clear()
        try:
            gmsh.model.mesh.generate(2)
            mesh = _cleaned(gmsh.model, groups, moving, symmetry, solid)
            mesh.require_closed(symmetry)
        except Exception as error:  # gmsh raises plain Exception
            fault = fault or _fault(gmsh, script, error)
            continue
        return mesh
    raise MeshingError(fault)


def _fault(gmsh: Any, script: Path, error: Exception) -> str:
    """Return one line with the script's line, the cause, and what gmsh logged last."""
    line = script_line(script, error)
    where = f"{script}, line {line}: " if line else ""
    logged = [text for text in gmsh.logger.get() if text.startswith(("Error: ", "Warning: "))]
    said = [str(error) or type(error).__name__]
    said += [text.removeprefix("Error: ").removeprefix("Warning: ") for text in logged[-3:]]
    causes = dict.fromkeys(" ".join(text.split()).rstrip(".") for text in said)
    rule = "one that gmsh can build and mesh; it says: " + "; ".join(causes)
    return where + invalid("shape", script.stem, rule)


def _named_faces(model: Any, script: Path) -> dict[str, list[int]]:
    """Return the faces of each physical group by name."""
    groups = {
        str(model.getPhysicalName(2, tag)): [
            int(face) for face in model.getEntitiesForPhysicalGroup(2, tag)
        ]
        for _, tag in model.getPhysicalGroups(2)
    }
    if not groups or not all(groups):
        rule = "named physical groups of faces (dimension 2)"
        msg = f"{script}: {invalid('result of build()', 'no names', rule)}"
        raise MeshingError(msg)
    return groups


def _hide_other_faces(model: Any, groups: Mapping[str, list[int]]) -> None:
    """Keep faces without a name (those on a mirror plane) from being meshed."""
    named = {face for faces in groups.values() for face in faces}
    others = [(2, face) for _, face in model.getEntities(2) if face not in named]
    model.setVisibility([*model.getEntities(3), *others], 0)
    for face in named:
        if model.getType(2, face) != "Plane":
            model.mesh.setAlgorithm(2, face, 1)


def _set_sizes(
    gmsh: Any,
    groups: Mapping[str, list[int]],
    motions: Sequence[Mapping[str, Any]],
    size: MeshSize,
) -> None:
    """Give gmsh the size rule of the module's docstring."""
    field = gmsh.model.mesh.field
    for tag in field.list():
        field.remove(tag)
    rules = [
        rule for motion in motions for rule in _source_rules(gmsh.model, groups, motion, size)
    ]
    for name, faces in groups.items():
        if surface_kind(name) in GUIDING_KINDS:
            rules.append(_constant(gmsh.model, faces, size.source_size_m, size.largest_m))
        if surface_kind(name) == "slit":
            across = min(_narrowness(gmsh.model, face) for face in faces) * _SLIT_ELEMENT
            rules.append(
                _grown(
                    gmsh.model,
                    faces,
                    nearest=across,
                    farthest=across + size.largest_m,
                    distance=size.largest_m / _SLOPE_AROUND_TAPER,
                )
            )
    smallest = field.add("Min")
    field.setNumbers(smallest, "FieldsList", rules)
    field.setAsBackgroundMesh(smallest)
    for option, value in {
        "Mesh.MeshSizeMax": size.largest_m,
        "Mesh.MeshSizeFromCurvature": size.curvature_elements,
        "Mesh.MeshSizeFromPoints": 0,
        "Mesh.MeshSizeExtendFromBoundary": 0,  # else small edges make whole faces fine
        "Mesh.MeshOnlyVisible": 1,
    }.items():
        gmsh.option.setNumber(option, value)


def _add_rule(gmsh: Any, rule: int) -> None:
    """Let a size field count beside those that are set."""
    field = gmsh.model.mesh.field
    before = max(field.list(), key=lambda tag: tag if field.getType(tag) == "Min" else -1)
    smallest = field.add("Min")
    field.setNumbers(smallest, "FieldsList", [before, rule])
    field.setAsBackgroundMesh(smallest)


def _source_rules(
    model: Any, groups: Mapping[str, list[int]], motion: Mapping[str, Any], size: MeshSize
) -> list[int]:
    """Return the size fields around one source."""
    nearest = max(size.source_size_m, float(motion.get("finest_m", 0.0)))
    names = (*motion["piston_surfaces"], *motion["taper_surfaces"])
    rules = [
        _grown(
            model,
            [face for name in names for face in groups[name]],
            nearest=nearest,
            farthest=nearest * size.growth,
            distance=size.growth_distance_m,
        )
    ]
    if motion["taper_surfaces"]:
        taper_width = float(motion["outer_radius_m"]) - float(motion["inner_radius_m"])
        across = taper_width / _SEGMENTS_ACROSS_TAPER
        rules.append(
            _grown(
                model,
                [face for name in motion["taper_surfaces"] for face in groups[name]],
                nearest=across,
                farthest=across + size.largest_m,
                distance=size.largest_m / _SLOPE_AROUND_TAPER,
                plateau=taper_width / 2,
            )
        )
    return rules


def _constant(model: Any, faces: list[int], inside: float, outside: float) -> int:
    """Return a size field that is constant on faces, in m."""
    field = model.mesh.field
    rule = field.add("Constant")
    field.setNumbers(rule, "SurfacesList", faces)
    field.setNumber(rule, "VIn", inside)
    field.setNumber(rule, "VOut", outside)
    return int(rule)


def _narrowness(model: Any, face: int) -> float:
    """Return the width of a long thin face: twice its area over its circumference, in m."""
    around = model.getBoundary([(2, face)], combined=False, oriented=False)
    circumference = sum(model.occ.getMass(1, curve) for _, curve in around)
    return float(2 * model.occ.getMass(2, face) / circumference)


def _grown(
    model: Any,
    faces: list[int],
    *,
    nearest: float,
    farthest: float,
    distance: float,
    plateau: float = 0.0,
) -> int:
    """Return a size field that grows linearly with the distance from faces, in m."""
    field = model.mesh.field
    boundary = model.getBoundary([(2, face) for face in faces], combined=False, oriented=False)
    away = field.add("Distance")
    field.setNumbers(away, "SurfacesList", faces)
    field.setNumbers(away, "CurvesList", sorted({curve for _, curve in boundary}))
    field.setNumber(away, "Sampling", 40)
    rule = field.add("Threshold")
    field.setNumber(rule, "InField", away)
    field.setNumber(rule, "SizeMin", nearest)
    field.setNumber(rule, "SizeMax", farthest)
    field.setNumber(rule, "DistMin", plateau)
    field.setNumber(rule, "DistMax", plateau + distance)
    return int(rule)


def _cleaned(
    model: Any,
    groups: Mapping[str, list[int]],
    moving: set[str],
    symmetry: tuple[str, ...],
    solid: str = "",
) -> Mesh:
    """Return gmsh's current mesh with outward normals, exact mirror planes and few slivers."""
    vertices, number, dimension, tags = _vertices(model)
    triangles, face, surface = [], [], []
    for name, faces in groups.items():
        for tag in faces:
            corners = number[model.mesh.getElementsByType(2, tag)[1]].reshape(-1, 3)
            triangles.append(corners)
            face.append(np.full(len(corners), tag))
            surface.append(np.full(len(corners), name))
    rank = 2 - dimension
    for plane in symmetry:
        on_plane = np.abs(vertices[:, _AXIS[plane]]) < _PLANE_TOLERANCE_M
        vertices[on_plane, _AXIS[plane]] = 0.0
        rank = rank + _RANK_ON_PLANE * on_plane
    mesh = Mesh(
        vertices,
        _outward(vertices, np.concatenate(triangles), np.concatenate(face)),
        np.concatenate(surface),
    )
    places = places_on(model, tags, solid)
    movable = np.ones(len(vertices), dtype=bool)
    movable[mesh.triangles[np.isin(mesh.surface, list(moving))]] = False
    cleaned = collapse_slivers(replace(mesh, places=places), rank, movable)
    assert cleaned.places is not None  # they are carried along
    ratio = volume_ratio(model, cleaned.volume)
    return replace(cleaned, places=replace(cleaned.places, volume_ratio=ratio))


def _vertices(model: Any) -> tuple[FloatArray, IntArray, IntArray, IntArray]:
    """Return coordinates, the row of each tag, the dimension each node is on, and its tag."""
    tags, coordinates, dimensions = [], [], []
    for dimension in range(3):
        some, where, _ = model.mesh.getNodes(dimension)
        tags.append(np.asarray(some, dtype=np.int64))
        coordinates.append(np.asarray(where, dtype=float).reshape(-1, 3))
        dimensions.append(np.full(len(some), dimension))
    tag = np.concatenate(tags)
    row = np.zeros(int(tag.max()) + 1, dtype=np.int64)
    row[tag] = np.arange(len(tag))
    return np.concatenate(coordinates), row, np.concatenate(dimensions), tag


def _outward(vertices: FloatArray, triangles: IntArray, face: NDArray[np.int64]) -> IntArray:
    """Return the triangles oriented outwards; those of one face already agree.

    Parameters
    ----------
    vertices : (n_vertices, 3) array
        Coordinates in m. Mirror planes pass through the origin, so that what is missing there
        adds nothing to the volume.
    triangles : (n_triangles, 3) integer array
        Vertex numbers.
    face : (n_triangles,) integer array
        Number of the face each triangle is on.
    """
    start, _, first, second = paired_sides(triangles, len(vertices))
    owner = np.repeat(face, 3)
    between = owner[first] != owner[second]
    first, second = first[between], second[between]
    agrees = start[first] != start[second]  # neighbours run along their edge in opposite ways
    neighbours: dict[int, dict[int, bool]] = {int(tag): {} for tag in np.unique(face)}
    for one, other, same in zip(owner[first], owner[second], agrees, strict=True):
        neighbours[int(one)][int(other)] = neighbours[int(other)][int(one)] = bool(same)
    oriented = triangles.copy()
    waiting = set(neighbours)
    while waiting:  # one round for each connected body
        seed = waiting.pop()
        turned, body = {seed: False}, [seed]
        for tag in body:
            for other, same in neighbours[tag].items():
                if other not in turned:
                    turned[other] = turned[tag] != (not same)
                    body.append(other)
        waiting -= set(body)
        flip = np.isin(face, [tag for tag, turn in turned.items() if turn])
        oriented[flip] = oriented[flip][:, ::-1]
        inside = np.isin(face, body)
        if Mesh(vertices, oriented[inside], face[inside].astype(str)).volume < 0:
            oriented[inside] = oriented[inside][:, ::-1]
    return oriented


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])))
