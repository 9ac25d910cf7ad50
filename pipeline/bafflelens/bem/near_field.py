# SPDX-License-Identifier: GPL-3.0-or-later
"""Singular and nearly singular integrals over flat triangles.

An element close to the field point cannot be represented by one point. Each integral is split:

* the static part (k = 0) is known in closed form (`bafflelens.bem.triangle_potentials`), holds
  everything that is singular, and is computed once a mesh, whatever the number of frequencies;
* the dynamic remainder (the kernel less its static limit) is bounded or weakly singular, and a
  Gauss rule is enough. It is computed at each frequency.

Symbols as in `bafflelens.bem.kernels`.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from bafflelens.base.conventions import ComplexArray, FloatArray, IntArray
from bafflelens.bem import nearby
from bafflelens.bem.clusters import BoxTree
from bafflelens.bem.phases import cos_sin_turns
from bafflelens.bem.triangle_potentials import FOUR_PI, pair_single_layer, static_double_layers
from bafflelens.mesh.mesh import Mesh

# Field points closer than this many longest edges are near an element ...
NEAR_EDGES = 2.5
# ... and closer than this many, its remainder takes the finer rule.
CLOSE_EDGES = 1.2

# Field points that share buffers.
_CHUNK = 64

# Symmetric Gauss rules on the triangle, barycentric coordinates and weights: degree 2 (3 points)
# and degree 5 (7 points). Source: G. R. Cowper, "Gaussian quadrature formulas for triangles",
# Int. J. Numer. Methods Eng. 7 (1973) 405; exactness is tested.
_THREE_POINTS = np.array([[2 / 3, 1 / 6, 1 / 6], [1 / 6, 2 / 3, 1 / 6], [1 / 6, 1 / 6, 2 / 3]])
_THREE_WEIGHTS = np.full(3, 1 / 3)
_A, _B = (6 - np.sqrt(15)) / 21, (6 + np.sqrt(15)) / 21
_SEVEN_POINTS = np.array(
    [
        [1 / 3, 1 / 3, 1 / 3],
        [1 - 2 * _A, _A, _A],
        [_A, 1 - 2 * _A, _A],
        [_A, _A, 1 - 2 * _A],
        [1 - 2 * _B, _B, _B],
        [_B, 1 - 2 * _B, _B],
        [_B, _B, 1 - 2 * _B],
    ]
)
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(8)
_SEVEN_WEIGHTS = np.array(
    [9 / 40] + [(155 - np.sqrt(15)) / 1200] * 3 + [(155 + np.sqrt(15)) / 1200] * 3
)


class NearPairs(NamedTuple):
    """Field points and elements that are close to each other, with their static integrals.

    Sorted by field point: entries ``start[i]`` to ``start[i + 1]`` belong to field point i.

    Attributes
    ----------
    start : (n_points + 1,) integer array
        First entry of each field point.
    element : (n_pairs,) integer array
        The element.
    image : (n_pairs,) integer array
        Which mirror image of the element.
    fine : (n_pairs,) bool array
        Whether the remainder takes the finer rule.
    own : (n_pairs,) bool array
        Whether the field point is the element's own centroid.
    double_layer, hypersingular : (n_pairs,) array
        Static K and H integrated over the element, in m^0 and 1/m; finite part where singular.
    """

    start: IntArray
    element: IntArray
    image: IntArray
    fine: NDArray[np.bool_]
    own: NDArray[np.bool_]
    double_layer: FloatArray
    hypersingular: FloatArray

    def of_points(self, points: IntArray) -> NearPairs:
        """Return the pairs of some field points alone, in their order."""
        counts = self.start[points + 1] - self.start[points]
        start = np.concatenate(([0], np.cumsum(counts)))
        pairs = np.repeat(self.start[points] - start[:-1], counts) + np.arange(start[-1])
        return NearPairs(
            start=start,
            element=self.element[pairs],
            image=self.image[pairs],
            fine=self.fine[pairs],
            own=self.own[pairs],
            double_layer=self.double_layer[pairs],
            hypersingular=self.hypersingular[pairs],
        )


class GaussRules(NamedTuple):
    """A coarse and a fine Gauss rule over every element.

    Attributes
    ----------
    coarse_points, fine_points : (n_triangles, n_rule, 3) array
        Points in m.
    coarse_weights, fine_weights : (n_triangles, n_rule) array
        Weights in m^2.
    """

    coarse_points: FloatArray
    coarse_weights: FloatArray
    fine_points: FloatArray
    fine_weights: FloatArray


class Elements(NamedTuple):
    """What near integrals need of the elements.

    Attributes
    ----------
    signs : (n_images, 3) array
        Mirror images: the sign of each coordinate.
    corners : (n_triangles, 3, 3) array
        Corners in m.
    centroids, normals : (n_triangles, 3) array
        Centroids in m, unit normals.
    areas, moments : (n_triangles,) array
        Areas and second moments in m^2.
    rules : GaussRules
        Gauss rules over them.
    """

    signs: FloatArray
    corners: FloatArray
    centroids: FloatArray
    normals: FloatArray
    areas: FloatArray
    moments: FloatArray
    rules: GaussRules


class CoupledPoints(NamedTuple):
    """Field points of the coupled equation.

    Attributes
    ----------
    points, normals : (n_points, 3) array
        Field points in m and unit normals.
    couplings : (n_points,) array
        k times the coupling of each.
    """

    points: FloatArray
    normals: FloatArray
    couplings: FloatArray


def find_near_pairs(
    points: FloatArray, normals: FloatArray, signs: FloatArray, mesh: Mesh, tree: BoxTree
) -> NearPairs:
    """Find the near pairs of a set of field points and integrate their static parts.

    Parameters
    ----------
    points, normals : (n_points, 3) array
        Field points in m and unit normals.
    signs : (n_images, 3) array
        Mirror images: the sign of each coordinate.
    mesh : Mesh
        The elements.
    tree : BoxTree
        Of these.
    """
    limit = mesh.longest_edges
    reach = nearby.farthest((NEAR_EDGES * limit) ** 2, *tree[:3])
    start, element, image, distance = nearby.find(
        points, signs, mesh.centroids, (NEAR_EDGES * limit) ** 2, reach, *tree
    )
    counts = np.diff(start)
    point = np.repeat(np.arange(len(points)), counts)
    double_layer, hypersingular = static_double_layers(
        points[point] * signs[image], normals[point] * signs[image], mesh.corners, element
    )
    return NearPairs(
        start=start,
        element=element,
        image=image,
        fine=distance < CLOSE_EDGES * limit[element],
        own=distance < 1e-6 * limit[element],
        double_layer=double_layer,
        hypersingular=hypersingular,
    )


def gauss_rules(mesh: Mesh) -> GaussRules:
    """Return the coarse and the fine rule over every element."""
    corner = mesh.corners
    area = mesh.areas[:, None]
    return GaussRules(
        coarse_points=np.einsum("qc,tcx->tqx", _THREE_POINTS, corner),
        coarse_weights=area * _THREE_WEIGHTS,
        fine_points=np.einsum("qc,tcx->tqx", _SEVEN_POINTS, corner),
        fine_weights=area * _SEVEN_WEIGHTS,
    )


def second_moments(mesh: Mesh) -> FloatArray:
    """Return the mean square distance from the centroid along one in-plane axis, in m^2.

    The mean over the two in-plane axes, (n_triangles,): for an equilateral triangle of edge h
    it is h^2 / 24 along any of them.
    """
    offset = mesh.corners - mesh.centroids[:, None, :]
    return np.asarray((offset**2).sum(axis=(1, 2)) / 24)


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


@njit(parallel=True, cache=True, error_model="numpy")
def _set_outlines(corners, centroids, wanted, k, nodes, weights, layer, dynamic):
    """Set both integrals of `own_element_dynamic`."""
    for n in prange(wanted.size):
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


@njit(parallel=True, cache=True, fastmath=True, error_model="numpy")
def near_corrections(seen_from, elements, near, own_dynamic, k, out):
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
    # Loops that are spread over threads take arrays, and no tuples of them.
    points, normals, couplings = seen_from
    signs, _, centroids, element_normals, areas, moments, rules = elements
    coarse_points, coarse_weights, fine_points, fine_weights = rules
    start, element, image, fine, own, double_layer, hypersingular = near
    rows = points.shape[0]
    for chunk in prange((rows + _CHUNK - 1) // _CHUNK):
        first, last = chunk * _CHUNK, min(rows, (chunk + 1) * _CHUNK)
        most = 0
        for i in range(first, last):
            most = max(most, start[i + 1] - start[i])
        # What the loops over pairs take lies side by side, so that they can take vectors.
        pairs, sight = np.empty(most, np.int64), np.empty((12, most))
        x, re, im = np.empty((3, most)), np.empty(most), np.empty(most)
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
                for q in range(fine_points.shape[1] if rule else coarse_points.shape[1]):
                    for t in range(n):
                        j = element[pairs[t]]
                        for c in range(3):
                            y = fine_points[j, q, c] if rule else coarse_points[j, q, c]
                            sight[7 + c, t] = y - x[c, t]
                        sight[10, t] = fine_weights[j, q] if rule else coarse_weights[j, q]
                    _add_remainders(n, sight, e, k, re, im)
                for t in range(n):
                    j = element[pairs[t]]
                    for c in range(3):
                        sight[7 + c, t] = centroids[j, c] - x[c, t]
                    sight[10, t] = areas[j]
                _take_away_far(n, sight, e, k, re, im)
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
    for t in range(n):
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
    for t in range(n):
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


@njit(parallel=True, cache=True)
def add_near(start, element, values, diagonal, matrix):
    """Add the near corrections and a constant diagonal to a stored matrix, in place."""
    for i in prange(start.size - 1):
        for p in range(start[i], start[i + 1]):
            matrix[i, element[p]] += values[p]
        matrix[i, i] += diagonal


@njit(parallel=True, cache=True, error_model="numpy")
def add_near_single_layer(seen_from, elements, near, moving, own_layer, k, gradient, out):
    """Add the near part of (G + (ie/k) K') dp/dn, less what one point gives, to ``out``.

    Parameters are those of `near_corrections`; ``moving`` (n_triangles,) tells which elements
    have a gradient, ``own_layer`` comes from `own_element_dynamic`, ``gradient`` and ``out`` are
    (n_sources, n_triangles) complex.
    """
    points, normals, couplings = seen_from
    signs, corners, centroids, element_normals, areas, moments, rules = elements
    _, _, fine_points, fine_weights = rules
    start, element, image, _, own, _, _ = near
    for i in prange(points.shape[0]):
        e = couplings[i]
        for p in range(start[i], start[i + 1]):
            j = element[p]
            if not moving[j]:
                continue
            if own[p]:
                value = own_layer[j]
            else:
                s = signs[image[p]]
                x = (points[i, 0] * s[0], points[i, 1] * s[1], points[i, 2] * s[2])
                n = (normals[i, 0] * s[0], normals[i, 1] * s[1], normals[i, 2] * s[2])
                layer, adjoint = pair_single_layer(x, n, corners[j])
                value = layer + 1j * e / k * adjoint
                for q in range(fine_points.shape[1]):
                    value += _single_layer_remainder(
                        fine_points[j, q], x, n, fine_weights[j, q], e, k
                    )
                value -= _single_layer_far(
                    centroids[j], x, n, element_normals[j], areas[j], moments[j], e, k
                )
            for source in range(gradient.shape[0]):
                out[source, i] += value * gradient[source, j]


@njit(cache=True)
def _single_layer_remainder(y, x, n, weight, e, k):
    """Return G + (ie/k) K' of one point less its static part."""
    dx, dy, dz = y[0] - x[0], y[1] - x[1], y[2] - x[2]
    r = np.sqrt(dx * dx + dy * dy + dz * dz)
    r_x = -(dx * n[0] + dy * n[1] + dz * n[2]) / r
    wave = complex(np.cos(k * r), np.sin(k * r))
    bracket = complex(-1.0, k * r) * wave + 1.0
    return weight / (FOUR_PI * r) * (wave - 1.0 + 1j * e / k * r_x / r * bracket)


@njit(cache=True)
def _single_layer_far(y, x, n, m, area, moment, e, k):
    """Return what the far rule takes for an element: see the notes of `bem.kernels`."""
    dx, dy, dz = y[0] - x[0], y[1] - x[1], y[2] - x[2]
    r = np.sqrt(dx * dx + dy * dy + dz * dz)
    r_x = -(dx * n[0] + dy * n[1] + dz * n[2]) / r
    r_y = (dx * m[0] + dy * m[1] + dz * m[2]) / r
    r_y2 = r_y * r_y
    spread = 0.5 * moment / (r * r)
    between = n[0] * m[0] + n[1] * m[1] + n[2] * m[2]
    static_r_x = r_x + spread * (r_x * (3.0 - 15.0 * r_y2) - 6.0 * between * r_y)
    wave = complex(np.cos(k * r), np.sin(k * r))
    amplitude = area / (FOUR_PI * r) * (1.0 - 0.5 * k * k * moment * (1.0 - r_y2))
    real = 1.0 + spread * (1.0 - 3.0 * r_y2) - e * static_r_x
    return amplitude * wave * complex(real, -e * static_r_x / (k * r))
