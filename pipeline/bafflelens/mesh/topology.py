# SPDX-License-Identifier: GPL-3.0-or-later
"""Whether two meshes are one mesh whose vertices have moved."""

from __future__ import annotations

import hashlib

import numpy as np

from bafflelens.mesh.mesh import Mesh

_SIZE = 20  # bytes: two topologies will never share a digest by accident


def digest(mesh: Mesh) -> str:
    """Return the digest of a mesh's triangles and surface names, whatever its vertices' places.

    Element n of one mesh is element n of every other with the same digest.
    """
    names, numbers = np.unique(mesh.surface, return_inverse=True)
    found = hashlib.blake2b(digest_size=_SIZE)
    found.update(f"{len(mesh.vertices)} {mesh.n_triangles} {names.tolist()}".encode())
    found.update(np.ascontiguousarray(mesh.triangles, dtype="<i8").tobytes())
    found.update(np.ascontiguousarray(numbers, dtype="<i4").tobytes())
    return found.hexdigest()
