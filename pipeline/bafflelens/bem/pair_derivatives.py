# SPDX-License-Identifier: GPL-3.0-or-later
"""How far pairs of the Burton-Miller equation change with their points and normals, compiled.

With R = y - x from a field point x (normal n) to a source point y (normal m), a = m . R,
b = n . R, c = n . m and G1 = G'/r, G2 = G1'/r, G3 = G2'/r, an entry is

    f = m . grad G - i eta n . (grad grad G) m ,       eta = e/k,

and with P = G1 - i eta G2 b, Q = -i eta G2 a, W = -i eta G1 and
S = G2 (a - i eta c) - i eta G3 a b

    df/dy = -df/dx = S R + P m + Q n
    df/dn = Q R + W m
    df/dm = P R + W n ,  and  f = m . df/dm .

With t = kr these are G1 = G (it - 1)/r^2, G2 = G (3 - 3it - t^2)/r^4 and
G3 = G (6t^2 - 15 + i (15 t - t^3))/r^6. Of sources that move, an entry is
g = G - i eta n . grad G, and

    dg/dx = -(G1 R + W n - i eta G2 b R) ,      dg/dn = W R .

One point stands for an element of second moment M (see `bem.kernels`). From here on a, b, c are
cosines, with u = R/r. The phase over the element makes f (1 - mu (1 - a^2)) of f, mu = k^2 M/2,
which adds 2 mu a f (m - a u)/r to df/dy and 2 mu a f u to df/dm. The curvature of the static parts
adds

    F = s (1 - it) G/r^2 [ -r (9a - 15a^3) + i eta (9c - 45ab + 105 a^3 b - 45 a^2 c) ] ,
    s = M/(2 r^2) ,

which is nothing but for pairs that are close. Both depend on the element's area otherwise than
through m: A df/dA = m . df/dm + V, with V = -mu (1 + a^2) f, and of F

    s (1 - it) G/r^2 [ -r (9a + 15a^3) + i eta (9c - 45ab - 105 a^3 b + 45 a^2 c) ] .
"""

from __future__ import annotations

import numpy as np
from numba import njit

from bafflelens.bem.nearby import first_near
from bafflelens.bem.phases import cos_sin_turns

# Shares of the rows, each with sums of its own over them: always as many, so that sums are added
# in one order however many threads there are.
RUNS = 8
# What is kept of so many pairs stays in the processor's nearest memory.
BLOCK = 512
CHUNK = np.uint64(128)


