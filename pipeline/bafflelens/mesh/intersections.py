# SPDX-License-Identifier: GPL-3.0-or-later
"""Where a surface meets itself: triangles that cross, or are folded back on a neighbour."""

from __future__ import annotations

from typing import Final

import numpy as np

from bafflelens.base.conventions import IntArray
from bafflelens.mesh.mesh import Mesh

_FOLDED_COSINE: Final = -0.9999  # neighbours whose normals are nearly opposite: under a degree
_SHRUNK: Final = 1e-6  # of an edge or a triangle at its ends, so that touching is no crossing


def crossing_triangles(mesh: Mesh) -> IntArray:
    """Return the pairs of triangles that cross each other or are folded on each other.

    Triangles that share an edge can only be folded; those that share one corner cross if the
    edge opposite to it passes through the other.

    Parameters
    ----------
    mesh : Mesh
        The surface.

    Returns
    -------
    (n_pairs, 2) integer array
        Numbers of triangles; empty for a sound surface.
    """
    from bafflelens.base.box_tree import build_tree  # slow to load, and only meshing needs it
    from bafflelens.mesh.crossing_search import crossing_pairs

    corners, triangles = np.ascontiguousarray(mesh.corners), mesh.triangles.astype(np.int64)
    tree = build_tree(corners)
    return np.asarray(
        crossing_pairs(
            corners, triangles, mesh.normals, mesh.longest_edges, _FOLDED_COSINE, _SHRUNK, *tree
        )
    )
