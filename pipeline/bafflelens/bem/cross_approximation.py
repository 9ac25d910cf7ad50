# SPDX-License-Identifier: GPL-3.0-or-later
"""Low-rank blocks of the Burton-Miller matrix from a few of their rows and columns, compiled.

A block whose clusters are far apart is close to a sum of few products u v^T. Adaptive cross
approximation finds them one by one: v is a row of what is left, u the column through its largest
entry, over that entry (M. Bebendorf, "Approximation of boundary element matrices", Numer. Math.
86 (2000) 565; citation from memory). It knows nothing of rows that it never looked at: across an
edge of the body the kernel may vanish for one face and not for the other. So rows and columns
spread over the block are looked at before it ends, and it goes on from one that is not met.

The parts of what it found are kept in 16-bit steps, 4 bytes an entry. They could be cut down to
fewer products (from their QR factors), but that takes longer than it saves in the few products of
an iteration with a good first guess. Symbols as in `bafflelens.bem.kernels`; ``far`` is the tuple
of arguments of its far kernels, rows and columns in the order of the clusters.
"""

import numpy as np
from numba import njit

from bafflelens.bem.kernels import NO_SIGN, coupled_double_layer

# A block of more products than this is halved instead.
HIGHEST_RANK = 200
# Rows, and as many columns, that are looked at before a block is taken as done.
LOOKED_AT = 3
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
    start = np.uint64(first)  # see `form_low_rank`
    for j in range(start, np.uint64(last)):
        real, imaginary = coupled_double_layer(
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
        re[j - start] = real
        im[j - start] = imaginary


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
    start = np.uint64(first)
    for i in range(start, np.uint64(last)):
        real, imaginary = coupled_double_layer(
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
        re[i - start] = real
        im[i - start] = imaginary


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
def _largest(line, used, sizes):
    """Return where the largest entry is that is not ``used``; -1 where all are.

    ``sizes`` is memory for as many numbers. As integers the bits of positive numbers are in their
    order, and are compared in vectors.
    """
    n = line.shape[1]
    for j in range(n):
        size = line[0, j] * line[0, j] + line[1, j] * line[1, j]
        sizes[j] = np.float32(-1.0) if used[j] else size
    bits, highest = sizes.view(np.int32), np.int32(-1)
    for j in range(n):
        highest = max(highest, bits[j])
    for j in range(n):
        if bits[j] == highest:
            return j
    return -1


@njit(cache=True, nogil=True)
def _unused(used, start):
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
        From `low_rank.in_order`.
    block : (5,) integer array
        A row of `clusters.Blocks`.
    tolerance : float
        What may be left of the block, as the root of the sum of the squares of its entries.
    left, right : (highest, 2, m) and (highest, 2, n) real arrays
        Filled with the parts of the crosses in place.
    """
    first, last, column, column_end = block[0], block[1], block[2], block[3]
    image = block[4]
    m, n = last - first, column_end - column
    used_row, used_column = np.zeros(m, np.bool_), np.zeros(n, np.bool_)
    row_sizes, column_sizes = np.empty(m, np.float32), np.empty(n, np.float32)
    most = min(m, n, len(left))
    rank, looked, pivot = 0, 0, m // 2
    while rank < most:
        row, line = right[rank], left[rank]
        _row(far, image, first + pivot, column, column_end, row[0], row[1])
        _take_away(row, left, pivot, right, rank)
        used_row[pivot] = True
        through = _largest(row, used_column, column_sizes)
        size2 = row[0, through] ** 2 + row[1, through] ** 2
        is_met = size2 < np.float32(1e-36)
        if not is_met:
            # over the largest entry, so that no entry of the left part is much above one
            ar, ai = row[0, through] / size2, -row[1, through] / size2
            _column(far, image, column + through, first, last, line[0], line[1])
            _take_away(line, right, through, left, rank)
            for i in range(m):
                re = line[0, i] * ar - line[1, i] * ai
                line[1, i] = line[0, i] * ai + line[1, i] * ar
                line[0, i] = re
            used_column[through] = True
            rank += 1
            is_met = np.sqrt(_squares(line)) * np.sqrt(_squares(row)) <= tolerance
            pivot = _largest(line, used_row, row_sizes)
        # It seems to be met: look at a few whole rows and columns for what was missed.
        while is_met and looked < 2 * LOOKED_AT and rank < most:
            row, line = right[rank], left[rank]
            step, looked = looked // 2, looked + 1
            if looked % 2:
                at = _unused(used_column, n * (2 * step + 1) // (2 * LOOKED_AT))
                if at < 0:
                    continue
                _column(far, image, column + at, first, last, line[0], line[1])
                _take_away(line, right, at, left, rank)
                is_met = n * _squares(line) <= tolerance * tolerance
                pivot = _largest(line, used_row, row_sizes)
            else:
                pivot = _unused(used_row, m * (2 * step + 1) // (2 * LOOKED_AT))
                if pivot < 0:
                    continue
                _row(far, image, first + pivot, column, column_end, row[0], row[1])
                _take_away(row, left, pivot, right, rank)
                is_met = m * _squares(row) <= tolerance * tolerance
        if is_met or pivot < 0:
            return rank
    return -1 if rank < min(m, n) else rank


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
    for i in range(len(memory)):  # what numpy writes in one line takes seconds to compile
        larger[i] = memory[i]
    return larger


@njit(fastmath=True, cache=True, error_model="numpy", nogil=True)
def form_low_rank(far, blocks, tolerances, packed):
    """Form a run of admissible blocks.

    Rows and columns are counted by numbers without a sign. Others might be negative for all that
    the compiler knows: it then makes two versions of a loop, and which of them runs, and so how
    the last bits are rounded, depends on where in memory the arrays happen to lie.

    Parameters
    ----------
    far : tuple of arrays
        From `low_rank.in_order`.
    blocks : (n_blocks, 5) integer array
        From `clusters.Blocks`.
    tolerances : (n_blocks,) array
        What may be left of each, as the root of the sum of the squares of its entries.
    packed : int16 array
        Memory to write to, as much as there is.

    Returns
    -------
    packed : int16 array
        That memory, or more. Of each product of each block its right part and its left, real and
        imaginary.
    end : int
        How much of it is in use.
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
    lefts = np.empty(highest * 2 * rows, np.float32)
    rights = np.empty(highest * 2 * columns, np.float32)
    steps = np.empty(1 << 10, np.float32)
    ranks = np.empty(len(blocks), np.int64)
    end, total = 0, 0
    for b in range(len(blocks)):
        m, n = blocks[b, 1] - blocks[b, 0], blocks[b, 3] - blocks[b, 2]
        most = min(HIGHEST_RANK, (m * n) // (m + n))
        left = lefts[: most * 2 * m].reshape(most, 2, m)
        right = rights[: most * 2 * n].reshape(most, 2, n)
        rank = cross(far, blocks[b], tolerances[b], left, right)
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
    return packed, end, steps[:total].copy(), ranks


@njit(fastmath=True, cache=True, error_model="numpy", nogil=True)
def form_in_full(far, blocks, order, place, pairs, near, packed, steps):
    """Form a run of blocks entry by entry, with the entries of near pairs moved to ``near``.

    Parameters
    ----------
    far, blocks
        As in `form_low_rank`.
    order, place : (n,) integer arrays
        The element at each place in the order of the clusters, and the place of each element.
    pairs : tuple of integer arrays
        ``start``, ``element`` and ``image`` of `near_field.NearPairs`.
    near : (n_pairs,) complex array
        Near corrections; the far value of each pair in these blocks is added in place.
    packed, steps : int16 and real arrays
        Filled in place: a row after the other, real and imaginary parts; a step a row.
    """
    start, element, image_of = pairs
    widest = 0
    for b in range(len(blocks)):
        widest = max(widest, blocks[b, 3] - blocks[b, 2])
    lines = np.empty(2 * widest, np.float32)
    at, row = 0, 0
    for b in range(len(blocks)):
        first, last, column, column_end = blocks[b, 0], blocks[b, 1], blocks[b, 2], blocks[b, 3]
        image = blocks[b, 4]
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
