# SPDX-License-Identifier: GPL-3.0-or-later
"""Low-rank blocks of the Burton-Miller matrix from a few of their rows and columns, compiled.

A block whose clusters are far apart is close to a sum of few products u v^T. Adaptive cross
approximation finds them one by one: v is a row of what is left, u the column through its largest
entry, over that entry (M. Bebendorf, "Approximation of boundary element matrices", Numer. Math.
86 (2000) 565; citation from memory). It knows nothing of rows that it never looked at: across an
edge of the body the kernel may vanish for one face and not for the other. So rows spread over the
block are looked at before it ends, and it goes on from one that is not met.

What it found is cut down to the fewest products by the singular values of U V^T, which come from
the small matrices U^H U and V^H V. Both parts are kept in 16-bit steps, 4 bytes an entry. Symbols
as in `bafflelens.bem.kernels`; ``far`` is the tuple of arguments of its far kernels, rows and
columns in the order of the clusters.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from bafflelens.bem.kernels import NO_SIGN, _coupled_double_layer

# A block of more products than this is halved instead.
HIGHEST_RANK = 200
CHECKED_ROWS = 3
TILE = 256
MOST_STEPS = np.float32(32767.0)


@njit(fastmath=True, cache=True, error_model="numpy", nogil=True)
def _row(far, image, i, first, last, re, im):
    """Set ``re`` and ``im`` to the entries of row ``i`` in columns ``first`` to ``last``."""
    points, normals, signs, couplings, sources, source_normals, weights, moments, scalars = far
    k, inv_k, turns, one = scalars[0], scalars[1], scalars[2], scalars[3]
    x = points[0, i] * signs[image, 0]
    y = points[1, i] * signs[image, 1]
    z = points[2, i] * signs[image, 2]
    nx = normals[0, i] * signs[image, 0]
    ny = normals[1, i] * signs[image, 1]
    nz = normals[2, i] * signs[image, 2]
    e = couplings[i]
    for j in range(first, last):
        real, imaginary = _coupled_double_layer(
            sources[0, j] - x,
            sources[1, j] - y,
            sources[2, j] - z,
            nx,
            ny,
            nz,
            source_normals[0, j],
            source_normals[1, j],
            source_normals[2, j],
            weights[j],
            moments[j],
            e,
            k,
            inv_k,
            turns,
            one,
        )
        re[j - first] = real
        im[j - first] = imaginary


@njit(fastmath=True, cache=True, error_model="numpy", nogil=True)
def _column(far, image, j, first, last, re, im):
    """Set ``re`` and ``im`` to the entries of column ``j`` in rows ``first`` to ``last``."""
    points, normals, signs, couplings, sources, source_normals, weights, moments, scalars = far
    k, inv_k, turns, one = scalars[0], scalars[1], scalars[2], scalars[3]
    # The source is mirrored instead of the field points: distances and derivatives are the same.
    x = sources[0, j] * signs[image, 0]
    y = sources[1, j] * signs[image, 1]
    z = sources[2, j] * signs[image, 2]
    mx = source_normals[0, j] * signs[image, 0]
    my = source_normals[1, j] * signs[image, 1]
    mz = source_normals[2, j] * signs[image, 2]
    weight, moment = weights[j], moments[j]
    for i in range(first, last):
        real, imaginary = _coupled_double_layer(
            x - points[0, i],
            y - points[1, i],
            z - points[2, i],
            normals[0, i],
            normals[1, i],
            normals[2, i],
            mx,
            my,
            mz,
            weight,
            moment,
            couplings[i],
            k,
            inv_k,
            turns,
            one,
        )
        re[i - first] = real
        im[i - first] = imaginary


@njit(fastmath=True, cache=True, error_model="numpy", nogil=True)
def _take_away(line, factors, at, vectors, rank):
    """Take sum_k factors[k, at] vectors[k] from ``line``, (2, n); all real and imaginary parts."""
    k = 0
    while k + 1 < rank:
        ar, ai = factors[k, 0, at], factors[k, 1, at]
        br, bi = factors[k + 1, 0, at], factors[k + 1, 1, at]
        for j in range(line.shape[1]):
            pr, pi = vectors[k, 0, j], vectors[k, 1, j]
            qr, qi = vectors[k + 1, 0, j], vectors[k + 1, 1, j]
            line[0, j] -= ar * pr - ai * pi + br * qr - bi * qi
            line[1, j] -= ar * pi + ai * pr + br * qi + bi * qr
        k += 2
    if k < rank:
        ar, ai = factors[k, 0, at], factors[k, 1, at]
        for j in range(line.shape[1]):
            pr, pi = vectors[k, 0, j], vectors[k, 1, j]
            line[0, j] -= ar * pr - ai * pi
            line[1, j] -= ar * pi + ai * pr


@njit(fastmath=True, cache=True, error_model="numpy", nogil=True)
def _squares(line):
    """Return the sum of the squares of a line."""
    total = np.float32(0.0)
    for j in range(line.shape[1]):
        total += line[0, j] * line[0, j] + line[1, j] * line[1, j]
    return total


@njit(fastmath=True, cache=True, error_model="numpy", nogil=True)
def _largest(line, used):
    """Return where the largest entry is that is not ``used``; -1 where all are."""
    best, where = np.float32(-1.0), -1
    for j in range(line.shape[1]):
        size = line[0, j] * line[0, j] + line[1, j] * line[1, j]
        if size > best and not used[j]:
            best, where = size, j
    return where


@njit(cache=True, nogil=True)
def _next_unused(used, start):
    """Return the first that is not ``used`` from ``start`` on, and round; -1 where all are."""
    for step in range(len(used)):
        at = (start + step) % len(used)
        if not used[at]:
            return at
    return -1


@njit(fastmath=True, cache=True, error_model="numpy", nogil=True)
def cross(far, block, tolerance, left, right):
    """Approximate a block by crosses; return their number, or -1 where more are needed.

    Parameters
    ----------
    far : tuple of arrays
        Arguments of the far kernels.
    block : (5,) integer array
        A row of `clusters.Blocks`.
    tolerance : float
        What may be left of the block, as the root of the sum of the squares of its entries.
    left, right : (highest, 2, m) and (highest, 2, n) real arrays
        Filled with the parts of the crosses in place.
    """
    first, last, column, column_end, image = block
    m, n = last - first, column_end - column
    used_row, used_column = np.zeros(m, np.bool_), np.zeros(n, np.bool_)
    most = min(m, n, len(left))
    rank, checked, pivot = 0, 0, m // 2
    checking = False
    while rank < most:
        row = right[rank]
        _row(far, image, first + pivot, column, column_end, row[0], row[1])
        _take_away(row, left, pivot, right, rank)
        used_row[pivot] = True
        through = _largest(row, used_column)
        size2 = row[0, through] ** 2 + row[1, through] ** 2
        if checking and m * _squares(row) <= tolerance * tolerance:
            through = -1
        if through < 0 or size2 < np.float32(1e-36):
            checking = True
        else:
            # over the largest entry, so that no entry of the left part is much above one
            ar, ai = row[0, through] / size2, -row[1, through] / size2
            line = left[rank]
            _column(far, image, column + through, first, last, line[0], line[1])
            _take_away(line, right, through, left, rank)
            for i in range(m):
                re = line[0, i] * ar - line[1, i] * ai
                line[1, i] = line[0, i] * ai + line[1, i] * ar
                line[0, i] = re
            used_column[through] = True
            rank += 1
            checking = np.sqrt(_squares(line)) * np.sqrt(_squares(row)) <= tolerance
            if not checking:
                pivot = _largest(line, used_row)
                if pivot < 0:
                    return rank
                continue
        if checked == CHECKED_ROWS:
            return rank
        pivot = _next_unused(used_row, (m * (2 * checked + 1)) // (2 * CHECKED_ROWS))
        if pivot < 0:
            return rank
        checked += 1
    return -1 if rank < min(m, n) else rank


@njit(fastmath=True, cache=True, error_model="numpy", nogil=True)
def _products(vectors, rank, out):
    """Set ``out`` to V^H V, (rank, rank) complex, of (highest, 2, n) parts."""
    n = vectors.shape[2]
    out[:rank, :rank] = 0
    for start in range(0, n, TILE):
        end = min(n, start + TILE)
        for k in range(rank):
            for l in range(k + 1):
                re = np.float32(0.0)
                im = np.float32(0.0)
                for j in range(start, end):
                    re += vectors[k, 0, j] * vectors[l, 0, j] + vectors[k, 1, j] * vectors[l, 1, j]
                    im += vectors[k, 0, j] * vectors[l, 1, j] - vectors[k, 1, j] * vectors[l, 0, j]
                out[k, l] += complex(re, im)
    for k in range(rank):
        for l in range(k):
            out[l, k] = np.conj(out[k, l])


@njit(cache=True, error_model="numpy", nogil=True)
def _lower_factor(matrix, out):
    """Set ``out`` to the lower triangle L of a positive definite matrix L L^H."""
    rank = len(matrix)
    floor = 1e-12 * np.trace(matrix).real / rank
    out[:] = 0
    for k in range(rank):
        for l in range(k + 1):
            total = matrix[k, l]
            for i in range(l):
                total -= out[k, i] * np.conj(out[l, i])
            if k == l:
                out[k, k] = np.sqrt(max(total.real, floor))
            else:
                out[k, l] = total / out[l, l]


@njit(fastmath=True, cache=True, error_model="numpy", nogil=True)
def _combine(vectors, rank, weights, out):
    """Set out[k] to sum_l vectors[l] weights[l, k]; parts of (n,) vectors each."""
    n = vectors.shape[2]
    for start in range(0, n, TILE):
        end = min(n, start + TILE)
        for k in range(weights.shape[1]):
            re, im = out[k, 0, start:end], out[k, 1, start:end]
            re[:] = 0
            im[:] = 0
            l = 0
            while l < rank:
                ar, ai = np.float32(weights[l, k].real), np.float32(weights[l, k].imag)
                br, bi = np.float32(0.0), np.float32(0.0)
                other = l
                if l + 1 < rank:
                    other = l + 1
                    br = np.float32(weights[other, k].real)
                    bi = np.float32(weights[other, k].imag)
                pr, pi = vectors[l, 0, start:end], vectors[l, 1, start:end]
                qr, qi = vectors[other, 0, start:end], vectors[other, 1, start:end]
                for j in range(end - start):
                    re[j] += ar * pr[j] - ai * pi[j] + br * qr[j] - bi * qi[j]
                    im[j] += ar * pi[j] + ai * pr[j] + br * qi[j] + bi * qr[j]
                l += 2


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
        for l in range(k):
            share = np.conj(columns[l, pivot])
            for i in range(rank):
                column[i] -= columns[l, i] * share
        root = np.sqrt(left[pivot])
        for i in range(rank):
            column[i] /= root
        for l in range(k):
            column[pivots[l]] = 0
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
    first, second = np.empty_like(middle), np.empty_like(middle)
    pivots = np.empty(len(middle), np.int64)
    found = _largest_first(middle, 1e-4 * left_out, first, pivots)
    adjoint = np.conj(first[:found])
    kept = _largest_first(adjoint @ first[:found].T, left_out, second, pivots)
    # C^H is the second factor times unitary rows; those kept come from its triangle.
    rows = np.empty((kept, len(middle)), np.complex128)
    for k in range(kept):
        pivot = pivots[k]
        rows[k] = adjoint[pivot]
        for l in range(k):
            share = second[l, pivot]
            for i in range(rows.shape[1]):
                rows[k, i] -= share * rows[l, i]
        rows[k] /= second[k, pivot]
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
    adjoint = np.conj(factor.T).copy()
    # The block is U L^-H, which is orthonormal, times L^H V^T, of which ``middle`` is the square.
    middle = adjoint @ np.conj(outer) @ factor
    leading = _leading(middle, tolerance * tolerance)
    kept = len(leading)
    of_right = (leading @ adjoint).T
    of_left = np.conj(leading.T).copy()
    for l in range(rank - 1, -1, -1):
        for i in range(l + 1, rank):
            share = np.conj(factor[i, l])
            for k in range(kept):
                of_left[l, k] -= share * of_left[i, k]
        of_left[l] /= np.conj(factor[l, l])
    _combine(left, rank, of_left, made_left)
    _combine(right, rank, of_right, made_right)
    return kept


@njit(fastmath=True, cache=True, error_model="numpy", nogil=True)
def _pack(parts, out, at):
    """Write (2, n) parts in 16-bit steps to ``out`` from ``at`` on; return the step."""
    n = parts.shape[1]
    # As integers the bits of positive numbers are in their order, and are compared in vectors.
    bits, highest = parts.view(np.int32), np.int32(0)
    for c in range(2):
        for j in range(n):
            highest = max(highest, bits[c, j] & NO_SIGN)
    found = np.empty(1, np.int32)
    found[0] = highest
    largest = max(found.view(np.float32)[0], np.float32(1e-30))
    in_steps = MOST_STEPS / largest
    for c in range(2):
        part, to = parts[c], out[at + c * n : at + c * n + n]
        for j in range(n):
            to[j] = np.int16(np.rint(part[j] * in_steps))
    return largest / MOST_STEPS


@njit(cache=True, nogil=True)
def _room(memory, needed):
    """Return the memory, or a larger copy where it has no room for so many entries."""
    if needed <= len(memory):
        return memory
    larger = np.empty(max(needed, 2 * len(memory)), memory.dtype)
    larger[: len(memory)] = memory
    return larger


@njit(fastmath=True, cache=True, error_model="numpy", nogil=True)
def form_low_rank(far, blocks, tolerances, recompress=1000):
    """Form a run of admissible blocks.

    Parameters
    ----------
    far : tuple of arrays
        Arguments of the far kernels.
    blocks : (n_blocks, 5) integer array
        From `clusters.Blocks`.
    tolerances : (n_blocks,) array
        What may be left of each, as the root of the sum of the squares of its entries.

    Returns
    -------
    packed : int16 array
        Of each product of each block its right part and its left, real and imaginary.
    steps : (sum of ranks,) real array
        Product of both parts' steps.
    ranks : (n_blocks,) integer array
        Number of products; -1 where it does not pay and nothing was kept.
    """
    highest, rows, columns = 0, 0, 0
    for b in range(len(blocks)):
        m, n = blocks[b, 1] - blocks[b, 0], blocks[b, 3] - blocks[b, 2]
        highest = min(HIGHEST_RANK, max(highest, (m * n) // (m + n)))
        rows, columns = max(rows, m), max(columns, n)
    lefts = np.empty((2, highest * 2 * rows), np.float32)
    rights = np.empty((2, highest * 2 * columns), np.float32)
    packed, steps = np.empty(1 << 16, np.int16), np.empty(1 << 10, np.float32)
    ranks = np.empty(len(blocks), np.int64)
    end, total = 0, 0
    for b in range(len(blocks)):
        m, n = blocks[b, 1] - blocks[b, 0], blocks[b, 3] - blocks[b, 2]
        most = min(HIGHEST_RANK, (m * n) // (m + n))
        left = lefts[0, : most * 2 * m].reshape(most, 2, m)
        right = rights[0, : most * 2 * n].reshape(most, 2, n)
        rank = cross(far, blocks[b], tolerances[b], left, right)
        if 0 < rank <= recompress:
            made_left = lefts[1, : most * 2 * m].reshape(most, 2, m)
            made_right = rights[1, : most * 2 * n].reshape(most, 2, n)
            rank = fewest(left, right, rank, tolerances[b], made_left, made_right)
            left, right = made_left, made_right
        ranks[b] = rank
        if rank <= 0:
            continue
        packed = _room(packed, end + rank * 2 * (m + n))
        steps = _room(steps, total + rank)
        for k in range(rank):
            step = _pack(right[k], packed, end)
            steps[total] = step * _pack(left[k], packed, end + 2 * n)
            end += 2 * (m + n)
            total += 1
    return packed[:end].copy(), steps[:total].copy(), ranks


@njit(fastmath=True, cache=True, error_model="numpy", nogil=True)
def apply_low_rank(packed, steps, ranks, blocks, vectors, out):
    """Add a run of blocks times ``vectors`` to ``out``.

    Parameters
    ----------
    packed, steps, ranks : arrays
        From `form_low_rank`, with ``blocks``.
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
            vr, vi = packed[at : at + n], packed[at + n : at + 2 * n]
            at += 2 * n
            ur, ui = packed[at : at + m], packed[at + m : at + 2 * m]
            at += 2 * m
            for v in range(len(vectors)):
                xr, xi = vectors[v, 0, column:column_end], vectors[v, 1, column:column_end]
                re, im = np.float32(0.0), np.float32(0.0)
                for j in range(n):
                    p, q = np.float32(vr[j]), np.float32(vi[j])
                    re += p * xr[j] - q * xi[j]
                    im += p * xi[j] + q * xr[j]
                re *= steps[product]
                im *= steps[product]
                yr, yi = out[v, 0, first:last], out[v, 1, first:last]
                for i in range(m):
                    p, q = np.float32(ur[i]), np.float32(ui[i])
                    yr[i] += p * re - q * im
                    yi[i] += p * im + q * re
            product += 1


