# SPDX-License-Identifier: GPL-3.0-or-later
"""How blocks of low rank change with their points and elements, compiled.

A block is A = A_J M^-1 A_I nearly, with its columns J and rows I through which the crosses were
laid, and M where these meet. On a vector p it does what the elements J alone do with the strengths
q = M^-1 A_I p: wherever the field points are, also a little beside where they were. So

    l . dA p = sum_i l_i dA_iJ q          for moves of the points,
             = sum_j s dA_Ij p_j          for moves of the elements, s = M^-T A_J^T l ,

which takes as many pairs as the rank is high instead of all. Symbols as in `bem.pair_derivatives`.
(The skeleton of a matrix: S. A. Goreinov, E. E. Tyrtyshnikov and N. L. Zamarashkin, Linear Algebra
Appl. 261 (1997) 1, from memory; that it may be differentiated was derived here, and
`tests/physics/test_node_slopes.py` checks it against all pairs.)
"""

from __future__ import annotations

import numpy as np
from numba import njit

from bafflelens.bem.pair_derivatives import BLOCK, radial


@njit(nogil=True, cache=True, error_model="numpy")
def _solved(matrix, side, found):
    """Set ``found`` to what solves matrix . found = side; both are destroyed."""
    size = len(side)
    for k in range(size):
        best = k
        for i in range(k + 1, size):
            if abs(matrix[i, k]) > abs(matrix[best, k]):
                best = i
        if best != k:
            for j in range(size):
                matrix[k, j], matrix[best, j] = matrix[best, j], matrix[k, j]
            side[k], side[best] = side[best], side[k]
        for i in range(k + 1, size):
            factor = matrix[i, k] / matrix[k, k]
            if factor != 0:
                for j in range(k + 1, size):
                    matrix[i, j] -= factor * matrix[k, j]
                side[i] -= factor * side[k]
    for k in range(size - 1, -1, -1):
        total = side[k]
        for j in range(k + 1, size):
            total -= matrix[k, j] * found[j]
        found[k] = total / matrix[k, k]


@njit(nogil=True, fastmath=True, cache=True, error_model="numpy")
def _along(packed, start, count, vector, first):
    """Return the sum of the parts of a cross times a vector, (2, n), from ``first`` on."""
    re, im = np.float32(0.0), np.float32(0.0)
    for j in range(np.uint64(count)):
        a = np.float32(packed[start + j])
        b = np.float32(packed[start + count + j])
        re += a * vector[0, first + j] - b * vector[1, first + j]
        im += a * vector[1, first + j] + b * vector[0, first + j]
    return complex(re, im)


@njit(nogil=True, cache=True, error_model="numpy")
def _strengths(packed, at, stride, count, pivots, side, vector, first):
    """Return the strengths at the pivots that stand for a vector.

    ``at`` is where the parts of the first cross begin, of ``count`` entries each, ``stride`` how
    far it is to the next; ``side`` tells which of ``pivots`` are those of these parts.
    """
    rank = len(pivots)
    matrix = np.empty((rank, rank), np.complex128)
    sums, found = np.empty(rank, np.complex128), np.empty(rank, np.complex128)
    for k in range(rank):
        start = at + k * stride
        sums[k] = _along(packed, start, count, vector, first)
        for other in range(rank):
            place = start + pivots[other, side]
            matrix[k, other] = complex(packed[place], packed[place + count])
    _solved(matrix, sums, found)
    return found


@njit(nogil=True, cache=True, error_model="numpy")
def add_at_points(far, blocks, ranks, pivots, packed, adjoint, pressure, at_point):
    """Add what Re (adjoint . A pressure) changes by when the points of blocks move.

    Parameters
    ----------
    far : tuple of arrays
        From `low_rank.in_order`, with e/k in m for the couplings.
    blocks, ranks, pivots, packed : arrays
        Those of a `low_rank.BlockRun`.
    adjoint, pressure, at_point : arrays
        As in `pair_derivatives.add_pairs`.
    """
    at, done = 0, 0
    for b in range(len(blocks)):
        column, m = blocks[b, 2], blocks[b, 1] - blocks[b, 0]
        n, rank = blocks[b, 3] - column, ranks[b]
        through = pivots[done : done + rank]
        strengths = np.empty((len(pressure), rank), np.complex64)
        for s in range(len(pressure)):
            strengths[s] = _strengths(packed, at, 2 * (m + n), n, through, 1, pressure[s], column)
        _add_block_at_points(far, blocks[b], through[:, 1], strengths, adjoint, at_point)
        at += rank * 2 * (m + n)
        done += rank


