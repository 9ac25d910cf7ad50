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
an iteration with a good first guess. Symbols as in `bafflelens.bem.kernels`; ``far`` is what
`low_rank.in_order` makes of the arguments of its far kernels.

Rows and columns are counted in whole vectors of `LANES` entries, those behind their end being of
neighbours, or of nothing, and never looked at: a loop that ends within a vector does the rest one
by one, which took a quarter of the time. And all that a loop reads of the elements lies in one
array: before each loop the compiler compares the places of all its arrays in memory.
"""

import numpy as np
from numba import njit

from bafflelens.bem.kernels import NO_SIGN, coupled_double_layer
from bafflelens.bem.nearby import first_near

# A block of more products than this is halved instead.
HIGHEST_RANK = 200
# Rows, and as many columns, that are looked at before a block is taken as done.
LOOKED_AT = 3
MOST_STEPS = np.float32(32767.0)
# Entries that are done together; twice as many as in a vector of some processors.
LANES = 16


@njit(cache=True, nogil=True)
def whole(n):
    """Return so many entries, or as many more as fill the last vector."""
    return (n + LANES - 1) // LANES * LANES


@njit(fastmath=True, cache=True, error_model="numpy", nogil=True)
def _row(far, image, i, first, line):
    """Set ``line``, (2, n), to the entries of row ``i`` in the n columns from ``first`` on."""
    points, elements, signs, scalars = far
    k, inv_k, turns, one = scalars[0], scalars[1], scalars[2], scalars[3]
    x, y, z = points[0, i], points[1, i], points[2, i]
    nx, ny, nz, e = points[3, i], points[4, i], points[5, i], points[6, i]
    x, y, z = x * signs[image, 0], y * signs[image, 1], z * signs[image, 2]
    nx, ny, nz = nx * signs[image, 0], ny * signs[image, 1], nz * signs[image, 2]
    start = np.uint64(first)  # see `form_low_rank`
    for n in range(np.uint64(line.shape[1])):
        j = start + n
        line[0, n], line[1, n] = coupled_double_layer(
            elements[0, j] - x,
            elements[1, j] - y,
            elements[2, j] - z,
            nx,
            ny,
            nz,
            elements[3, j],
            elements[4, j],
            elements[5, j],
            elements[6, j],
            elements[7, j],
            e,
            k,
            inv_k,
            turns,
            one,
        )


@njit(fastmath=True, cache=True, error_model="numpy", nogil=True)
def _column(far, image, j, first, line):
    """Set ``line``, (2, n), to the entries of column ``j`` in the n rows from ``first`` on."""
    points, elements, signs, scalars = far
    k, inv_k, turns, one = scalars[0], scalars[1], scalars[2], scalars[3]
    # The source is mirrored instead of the field points: distances and derivatives are the same.
    x, y, z = elements[0, j], elements[1, j], elements[2, j]
    mx, my, mz = elements[3, j], elements[4, j], elements[5, j]
    weight, moment = elements[6, j], elements[7, j]
    x, y, z = x * signs[image, 0], y * signs[image, 1], z * signs[image, 2]
    mx, my, mz = mx * signs[image, 0], my * signs[image, 1], mz * signs[image, 2]
    start = np.uint64(first)
    for n in range(np.uint64(line.shape[1])):
        i = start + n
        line[0, n], line[1, n] = coupled_double_layer(
            x - points[0, i],
            y - points[1, i],
            z - points[2, i],
            points[3, i],
            points[4, i],
            points[5, i],
            mx,
            my,
            mz,
            weight,
            moment,
            points[6, i],
            k,
            inv_k,
            turns,
            one,
        )


@njit(fastmath=True, cache=True, error_model="numpy", nogil=True)
def _take_away(line, factors, at, vectors, rank):
    """Take sum_k factors[k, at] vectors[k] from ``line``, (2, n); all real and imaginary parts."""
    k, n = 0, np.uint64(line.shape[1])
    while k + 3 < rank:  # four at a time: what is left is read and written once for all
        ar, ai = factors[k, 0, at], factors[k, 1, at]
        br, bi = factors[k + 1, 0, at], factors[k + 1, 1, at]
        cr, ci = factors[k + 2, 0, at], factors[k + 2, 1, at]
        dr, di = factors[k + 3, 0, at], factors[k + 3, 1, at]
        for j in range(n):
            pr, pi = vectors[k, 0, j], vectors[k, 1, j]
            qr, qi = vectors[k + 1, 0, j], vectors[k + 1, 1, j]
            sr, si = vectors[k + 2, 0, j], vectors[k + 2, 1, j]
            tr, ti = vectors[k + 3, 0, j], vectors[k + 3, 1, j]
            line[0, j] -= (
                ar * pr - ai * pi + br * qr - bi * qi + cr * sr - ci * si + dr * tr - di * ti
            )
            line[1, j] -= (
                ar * pi + ai * pr + br * qi + bi * qr + cr * si + ci * sr + dr * ti + di * tr
            )
        k += 4
    while k < rank:
        ar, ai = factors[k, 0, at], factors[k, 1, at]
        for j in range(n):
            pr, pi = vectors[k, 0, j], vectors[k, 1, j]
            line[0, j] -= ar * pr - ai * pi
            line[1, j] -= ar * pi + ai * pr
        k += 1


@njit(fastmath=True, cache=True, error_model="numpy", nogil=True)
def _squares(line, n):
    """Return the sum of the squares of the first ``n`` of a line."""
    total = np.float32(0.0)
    for j in range(np.uint64(n)):
        total += line[0, j] * line[0, j] + line[1, j] * line[1, j]
    return total


@njit(fastmath=True, cache=True, error_model="numpy", nogil=True)
def _largest(line, used, sizes):
    """Return where the largest entry is that is not ``used``; -1 where all are.

    ``sizes`` is memory for as many numbers. As integers the bits of positive numbers are in their
    order, and are compared in vectors.
    """
    n = np.uint64(line.shape[1])
    for j in range(n):
        size = line[0, j] * line[0, j] + line[1, j] * line[1, j]
        sizes[j] = np.float32(-1.0) if used[j] else size
    bits, highest = sizes.view(np.int32), np.int32(-1)
    for j in range(n):
        highest = max(highest, bits[j])
    if highest < 0:  # the bits of -1 are a negative number
        return -1
    for j in range(n):
        if bits[j] == highest:
            return np.int64(j)
    return -1


@njit(cache=True, nogil=True)
def _unused(used, start, n):
    """Return the first of ``n`` that is not ``used`` from ``start`` on, and round; -1 of none."""
    for step in range(n):
        at = (start + step) % n
        if not used[at]:
            return at
    return -1


@njit(cache=True, nogil=True)
def _none_used(n):
    """Return that none of ``n`` is used, and that what fills the last vector is."""
    used = np.ones(whole(n), np.bool_)
    for j in range(n):
        used[j] = False
    return used


@njit(fastmath=True, cache=True, error_model="numpy", nogil=True)
def cross(far, block, tolerance, left, right, pivots):
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
        Filled with the parts of the crosses in place; m and n in whole vectors.
    pivots : (highest, 2) integer array
        Filled with the row and the column that each was laid through.
    """
    first, last, column, column_end = block[0], block[1], block[2], block[3]
    image = block[4]
    m, n = last - first, column_end - column
    used_row, used_column = _none_used(m), _none_used(n)
    row_sizes = np.empty(left.shape[2], np.float32)
    column_sizes = np.empty(right.shape[2], np.float32)
    most = min(m, n, len(left))
    rank, looked, pivot = 0, 0, m // 2
    while rank < most:
        row, line = right[rank], left[rank]
        _row(far, image, first + pivot, column, row)
        _take_away(row, left, pivot, right, rank)
        used_row[pivot] = True
        through = _largest(row, used_column, column_sizes)
        size2 = row[0, through] ** 2 + row[1, through] ** 2
        is_met = size2 < np.float32(1e-36)
        if not is_met:
            # over the largest entry, so that no entry of the left part is much above one
            ar, ai = row[0, through] / size2, -row[1, through] / size2
            _column(far, image, column + through, first, line)
            _take_away(line, right, through, left, rank)
            for i in range(np.uint64(line.shape[1])):
                re = line[0, i] * ar - line[1, i] * ai
                line[1, i] = line[0, i] * ai + line[1, i] * ar
                line[0, i] = re
            used_column[through] = True
            pivots[rank, 0], pivots[rank, 1] = pivot, through
            rank += 1
            is_met = np.sqrt(_squares(line, m)) * np.sqrt(_squares(row, n)) <= tolerance
            pivot = _largest(line, used_row, row_sizes)
        # It seems to be met: look at a few whole rows and columns for what was missed.
        while is_met and looked < 2 * LOOKED_AT and rank < most:
            row, line = right[rank], left[rank]
            step, looked = looked // 2, looked + 1
            if looked % 2:
                at = _unused(used_column, n * (2 * step + 1) // (2 * LOOKED_AT), n)
                if at < 0:
                    continue
                _column(far, image, column + at, first, line)
                _take_away(line, right, at, left, rank)
                is_met = n * _squares(line, m) <= tolerance * tolerance
                pivot = _largest(line, used_row, row_sizes)
            else:
                pivot = _unused(used_row, m * (2 * step + 1) // (2 * LOOKED_AT), m)
                if pivot < 0:
                    continue
                _row(far, image, first + pivot, column, row)
                _take_away(row, left, pivot, right, rank)
                is_met = m * _squares(row, n) <= tolerance * tolerance
        if is_met or pivot < 0:
            return rank
    return -1 if rank < min(m, n) else rank


@njit(fastmath=True, cache=True, error_model="numpy", nogil=True)
def _pack(parts, bits, n, out, at):
    """Write the first ``n`` of (2, more) parts to ``out`` from ``at`` on; return the step.

    ``bits`` are the parts as integers: those of positive numbers are in their order, and are
    compared in vectors.
    """
    count, highest = np.uint64(n), np.int32(0)
    for c in range(2):
        for j in range(count):
            highest = max(highest, bits[c, j] & NO_SIGN)
    found = np.empty(1, np.int32)
    found[0] = highest
    largest = max(found.view(np.float32)[0], np.float32(1e-30))
    in_steps = MOST_STEPS / largest
    for c in range(2):
        part, to = parts[c], out[at + c * n : at + c * n + n]
        for j in range(count):
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
    pivots : (sum of ranks, 2) integer array
        Row and column of each block that each product was laid through.
    """
    highest, rows, columns = 0, 0, 0
    for b in range(len(blocks)):
        m, n = blocks[b, 1] - blocks[b, 0], blocks[b, 3] - blocks[b, 2]
        highest = min(HIGHEST_RANK, max(highest, (m * n) // (m + n)))
        rows, columns = max(rows, m), max(columns, n)
    lefts = np.empty(highest * 2 * whole(rows), np.float32)
    rights = np.empty(highest * 2 * whole(columns), np.float32)
    left_bits, right_bits = lefts.view(np.int32), rights.view(np.int32)
    steps = np.empty(1 << 10, np.float32)
    pivots, through = np.empty(1 << 11, np.int32), np.empty((highest, 2), np.int32)
    ranks = np.empty(len(blocks), np.int64)
    end, total = 0, 0
    for b in range(len(blocks)):
        m, n = blocks[b, 1] - blocks[b, 0], blocks[b, 3] - blocks[b, 2]
        most, rows, columns = min(HIGHEST_RANK, (m * n) // (m + n)), whole(m), whole(n)
        left = lefts[: most * 2 * rows].reshape(most, 2, rows)
        right = rights[: most * 2 * columns].reshape(most, 2, columns)
        rank = cross(far, blocks[b], tolerances[b], left, right, through)
        ranks[b] = rank
        if rank <= 0:
            continue
        packed = _room(packed, end + rank * 2 * (m + n))
        steps, pivots = _room(steps, total + rank), _room(pivots, 2 * (total + rank))
        of_left = left_bits[: most * 2 * rows].reshape(most, 2, rows)
        of_right = right_bits[: most * 2 * columns].reshape(most, 2, columns)
        for k in range(rank):
            step = _pack(right[k], of_right[k], n, packed, end)
            steps[total] = step * _pack(left[k], of_left[k], m, packed, end + 2 * n)
            pivots[2 * total], pivots[2 * total + 1] = through[k, 0], through[k, 1]
            end += 2 * (m + n)
            total += 1
    return packed, end, steps[:total].copy(), ranks, pivots[: 2 * total].copy().reshape(-1, 2)


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
        ``start``, ``element`` and ``image`` of `near_field.NearPairs`, in the order that they are
        found in: see `nearby.find`.
    near : (n_pairs,) complex array
        Near corrections; the far value of each pair in these blocks is added in place.
    packed, steps : int16 and real arrays
        Filled in place: a row after the other, real and imaginary parts; a step a row.
    """
    start, element, image_of = pairs
    widest = 0
    for b in range(len(blocks)):
        widest = max(widest, blocks[b, 3] - blocks[b, 2])
    lines = np.empty(2 * whole(widest), np.float32)
    line_bits = lines.view(np.int32)
    at, row = 0, 0
    for b in range(len(blocks)):
        first, last, column, column_end = blocks[b, 0], blocks[b, 1], blocks[b, 2], blocks[b, 3]
        image = blocks[b, 4]
        n = column_end - column
        line, bits = lines[: 2 * whole(n)].reshape(2, -1), line_bits[: 2 * whole(n)].reshape(2, -1)
        for i in range(first, last):
            _row(far, image, i, column, line)
            point = order[i]
            p = first_near(start, element, image_of, place, point, image, column)
            while p < start[point + 1] and image_of[p] == image:
                j = place[element[p]] - column
                if j >= n:
                    break
                near[p] += complex(line[0, j], line[1, j])
                line[0, j] = 0
                line[1, j] = 0
                p += 1
            steps[row] = _pack(line, bits, n, packed, at)
            at += 2 * n
            row += 1
