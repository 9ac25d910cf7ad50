# SPDX-License-Identifier: GPL-3.0-or-later
"""How a far field changes when the surface is moved: one more right-hand side, all points at once.

With p the pressure of a source on a rigid surface and w the total field of a plane wave that
arrives from direction d at the same surface, moving the surface outwards by V changes the far
field in d by

    du(d) = 1/(4 pi) int (grad p . grad w - k^2 p w) V dS

with the gradients along the surface. It follows from the derivative of the boundary condition,
d(dp/dn) = k^2 p V + div(V grad p), and from reciprocity, u(d) = -1/(4 pi) int w dp/dn dS. Where
the surface absorbs, dp/dn = -l p with l = ik (admittance), and the same two steps add
l (h - l) p w to the bracket; h is the divergence of the normal, 2/a on a sphere of radius a.
(J. Sokolowski and J.-P. Zolesio, Introduction to Shape Optimization (1992), treat such
derivatives; citation from memory. The formula was derived anew, and
`tests/physics/test_surface_slope.py` checks it against spheres in closed form.)

A weighted sum of far fields needs one w, that of the weighted sum of plane waves: so the slope of
a score with every point of the surface costs one right-hand side. What moves (a dome) stays where
it is: there V = 0. What of an absorbing surface's area is gained or lost at its sharp edges when
these are moved is left out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import sparse

from bafflelens.base.closest_point import closest, searchable
from bafflelens.base.conventions import ComplexArray, FloatArray, IntArray
from bafflelens.bem.card_mesh import CardMesh
from bafflelens.bem.card_plane_waves import plane_wave_fields_on_card
from bafflelens.bem.discretisation import Discretisation, discretise
from bafflelens.bem.edge_gradients import EdgeGradients, gradients_at_edges
from bafflelens.bem.linear_solver import LinearSystem
from bafflelens.bem.plane_waves import TOLERANCE, plane_wave_fields
from bafflelens.bem.problem import HelmholtzProblem
from bafflelens.bem.surface_gradient import (
    Operators,
    WholeSurface,
    applied,
    gradient_and_curvature,
)
from bafflelens.bem.system_matrix import Workspace
from bafflelens.mesh.mesh import Mesh


@dataclass(frozen=True, eq=False)
class SlopeMesh:
    """What the slopes on a mesh share at all frequencies; made once a mesh by `prepare_slopes`.

    Attributes
    ----------
    discretisation : Discretisation
        Elements and near pairs.
    along : tuple of three (n_triangles, n_triangles) sparse arrays
        Coordinates of the gradient along the surface, in 1/m, of values at the centroids.
    curvature : (n_triangles,) array
        Divergence of the outward normal in 1/m, positive on a sphere.
    at_edges : EdgeGradients
        What takes the place of the gradient at sharp outer edges.
    """

    discretisation: Discretisation
    along: Operators
    curvature: FloatArray
    at_edges: EdgeGradients

    def product(self, first: ComplexArray, second: ComplexArray) -> ComplexArray:
        """Return the product of the gradients of two fields (..., n_triangles), in 1/m^2."""
        each = [applied(matrix, first) * applied(matrix, second) for matrix in self.along]
        found = each[0] + each[1] + each[2]
        found[..., self.at_edges.rows] = self.at_edges.product(first, second)
        return np.asarray(found)


def prepare_slopes(
    mesh: Mesh,
    symmetry: tuple[str, ...] = (),
    discretisation: Discretisation | None = None,
    wanted: IntArray | None = None,
) -> SlopeMesh:
    """Return what slopes need of a mesh.

    Parameters
    ----------
    mesh : Mesh
        The surface, or the kept part of it.
    symmetry : tuple of {"x", "y", "z"}
        Planes of mirror symmetry.
    discretisation : Discretisation, optional
        Where there is one already.
    wanted : (n,) integer array, optional
        Numbers of the triangles at which slopes are wanted, rising: what they are elsewhere means
        nothing.
    """
    surface = WholeSurface.of(mesh, symmetry)
    return SlopeMesh(
        discretisation or discretise(mesh, symmetry),
        *gradient_and_curvature(surface, wanted),
        gradients_at_edges(surface, wanted),
    )


def surface_slope(
    problem: HelmholtzProblem,
    pressure: ComplexArray,
    directions: FloatArray,
    weights: ComplexArray,
    *,
    prepared: SlopeMesh | None = None,
    workspace: Workspace | None = None,
    on_card: CardMesh | None = None,
    tolerance: float = TOLERANCE,
) -> FloatArray:
    """Return how weighted sums of far fields change with an outward displacement of the surface.

    The sums are J = Re sum conj(weight) (far field) over sources and directions.

    Parameters
    ----------
    problem : HelmholtzProblem
        What was solved; where it is mirrored, the displacement is, too.
    pressure : (n_sources, n_triangles) complex array
        Its solution, in Pa.
    directions : (n_directions, 3) array
        Unit vectors.
    weights : (n_objectives, n_sources, n_directions) complex array
        Per Pa.m; the unit of J is theirs.
    prepared : SlopeMesh, optional
        From `prepare_slopes`, where several frequencies share a mesh.
    workspace : Workspace, optional
        Memory to reuse.
    on_card : CardMesh, optional
        The mesh on a graphics card, from `card_mesh.send`: the plane waves are solved there.
    tolerance : float
        Relative residual of the linear system.

    Returns
    -------
    (n_objectives, n_triangles) array
        Change of J per metre of outward displacement and m^2 of surface, 0 on what moves. A
        displacement of V metres at the centroids changes J by ``slope @ (V * mesh.areas)``, on
        the kept part and its images together. `at_vertices` gives the change per vertex.

    Raises
    ------
    SolveError
        If the fields of the plane waves cannot be solved.
    """
    prepared = prepared or prepare_slopes(problem.mesh, problem.symmetry)
    fields = weighted_fields(
        problem,
        directions,
        weights,
        discretisation=prepared.discretisation,
        workspace=workspace,
        on_card=on_card,
        tolerance=tolerance,
    )
    by_source = np.real(slope_of_fields(problem, pressure, fields, prepared))
    return np.asarray(by_source.sum(axis=1))


def weighted_fields(
    problem: HelmholtzProblem,
    directions: FloatArray,
    weights: ComplexArray,
    *,
    discretisation: Discretisation | None = None,
    workspace: Workspace | None = None,
    on_card: CardMesh | None = None,
    system: LinearSystem | None = None,
    tolerance: float = TOLERANCE,
) -> ComplexArray:
    """Return what sums of plane waves leave on the body at rest: all that slopes need solved.

    Parameters
    ----------
    problem, directions, weights, workspace, on_card, tolerance
        As in `surface_slope`.
    discretisation : Discretisation, optional
        That of the mesh, where there is one already.
    system : LinearSystem, optional
        That of the rigid body, where it was formed before; the card forms its own.

    Returns
    -------
    (n_objectives, n_sources, n_triangles) complex array
        Total pressure at the centroids in Pa, of waves with the conjugate weights.

    Raises
    ------
    SolveError
        If they cannot be solved.
    """
    amplitudes = np.conj(weights).reshape(-1, weights.shape[-1])
    if on_card is None:
        fields = plane_wave_fields(
            problem,
            directions,
            amplitudes,
            discretisation=discretisation,
            workspace=workspace,
            system=system,
            tolerance=tolerance,
        )
    else:
        fields = plane_wave_fields_on_card(
            problem, directions, amplitudes, on_card=on_card, tolerance=tolerance
        )
    return fields.reshape(*weights.shape[:2], -1)


def slope_of_fields(
    problem: HelmholtzProblem, pressure: ComplexArray, fields: ComplexArray, prepared: SlopeMesh
) -> ComplexArray:
    """Return the change of a far field per displacement and area, from both fields.

    Parameters
    ----------
    problem : HelmholtzProblem
        What was solved.
    pressure, fields : (..., n_triangles) complex arrays
        Pressure of the source, and total field of the plane waves, in Pa.
    prepared : SlopeMesh
        From `prepare_slopes`.

    Returns
    -------
    (..., n_triangles) complex array
        In Pa.m per m^3 for unit plane waves, 0 on what moves.
    """
    result = prepared.product(pressure, fields) - problem.wavenumber**2 * pressure * fields
    if problem.admittance is not None:
        taken = 1j * problem.wavenumber * np.asarray(problem.admittance)
        result += taken * (prepared.curvature - taken) * pressure * fields
    result[..., moving_triangles(problem)] = 0
    return np.asarray(result / (4 * np.pi))


def moving_triangles(problem: HelmholtzProblem) -> IntArray:
    """Return the numbers of the triangles that move in one source at least."""
    return np.flatnonzero(np.any(np.asarray(problem.normal_velocity) != 0, axis=0))


def onto_mesh(mesh: Mesh, given: Mesh, density: FloatArray) -> FloatArray:
    """Return slopes per area on another mesh of the same surface, by the closest point.

    Parameters
    ----------
    mesh : Mesh
        Where they are wanted.
    given : Mesh
        Where they are known.
    density : (..., n_triangles) array
        Slopes on the given mesh.

    Returns
    -------
    (..., n_triangles) array
        0 where that mesh has no such surface near.
    """
    if given is mesh:
        return density
    feet = closest(
        searchable(given.vertices, given.triangles),
        mesh.centroids,
        mesh.normals,
        least_cosine=0.5,
        farthest_m=float(given.longest_edges.max()),
    )
    known = np.isfinite(feet.distance) & (given.surface[feet.owner] == mesh.surface)
    return np.where(known, density[..., feet.owner], 0.0)


def at_vertices(
    mesh: Mesh, symmetry: tuple[str, ...], slope: FloatArray, fixed: IntArray
) -> FloatArray:
    """Return the change of each J per metre of displacement of one vertex along its normal.

    Parameters
    ----------
    mesh : Mesh
        The surface, or the kept part of it.
    symmetry : tuple of {"x", "y", "z"}
        Mirror planes: the normals of vertices on them lie in them.
    slope : (n_objectives, n_triangles) array
        From `surface_slope`.
    fixed : (n,) integer array
        Numbers of triangles whose vertices stay, from `moving_triangles`.

    Returns
    -------
    (n_objectives, n_vertices) array
        Per metre. A triangle moves out by the mean of what its vertices do along its own normal.
    """
    normals = vertex_normals(mesh, symmetry)
    share = np.einsum("tcj,tj->tc", normals[mesh.triangles], mesh.normals)
    share *= mesh.areas[:, np.newaxis] / 3
    corner = np.arange(3 * mesh.n_triangles)
    gather = sparse.csr_array(
        (share.ravel(), (mesh.triangles.ravel(), corner // 3)),
        shape=(len(mesh.vertices), mesh.n_triangles),
    )
    result = np.asarray((gather @ slope.T).T)
    result[:, np.unique(mesh.triangles[fixed])] = 0
    return result


def vertex_normals(mesh: Mesh, symmetry: tuple[str, ...] = ()) -> FloatArray:
    """Return unit normals at the vertices, (n_vertices, 3); in the mirror planes where on them."""
    normals = np.zeros(mesh.vertices.shape)
    np.add.at(normals, mesh.triangles, (mesh.areas[:, np.newaxis] * mesh.normals)[:, np.newaxis])
    for plane in symmetry:
        axis = "xyz".index(plane)
        normals[np.abs(mesh.vertices[:, axis]) < 1e-9, axis] = 0
    lengths = np.linalg.norm(normals, axis=1, keepdims=True)
    return np.asarray(normals / np.where(lengths > 0, lengths, 1.0))
