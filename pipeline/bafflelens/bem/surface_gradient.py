# SPDX-License-Identifier: GPL-3.0-or-later
"""Derivatives along a surface of what is known at the centroids of its triangles.

Around each centroid a polynomial of third order in the tangent plane is fitted to the values of
two rings of neighbours, near ones weighing more. At 19 triangles a wavelength on a sphere the
gradient of averages to the vertices makes a slope 7 to 14 % wrong, since averages take amplitude
away; these fits make it 0.5 % wrong.

At a sharp edge the gradient of a sound field has no limit. A fit on one side of the edge is about
as much too small as one that goes on around it is too large, so their mean is taken; edges sharper
than 60 degrees are not gone around. That does where triangles are alike on both sides. At outer
edges, where the gradient grows beyond all bounds, `edge_gradients` takes its place.
`tests/physics/test_surface_slope.py` holds what is said here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numba import njit
from scipy import sparse

from bafflelens.base.conventions import ComplexArray, FloatArray, IntArray
from bafflelens.base.threads import on_threads
from bafflelens.mesh.mesh import Mesh

SMOOTH_COSINE: Final = float(np.cos(np.radians(40.0)))
"""Triangles that are turned farther against each other meet in an edge."""

_AROUND_COSINE: Final = float(np.cos(np.radians(120.0)))
# Terms of third order in two coordinates, beside the constant.
_TERMS: Final = 9
# Where there are too few neighbours, or all in line, the highest terms give way first.
_RIDGE: Final = 1e-6

Operators = tuple[sparse.csr_array, sparse.csr_array, sparse.csr_array]
"""The three coordinates of a gradient, (n_triangles, n_triangles) each, in 1/m."""


@dataclass(frozen=True, eq=False)
class WholeSurface:
    """A surface with its mirror images, and what lies around each vertex of it.

    Attributes
    ----------
    mesh : Mesh
        Both; triangle n + m size is image m of triangle n.
    size : int
        Number of triangles of the kept part.
    around_vertex : tuple of two integer arrays
        Where the triangles around each vertex begin, and these triangles.
    """

    mesh: Mesh
    size: int
    around_vertex: tuple[IntArray, IntArray]

    @classmethod
    def of(cls, mesh: Mesh, symmetry: tuple[str, ...] = ()) -> WholeSurface:
        """Return that of a surface, or of the kept part of it and its planes of symmetry."""
        whole = mesh.whole(symmetry)
        return cls(whole, mesh.n_triangles, owners(whole))


def gradient_and_curvature(
    surface: WholeSurface, points: IntArray | None = None
) -> tuple[Operators, FloatArray]:
    """Return the gradient along a surface and the divergence of its normal.

    Parameters
    ----------
    surface : WholeSurface
        The surface; values are mirrored as it is.
    points : (n,) integer array, optional
        Numbers of the triangles of the kept part at which they are wanted, rising; elsewhere both
        are 0.

    Returns
    -------
    along : tuple of three (n_triangles, n_triangles) sparse arrays
        Applied to values at the centroids they give the coordinates of the gradient, in 1/m.
    curvature : (n_triangles,) array
        In 1/m, 2/a on a sphere of radius a; without what is concentrated in sharp edges.
    """
    mesh, size, around_vertex = surface.mesh, surface.size, surface.around_vertex
    points = np.arange(size) if points is None else points
    is_edge = np.empty(mesh.n_triangles, dtype=bool)
    _touches_edge(*around_vertex, mesh.triangles, mesh.normals, SMOOTH_COSINE, is_edge)
    near_edges = points[_touches_any(*around_vertex, mesh.triangles[points], is_edge)]
    smooth, smooth_fit = _fitted(mesh, around_vertex, points, SMOOTH_COSINE)
    around, around_fit = _fitted(mesh, around_vertex, near_edges, _AROUND_COSINE)
    share = np.ones(size)
    share[near_edges] = 0.5
    point = np.concatenate((smooth[0], around[0]))
    neighbour = np.concatenate((smooth[1], around[1])) % size
    fit = share[point, np.newaxis] * np.concatenate((smooth_fit, around_fit))
    turn = mesh.normals[smooth[1]] - mesh.normals[smooth[0]]
    spread = np.einsum("ij,ij->i", smooth_fit, turn)
    curvature = np.asarray(np.bincount(smooth[0], spread, minlength=size), dtype=float)
    return _folded(point, neighbour, fit, points, size), curvature


def _folded(
    point: IntArray, neighbour: IntArray, fit: FloatArray, points: IntArray, size: int
) -> Operators:
    """Return the matrices that take ``fit`` times neighbour less point, summed over pairs."""
    row = np.concatenate((point, points))
    order = np.argsort(row, kind="stable")
    column = np.concatenate((neighbour, points))[order]
    start = np.concatenate(([0], np.cumsum(np.bincount(row, minlength=size))))

    def along(axis: int) -> sparse.csr_array:
        own = -np.bincount(point, fit[:, axis], minlength=size)[points]
        values = np.concatenate((fit[:, axis], own))[order]
        # entries of one place are left apart: to bring them together takes longer than it saves
        return sparse.csr_array((values, column, start), shape=(size, size))

    return along(0), along(1), along(2)


def applied(matrix: sparse.csr_array, values: ComplexArray) -> ComplexArray:
    """Return a matrix (m, n) times each row of values (..., n), (..., m)."""
    columns = values.reshape(-1, values.shape[-1]).T
    return np.asarray((matrix @ columns).T.reshape(*values.shape[:-1], matrix.shape[0]))


def owners(mesh: Mesh) -> tuple[IntArray, IntArray]:
    """Return where the triangles around each vertex begin, and these triangles."""
    corners = mesh.triangles.ravel()
    owner = np.argsort(corners, kind="stable") // 3
    count = np.bincount(corners, minlength=len(mesh.vertices))
    return np.concatenate(([0], np.cumsum(count))), owner


def _fitted(
    mesh: Mesh, around_vertex: tuple[IntArray, IntArray], points: IntArray, cosine: float
) -> tuple[tuple[IntArray, IntArray], FloatArray]:
    """Return pairs of triangles with what each second one's difference adds to the gradient.

    The second are the two rings around the first, no farther turned than a cosine: (n_pairs,)
    numbers of each, sorted by the first, and (n_pairs, 3) in 1/m.
    """
    start, neighbours = two_rings(*around_vertex, mesh.triangles, mesh.normals, points, cosine)
    found = np.empty((neighbours.size, 3))
    _fit(mesh.centroids, mesh.normals, mesh.areas, points, start, neighbours, found)
    return (np.repeat(points, np.diff(start)), neighbours), found


@njit(cache=True)
def two_rings(vertex_start, owner, triangles, normals, points, cosine):
    """Return where the neighbours of each point begin, and these: two rings, none turned farther.

    The first two arguments are those of `owners`; points are numbers of triangles.
    """
    start = np.zeros(points.size + 1, dtype=np.int64)
    found = np.empty(48 * points.size + 48, dtype=np.int64)
    seen = np.full(len(triangles), -1)
    gone_on = np.full(len(triangles), -1)
    count = 0
    for n in range(points.size):
        point = points[n]
        seen[point] = n
        for corner in triangles[point]:
            for place in range(vertex_start[corner], vertex_start[corner + 1]):
                between = owner[place]
                if gone_on[between] == n:  # it shares another corner as well
                    continue
                gone_on[between] = n
                if cosine_between(normals, point, between) <= cosine:
                    continue
                for end in triangles[between]:
                    for further in range(vertex_start[end], vertex_start[end + 1]):
                        other = owner[further]
                        if seen[other] == n:
                            continue
                        if cosine_between(normals, between, other) <= cosine:
                            continue
                        if cosine_between(normals, point, other) <= cosine:
                            continue
                        seen[other] = n
                        if count == found.size:
                            found = np.concatenate((found, np.empty_like(found)))
                        found[count] = other
                        count += 1
        start[n + 1] = count
    return start, found[:count].copy()


@njit(cache=True)
def _touches_edge(vertex_start, owner, triangles, normals, cosine, out):
    """Set ``out`` to whether a triangle meets one that is farther turned than a cosine."""
    for n in range(len(triangles)):
        out[n] = False
        for other in touching(vertex_start, owner, triangles[n]):
            if cosine_between(normals, n, other) <= cosine:
                out[n] = True


@njit(cache=True)
def _touches_any(vertex_start, owner, triangles, marked):
    """Return whether triangles meet one that is marked."""
    found = np.zeros(len(triangles), dtype=np.bool_)
    for n in range(len(triangles)):
        for other in touching(vertex_start, owner, triangles[n]):
            found[n] |= marked[other]
    return found


@njit(cache=True)
def touching(vertex_start, owner, corners):
    """Return the triangles at three vertices; that to which these belong comes three times."""
    a, b, c = corners[0], corners[1], corners[2]
    return np.concatenate(
        (
            owner[vertex_start[a] : vertex_start[a + 1]],
            owner[vertex_start[b] : vertex_start[b + 1]],
            owner[vertex_start[c] : vertex_start[c + 1]],
        )
    )


@njit(cache=True)
def cosine_between(normals, first, second):
    """Return the cosine of the angle between the normals of two triangles."""
    return (
        normals[first, 0] * normals[second, 0]
        + normals[first, 1] * normals[second, 1]
        + normals[first, 2] * normals[second, 2]
    )


@on_threads
@njit(nogil=True, cache=True)
def _fit(thread, threads, centroids, normals, areas, points, start, neighbours, out):
    """Set ``out`` (n_pairs, 3) to what a neighbour's value, less the own, adds to the gradient."""
    for n in range(thread, points.size, threads):
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
        a, b, square = 0.0, 0.0, 0.0
        for axis in range(3):
            offset = (centroids[neighbours[p], axis] - centroids[i, axis]) / unit
            a += offset * first[axis]
            b += offset * second[axis]
            square += offset * offset
        # as far along the tangent plane as it is through the air
        length = np.sqrt(square)
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
    solve_positive(matrix, slopes)
    for p in range(count):
        along_first, along_second = 0.0, 0.0
        for u in range(_TERMS):
            along_first += slopes[0, u] * terms[p, u]
            along_second += slopes[1, u] * terms[p, u]
        along_first *= weights[p] / unit
        along_second *= weights[p] / unit
        for axis in range(3):
            out[p, axis] = along_first * first[axis] + along_second * second[axis]


@njit(cache=True)
def _tangents(normal):
    """Return two unit vectors at right angles to a normal and to each other."""
    least = 0  # what numpy writes in one line takes seconds to compile
    for axis in range(1, 3):
        if abs(normal[axis]) < abs(normal[least]):
            least = axis
    first, second = np.zeros(3), np.empty(3)
    after, last = (least + 1) % 3, (least + 2) % 3
    length = np.sqrt(normal[after] ** 2 + normal[last] ** 2)
    first[after], first[last] = normal[last] / length, -normal[after] / length
    for axis in range(3):
        after, last = (axis + 1) % 3, (axis + 2) % 3
        second[axis] = normal[after] * first[last] - normal[last] * first[after]
    return first, second


@njit(cache=True)
def solve_positive(matrix, sides):
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
