# SPDX-License-Identifier: GPL-3.0-or-later
"""Bodies from a triangle mesh: read, placed and named as declared, and made as fine as asked.

The triangles are the body: they are divided where they are too large for a frequency, and nothing
is smoothed. A mesh that is coarser than the shape it stands for stays as coarse in shape.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from bafflelens.base.closest_point import closest, searchable
from bafflelens.base.conventions import FloatArray
from bafflelens.base.errors import InputError, MeshingError, invalid
from bafflelens.mesh.division import divided
from bafflelens.mesh.files import read_mesh
from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.quality import MeshSize
from bafflelens.mesh.surface_names import GUIDING_KINDS, SURFACE_KINDS, surface_kind
from bafflelens.shapes.cad.declaration import UNITS_M, MeshedBody, nearest_of
from bafflelens.shapes.cad.step_solid import placing_matrix

_MM = 1e-3


def read_body(path: Path, declaration: MeshedBody) -> Mesh:
    """Return the mesh of a declaration, closed and outward, in the reference frame and in m.

    Parameters
    ----------
    path : Path
        The declaration.
    declaration : MeshedBody
        What it says.

    Raises
    ------
    MeshingError
        If the file cannot be read, a region is not in it or has no surface, or the mesh is not
        closed.
    """
    try:
        found = read_mesh(path.parent / declaration.mesh)
    except InputError as error:
        raise MeshingError(str(error)) from error
    turn = placing_matrix(declaration.placement)
    origin = np.asarray(declaration.placement.origin_mm) * _MM
    vertices = (found.vertices * UNITS_M[declaration.unit] - origin) @ turn.T
    mesh = Mesh(vertices, found.triangles, _named(found, declaration))
    if mesh.volume < 0:
        mesh = Mesh(mesh.vertices, mesh.triangles[:, ::-1], mesh.surface)
    mesh.require_closed(())
    return mesh


def _named(mesh: Mesh, declaration: MeshedBody) -> Any:
    """Return the surface of each triangle: as declared, else by the name the file has for it."""
    regions = np.unique(mesh.surface).tolist()
    surface_of = {
        region: name for name, entry in declaration.surfaces.items() for region in entry.regions
    }
    for region in surface_of.keys() - set(regions):
        raise MeshingError(invalid("region", region, nearest_of(region, regions)))
    for region in regions:
        if not surface_kind(surface_of.get(region, region)):
            rule = "one that [surfaces] names, or itself one of " + ", ".join(SURFACE_KINDS)
            raise MeshingError(invalid("region", region, rule))
    return np.array([surface_of.get(str(name), str(name)) for name in mesh.surface])


def body_at(mesh: Mesh, motions: Sequence[Mapping[str, Any]], size: MeshSize) -> Mesh:
    """Return a body made as fine as a mesh rule asks.

    Parameters
    ----------
    mesh : Mesh
        From `read_body`.
    motions : sequence of mapping
        What moves, as a script's ``sources()`` returns it.
    size : MeshSize
        The rule; elements for curvature are no matter here, as the triangles are flat.
    """
    moving = [
        name
        for motion in motions
        for name in (*motion["piston_surfaces"], *motion["taper_surfaces"])
    ]
    missing = set(moving) - set(mesh.surface)
    if missing:
        names = np.unique(mesh.surface).tolist()
        raise MeshingError(
            invalid("source surface", min(missing), nearest_of(min(missing), names))
        )
    at_source = np.isin(mesh.surface, moving)
    guiding = np.isin(mesh.surface, [n for n in mesh.surface if surface_kind(n) in GUIDING_KINDS])
    return divided(mesh, partial(_size_at, mesh, at_source, guiding, size))


def _size_at(
    mesh: Mesh, at_source: Any, guiding: Any, size: MeshSize, points: FloatArray
) -> FloatArray:
    """Return the edge length wanted at points: grown from the sources, finest on what guides."""
    away = closest(searchable(mesh.vertices, mesh.triangles[at_source]), points).distance
    share = np.minimum(away / size.growth_distance_m, 1.0)
    wanted = size.source_size_m * (1 + (size.growth - 1) * share)
    if guiding.any():
        near = closest(searchable(mesh.vertices, mesh.triangles[guiding]), points).distance
        wanted[near < 1e-9] = size.source_size_m
    return np.minimum(wanted, size.largest_m)