@njit(inline="always")
def radial(dx, dy, dz, nx, ny, nz, mx, my, mz, amount, moment, eta, k, turns, one, is_close):
    """Return R/r, r, and then S r, P, Q, W and V, real and imaginary part of each.

    ``moment`` is mu; ``is_close`` tells whether F has a part in them.
    """
    zero = one - one
    r2 = dx * dx + dy * dy + dz * dz
    apart = r2 > zero
    inv_r = one / np.sqrt(r2 if apart else one)
    r = r2 * inv_r
    ux, uy, uz = dx * inv_r, dy * inv_r, dz * inv_r
    a = mx * ux + my * uy + mz * uz
    b = nx * ux + ny * uy + nz * uz
    c = nx * mx + ny * my + nz * mz
    cosine, sine = cos_sin_turns(r * turns, one)
    a2 = a * a
    amount = amount * inv_r * inv_r * inv_r
    amount = amount if apart else zero
    e_re, e_im = amount * cosine, amount * sine
    t = k * r
    t2 = t * t
    three, fifteen = np.float32(3.0), np.float32(15.0)
    g2_re, g2_im = three - t2, -three * t
    g3_re, g3_im = np.float32(6.0) * t2 - fifteen, t * (fifteen - t2)
    h = eta * inv_r
    p_re, p_im = h * b * g2_im - one, t - h * b * g2_re
    q_re, q_im = h * a * g2_im, -h * a * g2_re
    s_re = a * g2_re + h * (c * g2_im + a * b * g3_im)
    s_im = a * g2_im - h * (c * g2_re + a * b * g3_re)
    w_re, w_im = t, one
    # f and V over r
    f_re, f_im, v_re, v_im = a * p_re + h * c * t, a * p_im + h * c, zero, zero
    if is_close:
        nine, five = np.float32(9.0), np.float32(5.0)
        s = moment / (t2 if apart else one)
        # of F/r: real part, imaginary part over h, and its derivatives with a, b and c
        ab = a * b
        along = a * (fifteen * a2 - nine)
        across = nine * (c - five * ab) + fifteen * a2 * (np.float32(7.0) * ab - three * c)
        of_a = np.float32(45.0) * a2 - nine
        turned = np.float32(45.0) * (np.float32(7.0) * a2 * b - b - (a + a) * c)
        of_b = a * (np.float32(105.0) * a2 - np.float32(45.0))
        turned, across, of_b = h * turned, h * across, h * of_b
        # times s (1 - it), or s (t^2 - 5 + 5it) where r changes
        again_re, again_im = of_a + t * turned, turned - t * of_a
        by_b_re, by_b_im = t * of_b, of_b
        p_re, p_im = p_re + s * again_re, p_im + s * again_im
        q_re, q_im = q_re + s * by_b_re, q_im + s * by_b_im
        of_c = nine - np.float32(45.0) * a2
        w_re, w_im = w_re + s * of_c * t, w_im + s * of_c
        f_re, f_im = f_re + s * (along + t * across), f_im + s * (across - t * along)
        y = t2 - five
        s_re += s * (y * along - five * t * across + along - a * again_re - b * by_b_re)
        s_im += s * (y * across + five * t * along - t * along - a * again_im - b * by_b_im)
        along = -a * (nine + fifteen * a2)
        across = h * (nine * (c - five * ab) - fifteen * a2 * (np.float32(7.0) * ab - three * c))
        v_re, v_im = s * (along + t * across), s * (across - t * along)
    # the phase over the element
    factor = one - moment * (one - a2)
    p_re, p_im, s_re, s_im = factor * p_re, factor * p_im, factor * s_re, factor * s_im
    q_re, q_im, w_re, w_im = factor * q_re, factor * q_im, factor * w_re, factor * w_im
    share = (moment + moment) * a
    p_re, p_im = p_re + share * f_re, p_im + share * f_im
    share *= a
    s_re, s_im = s_re - share * f_re, s_im - share * f_im
    share = moment * (one + a2)
    v_re, v_im = factor * v_re - share * f_re, factor * v_im - share * f_im
    v_re, v_im, w_re, w_im = r * v_re, r * v_im, eta * w_re, eta * w_im
    return (
        ux, uy, uz, r,
        s_re * e_re - s_im * e_im, s_re * e_im + s_im * e_re,
        p_re * e_re - p_im * e_im, p_re * e_im + p_im * e_re,
        q_re * e_re - q_im * e_im, q_re * e_im + q_im * e_re,
        w_re * e_re - w_im * e_im, w_re * e_im + w_im * e_re,
        v_re * e_re - v_im * e_im, v_re * e_im + v_im * e_re,
    )  # fmt: skip


