# SPDX-License-Identifier: GPL-3.0-or-later
"""Which triangle lies across each side of another, on a closed surface."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bafflelens.mesh.mesh import Mesh


@dataclass(frozen=True, kw_only=True)
class Sides:
    """The sides of all triangles, three each, in their order.

    Attributes
    ----------
    start, end : (3 * n_triangles,) array of int
        Vertices that a side runs from and to.
    owner, other : (3 * n_triangles,) array of int
        The triangle that it belongs to, and the one across it.
    """

    start: NDArray[np.int64]
    end: NDArray[np.int64]
    owner: NDArray[np.int64]
    other: NDArray[np.int64]


def sides_of(mesh: Mesh) -> Sides:
    """Return the sides of a closed surface; neighbours run along theirs in opposite ways."""
    n = len(mesh.vertices)
    start = mesh.triangles.ravel().astype(np.int64)
    end = np.roll(mesh.triangles, -1, axis=1).ravel().astype(np.int64)
    owner = np.repeat(np.arange(mesh.n_triangles), 3)
    order = np.argsort(start * n + end)
    place = np.searchsorted((start * n + end)[order], end * n + start)
    other = owner[order][np.minimum(place, len(order) - 1)]
    return Sides(start=start, end=end, owner=owner, other=other)
