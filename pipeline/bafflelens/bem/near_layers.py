# SPDX-License-Identifier: GPL-3.0-or-later
"""What near elements give at one frequency beyond what one point does: see `bem.near_field`.

Symbols as in `bafflelens.bem.kernels`.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from bafflelens.base.conventions import ComplexArray, IntArray
from bafflelens.base.threads import on_threads
from bafflelens.bem.phases import cos_sin_turns
from bafflelens.bem.triangle_potentials import FOUR_PI, pair_single_layer
from bafflelens.mesh.mesh import Mesh

# Field points that share buffers.
_CHUNK = 64
# Pairs are done in whole vectors of so many: what is left over would be done one by one.
_LANES = 8
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(8)


def own_element_dynamic(
    mesh: Mesh, wavenumber: float, elements: IntArray | None = None
) -> tuple[ComplexArray, ComplexArray]:
    """Return G and the dynamic part of H of each element at its own centroid, (n_triangles,).

    With ``elements`` of these alone, the others are 0.

    In polar coordinates about the centroid both are integrals along the outline rho(theta)::

        G             = 1/(4 pi) oint (exp(ik rho) - 1)/(ik) dtheta
        H - static H  = ik/2 - 1/(4 pi) oint (exp(ik rho) - 1)/rho dtheta

    The integrands are smooth; each edge takes a Gauss rule of eight points in the angle.
    """
    wanted = np.arange(mesh.n_triangles) if elements is None else elements
    layer, dynamic = np.zeros((2, mesh.n_triangles), dtype=complex)
    _set_outlines(
        mesh.corners, mesh.centroids, wanted, wavenumber, _NODES, _WEIGHTS, layer, dynamic
    )
    return layer, dynamic


@njit(cache=True)
def _whole(n):
    """Return so many pairs, or as many more as fill the last vector."""
    return (n + _LANES - 1) // _LANES * _LANES


@on_threads
@njit(nogil=True, cache=True, error_model="numpy")
def _set_outlines(thread, threads, corners, centroids, wanted, k, nodes, weights, layer, dynamic):
    """Set both integrals of `own_element_dynamic`."""
    for n in range(thread, wanted.size, threads):
        j = wanted[n]
        g_re, g_im, h_re, h_im = 0.0, 0.0, 0.0, 0.0
        for e in range(3):
            ax = corners[j, e, 0] - centroids[j, 0]
            ay = corners[j, e, 1] - centroids[j, 1]
            az = corners[j, e, 2] - centroids[j, 2]
            f = (e + 1) % 3
            tx = corners[j, f, 0] - corners[j, e, 0]
            ty = corners[j, f, 1] - corners[j, e, 1]
            tz = corners[j, f, 2] - corners[j, e, 2]
            length = np.sqrt(tx * tx + ty * ty + tz * tz)
            along = (ax * tx + ay * ty + az * tz) / length
            px, py, pz = (
                ax - along * tx / length,
                ay - along * ty / length,
                az - along * tz / length,
            )
            foot = np.sqrt(px * px + py * py + pz * pz)
            first, last = np.arctan2(along, foot), np.arctan2(along + length, foot)
            middle, half = 0.5 * (first + last), 0.5 * (last - first)
            for q in range(nodes.size):
                rho = foot / np.cos(middle + half * nodes[q])
                w = half * weights[q]
                # exp(ik rho) - 1, without cancellation
                sine = np.sin(0.5 * k * rho)
                change_re, change_im = -2.0 * sine * sine, np.sin(k * rho)
                g_re += w * change_re
                g_im += w * change_im
                h_re += w * change_re / rho
                h_im += w * change_im / rho
        # over ik, that is times -i/k
        layer[j] = complex(g_im, -g_re) / (k * FOUR_PI)
        dynamic[j] = complex(-h_re / FOUR_PI, 0.5 * k - h_im / FOUR_PI)


@on_threads
@njit(nogil=True, cache=True, fastmath=True, error_model="numpy")
def near_corrections(thread, threads, seen_from, elements, near, own_dynamic, k, out):
    """Set ``out`` to the near integral of K + (ie/k) H less what one point gives, a pair.

    Parameters
    ----------
    seen_from : CoupledPoints
        Field points.
    elements : Elements
        The elements.
    near : NearPairs
        The pairs.
    own_dynamic : (n_triangles,) complex array
        From `own_element_dynamic`.
    k : float
        Wavenumber in 1/m.
    out : (n_pairs,) complex array
        Filled in place.
    """
    points, normals, couplings = seen_from
    signs, _, centroids, element_normals, areas, moments, rules = elements
    coarse_points, coarse_weights, fine_points, fine_weights = rules
    start, element, image, fine, own, double_layer, hypersingular = near
    rows = points.shape[0]
    for chunk in range(thread, (rows + _CHUNK - 1) // _CHUNK, threads):
        first, last = chunk * _CHUNK, min(rows, (chunk + 1) * _CHUNK)
        most = 0
        for i in range(first, last):
            most = max(most, start[i + 1] - start[i])
        # What the loops over pairs take lies side by side, so that they can take vectors.
        room = _whole(most)
        pairs, sight = np.empty(most, np.int64), np.zeros((12, room))
        x, re, im = np.empty((3, most)), np.empty(room), np.empty(room)
        for i in range(first, last):
            e = couplings[i]
            for p in range(start[i], start[i + 1]):
                if own[p]:
                    dynamic = hypersingular[p] + own_dynamic[element[p]]
                    out[p] = double_layer[p] + dynamic * (1j * e / k)
            for rule in range(2):
                n = 0
                for p in range(start[i], start[i + 1]):
                    if fine[p] == (rule == 1) and not own[p]:
                        pairs[n] = p
                        n += 1
                for t in range(n):
                    p = pairs[t]
                    j, s = element[p], image[p]
                    b = 0.0
                    for c in range(3):
                        x[c, t] = points[i, c] * signs[s, c]
                        normal = normals[i, c] * signs[s, c]
                        sight[c, t], sight[3 + c, t] = normal, element_normals[j, c]
                        b += normal * element_normals[j, c]
                    sight[6, t], sight[11, t] = b, moments[j]
                    re[t] = double_layer[p]
                    im[t] = e * hypersingular[p] / k
                for t in range(n, _whole(n)):  # one metre away, of no weight
                    sight[7, t], sight[8, t], sight[9, t], sight[10, t] = 1.0, 0.0, 0.0, 0.0
                for q in range(fine_points.shape[1] if rule else coarse_points.shape[1]):
                    for t in range(n):
                        j = element[pairs[t]]
                        for c in range(3):
                            y = fine_points[j, q, c] if rule else coarse_points[j, q, c]
                            sight[7 + c, t] = y - x[c, t]
                        sight[10, t] = fine_weights[j, q] if rule else coarse_weights[j, q]
                    _add_remainders(_whole(n), sight, e, k, re, im)
                for t in range(n):
                    j = element[pairs[t]]
                    for c in range(3):
                        sight[7 + c, t] = centroids[j, c] - x[c, t]
                    sight[10, t] = areas[j]
                _take_away_far(_whole(n), sight, e, k, re, im)
                for t in range(n):
                    out[pairs[t]] = complex(re[t], im[t])


@njit(cache=True, fastmath=True, error_model="numpy")
def _add_remainders(n, sight, e, k, re, im):
    """Add what one point of a rule gives of K + (ie/k) H less its static part, for n pairs.

    The rows of ``sight``, (12, at least n), are: normals at the field points, normals of the
    elements, the cosines between both, from the field points to the points of the rule, and
    the weights of these. ``re`` and ``im`` are added to.
    """
    turns = k / (2.0 * np.pi)
    for t in range(np.uint64(n)):
        dx, dy, dz = sight[7, t], sight[8, t], sight[9, t]
        inv = 1.0 / np.sqrt(dx * dx + dy * dy + dz * dz)
        kr = k / inv
        r_y = (dx * sight[3, t] + dy * sight[4, t] + dz * sight[5, t]) * inv
        r_x = -(dx * sight[0, t] + dy * sight[1, t] + dz * sight[2, t]) * inv
        u = 3.0 * r_x * r_y + sight[6, t]
        c, d = cos_sin_turns(turns / inv, 1.0)
        # exp(ikr) (1 - ikr) - 1, which both remainders share
        f_re = c + kr * d - 1.0
        f_im = d - kr * c
        w = sight[10, t] / FOUR_PI * inv
        # K less static: -r_y f / r;  H less static: u f / r^2 - k^2 a exp(ikr)
        h_re = u * f_re * inv * inv - k * k * r_x * r_y * c
        h_im = u * f_im * inv * inv - k * k * r_x * r_y * d
        re[t] += w * (-r_y * f_re * inv - e * h_im / k)
        im[t] += w * (-r_y * f_im * inv + e * h_re / k)


@njit(cache=True, fastmath=True, error_model="numpy")
def _take_away_far(n, sight, e, k, re, im):
    """Take from the sums what the far rule gives: see `_add_remainders`.

    The points of the rule are the centroids, the weights the areas; row 11 holds the moments.
    """
    turns = k / (2.0 * np.pi)
    for t in range(np.uint64(n)):
        dx, dy, dz = sight[7, t], sight[8, t], sight[9, t]
        inv = 1.0 / np.sqrt(dx * dx + dy * dy + dz * dz)
        r_y = (dx * sight[3, t] + dy * sight[4, t] + dz * sight[5, t]) * inv
        r_x = -(dx * sight[0, t] + dy * sight[1, t] + dz * sight[2, t]) * inv
        a, b = r_x * r_y, sight[6, t]
        moment = sight[11, t]
        spread = 0.5 * moment * inv * inv
        r_y2 = 15.0 * r_y * r_y
        u = 3.0 * a + b + spread * (9.0 * (b + 5.0 * a) - r_y2 * (7.0 * a + 3.0 * b))
        static_r_y = r_y + spread * r_y * (9.0 - r_y2)
        w = sight[10, t] / FOUR_PI * inv * (1.0 - 0.5 * k * k * moment * (1.0 - r_y * r_y))
        g_re = (e * u - static_r_y) * inv
        g_im = k * (static_r_y - e * a) + e * u * inv * inv / k
        c, d = cos_sin_turns(turns / inv, 1.0)
        re[t] -= w * (g_re * c - g_im * d)
        im[t] -= w * (g_re * d + g_im * c)


@on_threads
@njit(nogil=True, cache=True)
def add_near(thread, threads, start, element, values, diagonal, matrix):
    """Add the near corrections and a constant diagonal to a stored matrix, in place."""
    for i in range(thread, start.size - 1, threads):
        for p in range(start[i], start[i + 1]):
            matrix[i, element[p]] += values[p]
        matrix[i, i] += diagonal


@on_threads
@njit(nogil=True, cache=True, error_model="numpy")
def add_near_single_layer(
    thread, threads, seen_from, elements, near, moving, own_layer, k, gradient, out
):
    """Add the near part of (G + (ie/k) K') dp/dn, less what one point gives, to ``out``.

    Parameters are those of `near_corrections`; ``moving`` (n_triangles,) tells which elements
    have a gradient, ``own_layer`` comes from `own_element_dynamic`, ``gradient`` and ``out`` are
    (n_sources, n_triangles) complex.
    """
    points, normals, couplings = seen_from
    signs, corners, centroids, element_normals, areas, moments, rules = elements
    _, _, fine_points, fine_weights = rules
    start, element, image, _, own, _, _ = near
    point, normal = np.empty(3), np.empty(3)
    for i in range(thread, points.shape[0], threads):
        e, most = couplings[i], 0
        for p in range(start[i], start[i + 1]):
            most += moving[element[p]]
        if not most:
            continue
        # What the loops over pairs take lies side by side, so that they can take vectors.
        pairs, sight = np.empty(most, np.int64), np.empty((12, most))
        x, re, im = np.empty((3, most)), np.empty(most), np.empty(most)
        n = 0
        for p in range(start[i], start[i + 1]):
            j = element[p]
            if not moving[j]:
                continue
            if own[p]:
                for source in range(gradient.shape[0]):
                    out[source, i] += own_layer[j] * gradient[source, j]
                continue
            pairs[n] = p
            for c in range(3):
                point[c] = points[i, c] * signs[image[p], c]
                normal[c] = normals[i, c] * signs[image[p], c]
                x[c, n], sight[c, n], sight[3 + c, n] = point[c], normal[c], element_normals[j, c]
            layer, adjoint = pair_single_layer(point, normal, corners[j])
            re[n], im[n], sight[11, n] = layer, e / k * adjoint, moments[j]
            n += 1
        for q in range(fine_points.shape[1]):
            for t in range(n):
                j = element[pairs[t]]
                for c in range(3):
                    sight[7 + c, t] = fine_points[j, q, c] - x[c, t]
                sight[10, t] = fine_weights[j, q]
            _add_single_remainders(n, sight, e, k, re, im)
        for t in range(n):
            j = element[pairs[t]]
            for c in range(3):
                sight[7 + c, t] = centroids[j, c] - x[c, t]
            sight[10, t] = areas[j]
        _take_away_single_far(n, sight, e, k, re, im)
        for source in range(gradient.shape[0]):
            for t in range(n):
                out[source, i] += complex(re[t], im[t]) * gradient[source, element[pairs[t]]]


@njit(cache=True, fastmath=True, error_model="numpy")
def _add_single_remainders(n, sight, e, k, re, im):
    """Add what one point of a rule gives of G + (ie/k) K' less its static part, for n pairs.

    The rows of ``sight`` are those of `_add_remainders`, but for the cosines: there are none.
    """
    turns = k / (2.0 * np.pi)
    for t in range(n):
        dx, dy, dz = sight[7, t], sight[8, t], sight[9, t]
        inv = 1.0 / np.sqrt(dx * dx + dy * dy + dz * dz)
        kr = k / inv
        r_x = -(dx * sight[0, t] + dy * sight[1, t] + dz * sight[2, t]) * inv
        c, d = cos_sin_turns(turns / inv, 1.0)
        w = sight[10, t] / FOUR_PI * inv
        slope = e / k * r_x * inv
        # times (ikr - 1) exp(ikr) + 1
        f_re = 1.0 - c - kr * d
        f_im = kr * c - d
        re[t] += w * (c - 1.0 - slope * f_im)
        im[t] += w * (d + slope * f_re)


@njit(cache=True, fastmath=True, error_model="numpy")
def _take_away_single_far(n, sight, e, k, re, im):
    """Take from the sums what the far rule gives: see the notes of `bem.kernels`.

    The points of the rule are the centroids, the weights the areas; row 11 holds the moments.
    """
    turns = k / (2.0 * np.pi)
    for t in range(n):
        dx, dy, dz = sight[7, t], sight[8, t], sight[9, t]
        inv = 1.0 / np.sqrt(dx * dx + dy * dy + dz * dz)
        r_x = -(dx * sight[0, t] + dy * sight[1, t] + dz * sight[2, t]) * inv
        r_y = (dx * sight[3, t] + dy * sight[4, t] + dz * sight[5, t]) * inv
        between = sight[0, t] * sight[3, t] + sight[1, t] * sight[4, t] + sight[2, t] * sight[5, t]
        r_y2, moment = r_y * r_y, sight[11, t]
        spread = 0.5 * moment * inv * inv
        static_r_x = r_x + spread * (r_x * (3.0 - 15.0 * r_y2) - 6.0 * between * r_y)
        w = sight[10, t] / FOUR_PI * inv * (1.0 - 0.5 * k * k * moment * (1.0 - r_y2))
        g_re = 1.0 + spread * (1.0 - 3.0 * r_y2) - e * static_r_x
        g_im = -e * static_r_x / k * inv
        c, d = cos_sin_turns(turns / inv, 1.0)
        re[t] -= w * (g_re * c - g_im * d)
        im[t] -= w * (g_re * d + g_im * c)
