# SPDX-License-Identifier: GPL-3.0-or-later
"""Derivatives along a surface of what is known at the centroids of its triangles.

Around each centroid a polynomial of third order in the tangent plane is fitted to the values of
two rings of neighbours, near ones weighing more. At 19 triangles a wavelength on a sphere the
gradient of averages to the vertices makes a slope 7 to 14 % wrong, since averages take amplitude
away; these fits make it 0.5 % wrong.

At a sharp edge the gradient of a sound field has no limit. The product of two such gradients can
be integrated, but a fit on one side of the edge is about as much too small as one that goes on
around it is too large; their mean moved boxes of 1,500 triangles with edges of 63 to 117 degrees,
and a body with an inner edge, to 1 to 3 % (either alone 20 to 50 %, averages to the vertices 4 to
25 %). Edges sharper than 60 degrees are not gone around.
`tests/physics/test_surface_slope.py` holds what is said here.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numba import njit, prange
from scipy import sparse

from bafflelens.base.conventions import BoolArray, FloatArray, IntArray
from bafflelens.mesh.mesh import Mesh

_SMOOTH_COSINE: Final = float(np.cos(np.radians(40.0)))
_AROUND_COSINE: Final = float(np.cos(np.radians(120.0)))
# Terms of third order in two coordinates, beside the constant.
_TERMS: Final = 9
# Where there are too few neighbours, or all in line, the highest terms give way first.
_RIDGE: Final = 1e-6

Operators = tuple[sparse.csr_array, sparse.csr_array, sparse.csr_array]
"""The three coordinates of a gradient, (n_triangles, n_triangles) each, in 1/m."""


def gradient_and_curvature(
    mesh: Mesh, symmetry: tuple[str, ...] = ()
) -> tuple[Operators, FloatArray]:
    """Return the gradient along a surface and the divergence of its normal.

    Parameters
    ----------
    mesh : Mesh
        The surface, or the kept part of it.
    symmetry : tuple of {"x", "y", "z"}
        Planes in which surface and values are mirrored.

    Returns
    -------
    along : tuple of three (n_triangles, n_triangles) sparse arrays
        Applied to values at the centroids they give the coordinates of the gradient, in 1/m.
    curvature : (n_triangles,) array
        In 1/m, 2/a on a sphere of radius a; without what is concentrated in sharp edges.
    """
    size = mesh.n_triangles
    for plane in symmetry:
        mesh = mesh.mirrored(plane)  # triangle n + m size is image m of triangle n
    ring = _touching(mesh)
    smooth = _pairs(ring, mesh, np.arange(size), _SMOOTH_COSINE)
    smooth_fit = _fitted(mesh, *smooth)
    near_edges = _near_edges(ring, mesh, size)
    around = _pairs(ring, mesh, near_edges, _AROUND_COSINE)
    around_fit = _fitted(mesh, *around)
    share = np.ones(size)
    share[near_edges] = 0.5
    point = np.concatenate((smooth[0], around[0]))
    neighbour = np.concatenate((smooth[1], around[1])) % size
    fit = share[point, np.newaxis] * np.concatenate((smooth_fit, around_fit))
    along = [_folded(point, neighbour, fit[:, axis], size) for axis in range(3)]
    turn = mesh.normals[smooth[1]] - mesh.normals[smooth[0]]
    spread = np.einsum("ij,ij->i", smooth_fit, turn)
    curvature = np.asarray(np.bincount(smooth[0], spread, minlength=size), dtype=float)
    return (along[0], along[1], along[2]), curvature


def _folded(
    point: IntArray, neighbour: IntArray, values: FloatArray, size: int
) -> sparse.csr_array:
    """Return the matrix that takes ``values`` times neighbour less point, summed over pairs."""
    matrix = sparse.csr_array((values, (point, neighbour)), shape=(size, size))
    own = np.bincount(point, values, minlength=size)
    return sparse.csr_array(matrix - sparse.diags_array(own))


def _touching(mesh: Mesh) -> sparse.csr_array:
    """Return which triangles share a vertex, (n_triangles, n_triangles)."""
    number = np.repeat(np.arange(mesh.n_triangles), 3)
    corners = sparse.csr_array(
        (np.ones(number.size, dtype=np.int32), (number, mesh.triangles.ravel())),
        shape=(mesh.n_triangles, len(mesh.vertices)),
    )
    return sparse.csr_array(corners @ corners.T)


def _pairs(
    ring: sparse.csr_array, mesh: Mesh, points: IntArray, cosine: float
) -> tuple[IntArray, IntArray]:
    """Return two rings around triangles, no farther turned than a cosine: pairs of numbers."""
    first, second = sparse.coo_array(ring).coords
    kept = _is_turned_less(mesh, first, second, cosine)
    step = sparse.csr_array(
        (np.ones(int(kept.sum()), dtype=np.int32), (first[kept], second[kept])), shape=ring.shape
    )
    row, second = sparse.coo_array(step[points] @ step).coords
    first = points[row]
    kept = _is_turned_less(mesh, first, second, cosine) & (first != second)
    return first[kept].astype(np.int64), second[kept].astype(np.int64)


def _near_edges(ring: sparse.csr_array, mesh: Mesh, size: int) -> IntArray:
    """Return which of the first triangles have a sharp edge within two rings."""
    first, second = sparse.coo_array(ring).coords
    touches = np.zeros(mesh.n_triangles, dtype=bool)
    touches[first[~_is_turned_less(mesh, first, second, _SMOOTH_COSINE)]] = True
    near = (ring[:size] @ touches.astype(np.int32)) > 0
    return np.flatnonzero(near)


def _is_turned_less(mesh: Mesh, first: IntArray, second: IntArray, cosine: float) -> BoolArray:
    turn = np.einsum("ij,ij->i", mesh.normals[first], mesh.normals[second])
    return np.asarray(turn > cosine)


def _fitted(mesh: Mesh, first: IntArray, second: IntArray) -> FloatArray:
    """Return what each pair's difference of values adds to the gradient of its first, (n, 3)."""
    order = np.argsort(first, kind="stable")
    points, start = np.unique(first[order], return_index=True)
    start = np.append(start, first.size)
    found = np.empty((first.size, 3))
    _fit(mesh.centroids, mesh.normals, mesh.areas, points, start, second[order], found)
    result = np.empty_like(found)
    result[order] = found
    return result


