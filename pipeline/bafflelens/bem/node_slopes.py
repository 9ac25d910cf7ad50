# SPDX-License-Identifier: GPL-3.0-or-later
"""How far fields change with the corners of the mesh: the derivative of the discretised equation.

The engine solves A p = b, and a weighted sum of far fields is J = Re c . p + what the source adds.
With one more solution of the transposed equation, A^T l = c,

    dJ = Re [ l . (db - dA p) + dc . p ]

for every displacement of every corner (the adjoint method; O. Pironneau, Optimal Shape Design for
Elliptic Systems (1984), citation from memory). That is the derivative of what the engine
computes, also where triangles are few for the field: at sharp edges, in narrow blends. The
integral of `surface_slope` over the continuous fields converges slowly there.

Left out, since it changes what is found by about a per cent: the dependence of the coupling on
the size of elements.

Elements that move stay where they are. Absorbing surfaces are not covered.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy import sparse

from bafflelens.base.conventions import BoolArray, ComplexArray, FloatArray, IntArray
from bafflelens.bem import near_derivatives, pair_derivatives, phases
from bafflelens.bem.burton_miller import assemble
from bafflelens.bem.discretisation import Discretisation, by_coordinate
from bafflelens.bem.engine_settings import EngineSettings
from bafflelens.bem.far_slopes import far_slopes
from bafflelens.bem.layers import AtFrequency, far_arguments
from bafflelens.bem.linear_solver import solve_together
from bafflelens.bem.low_rank import LowRankMatrix
from bafflelens.bem.near_field import THREE_POINTS
from bafflelens.bem.phases import cos_sin_turns
from bafflelens.bem.plane_waves import TOLERANCE, independent_rows
from bafflelens.bem.problem import HelmholtzProblem
from bafflelens.bem.surface_slope import moving_triangles
from bafflelens.bem.system_matrix import Workspace, error_of_blocks
from bafflelens.bem.triangle_potentials import FOUR_PI
from bafflelens.mesh.mesh import Mesh

_AT_ONCE = 8  # objectives
# Blocks are so much more exact than what is iterated: a length of a lens moves places whose
# slopes nearly cancel, and of its slope 5e-3 for both would leave 12 instead of 2 per cent.
_BLOCKS = 0.2
_CENTRE = np.full((1, 3), 1 / 3)
_STEPS = 40  # of the iteration in `density`
_LEAST = 0.01  # part of the largest eigenvalue from which on it leaves less than a thousandth
_ON_PLANE_M = 1e-9


def discretised_slope(
    problem: HelmholtzProblem,
    pressure: ComplexArray,
    directions: FloatArray,
    weights: ComplexArray,
    *,
    discretisation: Discretisation,
    workspace: Workspace | None = None,
    tolerance: float = TOLERANCE,
) -> FloatArray:
    """Return what `surface_slope.surface_slope` does, by the corners of the mesh.

    Closer to what a changed and newly solved shape gives, for about twice the time. Parameters
    and result are as there; absorbing surfaces are not covered.
    """
    slopes = corner_slopes(
        problem,
        pressure,
        directions,
        weights,
        discretisation=discretisation,
        workspace=workspace,
        tolerance=tolerance,
    )
    return density(problem.mesh, problem.symmetry, slopes, moving_triangles(problem))


def corner_slopes(
    problem: HelmholtzProblem,
    pressure: ComplexArray,
    directions: FloatArray,
    weights: ComplexArray,
    *,
    discretisation: Discretisation,
    workspace: Workspace | None = None,
    tolerance: float = TOLERANCE,
) -> FloatArray:
    """Return how weighted sums of far fields change when corners move.

    Parameters
    ----------
    problem, pressure, directions, weights, workspace, tolerance
        As for `surface_slope.surface_slope`.
    discretisation : Discretisation
        Elements and near pairs.

    Returns
    -------
    (n_objectives, n_vertices, 3) array
        Change of each sum per metre of displacement of each vertex along each axis, and of its
        mirror images with it; 0 for the vertices of what moves.

    Raises
    ------
    SolveError
        If the transposed equation cannot be solved.
    """
    at = AtFrequency(discretisation, problem.wavenumber)
    n_objectives, n_sources, n_directions = weights.shape
    rows = np.conj(weights).reshape(n_objectives, -1)
    shares, basis = independent_rows(np.concatenate((rows.real, rows.imag), axis=1))
    amplitudes = basis[:, : rows.shape[1]] + 1j * basis[:, rows.shape[1] :]
    amplitudes = amplitudes.reshape(-1, n_sources, n_directions)
    slopes = np.zeros((len(amplitudes), len(problem.mesh.vertices), 3))
    if not len(amplitudes):
        return np.zeros((n_objectives, *slopes.shape[1:]))
    settings = EngineSettings(tolerance=_BLOCKS * tolerance)
    system = assemble(at, settings, workspace or Workspace(), is_transposed=True)
    single = amplitudes.reshape(-1, n_directions)
    sides, changes = _heard(problem.mesh, at, directions, single)
    adjoint = solve_together(system, sides, tolerance=tolerance)
    shape = (len(amplitudes), n_sources)
    adjoint = adjoint.reshape(*shape, -1)
    changes = changes.reshape(*shape, -1, 7)
    error = error_of_blocks(problem.mesh.n_triangles, settings.tolerance)
    for first in range(0, len(amplitudes), _AT_ONCE):
        some = slice(first, first + _AT_ONCE)
        slopes[some] = _slopes(
            problem, at, system.blocks, error, pressure, adjoint[some], changes[some]
        )
    return np.asarray(np.tensordot(shares, slopes, axes=1))


def density(
    mesh: Mesh, symmetry: tuple[str, ...], slopes: FloatArray, fixed: IntArray
) -> FloatArray:
    """Return slopes with corners as slopes per displacement and area of the triangles.

    Sought is the density of the least mean square that gives the slopes at the corners. Of it what
    an iteration finds in a few steps is taken: what changes its sign from triangle to triangle,
    and what lies along the surface, would come last.

    Parameters
    ----------
    mesh : Mesh
        The surface, or the kept part of it.
    symmetry : tuple of {"x", "y", "z"}
        Mirror planes: what lies on them stays there.
    slopes : (n, n_vertices, 3) array
        From `corner_slopes`.
    fixed : (n_fixed,) integer array
        Triangles that stay; their corners have no part in it.

    Returns
    -------
    (n, n_triangles) array
        As from `surface_slope.surface_slope`.
    """
    corner = mesh.triangles.ravel()
    normals = np.repeat(mesh.normals * mesh.areas[:, None] / 3, 3, axis=0)
    for plane in symmetry:
        axis = "xyz".index(plane)
        normals[np.abs(mesh.vertices[corner, axis]) < _ON_PLANE_M, axis] = 0
    normals[np.isin(corner, mesh.triangles[fixed])] = 0
    shares = np.bincount(corner, np.repeat(mesh.areas / 3, 3), minlength=len(mesh.vertices))
    scales = np.repeat(1 / np.sqrt(np.maximum(shares, np.finfo(float).tiny)), 3)
    spread = 1 / np.sqrt(mesh.areas)
    matrix = sparse.csr_array(
        (
            normals.ravel(),
            (
                (3 * corner[:, None] + np.arange(3)).ravel(),
                np.repeat(np.arange(mesh.n_triangles), 9),
            ),
        ),
        shape=(3 * len(mesh.vertices), mesh.n_triangles),
    )
    matrix = sparse.diags_array(scales) @ matrix @ sparse.diags_array(spread)
    back = matrix.T.tocsr()
    # Chebyshev's iteration, which is linear in the slopes: those of a sum are the sum of those
    size = abs(matrix)
    most = float((size.T @ (size @ np.ones(mesh.n_triangles))).max())
    middle, half = 0.5 * most * (1 + _LEAST), 0.5 * most * (1 - _LEAST)
    rest = back @ (slopes.reshape(len(slopes), -1) * scales).T
    found, way, step = np.zeros_like(rest), np.zeros_like(rest), 0.0
    for number in range(_STEPS):
        share = (0.5 if number == 1 else 0.25) * (half * step) ** 2
        step = 1 / (middle - share / step) if number else 1 / middle
        way = rest + share * way
        found += step * way
        rest = rest - step * (back @ (matrix @ way))
    result = (spread[:, None] * found).T
    result[:, fixed] = 0
    return np.asarray(result)


def _slopes(
    problem: HelmholtzProblem,
    at: AtFrequency,
    blocks: LowRankMatrix | None,
    tolerance: float,
    pressure: ComplexArray,
    adjoint: ComplexArray,
    changes: ComplexArray,
) -> FloatArray:
    """Return `corner_slopes` of some objectives, from their adjoint fields.

    ``changes`` (n, n_sources, n_triangles, 7) are from `_heard`.
    """
    mesh, discretisation, k = at.mesh, at.discretisation, at.wavenumber
    near, etas = discretisation.near, at.coupling / k
    size, n = mesh.n_triangles, len(adjoint)
    gradient = np.asarray(problem.total_gradient(pressure))
    moves = np.any(gradient != 0, axis=0)
    far = list(far_arguments(at, at.everywhere))
    far[3] = etas.astype(np.float32)
    single = np.stack((adjoint.real, adjoint.imag), axis=2).astype(np.float32)
    # sums of l . dA p; what is due to the sources, with the other sign, is added to it
    of_point, sums = far_slopes(
        discretisation, tuple(far), blocks, tolerance, single, phases.parts(pressure, np.float32)
    )
    at_corner = np.zeros((pair_derivatives.RUNS, n, size, 3, 3))
    near_derivatives.add_near_pairs(
        mesh.centroids, mesh.normals, discretisation.signs, etas, mesh.corners, mesh.normals,
        mesh.areas, near.start, near.element, near.image, near.fine, near.own, _CENTRE,
        THREE_POINTS, k, adjoint, np.ascontiguousarray(pressure), of_point, at_corner,
    )  # fmt: skip
    of_corner = at_corner.sum(axis=0)
    of_source = _source_slopes(at, far, adjoint, single, gradient, moves)
    of_point = (of_source - of_point).transpose(0, 2, 1)
    elements = -sums.transpose(0, 2, 1)
    normals = mesh.normals
    # points: field points and centroids of elements alike
    heard = np.einsum("osj,osjx->ojx", np.broadcast_to(pressure, adjoint.shape), changes).real
    to_point = of_point[..., :3] + elements[..., :3] + elements[..., 3:4] * normals
    to_point += heard[..., 3:6]
    across = of_point[..., 3:]
    across -= np.einsum("ojx,jx->oj", across, normals)[..., None] * normals
    # entries of a column are m . what turns them: see `pair_derivatives`
    across += elements[..., 4:7] + elements[..., 7:] * normals
    across += heard[..., :3] + heard[..., 6:] * normals
    grows = np.einsum("osj,sj->oj", adjoint, pressure) * (1j * etas * _own_growth(at))
    across -= grows.real[..., None] * normals
    across /= 2 * mesh.areas[:, None]
    corners = -of_corner
    for c in range(3):
        edge = mesh.corners[:, (c + 1) % 3] - mesh.corners[:, (c + 2) % 3]
        corners[:, :, c] += to_point / 3 + np.cross(edge, across)
    result = np.zeros((n, len(mesh.vertices), 3))
    for o in range(n):
        for axis in range(3):
            result[o, :, axis] = np.bincount(
                mesh.triangles.ravel(), corners[o, :, :, axis].ravel(), minlength=result.shape[1]
            )
    result[:, np.unique(mesh.triangles[moving_triangles(problem)])] = 0
    return result


def _own_growth(at: AtFrequency) -> ComplexArray:
    """Return how the dynamic part of H of each element at its own centroid grows, times area.

    It is D = f(kL)/L, with L the size: L dD/dL = k dD/dk - D, half of it is A dD/dA. And dD/dk is
    k G, with the formulas of `near_layers.own_element_dynamic`.
    """
    layer, dynamic = at.everywhere.own_element
    return np.asarray(0.5 * (at.wavenumber**2 * layer - dynamic))


def _source_slopes(
    at: AtFrequency,
    far: list[NDArray[Any]],
    adjoint: ComplexArray,
    single: NDArray[np.float32],
    gradient: ComplexArray,
    moves: BoolArray,
) -> FloatArray:
    """Return how Re l . b changes with field points and their normals, (n, 6, n_triangles)."""
    mesh, discretisation, k = at.mesh, at.discretisation, at.wavenumber
    near, etas = discretisation.near, at.coupling / k
    points, normals, signs, couplings, sources, source_normals, areas, moments, scalars = far
    found = np.zeros((len(adjoint), 6, mesh.n_triangles), dtype=np.float32)
    which = np.full(mesh.n_triangles, -1)
    which[moves] = np.arange(np.count_nonzero(moves))
    is_near = moves[near.element]
    point = np.repeat(np.arange(mesh.n_triangles), np.diff(near.start))[is_near]
    start = np.concatenate(([0], np.cumsum(np.bincount(point, minlength=mesh.n_triangles))))
    pair_derivatives.add_far_sources(
        points, normals, signs, couplings,
        np.ascontiguousarray(sources[:, moves]), np.ascontiguousarray(source_normals[:, moves]),
        areas[moves], moments[moves], scalars,
        start, which[near.element[is_near]], near.image[is_near], single,
        phases.parts(gradient[:, moves], np.float32), found,
    )  # fmt: skip
    result = found.astype(float)
    near_derivatives.add_near_sources(
        mesh.centroids, mesh.normals, discretisation.signs, etas, mesh.corners,
        discretisation.rules.fine_points, discretisation.rules.fine_weights,
        start, near.element[is_near], near.image[is_near], moves,
        np.sqrt(mesh.areas), k, adjoint, np.ascontiguousarray(gradient), result,
    )  # fmt: skip
    return result


def _heard(
    mesh: Mesh, at: AtFrequency, directions: FloatArray, amplitudes: ComplexArray
) -> tuple[ComplexArray, ComplexArray]:
    """Return how much of the pressure is heard, and how that changes.

    The far field of an element is p c, with c the sum over directions s of amplitude times
    -ik a exp(-ik s . y) area/(4 pi) (1 - mu (1 - a^2)), a = s . n; mu as in `pair_derivatives`.

    Returns
    -------
    heard : (n, n_triangles) complex array
        c.
    changes : (n, n_triangles, 7) complex array
        Its change with the normal, with the place, and with the logarithm of the area less what
        the first three make of the normal itself.
    """
    real = np.float32
    heard = np.flatnonzero(np.any(amplitudes != 0, axis=0))
    out = np.zeros((len(amplitudes), mesh.n_triangles, 8, 2), dtype=real)
    _add_heard(
        by_coordinate(mesh.centroids, real),
        by_coordinate(mesh.normals, real),
        at.discretisation.signs.astype(real),
        (mesh.areas / FOUR_PI).astype(real),
        (0.5 * at.wavenumber**2 * at.discretisation.moments).astype(real),
        by_coordinate(directions[heard], real),
        phases.scalars(at.wavenumber, real),
        phases.parts(amplitudes[:, heard], real),
        out,
    )
    found = out[..., 0] + 1j * out[..., 1].astype(complex)
    return found[..., 7], found[..., :7]


@njit(fastmath=True, cache=True, error_model="numpy")
def _add_heard(points, normals, signs, weights, moments, directions, scalars, amplitudes, out):
    k, turns, one = scalars[0], scalars[2], scalars[3]
    zero = one - one
    cosines = np.empty_like(directions[0])
    sines = np.empty_like(directions[0])
    along = np.empty_like(directions[0])
    scale = np.empty_like(directions[0])
    for j in range(points.shape[1]):
        for image in range(signs.shape[0]):
            sx, sy, sz = signs[image, 0], signs[image, 1], signs[image, 2]
            x, y, z = points[0, j] * sx, points[1, j] * sy, points[2, j] * sz
            nx, ny, nz = normals[0, j] * sx, normals[1, j] * sy, normals[2, j] * sz
            for d in range(cosines.size):
                path = directions[0, d] * x + directions[1, d] * y + directions[2, d] * z
                s_n = directions[0, d] * nx + directions[1, d] * ny + directions[2, d] * nz
                factor = one - moments[j] * (one - s_n * s_n)
                turned = factor + (moments[j] + moments[j]) * s_n * s_n
                cosine, sine = cos_sin_turns(path * turns, one)
                weight = k * weights[j] * turned
                cosines[d], sines[d], along[d] = (
                    weight * cosine,
                    weight * sine,
                    s_n * factor / turned,
                )
                scale[d] = -moments[j] * s_n * (one + s_n * s_n) / turned
            for v in range(amplitudes.shape[0]):
                t0r = t0i = t1r = t1i = t2r = t2i = zero
                m0r = m0i = m1r = m1i = m2r = m2i = hr = hi = vr = vi = zero
                for d in range(cosines.size):
                    # -i (a + ib)(cos - i sin)
                    re = amplitudes[v, 1, d] * cosines[d] - amplitudes[v, 0, d] * sines[d]
                    im = -amplitudes[v, 0, d] * cosines[d] - amplitudes[v, 1, d] * sines[d]
                    dx, dy, dz = directions[0, d], directions[1, d], directions[2, d]
                    t0r += re * dx
                    t0i += im * dx
                    t1r += re * dy
                    t1i += im * dy
                    t2r += re * dz
                    t2i += im * dz
                    vr += re * scale[d]
                    vi += im * scale[d]
                    re, im = re * along[d], im * along[d]
                    hr += re
                    hi += im
                    re, im = k * im, -k * re
                    m0r += re * dx
                    m0i += im * dx
                    m1r += re * dy
                    m1i += im * dy
                    m2r += re * dz
                    m2i += im * dz
                out[v, j, 0, 0] += sx * t0r
                out[v, j, 0, 1] += sx * t0i
                out[v, j, 1, 0] += sy * t1r
                out[v, j, 1, 1] += sy * t1i
                out[v, j, 2, 0] += sz * t2r
                out[v, j, 2, 1] += sz * t2i
                out[v, j, 3, 0] += sx * m0r
                out[v, j, 3, 1] += sx * m0i
                out[v, j, 4, 0] += sy * m1r
                out[v, j, 4, 1] += sy * m1i
                out[v, j, 5, 0] += sz * m2r
                out[v, j, 5, 1] += sz * m2i
                out[v, j, 6, 0] += vr
                out[v, j, 6, 1] += vi
                out[v, j, 7, 0] += hr
                out[v, j, 7, 1] += hi