@njit(nogil=True, cache=True, error_model="numpy")
def add_at_elements(far, blocks, ranks, pivots, packed, adjoint, pressure, at_element):
    """Add what Re (adjoint . A pressure) changes by when the elements of blocks move.

    Parameters
    ----------
    far : tuple of arrays
        From `low_rank.in_order`, with e/k in m for the couplings.
    blocks, ranks, pivots, packed : arrays
        Those of a `low_rank.BlockRun` whose crosses know all derivatives at the elements: see
        `far_slopes`.
    adjoint, pressure, at_element : arrays
        As in `pair_derivatives.add_pairs`.
    """
    at, done = 0, 0
    n_objectives, n_sources = adjoint.shape[0], adjoint.shape[1]
    for b in range(len(blocks)):
        first, m = blocks[b, 0], blocks[b, 1] - blocks[b, 0]
        n, rank = blocks[b, 3] - blocks[b, 2], ranks[b]
        stride = 2 * (m + n)
        through = pivots[done : done + rank]
        left = np.empty((n_objectives, n_sources, rank), np.complex64)
        for o in range(n_objectives):
            for s in range(n_sources):
                left[o, s] = _strengths(
                    packed, at + 2 * n, stride, m, through, 0, adjoint[o, s], first
                )
        _add_block_at_elements(far, blocks[b], through[:, 0], left, pressure, at_element)
        at += rank * stride
        done += rank


@njit(nogil=True, fastmath=True, cache=True, error_model="numpy")
def _add_block_at_points(far, block, through, strengths, adjoint, at_point):
    """Add what the elements ``through`` which crosses lie do to moving points."""
    points, elements, signs, scalars = far
    k, turns, one = scalars[0], scalars[2], scalars[3]
    zero = one - one
    first, last, column, image = block[0], block[1], block[2], block[4]
    sx, sy, sz = signs[image, 0], signs[image, 1], signs[image, 2]
    n_sources = len(strengths)
    kept = np.empty(12 * BLOCK, np.float32)
    sums = np.empty((n_sources, 12 * BLOCK), np.float32)
    for begin in range(first, last, BLOCK):
        count = np.uint64(min(BLOCK, last - begin))
        sums[:] = zero
        for c in range(len(through)):
            j = column + through[c]
            # the element is mirrored instead of the points: all is as seen from these
            yx, yy, yz = elements[0, j] * sx, elements[1, j] * sy, elements[2, j] * sz
            mx, my, mz = elements[3, j] * sx, elements[4, j] * sy, elements[5, j] * sz
            weight, moment = elements[6, j], elements[7, j]
            for b in range(count):
                i = np.uint64(begin) + b
                nx, ny, nz = points[3, i], points[4, i], points[5, i]
                (
                    ux, uy, uz, r, s_re, s_im, p_re, p_im, q_re, q_im, w_re, w_im, _, _,
                ) = radial(
                    yx - points[0, i], yy - points[1, i], yz - points[2, i],
                    nx, ny, nz, mx, my, mz, weight, moment, points[6, i], k, turns, one, False,
                )  # fmt: skip
                kept[b] = s_re * ux + p_re * mx + q_re * nx
                kept[BLOCK + b] = s_im * ux + p_im * mx + q_im * nx
                kept[2 * BLOCK + b] = s_re * uy + p_re * my + q_re * ny
                kept[3 * BLOCK + b] = s_im * uy + p_im * my + q_im * ny
                kept[4 * BLOCK + b] = s_re * uz + p_re * mz + q_re * nz
                kept[5 * BLOCK + b] = s_im * uz + p_im * mz + q_im * nz
                kept[6 * BLOCK + b] = q_re * r * ux + w_re * mx
                kept[7 * BLOCK + b] = q_im * r * ux + w_im * mx
                kept[8 * BLOCK + b] = q_re * r * uy + w_re * my
                kept[9 * BLOCK + b] = q_im * r * uy + w_im * my
                kept[10 * BLOCK + b] = q_re * r * uz + w_re * mz
                kept[11 * BLOCK + b] = q_im * r * uz + w_im * mz
            for s in range(n_sources):
                re, im = strengths[s, c].real, strengths[s, c].imag
                into = sums[s]
                for part in range(6):
                    real, imaginary = 2 * part * BLOCK, (2 * part + 1) * BLOCK
                    for b in range(count):
                        into[real + b] += re * kept[real + b] - im * kept[imaginary + b]
                        into[imaginary + b] += re * kept[imaginary + b] + im * kept[real + b]
        for o in range(len(adjoint)):
            for s in range(n_sources):
                for part in range(6):
                    real, imaginary = 2 * part * BLOCK, (2 * part + 1) * BLOCK
                    side = -one if part < 3 else one
                    for b in range(count):
                        i = np.uint64(begin) + b
                        at_point[o, part, i] += side * (
                            adjoint[o, s, 0, i] * sums[s, real + b]
                            - adjoint[o, s, 1, i] * sums[s, imaginary + b]
                        )


