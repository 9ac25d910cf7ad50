# SPDX-License-Identifier: GPL-3.0-or-later
"""Derivatives along a surface of what is known at the centroids of its triangles.

Depends on: mesh.

Around each centroid a polynomial of third order in the tangent plane is fitted to the values of
two rings of neighbours, near ones weighing more; edges sharper than 40 degrees are not crossed. At
6 to 10 triangles a wavelength an average to the vertices and its gradient are 7 to 14 % off, as
they take the amplitude of the shortest waves away; this is 0.5 to 1 % off
(`tests/physics/test_surface_slope.py`, a sphere).
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray
from scipy import sparse

from bafflelens.conventions import FloatArray, IntArray
from bafflelens.mesh import Mesh

_SMOOTH_COSINE: Final = float(np.cos(np.radians(40.0)))
# Terms of third order in two coordinates, beside the constant.
_TERMS: Final = 9
# Where there are too few neighbours, or all in line, the highest terms give way first.
_RIDGE: Final = 1e-6

Operators = tuple[sparse.csr_array, sparse.csr_array, sparse.csr_array]
"""The three coordinates of a gradient, (n_triangles, n_triangles) each, in 1/m."""


def gradient_and_curvature(mesh: Mesh, symmetry: tuple[str, ...] = ()) -> tuple[Operators, FloatArray]:
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
    whole = _unfolded(mesh, symmetry)
    size = mesh.n_triangles
    start, neighbours = _neighbours(whole, size)
    derivatives = np.empty((neighbours.size, 3))
    _fit(whole.centroids, whole.normals, whole.areas, start, neighbours, derivatives)
    point = np.repeat(np.arange(size), np.diff(start))
    curvature = np.zeros(size)
    along = []
    for axis in range(3):
        change = whole.normals[neighbours, axis] - whole.normals[point, axis]
        curvature += np.bincount(point, derivatives[:, axis] * change, minlength=size)
        matrix = sparse.csr_array(
            (derivatives[:, axis], (point, neighbours % size)), shape=(size, size)
        )
        along.append(matrix - sparse.diags_array(matrix.sum(axis=1), format="csr"))
    return (along[0], along[1], along[2]), curvature


def _unfolded(mesh: Mesh, symmetry: tuple[str, ...]) -> Mesh:
    """Return the whole surface: triangle n + m n_triangles is image m of triangle n."""
    for plane in symmetry:
        mesh = mesh.mirrored(plane)
    return mesh


def _neighbours(mesh: Mesh, size: int) -> tuple[IntArray, IntArray]:
    """Return two rings around each of the first triangles: start of each, and their numbers."""
    number = np.repeat(np.arange(mesh.n_triangles), 3)
    touches = sparse.csr_array(
        (np.ones(number.size, dtype=np.int32), (number, mesh.triangles.ravel())),
        shape=(mesh.n_triangles, len(mesh.vertices)),
    )
    ring = _across_no_edge(touches @ touches.T, mesh)
    both = _across_no_edge(ring[:size] @ ring, mesh)
    return both.indptr.astype(np.int64), both.indices.astype(np.int64)


def _across_no_edge(pairs: sparse.csr_array, mesh: Mesh) -> sparse.csr_array:
    """Return the pairs of triangles whose normals are alike, with none of one and the same."""
    pairs = sparse.coo_array(pairs)
    first, second = pairs.coords
    alike = np.einsum("ij,ij->i", mesh.normals[first], mesh.normals[second]) > _SMOOTH_COSINE
    alike &= first != second
    return sparse.csr_array(
        (np.ones(int(alike.sum()), dtype=np.int32), (first[alike], second[alike])),
        shape=pairs.shape,
    )


@njit(parallel=True, cache=True)
def _fit(centroids, normals, areas, start, neighbours, out):
    """Set ``out`` (n_pairs, 3) to what a neighbour's value, less the own, adds to the gradient."""
    for i in prange(start.size - 1):
        count = start[i + 1] - start[i]
        first, second = _tangents(normals[i])
        unit = np.sqrt(areas[i])
        terms = np.empty((count, _TERMS))
        weights = np.empty(count)
        matrix = np.zeros((_TERMS, _TERMS))
        for p in range(count):
            offset = (centroids[neighbours[start[i] + p]] - centroids[i]) / unit
            a, b = (offset * first).sum(), (offset * second).sum()
            # as far along the tangent plane as it is through the air
            length = np.sqrt((offset * offset).sum())
            stretch = length / max(np.hypot(a, b), 1e-12)
            a, b = a * stretch, b * stretch
            weights[p] = length**-4
            terms[p, 0], terms[p, 1], terms[p, 2], terms[p, 3] = a, b, a * a, a * b
            terms[p, 4], terms[p, 5], terms[p, 6] = b * b, a * a * a, a * a * b
            terms[p, 7], terms[p, 8] = a * b * b, b * b * b
            for u in range(_TERMS):
                for v in range(u + 1):
                    matrix[u, v] += weights[p] * terms[p, u] * terms[p, v]
        ridge = 0.0
        for u in range(_TERMS):
            ridge += _RIDGE * matrix[u, u]
        for u in range(_TERMS):
            matrix[u, u] += ridge * (1e-3 if u < 2 else 1.0) + 1e-30
        slopes = np.zeros((2, _TERMS))
        slopes[0, 0], slopes[1, 1] = 1.0, 1.0
        _solve_positive(matrix, slopes)
        for p in range(count):
            along_first = weights[p] * (slopes[0] * terms[p]).sum() / unit
            along_second = weights[p] * (slopes[1] * terms[p]).sum() / unit
            out[start[i] + p] = along_first * first + along_second * second


@njit(cache=True)
def _tangents(normal):
    """Return two unit vectors at right angles to a normal and to each other."""
    least = np.argmin(np.abs(normal))
    other = np.zeros(3)
    other[least] = 1.0
    first = np.cross(normal, other)
    first /= np.sqrt((first * first).sum())
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
