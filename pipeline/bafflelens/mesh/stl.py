# SPDX-License-Identifier: GPL-3.0-or-later
"""A mesh as a binary STL file."""

from __future__ import annotations

import numpy as np

from bafflelens.mesh.mesh import Mesh


def stl_bytes(mesh: Mesh) -> bytes:
    """Return a mesh as a binary STL file in mm."""
    record = np.zeros(
        mesh.n_triangles,
        dtype=[("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")],
    )
    record["normal"] = mesh.normals
    record["corners"] = mesh.corners * 1e3
    header = b"bafflelens solid, lengths in mm".ljust(80)
    return header + np.uint32(mesh.n_triangles).tobytes() + record.tobytes()
