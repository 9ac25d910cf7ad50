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
G3 = G (6t^2 - 15 + i (15 t - t^3))/r^6. One point stands for an element, with the factor of its
phase (see `bem.kernels`); how the static parts are curved over an element is left out, which
counts for near ones alone. Of sources that move, an entry is g = G - i eta n . grad G, and

    dg/dx = -(G1 R + W n - i eta G2 b R) ,      dg/dn = W R .
"""

from __future__ import annotations

import numpy as np
from numba import njit

from bafflelens.bem.nearby import first_near
from bafflelens.bem.phases import cos_sin_turns

# Shares of the rows, each with sums of its own over them: always as many, so that sums are added
# in one order however many threads there are.
RUNS = 8
BLOCK = 512  # what is kept of so many pairs stays in the processor's nearest memory


@njit(inline="always")
def radial(dx, dy, dz, nx, ny, nz, mx, my, mz, amount, moment, eta, k, turns, one):
    """Return R/r, r, and then S r, P, Q and W, real and imaginary part of each."""
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
    amount = amount * inv_r * inv_r * inv_r * (one - moment * (one - a * a))
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
    return (
        ux, uy, uz, r,
        s_re * e_re - s_im * e_im, s_re * e_im + s_im * e_re,
        p_re * e_re - p_im * e_im, p_re * e_im + p_im * e_re,
        q_re * e_re - q_im * e_im, q_re * e_im + q_im * e_re,
        eta * (t * e_re - e_im), eta * (t * e_im + e_re),
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
    at_element : (n_objectives, 7, n) array
        Added to in place: Q n + S R, P, and the derivative with the
        normal of each element. With its point it is the first and the second times the normal,
        with its area the last times the normal over the area.
    """
    points, elements, signs, scalars = far
    start, element, image_of = pairs
    k, turns, one = scalars[0], scalars[2], scalars[3]
    zero = one - one
    n_objectives, n_sources = adjoint.shape[0], adjoint.shape[1]
    taken = np.empty(BLOCK, dtype=np.float32)
    # all in one piece, at fixed distances: else the compiler takes single numbers
    kept = np.empty(24 * BLOCK, dtype=np.float32)
    for number in range(len(blocks)):
        image = blocks[number, 4]
        sx, sy, sz = signs[image, 0], signs[image, 1], signs[image, 2]
        for first in range(blocks[number, 2], blocks[number, 3], BLOCK):
            count = min(BLOCK, blocks[number, 3] - first)
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
                    j = first + b
                    mx, my, mz = elements[3, j], elements[4, j], elements[5, j]
                    ux, uy, uz, r, s_re, s_im, p_re, p_im, q_re, q_im, w_re, w_im = radial(
                        elements[0, j] - x, elements[1, j] - y, elements[2, j] - z,
                        nx, ny, nz, mx, my, mz,
                        taken[b], elements[7, j], eta, k, turns, one,
                    )  # fmt: skip
                    kept[b], kept[BLOCK + b], kept[2 * BLOCK + b] = ux, uy, uz
                    kept[3 * BLOCK + b] = r
                    kept[4 * BLOCK + b], kept[5 * BLOCK + b] = s_re, s_im
                    kept[6 * BLOCK + b], kept[7 * BLOCK + b] = p_re, p_im
                    kept[8 * BLOCK + b], kept[9 * BLOCK + b] = q_re, q_im
                    kept[10 * BLOCK + b], kept[11 * BLOCK + b] = w_re, w_im
                    kept[12 * BLOCK + b], kept[13 * BLOCK + b] = mx, my
                    kept[14 * BLOCK + b] = mz
                for o in range(n_objectives):
                    for s in range(n_sources):
                        ar, ai = adjoint[o, s, 0, i], adjoint[o, s, 1, i]
                        pr, pi = pressure[s, 0, first:], pressure[s, 1, first:]
                        if s == 0:
                            for b in range(count):
                                kept[15 * BLOCK + b] = ar * pr[b] - ai * pi[b]
                                kept[16 * BLOCK + b] = ar * pi[b] + ai * pr[b]
                        else:
                            for b in range(count):
                                kept[15 * BLOCK + b] += ar * pr[b] - ai * pi[b]
                                kept[16 * BLOCK + b] += ar * pi[b] + ai * pr[b]
                    fx = fy = fz = across = tx = ty = tz = zero
                    for b in range(count):
                        ux, uy, uz = kept[b], kept[BLOCK + b], kept[2 * BLOCK + b]
                        r = kept[3 * BLOCK + b]
                        mx, my = kept[12 * BLOCK + b], kept[13 * BLOCK + b]
                        mz = kept[14 * BLOCK + b]
                        rr, ri = kept[15 * BLOCK + b], kept[16 * BLOCK + b]
                        s_ = rr * kept[4 * BLOCK + b] - ri * kept[5 * BLOCK + b]
                        p_ = rr * kept[6 * BLOCK + b] - ri * kept[7 * BLOCK + b]
                        q_ = rr * kept[8 * BLOCK + b] - ri * kept[9 * BLOCK + b]
                        w_ = rr * kept[10 * BLOCK + b] - ri * kept[11 * BLOCK + b]
                        vx, vy, vz = s_ * ux, s_ * uy, s_ * uz
                        fx += vx + p_ * mx
                        fy += vy + p_ * my
                        fz += vz + p_ * mz
                        across += q_
                        qr, pr_ = q_ * r, p_ * r
                        tx += qr * ux + w_ * mx
                        ty += qr * uy + w_ * my
                        tz += qr * uz + w_ * mz
                        kept[17 * BLOCK + b] = vx + q_ * nx
                        kept[18 * BLOCK + b] = vy + q_ * ny
                        kept[19 * BLOCK + b] = vz + q_ * nz
                        kept[20 * BLOCK + b] = p_
                        kept[21 * BLOCK + b] = pr_ * ux + w_ * nx
                        kept[22 * BLOCK + b] = pr_ * uy + w_ * ny
                        kept[23 * BLOCK + b] = pr_ * uz + w_ * nz
                    for part in range(7):
                        into = at_element[o, part, first:]
                        found = kept[(17 + part) * BLOCK :]
                        for b in range(count):
                            into[b] += found[b]
                    at_point[o, 0, i] -= sx * (fx + across * nx)
                    at_point[o, 1, i] -= sy * (fy + across * ny)
                    at_point[o, 2, i] -= sz * (fz + across * nz)
                    at_point[o, 3, i] += sx * tx
                    at_point[o, 4, i] += sy * ty
                    at_point[o, 5, i] += sz * tz


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
