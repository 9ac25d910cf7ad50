# SPDX-License-Identifier: GPL-3.0-or-later
"""Sums of products u v^T cut down to nearly the fewest that are as exact, compiled.

The singular values of U V^T follow from the small matrices U^H U and V^H V: with U^H U = L L^H
those of L^H V^T are the same. Vectors are arrays (number, 2, n) of real and imaginary parts.
"""

import numpy as np
from numba import njit

TILE = 256


@njit(fastmath=True, cache=True, error_model="numpy", nogil=True)
def _products(vectors, rank, out):
    """Set ``out`` to V^H V, (rank, rank) complex, of (highest, 2, n) parts."""
    n = vectors.shape[2]
    out[:rank, :rank] = 0
    for start in range(0, n, TILE):
        end = min(n, start + TILE)
        for k in range(rank):
            for h in range(k + 1):
                re = np.float32(0.0)
                im = np.float32(0.0)
                for j in range(start, end):
                    re += vectors[k, 0, j] * vectors[h, 0, j] + vectors[k, 1, j] * vectors[h, 1, j]
                    im += vectors[k, 0, j] * vectors[h, 1, j] - vectors[k, 1, j] * vectors[h, 0, j]
                out[k, h] += complex(re, im)
    for k in range(rank):
        for h in range(k):
            out[h, k] = np.conj(out[k, h])


@njit(cache=True, error_model="numpy", nogil=True)
def _lower_factor(matrix, out):
    """Set ``out`` to the lower triangle L of a positive definite matrix L L^H."""
    rank = len(matrix)
    floor = 1e-12 * np.trace(matrix).real / rank
    out[:] = 0
    for k in range(rank):
        for h in range(k + 1):
            total = matrix[k, h]
            for i in range(h):
                total -= out[k, i] * np.conj(out[h, i])
            if k == h:
                out[k, k] = np.sqrt(max(total.real, floor))
            else:
                out[k, h] = total / out[h, h]


@njit(fastmath=True, cache=True, error_model="numpy", nogil=True)
def _combine(vectors, rank, weights, out):
    """Set out[k] to sum_l vectors[h] weights[h, k]; parts of (n,) vectors each."""
    n = vectors.shape[2]
    for start in range(0, n, TILE):
        end = min(n, start + TILE)
        for k in range(weights.shape[1]):
            re, im = out[k, 0, start:end], out[k, 1, start:end]
            re[:] = 0
            im[:] = 0
            h = 0
            while h < rank:
                ar, ai = np.float32(weights[h, k].real), np.float32(weights[h, k].imag)
                br, bi = np.float32(0.0), np.float32(0.0)
                other = h
                if h + 1 < rank:
                    other = h + 1
                    br = np.float32(weights[other, k].real)
                    bi = np.float32(weights[other, k].imag)
                pr, pi = vectors[h, 0, start:end], vectors[h, 1, start:end]
                qr, qi = vectors[other, 0, start:end], vectors[other, 1, start:end]
                for j in range(end - start):
                    re[j] += ar * pr[j] - ai * pi[j] + br * qr[j] - bi * qi[j]
                    im[j] += ar * pi[j] + ai * pr[j] + br * qi[j] + bi * qr[j]
                h += 2


@njit(cache=True, error_model="numpy", nogil=True)
def _largest_first(matrix, left_out, columns, pivots):
    """Factor a positive matrix into C C^H, the largest pivots first; return how many.

    It ends when the trace of what is left is at most ``left_out``. ``columns`` takes those of C,
    one a row, ``pivots`` the place that each begins with.
    """
    rank = len(matrix)
    left = np.empty(rank)
    for i in range(rank):
        left[i] = matrix[i, i].real
    for k in range(rank):
        pivot, trace = np.argmax(left), left.sum()
        if trace <= left_out or left[pivot] <= 0:
            return k
        column = columns[k]
        for i in range(rank):
            column[i] = np.conj(matrix[pivot, i])
        for h in range(k):
            share = np.conj(columns[h, pivot])
            for i in range(rank):
                column[i] -= columns[h, i] * share
        root = np.sqrt(left[pivot])
        for i in range(rank):
            column[i] /= root
        for h in range(k):
            column[pivots[h]] = 0
        column[pivot] = root
        pivots[k] = pivot
        for i in range(rank):
            left[i] = max(left[i] - column[i].real ** 2 - column[i].imag ** 2, 0.0)
        left[pivot] = 0
    return rank


@njit(cache=True, error_model="numpy", nogil=True)
def _leading(middle, left_out):
    """Return orthonormal rows whose adjoints span all but ``left_out`` of the trace of a matrix.

    Two steps of the Cholesky iteration, M = C C^H to C^H C, with the largest pivots first: nearly
    the eigenvectors of the largest eigenvalues, with a small part of the work.
    """
    size = len(middle)
    first, second = np.empty_like(middle), np.empty_like(middle)
    pivots = np.empty(size, np.int64)
    found = _largest_first(middle, 1e-4 * left_out, first, pivots)
    inner = np.empty((found, found), np.complex128)
    for k in range(found):
        for h in range(k + 1):
            total = 0j
            for i in range(size):
                total += np.conj(first[k, i]) * first[h, i]
            inner[k, h] = total
            inner[h, k] = np.conj(total)
    kept = _largest_first(inner, left_out, second, pivots)
    # C^H is the second factor times unitary rows; those kept come from its triangle.
    rows = np.empty((kept, size), np.complex128)
    for k in range(kept):
        pivot = pivots[k]
        for i in range(size):
            rows[k, i] = np.conj(first[pivot, i])
        for h in range(k):
            share = second[h, pivot]
            for i in range(size):
                rows[k, i] -= share * rows[h, i]
        for i in range(size):
            rows[k, i] /= second[k, pivot]
    return rows


@njit(cache=True, error_model="numpy", nogil=True)
def fewest(left, right, rank, tolerance, made_left, made_right):
    """Cut crosses down to nearly the fewest products of that tolerance; return their number."""
    inner = np.empty((rank, rank), np.complex128)
    outer = np.empty((rank, rank), np.complex128)
    factor = np.empty((rank, rank), np.complex128)
    _products(left, rank, inner)
    _lower_factor(inner, factor)
    _products(right, rank, outer)
    # The block is U L^-H, which is orthonormal, times L^H V^T, of which ``middle`` is the square:
    # L^H conj(V^H V) L, first without its left factor.
    half, middle = np.zeros_like(factor), np.zeros_like(factor)
    for k in range(rank):
        for i in range(rank):
            for h in range(i + 1):
                half[k, h] += np.conj(outer[k, i]) * factor[i, h]
    for i in range(rank):
        for k in range(i + 1):
            for h in range(rank):
                middle[k, h] += np.conj(factor[i, k]) * half[i, h]
    leading = _leading(middle, tolerance * tolerance)
    kept = len(leading)
    of_left = np.empty((rank, kept), np.complex128)
    of_right = np.zeros((rank, kept), np.complex128)
    for k in range(kept):
        for i in range(rank):
            of_left[i, k] = np.conj(leading[k, i])
            for h in range(i, rank):
                of_right[h, k] += leading[k, i] * np.conj(factor[h, i])
    for h in range(rank - 1, -1, -1):
        for i in range(h + 1, rank):
            share = np.conj(factor[i, h])
            for k in range(kept):
                of_left[h, k] -= share * of_left[i, k]
        for k in range(kept):
            of_left[h, k] /= np.conj(factor[h, h])
    _combine(left, rank, of_left, made_left)
    _combine(right, rank, of_right, made_right)
    return kept
