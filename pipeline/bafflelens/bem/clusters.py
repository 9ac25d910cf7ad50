# SPDX-License-Identifier: GPL-3.0-or-later
"""Clusters of elements, and which pairs of them see each other from afar.

The elements are halved along the longest side of their box until few are left; a cluster holds
neighbours in that order. A pair of clusters is *admissible* where the smaller of them is small
against what lies between: its block of the matrix is then of low rank. Pairs of the smallest
clusters that are not admissible are *near*. Each entry of each mirror image's matrix is in
exactly one block (W. Hackbusch, "A sparse matrix arithmetic based on H-matrices", Computing 62
(1999) 89; citation from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numba import njit
from numpy.typing import NDArray

from bafflelens.base.conventions import FloatArray, IntArray

# Clusters of at most so many elements are not halved. Fewer keep less of the matrix, in blocks
# that are too small to be multiplied fast.
LEAF = 64
# Admissible: the smaller diameter is at most this many times the distance.
ADMISSIBILITY = 2.0


BoxTree: TypeAlias = tuple[IntArray, IntArray, IntArray, FloatArray]
"""Order, spans, nodes below and boxes, as `bafflelens.base.box_tree.build_tree` returns them."""


@dataclass(frozen=True)
class Blocks:
    """The matrix of a mesh cut into blocks, row and column counted in the order of the clusters.

    Attributes
    ----------
    order : (n_triangles,) integer array
        The element at each place of the order.
    admissible, near : (n_blocks, 5) integer array
        First row, row after the last, first column, column after the last, mirror image.
    """

    order: IntArray
    admissible: NDArray[np.int64]
    near: NDArray[np.int64]

    @property
    def size(self) -> int:
        """Number of rows."""
        return self.order.size


def cut_clusters(
    tree: BoxTree, signs: FloatArray, leaf: int = LEAF, eta: float = ADMISSIBILITY
) -> Blocks:
    """Cut the matrix of a mesh and its mirror images into blocks.

    Parameters
    ----------
    tree : BoxTree
        Of the elements.
    signs : (n_images, 3) array
        Mirror images: the sign of each coordinate.
    leaf : int
        Clusters of at most so many elements are not halved.
    eta : float
        Largest ratio of the smaller diameter to the distance in an admissible block.
    """
    order, span, below, box = tree
    found, is_admissible = _pairs(span, below, box, signs, leaf, eta)
    # By rows, so that a run of neighbouring blocks adds to few of them.
    by_row = np.lexsort((found[:, 4], found[:, 2], found[:, 0]))
    found, is_admissible = found[by_row], is_admissible[by_row]
    return Blocks(order, found[is_admissible], found[~is_admissible])


@njit(cache=True)
def _pairs(span, below, box, signs, leaf, eta):
    """Return all blocks as the fields of `Blocks`, and which are admissible."""
    found = np.empty((1024, 5), np.int64)
    is_admissible = np.empty(1024, np.bool_)
    stack = np.empty((1024, 2), np.int64)
    count = 0
    for image in range(len(signs)):
        stack[0, 0], stack[0, 1], waiting = 0, 0, 1
        while waiting:
            waiting -= 1
            row, column = stack[waiting, 0], stack[waiting, 1]
            gap, row_size, column_size = _apart(box[row], box[column], signs[image])
            admissible = min(row_size, column_size) <= eta * gap
            row_leaf = span[row, 1] - span[row, 0] <= leaf
            column_leaf = span[column, 1] - span[column, 0] <= leaf
            if admissible or (row_leaf and column_leaf):
                if count == len(found):
                    found = np.concatenate((found, np.empty_like(found)))
                    is_admissible = np.concatenate((is_admissible, np.empty_like(is_admissible)))
                for end in range(2):
                    found[count, end] = span[row, end]
                    found[count, 2 + end] = span[column, end]
                found[count, 4] = image
                is_admissible[count] = admissible
                count += 1
                continue
            halve_row = not row_leaf and (column_leaf or 2 * row_size > column_size)
            halve_column = not column_leaf and (row_leaf or 2 * column_size > row_size)
            for r in range(2 if halve_row else 1):
                for c in range(2 if halve_column else 1):
                    stack[waiting, 0] = below[row, r] if halve_row else row
                    stack[waiting, 1] = below[column, c] if halve_column else column
                    waiting += 1
    return found[:count], is_admissible[:count]


@njit(cache=True)
def _apart(row, column, sign):
    """Return distance and diameters of two boxes, the first of them mirrored."""
    gap = row_size = column_size = 0.0
    for i in range(3):
        low, high = row[0, i], row[1, i]
        if sign[i] < 0:
            low, high = -high, -low
        between = max(column[0, i] - high, low - column[1, i], 0.0)
        gap += between * between
        row_size += (high - low) ** 2
        column_size += (column[1, i] - column[0, i]) ** 2
    return np.sqrt(gap), np.sqrt(row_size), np.sqrt(column_size)