@njit(nogil=True, fastmath=True, cache=True, error_model="numpy")
def _add_block_at_elements(far, block, through, left, pressure, at_element):
    """Add what moving elements do at the points ``through`` which crosses lie."""
    points, elements, signs, scalars = far
    k, turns, one = scalars[0], scalars[2], scalars[3]
    first, column, column_end, image = block[0], block[2], block[3], block[4]
    sx, sy, sz = signs[image, 0], signs[image, 1], signs[image, 2]
    n_objectives, n_sources = left.shape[0], left.shape[1]
    kept = np.empty(18 * BLOCK, np.float32)
    for begin in range(column, column_end, BLOCK):
        count = np.uint64(min(BLOCK, column_end - begin))
        for c in range(len(through)):
            i = first + through[c]
            x, y, z = points[0, i] * sx, points[1, i] * sy, points[2, i] * sz
            nx, ny, nz = points[3, i] * sx, points[4, i] * sy, points[5, i] * sz
            eta = points[6, i]
            for b in range(count):
                j = np.uint64(begin) + b
                (
                    ux, uy, uz, r, s_re, s_im, p_re, p_im, q_re, q_im, w_re, w_im, v_re, v_im,
                ) = radial(
                    elements[0, j] - x, elements[1, j] - y, elements[2, j] - z, nx, ny, nz,
                    elements[3, j], elements[4, j], elements[5, j],
                    elements[6, j], elements[7, j], eta, k, turns, one, False,
                )  # fmt: skip
                kept[b] = s_re * ux + q_re * nx
                kept[BLOCK + b] = s_im * ux + q_im * nx
                kept[2 * BLOCK + b] = s_re * uy + q_re * ny
                kept[3 * BLOCK + b] = s_im * uy + q_im * ny
                kept[4 * BLOCK + b] = s_re * uz + q_re * nz
                kept[5 * BLOCK + b] = s_im * uz + q_im * nz
                kept[6 * BLOCK + b], kept[7 * BLOCK + b] = p_re, p_im
                kept[8 * BLOCK + b] = p_re * r * ux + w_re * nx
                kept[9 * BLOCK + b] = p_im * r * ux + w_im * nx
                kept[10 * BLOCK + b] = p_re * r * uy + w_re * ny
                kept[11 * BLOCK + b] = p_im * r * uy + w_im * ny
                kept[12 * BLOCK + b] = p_re * r * uz + w_re * nz
                kept[13 * BLOCK + b] = p_im * r * uz + w_im * nz
                kept[14 * BLOCK + b], kept[15 * BLOCK + b] = v_re, v_im
            for o in range(n_objectives):
                for b in range(count):
                    kept[16 * BLOCK + b] = 0
                    kept[17 * BLOCK + b] = 0
                for s in range(n_sources):
                    re, im = left[o, s, c].real, left[o, s, c].imag
                    for b in range(count):
                        pr = pressure[s, 0, np.uint64(begin) + b]
                        pi = pressure[s, 1, np.uint64(begin) + b]
                        kept[16 * BLOCK + b] += re * pr - im * pi
                        kept[17 * BLOCK + b] += re * pi + im * pr
                for part in range(8):
                    real, imaginary = 2 * part * BLOCK, (2 * part + 1) * BLOCK
                    into = at_element[o, part, begin:]
                    for b in range(count):
                        into[b] += (
                            kept[16 * BLOCK + b] * kept[real + b]
                            - kept[17 * BLOCK + b] * kept[imaginary + b]
                        )
