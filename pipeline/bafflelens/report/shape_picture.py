# SPDX-License-Identifier: GPL-3.0-or-later
"""Pictures of a shape in three dimensions.

VTK ends the whole process when it finds no way to draw off-screen, so the view is drawn in a
process of its own (`bafflelens.report.shape_drawing`); should that fail, matplotlib draws a
plainer one here.
"""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from bafflelens.base import ready_process
from bafflelens.base.conventions import FloatArray
from bafflelens.mesh.mesh import Mesh

ELEMENTS: Final = "elements.npy"
SMALL: Final = "small.png"
"""Files that a process is asked by, beside the mesh."""

_TIME_LIMIT_S: Final = 60.0


@dataclass(frozen=True, kw_only=True)
class Views:
    """A view of a shape twice, as PNG files.

    Attributes
    ----------
    picture : bytes
        With a key of the colours.
    small : bytes
        Without it and without margins, to stand in a small place; empty for a mesh.
    """

    picture: bytes
    small: bytes = b""


def shape_picture(mesh: Mesh, symmetry: tuple[str, ...] = ()) -> bytes:
    """Return a view of a shape from the front, its left and above, coloured by surface name.

    Parameters
    ----------
    mesh : Mesh
        The surface, or the kept part of it.
    symmetry : tuple of {"x", "y", "z"}
        Planes in which the mesh is mirrored first.

    Returns
    -------
    bytes
        A PNG file.
    """
    full = mesh.whole(symmetry)
    drawn = _drawn_apart(full, has_small=False)
    return drawn.picture if drawn else _plainly(full).picture


def shape_views(mesh: Mesh, symmetry: tuple[str, ...] = ()) -> Views:
    """Return the view of `shape_picture`, and the same for a small place."""
    full = mesh.whole(symmetry)
    return _drawn_apart(full) or _plainly(full, has_small=True)


def mesh_picture(mesh: Mesh, symmetry: tuple[str, ...], wavelength_m: float) -> bytes:
    """Return a view of the triangles, coloured by how many of their edges make a wavelength.

    Parameters
    ----------
    mesh : Mesh
        The surface, or the kept part of it.
    symmetry : tuple of {"x", "y", "z"}
        Planes in which the mesh is mirrored first.
    wavelength_m : float
        The shortest wavelength that the mesh is used at, in m.

    Returns
    -------
    bytes
        A PNG file.
    """
    full = mesh.whole(symmetry)
    elements = elements_per_wavelength(full, wavelength_m)
    drawn = _drawn_apart(full, elements)
    return drawn.picture if drawn else _plainly(full, elements).picture


def elements_per_wavelength(mesh: Mesh, wavelength_m: float) -> FloatArray:
    """Return how many of its mean edges each triangle would need for a wavelength.

    The mean edge is that of the equilateral triangle of the same area, which is what the mesh
    rules of `bafflelens.mesh.quality` speak of.

    Parameters
    ----------
    mesh : Mesh
        The surface.
    wavelength_m : float
        The wavelength in m.
    """
    edge = np.sqrt(mesh.areas * 4 / np.sqrt(3))
    return np.asarray(wavelength_m / edge)


def _drawn_apart(
    mesh: Mesh, elements: FloatArray | None = None, *, has_small: bool = True
) -> Views | None:
    """Have VTK draw a closed mesh in a process of its own; None if it cannot."""
    with tempfile.TemporaryDirectory(prefix="bafflelens_picture_") as name:
        folder = Path(name)
        mesh.save(folder / "mesh.npz")
        if elements is not None:
            np.save(folder / ELEMENTS, elements)
        elif has_small:
            (folder / SMALL).touch()
        ended = ready_process.run_ready("bafflelens.report.shape_drawing", folder, _TIME_LIMIT_S)
        picture, small = folder / "picture.png", folder / SMALL
        if ended or not picture.is_file():
            return None
        return Views(
            picture=picture.read_bytes(), small=small.read_bytes() if small.is_file() else b""
        )


def _plainly(mesh: Mesh, elements: FloatArray | None = None, *, has_small: bool = False) -> Views:
    """Draw a closed mesh here, where that cannot be done in a process of its own."""
    from bafflelens.report.shape_drawing import plain_picture, trimmed  # slow to load

    picture = plain_picture(mesh, elements)
    return Views(
        picture=picture, small=trimmed(plain_picture(mesh, has_key=False)) if has_small else b""
    )
