# SPDX-License-Identifier: GPL-3.0-or-later
"""How near integrals change when corners of their element, or the field point, move, compiled.

The static parts follow from the closed forms of `bem.triangle_potentials`; the dynamic remainder
from a rule of fewer points than the integral itself takes, which is enough for a slope. Symbols as
in `bem.kernels` and `bem.pair_derivatives`.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from bafflelens.base.threads import on_threads
from bafflelens.bem.phases import cos_sin_turns
from bafflelens.bem.triangle_potentials import FOUR_PI, corners_from, pair_gradient

_STEP = 1e-4  # of the size of an element: rounding and curvature leave 1e-7


@njit(inline="always")
def _edge(ax, ay, az, bx, by, bz, nx, ny, nz, la, lb):
    """Return what an edge adds to -4 pi H: derivatives with both ends and with the normal."""
    dot = ax * bx + ay * by + az * bz
    share = la * lb + dot
    below = la * lb * share
    safe = below > 0.0
    inverse = 1.0 / below if safe else 0.0
    factor = (la + lb) * inverse
    cx, cy, cz = ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx
    triple = cx * nx + cy * ny + cz * nz
    # d factor / da = a/la / below - factor / below (a/la lb share + la lb (a/la lb + b))
    both = factor * inverse * triple
    ia, ib = 1.0 / la, 1.0 / lb
    on_a = triple * ia * inverse - both * (ia * lb * share + lb * lb)
    on_b = triple * ib * inverse - both * (ib * la * share + la * la)
    cross = both * la * lb
    return (
        factor * (by * nz - bz * ny) + on_a * ax - cross * bx,
        factor * (bz * nx - bx * nz) + on_a * ay - cross * by,
        factor * (bx * ny - by * nx) + on_a * az - cross * bz,
        factor * (ny * az - nz * ay) + on_b * bx - cross * ax,
        factor * (nz * ax - nx * az) + on_b * by - cross * ay,
        factor * (nx * ay - ny * ax) + on_b * bz - cross * az,
        factor * cx, factor * cy, factor * cz,
    )  # fmt: skip


@njit(cache=True)
def static_derivatives(point, normal, corners, out):
    """Set the derivatives of static K and H of one pair, in 1/m and 1/m^2.

    Parameters
    ----------
    point, normal : (3,) array
        The field point in m and its unit normal.
    corners : (3, 3) array
        Corners of the element in m.
    out : (7, 3) array
        Filled in place: derivatives of K with each corner, of H with each corner, and of H with
        the normal. With the field point it is minus the sum over the corners.
    """
    x, y, z = point[0], point[1], point[2]
    nx, ny, nz = normal[0], normal[1], normal[2]
    ax, ay, az, bx, by, bz, cx, cy, cz = corners_from(x, y, z, corners)
    la = np.sqrt(ax * ax + ay * ay + az * az)
    lb = np.sqrt(bx * bx + by * by + bz * bz)
    lc = np.sqrt(cx * cx + cy * cy + cz * cz)
    ab = ax * bx + ay * by + az * bz
    bc = bx * cx + by * cy + bz * cz
    ca = cx * ax + cy * ay + cz * az
    # solid angle 2 atan2(triple, rest), rest = la lb lc + ab lc + bc la + ca lb
    px, py, pz = by * cz - bz * cy, bz * cx - bx * cz, bx * cy - by * cx
    qx, qy, qz = cy * az - cz * ay, cz * ax - cx * az, cx * ay - cy * ax
    rx, ry, rz = ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx
    triple = ax * px + ay * py + az * pz
    rest = la * lb * lc + ab * lc + bc * la + ca * lb
    factor = -2.0 / FOUR_PI / (triple * triple + rest * rest)
    of_rest, of_triple = factor * rest, -factor * triple
    own_a = (lb * lc + bc) / la
    own_b = (lc * la + ca) / lb
    own_c = (la * lb + ab) / lc
    out[0, 0] = of_rest * px + of_triple * (own_a * ax + lb * cx + lc * bx)
    out[0, 1] = of_rest * py + of_triple * (own_a * ay + lb * cy + lc * by)
    out[0, 2] = of_rest * pz + of_triple * (own_a * az + lb * cz + lc * bz)
    out[1, 0] = of_rest * qx + of_triple * (own_b * bx + lc * ax + la * cx)
    out[1, 1] = of_rest * qy + of_triple * (own_b * by + lc * ay + la * cy)
    out[1, 2] = of_rest * qz + of_triple * (own_b * bz + lc * az + la * cz)
    out[2, 0] = of_rest * rx + of_triple * (own_c * cx + la * bx + lb * ax)
    out[2, 1] = of_rest * ry + of_triple * (own_c * cy + la * by + lb * ay)
    out[2, 2] = of_rest * rz + of_triple * (own_c * cz + la * bz + lb * az)
    first = _edge(ax, ay, az, bx, by, bz, nx, ny, nz, la, lb)
    second = _edge(bx, by, bz, cx, cy, cz, nx, ny, nz, lb, lc)
    third = _edge(cx, cy, cz, ax, ay, az, nx, ny, nz, lc, la)
    for axis in range(3):
        out[3, axis] = -(first[axis] + third[3 + axis]) / FOUR_PI
        out[4, axis] = -(second[axis] + first[3 + axis]) / FOUR_PI
        out[5, axis] = -(third[axis] + second[3 + axis]) / FOUR_PI
        out[6, axis] = -(first[6 + axis] + second[6 + axis] + third[6 + axis]) / FOUR_PI


@njit(inline="always")
def _add_dynamic(x, y, z, nx, ny, nz, mx, my, mz, corners, area, eta, k, shares, at_re, at_im):
    """Add the derivatives of the dynamic remainder of K + (ie/k) H to (4, 3) arrays.

    Of each corner, and of the field normal.
    """
    c = nx * mx + ny * my + nz * mz
    turns = k / (2 * np.pi)
    d0r = d0i = d1r = d1i = d2r = d2i = 0.0
    for q in range(shares.shape[0]):
        w0, w1, w2 = shares[q, 0], shares[q, 1], shares[q, 2]
        dx = w0 * corners[0, 0] + w1 * corners[1, 0] + w2 * corners[2, 0] - x
        dy = w0 * corners[0, 1] + w1 * corners[1, 1] + w2 * corners[2, 1] - y
        dz = w0 * corners[0, 2] + w1 * corners[1, 2] + w2 * corners[2, 2] - z
        inv2 = 1.0 / (dx * dx + dy * dy + dz * dz)
        inv = np.sqrt(inv2)
        t = k * inv / inv2
        a = dx * mx + dy * my + dz * mz
        b = dx * nx + dy * ny + dz * nz
        co, si = cos_sin_turns(turns * inv / inv2, 1.0)
        amount = area / (shares.shape[0] * FOUR_PI) * inv * inv2
        g1r = amount * (1.0 - co - t * si)
        g1i = amount * (t * co - si)
        amount *= inv2
        u = 3.0 - t * t
        g2r = amount * (u * co + 3.0 * t * si - 3.0)
        g2i = amount * (u * si - 3.0 * t * co)
        amount *= inv2
        u, v = 6.0 * t * t - 15.0, t * (15.0 - t * t)
        g3r = amount * (u * co - v * si + 15.0)
        g3i = amount * (u * si + v * co)
        pr, pi = g1r + eta * b * g2i, g1i - eta * b * g2r
        qr, qi = eta * a * g2i, -eta * a * g2r
        sr = a * g2r + eta * (c * g2i + a * b * g3i)
        si_ = a * g2i - eta * (c * g2r + a * b * g3r)
        wr, wi = eta * g1i, -eta * g1r
        y0r, y0i = sr * dx + pr * mx + qr * nx, si_ * dx + pi * mx + qi * nx
        y1r, y1i = sr * dy + pr * my + qr * ny, si_ * dy + pi * my + qi * ny
        y2r, y2i = sr * dz + pr * mz + qr * nz, si_ * dz + pi * mz + qi * nz
        for e in range(3):
            w = shares[q, e]
            at_re[e, 0] += w * y0r
            at_re[e, 1] += w * y1r
            at_re[e, 2] += w * y2r
            at_im[e, 0] += w * y0i
            at_im[e, 1] += w * y1i
            at_im[e, 2] += w * y2i
        at_re[3, 0] += qr * dx + wr * mx
        at_re[3, 1] += qr * dy + wr * my
        at_re[3, 2] += qr * dz + wr * mz
        at_im[3, 0] += qi * dx + wi * mx
        at_im[3, 1] += qi * dy + wi * my
        at_im[3, 2] += qi * dz + wi * mz
        d0r += pr * dx + wr * nx
        d0i += pi * dx + wi * nx
        d1r += pr * dy + wr * ny
        d1i += pi * dy + wi * ny
        d2r += pr * dz + wr * nz
        d2i += pi * dz + wi * nz
    # the entry is m . d, so that what grows with the area takes the place of what lies along m
    half = 0.5 / area
    for e in range(3):
        f, g = (e + 1) % 3, (e + 2) % 3
        ex = half * (corners[f, 0] - corners[g, 0])
        ey = half * (corners[f, 1] - corners[g, 1])
        ez = half * (corners[f, 2] - corners[g, 2])
        at_re[e, 0] += ey * d2r - ez * d1r
        at_re[e, 1] += ez * d0r - ex * d2r
        at_re[e, 2] += ex * d1r - ey * d0r
        at_im[e, 0] += ey * d2i - ez * d1i
        at_im[e, 1] += ez * d0i - ex * d2i
        at_im[e, 2] += ex * d1i - ey * d0i


@on_threads
@njit(nogil=True, cache=True, fastmath=True, error_model="numpy")
def add_near_pairs(
    thread, threads, points, normals, signs, etas, corners, element_normals, areas, start, element,
    image_of, fine, own, few, more, k, adjoint, pressure, at_point, at_corner,
):  # fmt: skip
    """Add what Re (adjoint . A pressure) changes by when near points and elements move.

    Parameters
    ----------
    points, normals, signs, etas : arrays
        Field points and their normals, mirror images, coupling over k in m.
    corners, element_normals, areas : arrays
        Of the elements.
    start, element, image_of, fine, own : arrays
        As in `near_field.NearPairs`.
    few, more : (n_rule, 3) array
        Rules of equal weights for the remainder: of pairs, and of those that are ``fine``.
    k : float
        Wavenumber in 1/m.
    adjoint : (n_objectives, n_sources, n) complex array
        By field point.
    pressure : (n_sources, n) complex array
        By element.
    at_point : (n_objectives, 6, n) array
        Added to in place, as in `pair_derivatives.add_pairs`.
    at_corner : (RUNS, n_objectives, n, 3, 3) array
        Added to in place, by share of the points: derivatives with the corners of elements.
    """
    runs, n_objectives = at_corner.shape[0], at_corner.shape[1]
    size = len(points)
    share = (size + runs - 1) // runs
    for run in range(thread, runs, threads):
        static = np.empty((7, 3))
        at_re = np.empty((4, 3))
        at_im = np.empty((4, 3))
        point = np.empty(3)
        normal = np.empty(3)
        for i in range(run * share, min(size, (run + 1) * share)):
            eta = etas[i]
            for p in range(start[i], start[i + 1]):
                j = element[p]
                image = image_of[p]
                for axis in range(3):
                    point[axis] = points[i, axis] * signs[image, axis]
                    normal[axis] = normals[i, axis] * signs[image, axis]
                static_derivatives(point, normal, corners[j], static)
                at_re[:] = 0.0
                at_im[:] = 0.0
                if own[p]:
                    static[:3] = 0.0
                else:
                    _add_dynamic(
                        point[0], point[1], point[2], normal[0], normal[1], normal[2],
                        element_normals[j, 0], element_normals[j, 1], element_normals[j, 2],
                        corners[j], areas[j], eta, k, more if fine[p] else few, at_re, at_im,
                    )  # fmt: skip
                for e in range(4):
                    for axis in range(3):
                        if e < 3:
                            at_re[e, axis] += static[e, axis]
                        at_im[e, axis] += eta * static[3 + e, axis]
                for o in range(n_objectives):
                    rr = ri = 0.0
                    for s in range(adjoint.shape[1]):
                        amount = adjoint[o, s, i] * pressure[s, j]
                        rr += amount.real
                        ri += amount.imag
                    for axis in range(3):
                        sign = signs[image, axis]
                        total = 0.0
                        for e in range(3):
                            value = rr * at_re[e, axis] - ri * at_im[e, axis]
                            at_corner[run, o, j, e, axis] += value
                            total += value
                        at_point[o, axis, i] -= sign * total
                        at_point[o, 3 + axis, i] += sign * (
                            rr * at_re[3, axis] - ri * at_im[3, axis]
                        )


@njit(cache=True)
def _set_gradient(point, corners, rule_points, rule_weights, k, gradient):
    """Set ``gradient`` to that of the G of one element with the field point, (3,) complex."""
    _, gradient[0], gradient[1], gradient[2] = pair_gradient(point, corners)
    for q in range(len(rule_points)):
        dx, dy, dz = rule_points[q] - point
        r2 = dx * dx + dy * dy + dz * dz
        r = np.sqrt(r2)
        bracket = complex(-1.0, k * r) * complex(np.cos(k * r), np.sin(k * r)) + 1.0
        share = -rule_weights[q] / (FOUR_PI * r * r2) * bracket
        gradient[0] += share * dx
        gradient[1] += share * dy
        gradient[2] += share * dz


@njit(cache=True)
def add_near_sources(
    points, normals, signs, etas, corners, rule_points, rule_weights, start, element, image_of,
    moving, sizes, k, adjoint, gradient, at_point,
):  # fmt: skip
    """Add what Re (adjoint . B gradient) changes by when points near to sources move.

    An entry is G + i eta n . grad G. ``moving`` (n,) tells which elements have a gradient and stay
    where they are; ``rule_points``, ``rule_weights`` are their Gauss rules, ``sizes`` (n,) lengths
    of elements in m, ``gradient`` (n_sources, n) is dp/dn, all else as in `add_near_pairs`.
    """
    ahead, back = np.empty(3, np.complex128), np.empty(3, np.complex128)
    for i in range(len(points)):
        if moving[i]:
            continue
        for p in range(start[i], start[i + 1]):
            j = element[p]
            if not moving[j]:
                continue
            sign = signs[image_of[p]]
            x, n = points[i] * sign, normals[i] * sign
            step = _STEP * sizes[j]
            rule = rule_points[j], rule_weights[j], k
            _set_gradient(x + step * n, corners[j], *rule, ahead)
            _set_gradient(x - step * n, corners[j], *rule, back)
            for o in range(adjoint.shape[0]):
                rho = 0j
                for s in range(adjoint.shape[1]):
                    rho += adjoint[o, s, i] * gradient[s, j]
                for axis in range(3):
                    mean = 0.5 * (ahead[axis] + back[axis])
                    turned = 1j * etas[i] * mean
                    moved = mean + 1j * etas[i] * (ahead[axis] - back[axis]) / (2 * step)
                    at_point[o, axis, i] += sign[axis] * (rho * moved).real
                    at_point[o, 3 + axis, i] += sign[axis] * (rho * turned).real