@njit(nogil=True, fastmath=True, cache=True, error_model="numpy")
def add_pairs(far, blocks, order, place, pairs, adjoint, pressure, at_point, at_element):
    """Add what Re (adjoint . A pressure) changes by when points and elements of blocks move.

    Parameters
    ----------
    far : tuple of arrays
        From `low_rank.in_order`, with e/k in m for the couplings.
    blocks : (n_blocks, 5) integer array
        As in `clusters.Blocks`; all pairs of each but the near ones are taken.
    order, place : (n,) integer arrays
        The element at each place in that order, and the place of each element.
    pairs : tuple of integer arrays
        ``start``, ``element`` and ``image`` of `near_field.NearPairs`, in the order that they are
        found in: see `nearby.find`.
    adjoint : (n_objectives, n_sources, 2, n) real array
        Real and imaginary parts, by field point.
    pressure : (n_sources, 2, n) real array
        The same by element.
    at_point : (n_objectives, 6, n) array
        Added to in place: derivatives with each field point and with its normal.
    at_element : (n_objectives, 8, n) array
        Added to in place: Q n + S R, P, the derivative with the normal of each element, and V.
        With its point it is the first and the second times the normal, with the logarithm of its
        area the third times the normal and V.
    """
    points, elements, signs, scalars = far
    start, element, image_of = pairs
    k, turns, one = scalars[0], scalars[2], scalars[3]
    zero = one - one
    n_objectives, n_sources = adjoint.shape[0], adjoint.shape[1]
    taken = np.empty(CHUNK, dtype=np.float32)
    # all in one piece, at fixed distances: else the compiler takes single numbers
    kept = np.empty((33 + 8 * n_objectives) * CHUNK, dtype=np.float32)
    for number in range(len(blocks)):
        image = blocks[number, 4]
        sx, sy, sz = signs[image, 0], signs[image, 1], signs[image, 2]
        for first in range(blocks[number, 2], blocks[number, 3], CHUNK):
            count = np.uint64(min(CHUNK, blocks[number, 3] - first))
            kept[33 * CHUNK :] = zero
            for i in range(blocks[number, 0], blocks[number, 1]):
                x, y, z = points[0, i] * sx, points[1, i] * sy, points[2, i] * sz
                nx, ny, nz = points[3, i] * sx, points[4, i] * sy, points[5, i] * sz
                eta = points[6, i]
                taken[:count] = elements[6, first : first + count]
                p = first_near(start, element, image_of, place, order[i], image, first)
                while p < start[order[i] + 1] and image_of[p] == image:
                    near = place[element[p]] - first
                    if near >= count:
                        break
                    taken[near] = zero
                    p += 1
                for b in range(count):
                    j = np.uint64(first) + b
                    mx, my, mz = elements[3, j], elements[4, j], elements[5, j]
                    (
                        ux, uy, uz, r, s_re, s_im, p_re, p_im, q_re, q_im, w_re, w_im, v_re, v_im,
                    ) = radial(
                        elements[0, j] - x, elements[1, j] - y, elements[2, j] - z,
                        nx, ny, nz, mx, my, mz,
                        taken[b], elements[7, j], eta, k, turns, one, True,
                    )  # fmt: skip
                    kept[b], kept[CHUNK + b], kept[2 * CHUNK + b] = ux, uy, uz
                    kept[3 * CHUNK + b] = r
                    kept[4 * CHUNK + b], kept[5 * CHUNK + b] = s_re, s_im
                    kept[6 * CHUNK + b], kept[7 * CHUNK + b] = p_re, p_im
                    kept[8 * CHUNK + b], kept[9 * CHUNK + b] = q_re, q_im
                    kept[10 * CHUNK + b], kept[11 * CHUNK + b] = w_re, w_im
                    kept[12 * CHUNK + b], kept[13 * CHUNK + b] = mx, my
                    kept[14 * CHUNK + b] = mz
                    kept[15 * CHUNK + b], kept[16 * CHUNK + b] = v_re, v_im
                for s in range(n_sources):
                    # all times the pressure: what the objectives share
                    pr, pi = pressure[s, 0, first:], pressure[s, 1, first:]
                    fx_re = fx_im = fy_re = fy_im = fz_re = fz_im = zero
                    tx_re = tx_im = ty_re = ty_im = tz_re = tz_im = zero
                    for b in range(count):
                        ux, uy, uz = kept[b], kept[CHUNK + b], kept[2 * CHUNK + b]
                        r = kept[3 * CHUNK + b]
                        mx, my = kept[12 * CHUNK + b], kept[13 * CHUNK + b]
                        mz = kept[14 * CHUNK + b]
                        re, im = pr[b], pi[b]
                        s_re, s_im = kept[4 * CHUNK + b], kept[5 * CHUNK + b]
                        s_re, s_im = s_re * re - s_im * im, s_re * im + s_im * re
                        p_re, p_im = kept[6 * CHUNK + b], kept[7 * CHUNK + b]
                        p_re, p_im = p_re * re - p_im * im, p_re * im + p_im * re
                        q_re, q_im = kept[8 * CHUNK + b], kept[9 * CHUNK + b]
                        q_re, q_im = q_re * re - q_im * im, q_re * im + q_im * re
                        w_re, w_im = kept[10 * CHUNK + b], kept[11 * CHUNK + b]
                        w_re, w_im = w_re * re - w_im * im, w_re * im + w_im * re
                        vx_re, vx_im = s_re * ux + q_re * nx, s_im * ux + q_im * nx
                        vy_re, vy_im = s_re * uy + q_re * ny, s_im * uy + q_im * ny
                        vz_re, vz_im = s_re * uz + q_re * nz, s_im * uz + q_im * nz
                        fx_re += vx_re + p_re * mx
                        fx_im += vx_im + p_im * mx
                        fy_re += vy_re + p_re * my
                        fy_im += vy_im + p_im * my
                        fz_re += vz_re + p_re * mz
                        fz_im += vz_im + p_im * mz
                        q_re, q_im = q_re * r, q_im * r
                        tx_re += q_re * ux + w_re * mx
                        tx_im += q_im * ux + w_im * mx
                        ty_re += q_re * uy + w_re * my
                        ty_im += q_im * uy + w_im * my
                        tz_re += q_re * uz + w_re * mz
                        tz_im += q_im * uz + w_im * mz
                        kept[17 * CHUNK + b], kept[18 * CHUNK + b] = vx_re, vx_im
                        kept[19 * CHUNK + b], kept[20 * CHUNK + b] = vy_re, vy_im
                        kept[21 * CHUNK + b], kept[22 * CHUNK + b] = vz_re, vz_im
                        kept[23 * CHUNK + b], kept[24 * CHUNK + b] = p_re, p_im
                        p_re, p_im = p_re * r, p_im * r
                        kept[25 * CHUNK + b] = p_re * ux + w_re * nx
                        kept[26 * CHUNK + b] = p_im * ux + w_im * nx
                        kept[27 * CHUNK + b] = p_re * uy + w_re * ny
                        kept[28 * CHUNK + b] = p_im * uy + w_im * ny
                        kept[29 * CHUNK + b] = p_re * uz + w_re * nz
                        kept[30 * CHUNK + b] = p_im * uz + w_im * nz
                        v_re, v_im = kept[15 * CHUNK + b], kept[16 * CHUNK + b]
                        kept[31 * CHUNK + b] = v_re * re - v_im * im
                        kept[32 * CHUNK + b] = v_re * im + v_im * re
                    for o in range(n_objectives):
                        re, im = adjoint[o, s, 0, i], adjoint[o, s, 1, i]
                        at_point[o, 0, i] -= sx * (re * fx_re - im * fx_im)
                        at_point[o, 1, i] -= sy * (re * fy_re - im * fy_im)
                        at_point[o, 2, i] -= sz * (re * fz_re - im * fz_im)
                        at_point[o, 3, i] += sx * (re * tx_re - im * tx_im)
                        at_point[o, 4, i] += sy * (re * ty_re - im * ty_im)
                        at_point[o, 5, i] += sz * (re * tz_re - im * tz_im)
                        sums = np.uint64(33 + 8 * o) * CHUNK
                        for part in range(np.uint64(8)):
                            found = np.uint64(17 + 2 * part) * CHUNK
                            into = sums + part * CHUNK
                            for b in range(count):
                                kept[into + b] += (
                                    re * kept[found + b] - im * kept[found + CHUNK + b]
                                )
            for o in range(n_objectives):
                for part in range(8):
                    into, begin = at_element[o, part], (33 + 8 * o + part) * CHUNK
                    for b in range(count):
                        into[np.uint64(first) + b] += kept[begin + b]


