# SPDX-License-Identifier: GPL-3.0-or-later
"""Transposed products of the blocks of `bem.cross_approximation`, compiled."""

import numpy as np
from numba import njit


@njit(fastmath=True, cache=True, error_model="numpy", nogil=True)
def apply_low_rank_transposed(packed, steps, ranks, blocks, vectors, out):
    """Add the transpose of a run of blocks times ``vectors`` to ``out``: see `apply_low_rank`."""
    at, product = 0, 0
    for b in range(len(blocks)):
        first, last, column, column_end = blocks[b, 0], blocks[b, 1], blocks[b, 2], blocks[b, 3]
        m, n = last - first, column_end - column
        for _ in range(ranks[b]):
            vr, vi = packed[at : at + n], packed[at + n : at + 2 * n]
            at += 2 * n
            ur, ui = packed[at : at + m], packed[at + m : at + 2 * m]
            at += 2 * m
            for v in range(len(vectors)):
                xr, xi = vectors[v, 0, first:last], vectors[v, 1, first:last]
                re, im = np.float32(0.0), np.float32(0.0)
                for i in range(m):
                    p, q = np.float32(ur[i]), np.float32(ui[i])
                    re += p * xr[i] - q * xi[i]
                    im += p * xi[i] + q * xr[i]
                re *= steps[product]
                im *= steps[product]
                yr, yi = out[v, 0, column:column_end], out[v, 1, column:column_end]
                for j in range(n):
                    p, q = np.float32(vr[j]), np.float32(vi[j])
                    yr[j] += p * re - q * im
                    yi[j] += p * im + q * re
            product += 1


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
