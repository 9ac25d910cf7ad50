# SPDX-License-Identifier: GPL-3.0-or-later
"""Meshes and fields on them for other programs, and meshes of theirs, through meshio.

Names of surfaces travel as cell data: ``surface`` is a number a triangle, and for each name there
is an array ``surface:<name>`` that is 1 on it. In files of gmsh they are physical groups as well.
STL and PLY hold triangles only.
"""

from __future__ import annotations

import contextlib
import io
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from bafflelens.base.errors import InputError, invalid
from bafflelens.base.writing import require_new_file, storing
from bafflelens.mesh.mesh import Mesh

FORMATS: Final = (".vtu", ".msh", ".xdmf", ".stl", ".ply")
"""Endings of files that are written."""

WITH_FIELDS: Final = (".vtu", ".msh", ".xdmf")
"""Those that hold fields and names of surfaces."""

_NAME: Final = "surface:"
_GROUP: Final = "gmsh:physical"
_KINDS: Final = {".msh": "gmsh"}


def require_format(path: Path, endings: tuple[str, ...] = FORMATS) -> None:
    """Refuse a file whose ending says nothing that can be written.

    Raises
    ------
    InputError
        With the endings that can.
    """
    if path.suffix.lower() not in endings:
        rule = "one of " + ", ".join(endings)
        raise InputError(invalid("ending of the file's name", path.suffix, rule))


def write_mesh(
    path: Path, mesh: Mesh, fields: Mapping[str, NDArray[np.floating[Any]]] | None = None
) -> None:
    """Write a mesh with its surface names, and real fields on its triangles.

    Parameters
    ----------
    path : Path
        New file; its ending says which kind.
    mesh : Mesh
        The surface, in m.
    fields : mapping of str to (n_triangles,) array, optional
        What a viewer can colour; the names say the unit.

    Raises
    ------
    InputError
        If the ending is unknown, or the kind of file holds no fields.
    StoreError
        If the file exists or cannot be written.
    """
    import meshio

    require_format(path, WITH_FIELDS if fields else FORMATS)
    require_new_file(path)
    names, number = np.unique(mesh.surface, return_inverse=True)
    data: dict[str, list[NDArray[Any]]] = {}
    groups: dict[str, NDArray[np.int64]] = {}
    if path.suffix.lower() in WITH_FIELDS:
        data["surface"] = [number.astype(np.int32)]
        for name, values in (fields or {}).items():
            data[name] = [np.asarray(values, dtype=float)]
        for order, name in enumerate(names.tolist()):
            data[f"{_NAME}{name}"] = [(number == order).astype(np.int32)]
            groups[name] = np.array([order + 1, 2])
    if path.suffix.lower() == ".msh":
        data[_GROUP] = data["gmsh:geometrical"] = [number.astype(np.int32) + 1]
    body = meshio.Mesh(
        mesh.vertices, [("triangle", mesh.triangles)], cell_data=data, field_data=groups
    )
    # XDMF comes as two files that name each other, so the folder is where they are written.
    with storing(path), tempfile.TemporaryDirectory(dir=path.parent, prefix=".new-") as scratch:
        made = Path(scratch) / path.name
        with contextlib.redirect_stdout(io.StringIO()):
            meshio.write(made, body, file_format=_KINDS.get(path.suffix.lower()))
        for part in sorted(made.parent.iterdir(), key=lambda part: part == made):
            part.replace(path.parent / part.name)


def read_mesh(path: Path) -> Mesh:
    """Read the triangles of a file, in its own unit, with what it says of surfaces.

    A triangle's surface is the name that the file has for it; where it has numbers only, the
    number as a word; where it has none, ``1``.

    Parameters
    ----------
    path : Path
        A file of any kind that meshio reads.

    Raises
    ------
    InputError
        If it cannot be read, holds no triangles, or holds other cells of a surface.
    """
    import meshio

    rule = "a triangle mesh that can be read"
    if not path.is_file():
        raise InputError(invalid("mesh file", path, "an existing file"))
    try:
        with (
            contextlib.redirect_stdout(io.StringIO()),
            contextlib.redirect_stderr(io.StringIO()),
            np.errstate(all="ignore"),  # it takes the first bytes of any STL for a number
        ):
            read = meshio.read(path)
    except (Exception, SystemExit) as error:  # its readers raise anything, and one of them exits
        cause = " ".join(str(error).split()) or type(error).__name__
        raise InputError(invalid("mesh file", path, f"{rule} ({cause})")) from error
    flat = [block for block in read.cells if block.type in ("triangle", "quad", "polygon")]
    kinds = {block.type for block in flat}
    if kinds != {"triangle"}:
        found = ", ".join(sorted(kinds)) or "none"
        raise InputError(invalid("mesh file", path, f"{rule}; its cells are: {found}"))
    chosen = [n for n, block in enumerate(read.cells) if block.type == "triangle"]
    triangles = np.concatenate([read.cells[n].data for n in chosen]).astype(np.int64)
    vertices = np.asarray(read.points, dtype=float)
    if vertices.ndim != 2 or vertices.shape[1] != 3 or not np.isfinite(vertices).all():
        raise InputError(invalid("mesh file", path, f"{rule}, with finite coordinates in space"))
    vertices, triangles = _merged(vertices, triangles)
    return Mesh(vertices, triangles, _surfaces(read, chosen)).without_unused_vertices()


def _merged(
    vertices: NDArray[np.float64], triangles: NDArray[np.int64]
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Return the mesh with equal vertices as one: STL has three of its own a triangle."""
    distinct, number = np.unique(vertices, axis=0, return_inverse=True)
    return distinct, number.reshape(-1)[triangles]


def _surfaces(read: Any, chosen: list[int]) -> NDArray[np.str_]:
    """Return the name of each triangle's surface, from the first kind of name that is there."""

    def values(key: str) -> NDArray[Any]:
        return np.concatenate([np.asarray(read.cell_data[key][n]) for n in chosen])

    named = [key for key in read.cell_data if key.startswith(_NAME)]
    if named:
        found = np.array([key.removeprefix(_NAME) for key in named])
        return np.asarray(found[np.argmax([values(key) for key in named], axis=0)], dtype=str)
    group_names = {int(of[0]): name for name, of in read.field_data.items() if int(of[1]) == 2}
    for key in (_GROUP, "surface", "region", "gmsh:geometrical", "medit:ref"):
        if key in read.cell_data:
            numbers = values(key).astype(np.int64)
            return np.array([group_names.get(int(n), str(int(n))) for n in numbers], dtype=str)
    return np.full(sum(len(read.cells[n].data) for n in chosen), "1")


def level_and_phase(
    name: str, pressure: NDArray[np.complexfloating[Any, Any]]
) -> dict[str, NDArray[np.float64]]:
    """Return a complex pressure in Pa as fields that a viewer can colour.

    Parameters
    ----------
    name : str
        What it is, at the start of each field's name.
    pressure : (n_triangles,) complex array
        In Pa.
    """
    magnitude = np.maximum(np.abs(pressure), np.finfo(np.float32).tiny)
    return {
        f"{name} real Pa": pressure.real.astype(float),
        f"{name} imaginary Pa": pressure.imag.astype(float),
        f"{name} level dB re 20 uPa": 20 * np.log10(magnitude / 20e-6),
        f"{name} phase deg": np.degrees(np.angle(pressure)),
    }
