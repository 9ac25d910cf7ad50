# SPDX-License-Identifier: GPL-3.0-or-later
"""The process that exports one solid with gmsh: ``python -m bafflelens.handoff.exporter FOLDER``.

Started by `bafflelens.handoff.solid_export`. FOLDER holds ``request.json``; the process
leaves ``solid.step``, ``print.npz`` (a mesh within the chord tolerance), ``found.json`` (volume,
sections, edges, concave curvature), or ``fault.json`` with one line; when it has ended, of each
piece of a part as it is made ``<name>.step`` and ``<name>.npz``, and ``part.json``.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from bafflelens.base.conventions import FloatArray
from bafflelens.base.errors import GeometryError, MeshingError, invalid
from bafflelens.handoff.cut_sections import planes, profile_before, section
from bafflelens.handoff.face_names import face_names, named_points, write_names
from bafflelens.handoff.face_nets import FaceNet, nets_of
from bafflelens.handoff.mirrored_step import mirrored_step
from bafflelens.handoff.part_solid import begin_pieces
from bafflelens.handoff.print_mesh import print_mesh
from bafflelens.handoff.solid_edges import ON_MIRROR_M, edges_of
from bafflelens.handoff.solid_export import FOUND, PART
from bafflelens.mesh.mesh import Mesh
from bafflelens.shapes.meshing import gmsh_process
from bafflelens.shapes.meshing.loading import load_script
from bafflelens.shapes.meshing.mesh_morph import SurfaceDeviation
from bafflelens.shapes.meshing.parameters import fill_parameters
from bafflelens.shapes.meshing.shape_script import built_symmetry

if TYPE_CHECKING:  # what carves is slow to load, and most solids are not carved
    from bafflelens.handoff.carved_height import SmoothHeight

_PLANES: Final = {"x": (1, 0, 0, 0), "y": (0, 1, 0, 0), "z": (0, 0, 1, 0)}
_FLAT_PER_M: Final = 1.0  # a radius of a metre is flat for a shop
_SAME_VOLUME: Final = 1e-5
_VOLUME_SHARE: Final = 1e-3
_BEFORE: Final = "before.step"  # what is carved, as it was


def main(folder: Path) -> int:
    """Do what ``request.json`` in a folder asks for and return the exit code.

    Parameters
    ----------
    folder : Path
        The folder.
    """

    def work(gmsh: Any, request: Mapping[str, Any]) -> None:
        gmsh_process.start_gmsh(gmsh)
        pieces = _export(gmsh, folder, request)
        (folder / PART).write_text(json.dumps(pieces()))

    return gmsh_process.do_request(folder, work)


def _export(gmsh: Any, folder: Path, request: Mapping[str, Any]) -> Callable[[], dict[str, Any]]:
    """Build the whole solid, write it, mesh it and cut it; return what waits for its pieces."""
    script = Path(request["script"])
    module = load_script(script)
    height, fit = None, None
    if request["deviation"]:
        from bafflelens.handoff.carved_height import smooth_height

        height = smooth_height(SurfaceDeviation.load(Path(request["deviation"])))
    # The kernel counts in metres here; only so does it write millimetres.
    gmsh.option.setString("Geometry.OCCTargetUnit", "M")
    try:
        module.build(gmsh.model, fill_parameters(module, request["values"]))
        symmetry = built_symmetry(module)
        named = named_points(gmsh.model, symmetry)
        if height is not None:
            fit, symmetry = _carved(gmsh, folder, height, symmetry), ()
            named = [
                (height.moved(points) if name in height.surfaces else points, name)
                for points, name in named
            ]
        volume_m3, area_m2 = _volume_and_area(gmsh.model, symmetry)
        solid = _united(gmsh, symmetry, folder)
    except (GeometryError, MeshingError):
        raise
    except Exception as error:  # gmsh raises plain Exception
        rule = f"one that the geometry kernel can build ({error})"
        raise MeshingError(invalid("solid", script.stem, rule)) from error
    gmsh.write(str(folder / "solid.step"))
    gmsh.write(str(folder / "solid.brep"))
    pieces = begin_pieces(gmsh, folder, named, request)
    occ = gmsh.model.occ
    faces = [tag for _, tag in gmsh.model.getBoundary([(3, solid)], oriented=False)]
    box = [float(value) for value in occ.getBoundingBox(3, solid)]
    nets = nets_of(gmsh.model, faces)
    names = face_names(nets, named)
    write_names(gmsh.model, folder / "solid.step", faces, names)
    mesh, chord_m = print_mesh(gmsh, nets, names, float(request["chord_m"]))
    mesh.save(folder / "print.npz")
    _require_volume("solid", float(occ.getMass(3, solid)), volume_m3, 0.0)
    _require_volume("mesh", mesh.volume, volume_m3, area_m2 * chord_m)
    found: dict[str, Any] = {
        "volume_m3": volume_m3,
        "area_m2": area_m2,
        "box_m": box,
        "chord_m": chord_m,
        "n_faces": len(faces),
        "fit": fit,
        "concave": _concave(gmsh.model, nets, mesh),
        "edges": list(edges_of(gmsh.model, faces, request["symmetry"])),
    }
    stations = list(planes(request, mesh, box))
    found["sections"] = [section(gmsh.model, solid, box, plane) for plane in stations]
    found["before"] = _profiles_before(gmsh, folder, box, stations) if height else []
    # Whoever waits for the body need not wait for the part: it is there when this file is.
    (folder / "found.part").write_text(json.dumps(found))
    (folder / "found.part").rename(folder / FOUND)
    return pieces


def _profiles_before(
    gmsh: Any, folder: Path, box: Sequence[float], stations: Sequence[Mapping[str, Any]]
) -> list[dict[str, Any]]:
    """Return the front of what was carved before it was, at stations of the carved one."""
    gmsh.model.add("before")
    gmsh.model.occ.importShapes(str(folder / _BEFORE))
    gmsh.model.occ.synchronize()
    ((_, solid),) = gmsh.model.getEntities(3)
    return [profile_before(gmsh.model, solid, box, plane) for plane in stations]


def _carved(
    gmsh: Any,
    folder: Path,
    height: SmoothHeight,
    symmetry: Sequence[str],
) -> dict[str, Any]:
    """Unite what was built and move its front by a height; return how well it fits.

    In this order: the kernel takes minutes to unite B-splines that meet in a mirror plane.
    """
    from bafflelens.handoff.carved_height import require_close
    from bafflelens.handoff.carved_step import carve_solid

    model = gmsh.model
    named = named_points(model, symmetry)
    gmsh.option.setNumber("Geometry.OCCUnionUnify", 0)  # else circles have no ends
    solid = _united(gmsh, symmetry, folder)
    faces = [int(tag) for _, tag in model.getBoundary([(3, solid)], oriented=False)]
    names = face_names(nets_of(model, faces), named)
    gmsh.write(str(folder / _BEFORE))
    carved = carve_solid(gmsh, folder, height, names)
    require_close("carved solid", height.worst_m + carved.worst_m, height.where_m)
    return {
        "largest_m": height.worst_m + carved.worst_m,
        "rms_m": height.rms_m + carved.worst_m,
        "where_m": list(height.where_m),
        "n_faces": carved.n_faces,
    }


def _volume_and_area(model: Any, symmetry: Sequence[str]) -> tuple[float, float]:
    """Return volume and area of the whole, in m^3 and m^2, from the part that was built.

    The kernel integrates with a fixed number of points. On the mirror image of a face that is too
    few, for the same number on the face itself plenty: a bowl's half is 1e-8 of its area off, the
    image of that half 2e-3.
    """
    occ = model.occ
    solids = model.getEntities(3)
    faces = [tag for _, tag in model.getBoundary(solids, oriented=False)]
    outside = [face for face in faces if not _is_in_a_mirror(model, face, symmetry)]
    times = 2 ** len(symmetry)
    return (
        times * sum(float(occ.getMass(3, tag)) for _, tag in solids),
        times * sum(float(occ.getMass(2, face)) for face in outside),
    )


def _is_in_a_mirror(model: Any, face: int, symmetry: Sequence[str]) -> bool:
    box = np.asarray(model.getBoundingBox(2, face)).reshape(2, 3)
    return any(bool(np.all(np.abs(box[:, "xyz".index(p)]) < ON_MIRROR_M)) for p in symmetry)


def _require_volume(what: str, found_m3: float, volume_m3: float, more_m3: float) -> None:
    """Refuse what lost or won something when it was united, or meshed."""
    if abs(found_m3 - volume_m3) > _VOLUME_SHARE * volume_m3 + more_m3:
        rule = f"the volume of what was built, {volume_m3 * 1e9:.0f} mm^3, within 0.1 %"
        raise MeshingError(invalid(f"volume of the {what}", f"{found_m3 * 1e9:.0f} mm^3", rule))


def _united(gmsh: Any, symmetry: Sequence[str], folder: Path) -> int:
    """Unite the built part with its mirror images; return the number of the one solid."""
    model, occ = gmsh.model, gmsh.model.occ
    solids = list(model.getEntities(3))
    for plane in symmetry:
        image = _image(gmsh, solids, plane, folder)
        solids, _ = occ.fuse(solids, image)
        solids = [entity for entity in solids if entity[0] == 3]
        occ.synchronize()
    occ.synchronize()
    everything = model.getEntities(3)
    if len(everything) != 1:
        rule = "one solid when its mirror images are united"
        raise MeshingError(invalid("solid", f"{len(everything)} pieces", rule))
    keep = {entity for dimension in range(3) for entity in _below(model, everything, dimension)}
    loose = [e for d in (2, 1, 0) for e in model.getEntities(d) if e not in keep]
    if loose:
        occ.remove(loose)
        occ.synchronize()
    return int(everything[0][1])


def _image(
    gmsh: Any, solids: Sequence[tuple[int, int]], plane: str, folder: Path
) -> list[tuple[int, int]]:
    """Return the mirror image of solids, each face of the kind that it was.

    Where the file's text cannot be mirrored, or does not read as the same volume, it is the
    kernel's own image, which is as exact but made of splines.
    """
    occ = gmsh.model.occ
    path = folder / "mirrored.step"
    gmsh.write(str(path))
    volume = sum(float(occ.getMass(3, tag)) for _, tag in solids)
    try:
        path.write_text(mirrored_step(path.read_text(encoding="latin-1"), plane), "latin-1")
        read = occ.importShapes(str(path))
        image = [(int(d), int(tag)) for d, tag in read if d == 3]
        if abs(sum(float(occ.getMass(3, tag)) for _, tag in image) / volume - 1) < _SAME_VOLUME:
            return image
        occ.remove(read, recursive=True)
    except Exception:  # gmsh raises plain Exception; any other reason leads here as well
        occ.synchronize()
    image = occ.copy(solids)
    occ.mirror(image, *_PLANES[plane])
    return [(int(d), int(tag)) for d, tag in image]


def _below(model: Any, solids: Any, dimension: int) -> Iterator[tuple[int, int]]:
    entities = solids
    for _ in range(3 - dimension):
        entities = model.getBoundary(entities, combined=False, oriented=False)
    yield from ((int(d), int(tag)) for d, tag in entities)


# ------------------------------------------------------------------------------ curvature


def _concave(model: Any, nets: Mapping[int, FaceNet], mesh: Mesh) -> list[list[float]]:
    """Return places that a round cutter must fit into: x, y, z in m and the radius in m.

    The smallest one of each face. A curvature is concave where it bends towards the air.
    """
    from scipy.spatial import cKDTree

    tree = cKDTree(mesh.centroids)
    found = []
    for face, net in nets.items():
        if model.getType(2, face) == "Plane":
            continue
        points, flat = net.points, net.parameters.ravel().tolist()
        highest, lowest, *_ = model.getPrincipalCurvatures(face, flat)
        # The kernel's curvature is that of the surface below, whichever way the face is turned.
        slopes = np.asarray(model.getDerivative(2, face, flat)).reshape(-1, 2, 3)
        normals = np.cross(slopes[:, 0], slopes[:, 1])
        outward = mesh.normals[tree.query(points)[1]]
        same = np.sign(np.einsum("ij,ij->i", normals, outward))
        bend = _most_concave(np.asarray(highest), np.asarray(lowest), same)
        worst = int(bend.argmax())
        if bend[worst] > _FLAT_PER_M:
            found.append([*points[worst].tolist(), float(1 / bend[worst])])
    return found


def _most_concave(highest: FloatArray, lowest: FloatArray, same: FloatArray) -> FloatArray:
    """Return the largest curvature towards the air, which `same` tells from the other side."""
    return np.asarray(np.maximum(highest * same, lowest * same))


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])))
