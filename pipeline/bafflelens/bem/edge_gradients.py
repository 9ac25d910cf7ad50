# SPDX-License-Identifier: GPL-3.0-or-later
r"""Mean product of two gradients over the triangles at sharp outer edges.

Along an edge around which the air fills the angle b, a sound field at a rigid surface is

.. math:: p = c + a_1 s + a_2 s^2 + (K_1 + a_3 s) r^\alpha \cos \alpha t
              + K_2 r^{2 \alpha} \cos 2 \alpha t + K_3 r^{3 \alpha} \cos 3 \alpha t + \dots,
          \qquad \alpha = \pi / b,

with s along the edge, r the distance from it and t the angle, 0 on one face and b on the other
(J. Meixner, IEEE Trans. Antennas Propag. 20 (1972) 442; citation from memory). For a right angle
the gradient grows as r^(-1/3), and the first row of triangles holds so much of the integral of a
product of two gradients that no rule for smooth functions will do: on triangles that are graded or
long it is 10 to 23 % off. So the terms are fitted to the values on both faces, and the mean of
their gradients' product over the triangle is taken in closed form: 2 to 8 % on the same meshes
(`tests/physics/test_slope_at_edges.py`). What is left of the error is mostly that of the values
next to the edge.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numba import njit
from scipy import sparse

from bafflelens.base.conventions import ComplexArray, IntArray
from bafflelens.bem.surface_gradient import (
    SMOOTH_COSINE,
    WholeSurface,
    applied,
    cosine_between,
    solve_positive,
    touching,
)
from bafflelens.mesh.mesh import Mesh

_KNIFE_COSINE: Final = float(np.cos(np.radians(150.0)))  # sharper ones are left out
_ALIKE_RAD: Final = float(np.radians(25.0))  # so far triangles of one face may be turned
_POWERS: Final = 3  # of r^alpha
_TERMS: Final = 4 + _POWERS  # constant, s, s^2, the powers, s r^alpha
_PARTS: Final = 2 + _POWERS
_FEWEST: Final = 10  # values that a fit needs
_ROUNDING: Final = 1e-9  # lets a matrix that is nearly singular have a root
_RIDGE: Final = 1e-5  # on the higher terms, where there are few values


@dataclass(frozen=True, eq=False)
class EdgeGradients:
    """What gives the mean product of two gradients on the triangles at sharp outer edges.

    Attributes
    ----------
    rows : (n_rows,) integer array
        Numbers of these triangles.
    parts : tuple of (n_rows, n_triangles) sparse arrays
        Applied to values at the centroids; in 1/m. The products of the parts of two fields add up
        to the mean product of their gradients.
    """

    rows: IntArray
    parts: tuple[sparse.csr_array, ...]

    def product(self, first: ComplexArray, second: ComplexArray) -> ComplexArray:
        """Return the mean product of the gradients of two fields, (..., n_rows)."""
        found = [applied(part, first) * applied(part, second) for part in self.parts]
        return np.asarray(sum(found[1:], start=found[0]))


def gradients_at_edges(surface: WholeSurface, points: IntArray | None = None) -> EdgeGradients:
    """Return the gradients on all triangles at edges turned outwards by 40 to 150 degrees.

    Parameters
    ----------
    surface : WholeSurface
        The surface; values are mirrored as it is.
    points : (n,) integer array, optional
        Numbers of the triangles of the kept part of which they are wanted, rising; by default all.
    """
    mesh, size = surface.mesh, surface.size
    points = np.arange(size) if points is None else points
    ends, faces = _outer_edges(mesh)
    at_vertex = _edges_at_vertices(ends, len(mesh.vertices))
    vertex_start, owner = surface.around_vertex
    rows, start, neighbour, values = _fitted(
        points,
        mesh.vertices,
        mesh.triangles,
        mesh.centroids,
        mesh.normals,
        mesh.areas,
        vertex_start,
        owner,
        ends,
        faces,
        *at_vertex,
    )
    shape = (rows.size, size)
    parts = tuple(
        sparse.csr_array((part, neighbour % size, start), shape=shape)
        for part in np.ascontiguousarray(values.T)
    )
    return EdgeGradients(rows, parts)


def _outer_edges(mesh: Mesh) -> tuple[IntArray, IntArray]:
    """Return the vertices (n, 2) and the triangles (n, 2) of sharp edges that point outwards."""
    corners = mesh.triangles
    halves = np.sort(np.concatenate((corners[:, :2], corners[:, 1:], corners[:, ::2])), axis=1)
    order = np.lexsort((halves[:, 1], halves[:, 0]))
    ends, owner = halves[order], np.tile(np.arange(mesh.n_triangles), 3)[order]
    pair = np.flatnonzero(np.all(ends[1:] == ends[:-1], axis=1))
    ends, faces = ends[pair], np.stack((owner[pair], owner[pair + 1]), axis=1)
    first, second = faces.T
    cosine = np.einsum("ij,ij->i", mesh.normals[first], mesh.normals[second])
    away = mesh.centroids[second] - mesh.centroids[first]
    is_outer = np.einsum("ij,ij->i", away, mesh.normals[first]) < 0
    chosen = (cosine < SMOOTH_COSINE) & (cosine > _KNIFE_COSINE) & is_outer
    return ends[chosen], faces[chosen]


def _edges_at_vertices(ends: IntArray, n_vertices: int) -> tuple[IntArray, IntArray]:
    """Return where the edges at each vertex begin, and these edges."""
    count = np.bincount(ends.ravel(), minlength=n_vertices)
    return np.concatenate(([0], np.cumsum(count))), np.argsort(ends.ravel(), kind="stable") // 2


@njit(cache=True)
def _fitted(
    points, vertices, triangles, centroids, normals, areas,
    vertex_start, owner, ends, faces, edge_start, edge_of,
):  # fmt: skip
    """Return rows, where the neighbours of each begin, these, and what each adds to the parts.

    What numpy writes in one line takes seconds to compile, so most is done number by number.
    """
    corner, along = np.empty(3, dtype=np.int64), np.empty(3)
    rows = np.empty(points.size, dtype=np.int64)
    start = np.zeros(points.size + 1, dtype=np.int64)
    neighbours = np.empty(64, dtype=np.int64)
    values = np.empty((64, _PARTS))
    seen = np.full(len(triangles), -1)
    around = np.empty(len(triangles), dtype=np.int64)
    sign = np.empty(len(triangles))
    count, end = 0, 0
    for point in points:
        edge, side = _nearest_edge(
            point, vertices, triangles, centroids, normals, ends, faces, edge_start, edge_of
        )
        if edge < 0:
            continue
        own, other = faces[edge, side], faces[edge, 1 - side]
        turn = np.arccos(min(1.0, max(-1.0, cosine_between(normals, own, other))))
        least = np.cos(min(_ALIKE_RAD, turn / 2))
        found = 0
        for at_edge in range(2):
            if at_edge:
                corner[0], corner[1], corner[2] = ends[edge, 0], ends[edge, 1], ends[edge, 0]
            else:
                for c in range(3):
                    corner[c] = triangles[point, c]
            for between in touching(vertex_start, owner, corner):
                for near in touching(vertex_start, owner, triangles[between]):
                    if seen[near] == point:
                        continue
                    seen[near] = point
                    on_own = cosine_between(normals, own, near) > least
                    if on_own or cosine_between(normals, other, near) > least:
                        around[found], sign[found] = near, 1.0 if on_own else -1.0
                        found += 1
        balance = 0.0
        for n in range(found):
            balance += sign[n]
        if found < _FEWEST or abs(balance) == found:
            continue
        while end + found > neighbours.size:
            neighbours = np.concatenate((neighbours, np.empty_like(neighbours)))
            values = np.concatenate((values, np.empty_like(values)))
        for n in range(found):
            neighbours[end + n] = around[n]
        begin, length = vertices[ends[edge, 0]], 0.0
        for axis in range(3):
            along[axis] = vertices[ends[edge, 1], axis] - begin[axis]
            length += along[axis] ** 2
        for axis in range(3):
            along[axis] /= np.sqrt(length)
        _fit_one(
            point, around[:found], sign, centroids, vertices, triangles[point],
            np.sqrt(areas[point]), begin, along, np.pi / (np.pi + turn), values[end : end + found],
        )  # fmt: skip
        rows[count] = point
        count, end = count + 1, end + found
        start[count] = end
    return (
        rows[:count].copy(), start[: count + 1].copy(), neighbours[:end].copy(),
        values[:end].copy(),
    )  # fmt: skip


@njit(cache=True)
def _nearest_edge(
    point, vertices, triangles, centroids, normals, ends, faces, edge_start, edge_of
):  # fmt: skip
    """Return the nearest of the sharp edges that a triangle touches, and on which side it is."""
    edge, side, least = -1, 0, np.inf
    for vertex in triangles[point]:
        for candidate in edge_of[edge_start[vertex] : edge_start[vertex + 1]]:
            first, second = faces[candidate, 0], faces[candidate, 1]
            turn = np.arccos(min(1.0, max(-1.0, cosine_between(normals, first, second))))
            alike = np.cos(min(_ALIKE_RAD, turn / 2))
            where = -1
            if cosine_between(normals, first, point) > alike:
                where = 0
            elif cosine_between(normals, second, point) > alike:
                where = 1
            if where < 0:
                continue
            begin, end = ends[candidate, 0], ends[candidate, 1]
            share, long, distance = 0.0, 0.0, 0.0
            for axis in range(3):
                along = vertices[end, axis] - vertices[begin, axis]
                share += (centroids[point, axis] - vertices[begin, axis]) * along
                long += along * along
            share = min(1.0, max(0.0, share / long))
            for axis in range(3):
                along = vertices[end, axis] - vertices[begin, axis]
                away = centroids[point, axis] - vertices[begin, axis]
                distance += (away - share * along) ** 2
            distance = np.sqrt(distance)
            if distance < least:
                edge, side, least = candidate, where, distance
    return edge, side


@njit(cache=True)
def _fit_one(point, around, sign, centroids, vertices, corners, unit, begin, along, alpha, out):
    """Set ``out`` (n_values, n_parts) to what each value adds to the parts, in 1/m."""
    own = _distance(centroids[point], begin, along) / unit
    count = len(around)
    terms = np.empty((count, _TERMS))
    weights = np.empty(count)
    for n in range(count):
        centroid, s = centroids[around[n]], 0.0
        for axis in range(3):
            s += (centroid[axis] - centroids[point, axis]) * along[axis] / unit
        r = _distance(centroid, begin, along) / unit
        terms[n, 0], terms[n, 1], terms[n, 2] = 1.0, s, s * s
        for power in range(1, _POWERS + 1):
            terms[n, 2 + power] = r ** (power * alpha) * (sign[n] if power % 2 else 1.0)
        terms[n, _TERMS - 1] = s * terms[n, 3]
        weights[n] = 1 / np.sqrt(s * s + (r - sign[n] * own) ** 2 + 0.5)
    matrix, coefficients, ridge = np.zeros((_TERMS, _TERMS)), np.zeros((_TERMS, _TERMS)), 0.0
    for u in range(_TERMS):
        for v in range(u + 1):
            for n in range(count):
                matrix[u, v] += weights[n] * terms[n, u] * terms[n, v]
        coefficients[u, u] = 1.0
        ridge += _RIDGE * matrix[u, u] / _TERMS
    for term in range(2, _TERMS):
        matrix[term, term] += 0.0 if term == 3 else ridge
    solve_positive(matrix, coefficients)
    low, middle, high = np.inf, 0.0, 0.0
    for corner in corners:
        distance = _distance(vertices[corner], begin, along) / unit
        low, high, middle = min(low, distance), max(high, distance), middle + distance
    distances = (low, middle - low - high, high)
    across = np.empty((_POWERS, _POWERS))
    for u in range(_POWERS):
        for v in range(_POWERS):
            both = (u + 1) * (v + 1) * alpha * alpha
            across[u, v] = both * _mean_power((u + v + 2) * alpha - 2, distances)
        across[u, u] *= 1 + _ROUNDING
    lengthwise = np.ones((2, 2))
    lengthwise[1, 0] = _mean_power(alpha, distances)
    lengthwise[1, 1] = _mean_power(2 * alpha, distances)
    _root(across)
    _root(lengthwise)
    amounts = np.empty(_TERMS)
    for n in range(count):
        for u in range(_TERMS):
            amounts[u] = 0.0
            for v in range(_TERMS):
                amounts[u] += coefficients[u, v] * terms[n, v]
            amounts[u] *= weights[n] / unit
        for part in range(_POWERS):
            out[n, part] = 0.0
            for u in range(part, _POWERS):
                out[n, part] += across[u, part] * amounts[3 + u]
        last = amounts[_TERMS - 1]
        out[n, _POWERS] = lengthwise[0, 0] * amounts[1] + lengthwise[1, 0] * last
        out[n, _POWERS + 1] = lengthwise[1, 1] * last


@njit(cache=True)
def _root(matrix):
    """Put the lower triangular root of a symmetric matrix, of which half is read, in its place."""
    for u in range(len(matrix)):
        for v in range(u + 1):
            rest = matrix[u, v]
            for w in range(v):
                rest -= matrix[u, w] * matrix[v, w]
            matrix[u, v] = np.sqrt(max(rest, 1e-30)) if u == v else rest / matrix[v, v]


@njit(cache=True)
def _distance(place, begin, along):
    """Return the distance of a place from a line."""
    far, square = 0.0, 0.0
    for axis in range(3):
        far += (place[axis] - begin[axis]) * along[axis]
    for axis in range(3):
        square += (place[axis] - begin[axis] - far * along[axis]) ** 2
    return np.sqrt(square)


@njit(cache=True)
def _mean_power(exponent, distances):
    """Return the mean of r^exponent over a triangle, r linear, from its rising values at corners.

    How much of the triangle lies at r grows linearly from the least value to the middle one and
    falls to the largest.
    """
    low, middle, high = distances
    width = high - low
    if width < 1e-9 * high:
        return middle**exponent
    total = 0.0
    if middle - low > 1e-9 * high:
        part = _moment(exponent + 1, low, middle) - low * _moment(exponent, low, middle)
        total += 2 * part / ((middle - low) * width)
    if high - middle > 1e-9 * high:
        part = high * _moment(exponent, middle, high) - _moment(exponent + 1, middle, high)
        total += 2 * part / ((high - middle) * width)
    return total


@njit(cache=True)
def _moment(exponent, low, high):
    """Return the integral of r^exponent; no exponent here is as low as -1."""
    return (high ** (exponent + 1) - low ** (exponent + 1)) / (exponent + 1)
