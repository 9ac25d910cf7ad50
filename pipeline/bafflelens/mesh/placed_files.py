# SPDX-License-Identifier: GPL-3.0-or-later
"""Meshes with the places of their vertices in files that this program reads again at once."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from bafflelens.mesh.mesh import Mesh
from bafflelens.mesh.places import VertexPlaces


def save_placed(mesh: Mesh, path: Path) -> None:
    """Write a mesh and where its vertices lie to ``path`` (.npz), without compressing it."""
    places: dict[str, Any] = {} if mesh.places is None else dict(mesh.places.arrays())
    with path.open("wb") as stream:
        np.savez(
            stream,
            vertices=mesh.vertices,
            triangles=mesh.triangles,
            surface=mesh.surface,
            **places,
        )


def load_placed(path: Path) -> Mesh:
    """Read what `save_placed` has written.

    Raises
    ------
    OSError, KeyError, ValueError
        If it is missing or damaged.
    """
    with np.load(path) as data:
        arrays = dict(data)
    mesh = Mesh.of_arrays(arrays)
    return Mesh(mesh.vertices, mesh.triangles, mesh.surface, VertexPlaces.from_arrays(arrays))
