# SPDX-License-Identifier: GPL-3.0-or-later
"""Slopes that are due to far pairs: all of them, or blocks of low rank through their crosses."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bafflelens.base.conventions import FloatArray
from bafflelens.bem import block_derivatives, low_rank, pair_derivatives
from bafflelens.bem.discretisation import Discretisation
from bafflelens.bem.low_rank import BlockRun, LowRankMatrix


def far_slopes(
    discretisation: Discretisation,
    far: tuple[NDArray[Any], ...],
    matrix: LowRankMatrix | None,
    tolerance: float,
    adjoint: NDArray[np.float32],
    pressure: NDArray[np.float32],
) -> tuple[FloatArray, FloatArray]:
    """Return what Re (adjoint . A pressure) changes by, summed over far pairs.

    Parameters
    ----------
    discretisation : Discretisation
        Elements and near pairs; these are left out.
    far : tuple of arrays
        Arguments of the far kernels, with e/k in m for the couplings.
    matrix : LowRankMatrix or None
        The matrix in blocks: of those of low rank only the pairs are taken through which they
        were laid. Without it all are.
    tolerance : float
        Error of the matrix, as for `low_rank.form`.
    adjoint : (n_objectives, n_sources, 2, n_triangles) array
        Real and imaginary parts, by field point.
    pressure : (n_sources, 2, n_triangles) array
        The same by element.

    Returns
    -------
    of_point : (n_objectives, 6, n_triangles) array
    of_element : (n_objectives, 8, n_triangles) array
        As in `pair_derivatives.add_pairs`.
    """
    near, order = discretisation.near, discretisation.tree[0]
    size, n = len(order), len(adjoint)
    place = np.empty_like(order)
    place[order] = np.arange(size)
    ordered, pairs = low_rank.in_order(far, order), (near.start, near.element, near.image)
    single, vectors = (np.ascontiguousarray(each[..., order]) for each in (adjoint, pressure))

    couplings = (far[8][0] * far[3]).astype(np.float32)  # as the matrix takes them
    turned = low_rank.in_order(_with_any_normals((*far[:3], couplings, *far[4:])), order)
    shared = (order, place, pairs, single, vectors)

    def sums_of(run: BlockRun) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        of_point = np.zeros((n, 6, size), dtype=np.float32)
        of_element = np.zeros((n, 8, size), dtype=np.float32)
        if run.ranks is None:
            pair_derivatives.add_pairs(ordered, run.blocks, *shared, of_point, of_element)
            return of_point, of_element
        block_derivatives.add_at_points(ordered, *run.crosses, single, vectors, of_point)
        again, left = low_rank.form_run(turned, run.blocks, tolerance)
        block_derivatives.add_at_elements(ordered, *again.crosses, single, vectors, of_element)
        unused = np.zeros_like(of_point)
        pair_derivatives.add_pairs(ordered, left, *shared, unused, of_element)
        return of_point, of_element

    point_sums, element_sums = np.zeros((n, 6, size)), np.zeros((n, 8, size))
    runs = _all_pairs(size, len(discretisation.signs)) if matrix is None else matrix.runs
    for of_point, of_element in low_rank.each(sums_of, runs):
        point_sums += of_point
        element_sums += of_element
    return point_sums[..., place], element_sums[..., place]


def _with_any_normals(far: tuple[NDArray[Any], ...]) -> tuple[NDArray[Any], ...]:
    """Return the arguments of the far kernels with normals of the elements in all directions.

    On a flat face a matrix knows of the sound from afar how it changes along one normal alone.
    With neighbours turned at random, what crosses make of one of it holds for all directions.
    """
    turned = np.random.default_rng(1).standard_normal(far[5].shape)
    turned /= np.linalg.norm(turned, axis=0)
    return (*far[:5], turned.astype(np.float32), *far[6:])


def _all_pairs(size: int, images: int) -> tuple[BlockRun, ...]:
    """Return the whole matrix as runs of blocks, of which nothing is stored."""
    nothing, steps = np.empty(0, dtype=np.int16), np.empty(0, dtype=np.float32)
    ends = np.linspace(0, size, pair_derivatives.RUNS + 1).astype(int)
    return tuple(
        BlockRun(
            np.array([(a, b, 0, size, image) for image in range(images)]), nothing, steps, None
        )
        for a, b in pairwise(ends)
    )