@njit(parallel=True, cache=True)
def _fit(centroids, normals, areas, points, start, neighbours, out):
    """Set ``out`` (n_pairs, 3) to what a neighbour's value, less the own, adds to the gradient."""
    for n in prange(points.size):
        i = points[n]
        around = slice(start[n], start[n + 1])
        _fit_one(i, centroids, normals, np.sqrt(areas[i]), neighbours[around], out[around])


@njit(cache=True)
def _fit_one(i, centroids, normals, unit, neighbours, out):
    first, second = _tangents(normals[i])
    count = neighbours.size
    terms = np.empty((count, _TERMS))
    weights = np.empty(count)
    matrix = np.zeros((_TERMS, _TERMS))
    for p in range(count):
        offset = (centroids[neighbours[p]] - centroids[i]) / unit
        a, b = np.dot(offset, first), np.dot(offset, second)
        # as far along the tangent plane as it is through the air
        length = np.sqrt(np.dot(offset, offset))
        stretch = length / max(np.hypot(a, b), 1e-12)
        a, b = a * stretch, b * stretch
        weights[p] = length**-4
        terms[p, 0], terms[p, 1], terms[p, 2], terms[p, 3] = a, b, a * a, a * b
        terms[p, 4], terms[p, 5], terms[p, 6] = b * b, a * a * a, a * a * b
        terms[p, 7], terms[p, 8] = a * b * b, b * b * b
        for u in range(_TERMS):
            for v in range(u + 1):
                matrix[u, v] += weights[p] * terms[p, u] * terms[p, v]
    ridge = _RIDGE * np.trace(matrix)
    for u in range(_TERMS):
        matrix[u, u] += ridge * (1e-3 if u < 2 else 1.0) + 1e-30
    slopes = np.zeros((2, _TERMS))
    slopes[0, 0], slopes[1, 1] = 1.0, 1.0
    _solve_positive(matrix, slopes)
    for p in range(count):
        along_first = weights[p] * np.dot(slopes[0], terms[p]) / unit
        along_second = weights[p] * np.dot(slopes[1], terms[p]) / unit
        for axis in range(3):
            out[p, axis] = along_first * first[axis] + along_second * second[axis]


@njit(cache=True)
def _tangents(normal):
    """Return two unit vectors at right angles to a normal and to each other."""
    least = np.argmin(np.abs(normal))
    other = np.zeros(3)
    other[least] = 1.0
    first = np.cross(normal, other)
    first /= np.sqrt(np.dot(first, first))
    return first, np.cross(normal, first)


@njit(cache=True)
def _solve_positive(matrix, sides):
    """Solve for each row of ``sides``, in place; only the lower half of ``matrix`` is read."""
    size = matrix.shape[0]
    for u in range(size):
        for v in range(u + 1):
            rest = matrix[u, v]
            for w in range(v):
                rest -= matrix[u, w] * matrix[v, w]
            matrix[u, v] = np.sqrt(max(rest, 1e-30)) if u == v else rest / matrix[v, v]
    for side in sides:
        for u in range(size):
            for w in range(u):
                side[u] -= matrix[u, w] * side[w]
            side[u] /= matrix[u, u]
        for u in range(size - 1, -1, -1):
            for w in range(u + 1, size):
                side[u] -= matrix[w, u] * side[w]
            side[u] /= matrix[u, u]
