# SPDX-License-Identifier: GPL-3.0-or-later
"""Blocks of the Burton-Miller matrix times vectors, compiled (`bem.cross_approximation`)."""

import numpy as np
from numba import njit


@njit(fastmath=True, cache=True, error_model="numpy", nogil=True)
def apply_low_rank(packed, steps, ranks, blocks, is_transposed, vectors, out):
    """Add a run of blocks, or their transposes, times ``vectors`` to ``out``.

    Parameters
    ----------
    packed, steps, ranks : arrays
        From `form_low_rank`, with ``blocks``.
    is_transposed : bool
        Whether rows and columns change places.
    vectors : (n_vectors, 2, n) real array
        Real and imaginary parts, in the order of the clusters.
    out : (n_vectors, 2, n) real array
        Added to in place.
    """
    at, product = 0, 0
    for b in range(len(blocks)):
        first, last, column, column_end = blocks[b, 0], blocks[b, 1], blocks[b, 2], blocks[b, 3]
        m, n = last - first, column_end - column
        for _ in range(ranks[b]):
            right, left = at, at + 2 * n
            at += 2 * (m + n)
            # of how many entries which part is taken with the vectors, and which is added
            t, taken, of = (m, left, first) if is_transposed else (n, right, column)
            g, given, into = (n, right, column) if is_transposed else (m, left, first)
            vr, vi = packed[taken : taken + t], packed[taken + t : taken + 2 * t]
            ur, ui = packed[given : given + g], packed[given + g : given + 2 * g]
            for v in range(len(vectors)):
                xr, xi = vectors[v, 0, of : of + t], vectors[v, 1, of : of + t]
                re, im = np.float32(0.0), np.float32(0.0)
                for j in range(t):
                    p, q = np.float32(vr[j]), np.float32(vi[j])
                    re += p * xr[j] - q * xi[j]
                    im += p * xi[j] + q * xr[j]
                re *= steps[product]
                im *= steps[product]
                yr, yi = out[v, 0, into : into + g], out[v, 1, into : into + g]
                for i in range(g):
                    p, q = np.float32(ur[i]), np.float32(ui[i])
                    yr[i] += p * re - q * im
                    yi[i] += p * im + q * re
            product += 1


@njit(fastmath=True, cache=True, error_model="numpy", nogil=True)
def apply_in_full(packed, steps, blocks, vectors, out):
    """Add a run of near blocks times ``vectors`` to ``out``: see `apply_low_rank`."""
    at, row = 0, 0
    for b in range(len(blocks)):
        first, last, column, column_end = blocks[b, 0], blocks[b, 1], blocks[b, 2], blocks[b, 3]
        n = column_end - column
        for i in range(first, last):
            ar, ai = packed[at : at + n], packed[at + n : at + 2 * n]
            at += 2 * n
            for v in range(len(vectors)):
                xr, xi = vectors[v, 0, column:column_end], vectors[v, 1, column:column_end]
                re, im = np.float32(0.0), np.float32(0.0)
                for j in range(n):
                    p, q = np.float32(ar[j]), np.float32(ai[j])
                    re += p * xr[j] - q * xi[j]
                    im += p * xi[j] + q * xr[j]
                out[v, 0, i] += steps[row] * re
                out[v, 1, i] += steps[row] * im
            row += 1


@njit(fastmath=True, cache=True, error_model="numpy", nogil=True)
def apply_in_full_transposed(packed, steps, blocks, vectors, out):
    """Add the transpose of near blocks times ``vectors`` to ``out``: see `apply_low_rank`."""
    at, row = 0, 0
    for b in range(len(blocks)):
        first, last, column, column_end = blocks[b, 0], blocks[b, 1], blocks[b, 2], blocks[b, 3]
        n = column_end - column
        for i in range(first, last):
            ar, ai = packed[at : at + n], packed[at + n : at + 2 * n]
            at += 2 * n
            for v in range(len(vectors)):
                x, y = steps[row] * vectors[v, 0, i], steps[row] * vectors[v, 1, i]
                yr, yi = out[v, 0, column:column_end], out[v, 1, column:column_end]
                for j in range(n):
                    p, q = np.float32(ar[j]), np.float32(ai[j])
                    yr[j] += p * x - q * y
                    yi[j] += p * y + q * x
            row += 1