@njit(fastmath=True, cache=True, error_model="numpy", nogil=True)
def form_dense(far, blocks, start, element, place, order, image_of, near, packed, steps):
    """Form a run of near blocks, with the entries of near pairs moved to ``near``.

    Parameters
    ----------
    far, blocks
        As in `form_low_rank`.
    start, element, image_of : integer arrays
        Fields of `near_field.NearPairs`.
    place, order : (n,) integer arrays
        Place of each element in the order of the clusters, and the element at each place.
    near : (n_pairs,) complex array
        Near corrections; the far value of each pair in these blocks is added in place.
    packed, steps : int16 and real arrays
        Filled in place: a row after the other, real and imaginary parts; a step a row.
    """
    widest = 0
    for b in range(len(blocks)):
        widest = max(widest, blocks[b, 3] - blocks[b, 2])
    lines = np.empty(2 * widest, np.float32)
    at, row = 0, 0
    for b in range(len(blocks)):
        first, last, column, column_end, image = blocks[b]
        n = column_end - column
        line = lines[: 2 * n].reshape(2, n)
        for i in range(first, last):
            _row(far, image, i, column, column_end, line[0], line[1])
            point = order[i]
            for p in range(start[point], start[point + 1]):
                j = place[element[p]] - column
                if 0 <= j < n and image_of[p] == image:
                    near[p] += complex(line[0, j], line[1, j])
                    line[0, j] = 0
                    line[1, j] = 0
            steps[row] = _pack(line, packed, at)
            at += 2 * n
            row += 1


@njit(fastmath=True, cache=True, error_model="numpy", nogil=True)
def apply_dense(packed, steps, blocks, vectors, out):
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
