# SPDX-License-Identifier: GPL-3.0-or-later
"""What two meshes have to share for the answers on one to mean something on the other."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence

import numpy as np

from bafflelens.mesh.mesh import Mesh

_VERSION = "1"


def digest(mesh: Mesh, symmetry: Sequence[str] = ()) -> str:
    """Return a digest of how a mesh hangs together, wherever its vertices lie.

    It holds the corners of every triangle in their order, the name of the surface that each
    triangle lies on, the number of vertices, and the mirror planes. It does not hold coordinates.
    So two meshes of one digest have one unknown after the other on the same triangle of the same
    surface: a pressure of one may be a first guess on the other. A mesh that is moved with its
    shape keeps its digest; two meshes that gmsh made have the same only where they are the same.

    Parameters
    ----------
    mesh : Mesh
        The mesh.
    symmetry : sequence of {"x", "y", "z"}
        Planes in which it is mirrored, in any order.

    Returns
    -------
    str
        64 hexadecimal digits, the same on every machine.
    """
    names, number = np.unique(mesh.surface, return_inverse=True)
    head = "\0".join((_VERSION, *sorted(symmetry), "", str(len(mesh.vertices)), *names.tolist()))
    found = hashlib.sha256(head.encode())
    for part in (mesh.triangles, number):
        found.update(b"\0")
        found.update(np.ascontiguousarray(part, dtype="<i8").tobytes())
    return found.hexdigest()
