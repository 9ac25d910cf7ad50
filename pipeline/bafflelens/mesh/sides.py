# SPDX-License-Identifier: GPL-3.0-or-later
"""Sides of triangles, and which of them are one edge."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from bafflelens.base.conventions import IntArray


class PairedSides(NamedTuple):
    """The sides of triangles, three each, in their order, and those that lie on another.

    Attributes
    ----------
    start, end : (3 * n_triangles,) integer array
        Vertices that each side runs from and to. Side s is one of triangle s // 3.
    one, two : (n_pairs,) integer array
        Numbers of two sides with the same ends. Where several triangles meet along an edge, each
        side is paired with the next.
    """

    start: IntArray
    end: IntArray
    one: NDArray[np.int64]
    two: NDArray[np.int64]


def paired_sides(triangles: IntArray, n_vertices: int) -> PairedSides:
    """Return the sides of triangles, (n_triangles, 3), and which of them are one edge."""
    start = triangles.ravel()
    end = np.roll(triangles, -1, axis=1).ravel()
    edge = np.minimum(start, end).astype(np.int64) * n_vertices + np.maximum(start, end)
    order = np.argsort(edge, kind="stable")
    one, two = order[:-1], order[1:]
    same = edge[one] == edge[two]
    return PairedSides(start, end, one[same], two[same])