@njit(fastmath=True, cache=True, error_model="numpy")
def add_far_sources(
    points, normals, signs, etas, sources, source_normals, weights, moments, scalars,
    start, element, image_of, adjoint, gradient, at_point,
):  # fmt: skip
    """Add what Re (adjoint . B gradient) changes by when field points move, sources at rest.

    Parameters
    ----------
    points, normals, etas : arrays
        All field points.
    sources, weights, moments : arrays
        Those elements alone that move.
    start, element, image_of : integer arrays
        Near pairs by field point, numbers of these elements; they are left out.
    adjoint, gradient : arrays
        As in `add_pairs`, with dp/dn for the pressure.
    at_point : (n_objectives, 6, n) array
        As in `add_pairs`.
    """
    k, turns, one = scalars[0], scalars[2], scalars[3]
    zero = one - one
    n_objectives, n_sources = adjoint.shape[0], adjoint.shape[1]
    taken = np.empty_like(weights)
    for i in range(points.shape[1]):
        eta = etas[i]
        for image in range(signs.shape[0]):
            sx, sy, sz = signs[image, 0], signs[image, 1], signs[image, 2]
            x, y, z = points[0, i] * sx, points[1, i] * sy, points[2, i] * sz
            nx, ny, nz = normals[0, i] * sx, normals[1, i] * sy, normals[2, i] * sz
            taken[:] = weights
            for p in range(start[i], start[i + 1]):
                if image_of[p] == image:
                    taken[element[p]] = zero
            for o in range(n_objectives):
                for s in range(n_sources):
                    ar, ai = adjoint[o, s, 0, i], adjoint[o, s, 1, i]
                    fx = fy = fz = along = tx = ty = tz = zero
                    for j in range(weights.size):
                        dx, dy, dz = sources[0, j] - x, sources[1, j] - y, sources[2, j] - z
                        inv_r = one / np.sqrt(dx * dx + dy * dy + dz * dz)
                        r = one / inv_r
                        t = k * r
                        cosine, sine = cos_sin_turns(r * turns, one)
                        a = dx * source_normals[0, j] + dy * source_normals[1, j]
                        a = (a + dz * source_normals[2, j]) * inv_r
                        b = (dx * nx + dy * ny + dz * nz) * inv_r
                        amount = taken[j] * inv_r * inv_r * inv_r
                        amount *= one - moments[j] * (one - a * a)
                        pr, pi = gradient[s, 0, j], gradient[s, 1, j]
                        rr, ri = ar * pr - ai * pi, ar * pi + ai * pr
                        e_re = amount * (rr * cosine - ri * sine)
                        e_im = amount * (rr * sine + ri * cosine)
                        # real parts of G1, W and -i eta G2 b
                        first = -e_re - t * e_im
                        turning = eta * (t * e_re - e_im)
                        three = np.float32(3.0)
                        second = eta * b * inv_r * ((three - t * t) * e_im - three * t * e_re)
                        fx += dx * (first + second)
                        fy += dy * (first + second)
                        fz += dz * (first + second)
                        along += turning
                        tx += dx * turning
                        ty += dy * turning
                        tz += dz * turning
                    at_point[o, 0, i] -= sx * (fx + along * nx)
                    at_point[o, 1, i] -= sy * (fy + along * ny)
                    at_point[o, 2, i] -= sz * (fz + along * nz)
                    at_point[o, 3, i] += sx * tx
                    at_point[o, 4, i] += sy * ty
                    at_point[o, 5, i] += sz * tz
