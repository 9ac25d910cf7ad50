# SPDX-License-Identifier: GPL-3.0-or-later
"""A shape and sizes to meshes, in a process of its own.

gmsh keeps one global model a process and can hang or crash on a bad shape, so meshing runs in a
process of its own (`bafflelens.shapes.meshing.mesher`).
"""

from __future__ import annotations

import dataclasses
import json
import math
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np

from bafflelens.base import ready_process
from bafflelens.base.errors import GeometryError, MeshingError, invalid
from bafflelens.mesh.intersections import crossing_triangles
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.placed_files import load_placed, save_placed
from bafflelens.mesh.quality import MeshSize
from bafflelens.mesh.surface_names import SURFACE_KINDS, surface_kind
from bafflelens.shapes.meshing.gmsh_process import fault_left
from bafflelens.shapes.meshing.loading import check_parameters
from bafflelens.shapes.meshing.parameters import Shape

_SMALL_ANGLE_DEG: Final = 10.0
_SMALL_ANGLE_SHARE: Final = 0.01  # more spoils the integrals; shipped shapes stay near 0.001


def mesh_shape(
    shape: Shape,
    values: Mapping[str, float],
    sizes: Sequence[MeshSize],
    time_limit_s: float,
    anchors: Sequence[Mesh] = (),
) -> tuple[Mesh, ...]:
    """Mesh a shape at several sizes, in a process of its own.

    The solid is built once and meshed for each size. The process is killed when the time is up.
    Where meshes of another shape of the same script are given, they are moved onto this one; one
    that would suffer is made by gmsh as without.

    Parameters
    ----------
    shape : Shape
        The shape.
    values : mapping of str to float
        Parameter values by key; a parameter that is left out has its default.
    sizes : sequence of MeshSize
        One mesh is made for each.
    time_limit_s : float
        Time for all of them together, in s.
    anchors : sequence of Mesh
        Meshes of the same script with other values, one for each size; or none.

    Returns
    -------
    tuple of Mesh
        One mesh for each size, of the kept half if the shape is symmetric. Each is closed (but
        for the mirror planes), faces outwards and has known surface names. Its places tell
        whether it was moved.

    Raises
    ------
    GeometryError
        If the values break a rule of the shape.
    MeshingError
        If gmsh cannot mesh it, takes too long or is not installed completely.
    """
    faults = check_parameters(shape, values)
    if faults:
        raise GeometryError(faults)
    meshes = _meshes(shape, values, sizes, time_limit_s, anchors)
    try:
        for mesh in meshes:
            _require_sound(mesh, shape)
    except MeshingError:
        if not any(mesh.places is not None and mesh.places.is_moved for mesh in meshes):
            raise
        return mesh_shape(shape, values, sizes, time_limit_s)
    return meshes


def _meshes(
    shape: Shape,
    values: Mapping[str, float],
    sizes: Sequence[MeshSize],
    time_limit_s: float,
    anchors: Sequence[Mesh],
) -> tuple[Mesh, ...]:
    """Return the meshes as the mesher leaves them."""
    with tempfile.TemporaryDirectory(prefix="bafflelens_mesh_") as name:
        folder = Path(name)
        request = {
            "script": str(shape.script.resolve()),
            "values": {key: float(value) for key, value in values.items()},
            "sizes": [dataclasses.asdict(size) for size in sizes],
            "time_limit_s": time_limit_s,
            "anchors": len(anchors),
        }
        for number, anchor in enumerate(anchors):
            save_placed(anchor, folder / f"anchor_{number}.npz")
        _run_mesher(folder, shape.name, request, time_limit_s)
        return tuple(load_placed(folder / f"mesh_{n}.npz") for n in range(len(sizes)))


def require_gmsh() -> None:
    """Raise unless gmsh can be loaded.

    Raises
    ------
    MeshingError
        With the command that installs what is missing.
    """
    with tempfile.TemporaryDirectory(prefix="bafflelens_mesh_") as name:
        _run_mesher(Path(name), "none", {}, 60.0)


def _run_mesher(folder: Path, name: str, request: Mapping[str, Any], time_limit_s: float) -> None:
    """Run the mesher in a folder; whatever goes wrong there is one line here."""
    (folder / "request.json").write_text(json.dumps(request))
    ended = ready_process.run_ready("bafflelens.shapes.meshing.mesher", folder, time_limit_s)
    if not ended:
        return
    otherwise = invalid("shape", name, f"one that can be meshed; the mesher ended with {ended}")
    raise MeshingError(fault_left(folder, otherwise))


def _require_sound(mesh: Mesh, shape: Shape) -> None:
    """Raise unless a mesh is sound.

    Closed, outward, of known names, with few slivers, and nowhere crossing itself.
    """
    unknown = [name for name in np.unique(mesh.surface).tolist() if not surface_kind(name)]
    if unknown:
        rule = "one of " + ", ".join(SURFACE_KINDS)
        raise MeshingError(invalid("surface", ", ".join(unknown), rule))
    mesh.require_closed(shape.symmetry)
    share = float((mesh.smallest_angles_deg < _SMALL_ANGLE_DEG).mean())
    if not math.isfinite(share) or share > _SMALL_ANGLE_SHARE:
        value = f"{share:.1%} of {mesh.n_triangles} triangles under {_SMALL_ANGLE_DEG:g} degrees"
        raise MeshingError(invalid("mesh", value, f"at most {_SMALL_ANGLE_SHARE:.0%}"))
    crossing = crossing_triangles(mesh)
    if len(crossing):
        x, y, z = mesh.centroids[crossing[0]].mean(axis=0) * 1e3
        value = (
            f"{len(crossing)} pairs of triangles that cross, the first at "
            f"({x:.1f}, {y:.1f}, {z:.1f}) mm"
        )
        raise MeshingError(invalid("mesh", value, "a surface that does not meet itself"))
