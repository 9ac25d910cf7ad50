# SPDX-License-Identifier: GPL-3.0-or-later
"""The project's own engine: direct Burton-Miller collocation with constant elements.

With p the surface pressure and q = dp/dn its gradient along the outward normal, the two boundary
integral equations of the exterior problem are

    p/2 = K p - V q        and        q/2 = H p - K' q ,

and their sum with a coupling ie/k, e > 0, which has one solution at every frequency, is

    (-1/2 + K + (ie/k) H) p = (V + (ie/k)(K' + 1/2)) q .

A. J. Burton and G. F. Miller, Proc. R. Soc. Lond. A 323 (1971) 201 (citation from memory). The
classical coupling is e = 1; its sign belongs to the time factor exp(-i omega t). Here e falls
with the size of the elements, see `local_coupling`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from bafflelens.base.conventions import ComplexArray, FloatArray, IntArray
from bafflelens.bem import kernels, near_field, phases
from bafflelens.bem.discretisation import Discretisation, by_coordinate, discretise
from bafflelens.bem.engine_settings import EngineSettings
from bafflelens.bem.linear_solver import (
    FOLLOWERS_TOLERANCE,
    LinearSystem,
    solve_linear_system,
    solve_together,
    solved_by_guesses,
)
from bafflelens.bem.problem import HelmholtzProblem, HelmholtzSolution
from bafflelens.bem.system_matrix import (
    Storage,
    Workspace,
    full_system,
    low_rank_product,
    packed_product,
)
from bafflelens.bem.triangle_potentials import FOUR_PI
from bafflelens.mesh.mesh import Mesh


@dataclass(frozen=True, eq=False)
class AtFrequency:
    """A discretisation at one frequency, with what all operators there have in common.

    Attributes
    ----------
    discretisation : Discretisation
        The elements and their near pairs.
    wavenumber : float
        k in 1/m.
    """

    discretisation: Discretisation
    wavenumber: float

    @property
    def mesh(self) -> Mesh:
        """The elements."""
        return self.discretisation.mesh

    @cached_property
    def coupling(self) -> FloatArray:
        """Coupling of each collocation point times k, (n_triangles,); see `local_coupling`."""
        return local_coupling(self.mesh, self.wavenumber, len(self.discretisation.signs))

    @cached_property
    def own_element(self) -> tuple[ComplexArray, ComplexArray]:
        """G and the dynamic part of H at each element's own centroid, (n_triangles,) each."""
        return near_field.own_element_dynamic(self.mesh, self.wavenumber)

    @property
    def everywhere(self) -> FieldPoints:
        """All collocation points, coupled."""
        near = self.discretisation.near
        return FieldPoints(self.mesh.centroids, self.mesh.normals, self.coupling, near)

    def uncoupled(self, rows: IntArray) -> FieldPoints:
        """Return some collocation points, as the plain equation takes them."""
        near = self.discretisation.near.of_points(rows)
        none = np.zeros(rows.size)
        return FieldPoints(self.mesh.centroids[rows], self.mesh.normals[rows], none, near)


@dataclass(frozen=True, eq=False)
class FieldPoints:
    """Where the layers are taken.

    Attributes
    ----------
    points, normals : (n_points, 3) array
        Coordinates in m and unit normals.
    coupling : (n_points,) array
        k times the coupling.
    near : NearPairs
        The elements near each.
    """

    points: FloatArray
    normals: FloatArray
    coupling: FloatArray
    near: near_field.NearPairs

    @property
    def coupled(self) -> near_field.CoupledPoints:
        """The points without what is near them, for the kernels."""
        return near_field.CoupledPoints(self.points, self.normals, self.coupling)


def solve_burton_miller(
    problem: HelmholtzProblem,
    *,
    discretisation: Discretisation | None = None,
    settings: EngineSettings | None = None,
    guesses: ComplexArray | None = None,
    workspace: Workspace | None = None,
    followers: int = 0,
    follower_guesses: ComplexArray | None = None,
    guesses_may_do: bool = False,
) -> HelmholtzSolution:
    """Solve a radiation problem.

    Parameters
    ----------
    problem : HelmholtzProblem
        What to solve.
    discretisation : Discretisation, optional
        From `discretise`, where several frequencies share a mesh.
    settings : Settings, optional
        How to solve.
    guesses : (n_guesses, n_triangles) complex array, optional
        Pressures whose span probably holds much of the solution (neighbouring frequencies).
    workspace : Workspace, optional
        Memory to reuse.
    followers : int
        How many of the last sources are profiles of the others: solved after these, which they
        leave as they are, and all at once.
    follower_guesses : (n_guesses, n_triangles) complex array, optional
        Pressures whose span probably holds much of theirs.
    guesses_may_do : bool
        Whether the guesses probably hold a solution that is good enough: this is tried in one
        pass over the matrix before any of it is stored.

    Raises
    ------
    SolveError
        If neither the iteration nor the direct solve gives a finite solution.
    """
    settings = settings or EngineSettings()
    discretisation = discretisation or discretise(problem.mesh, problem.symmetry)
    at = AtFrequency(discretisation, problem.wavenumber)
    right_hand_sides = single_layers(at, np.asarray(problem.pressure_gradient))
    leading = len(right_hand_sides) - followers
    sides = right_hand_sides[:leading]
    outcome = None
    if (
        guesses_may_do
        and guesses is not None
        and not followers
        and at.mesh.n_triangles <= settings.unstored_unknowns
    ):
        passing = absorbing_system(unstored(at), problem, at)
        outcome = solved_by_guesses(
            passing.multiply, sides, tolerance=settings.tolerance, guesses=guesses
        )
    if outcome is not None:
        pressure = outcome.solutions
    else:
        rigid = assemble(at, settings, workspace or Workspace(), sides)
        system = absorbing_system(rigid, problem, at)
        outcome = solve_linear_system(system, sides, tolerance=settings.tolerance, guesses=guesses)
        pressure = outcome.solutions
        if followers:
            further = solve_together(
                system,
                right_hand_sides[leading:],
                tolerance=FOLLOWERS_TOLERANCE * settings.tolerance,
                guesses=follower_guesses,
                known=outcome.spaces,
            )
            pressure = np.concatenate([pressure, further])
    return HelmholtzSolution(
        problem=problem,
        surface_pressure=_with_plain_sources(problem, at, pressure),
        engine="direct",
        iterations=outcome.iterations,
        residual=outcome.residual,
        remarks=outcome.remarks,
        start_residual=outcome.start_residual,
        system_pressure=pressure,
    )


def _with_plain_sources(
    problem: HelmholtzProblem, at: AtFrequency, pressure: ComplexArray
) -> ComplexArray:
    """Return the pressure with that on moving and absorbing surfaces by `plain_pressure`.

    The power that a small source radiates hangs on the part of its pressure in phase with the
    velocity, a fraction (ka)^2 of the whole, which the coupled equation spoils.
    """
    rows = small_sources(problem, pressure)
    improved = pressure.copy()
    if rows.size:
        improved[:, rows] = plain_pressure(problem, at, pressure, rows)
    return improved


def small_sources(problem: HelmholtzProblem, pressure: ComplexArray) -> IntArray:
    """Return the elements that move or absorb; none where they are most of the body.

    A body that moves or absorbs as a whole holds no small source, and the coupled equation is the
    more exact: an oscillating sphere at ka = 5 is off by 0.04 instead of 0.12 per cent.
    """
    active = np.flatnonzero(np.any(problem.total_gradient(pressure) != 0, axis=0))
    areas = problem.mesh.areas
    return active if areas[active].sum() <= 0.5 * areas.sum() else active[:0]


def assemble(
    at: AtFrequency,
    settings: EngineSettings,
    workspace: Workspace,
    right_hand_sides: ComplexArray | None = None,
) -> LinearSystem:
    """Return the system matrix -1/2 + K + (ie/k) H.

    Blocks of low rank are the more exact where the right-hand sides are large: there the
    solution is, too.
    """
    discretisation = at.discretisation
    size = at.mesh.n_triangles
    near = discretisation.near
    real = np.float64 if settings.double_precision else np.float32
    far = _far_arguments(at, at.everywhere, real)
    corrections = _near_corrections(at, at.everywhere)
    storage = settings.storage_for(size)
    if storage is Storage.FULL:
        return full_system(far, discretisation, corrections, workspace)
    if storage is Storage.PACKED:
        far_product = packed_product(far, discretisation, corrections, workspace)
    else:
        expected = None if right_hand_sides is None else expected_pressure(right_hand_sides)
        far_product = low_rank_product(
            far, discretisation, corrections, settings.tolerance, expected
        )
    near_matrix = sparse.csr_array(
        (corrections.astype(np.complex64), near.element, near.start), shape=(size, size)
    )

    def multiply(vectors: ComplexArray) -> ComplexArray:
        single = vectors.astype(np.complex64)
        return np.asarray(far_product(single) + (near_matrix @ single.T).T - 0.5 * single)

    def full_matrix() -> NDArray[np.complexfloating[Any, Any]] | None:
        if size > settings.direct_unknowns:
            return None
        full = replace(settings, storage=Storage.FULL)
        return assemble(at, full, Workspace()).full_matrix()

    return LinearSystem(size=size, multiply=multiply, full_matrix=full_matrix)


def unstored(at: AtFrequency) -> LinearSystem:
    """Return the system with a matrix that is computed anew for each product."""

    def multiply(vectors: ComplexArray) -> ComplexArray:
        return np.asarray(_double_layers_at(at, at.everywhere, vectors) - 0.5 * vectors)

    return LinearSystem(size=at.mesh.n_triangles, multiply=multiply, full_matrix=lambda: None)


def expected_pressure(right_hand_sides: ComplexArray) -> FloatArray:
    """Return about how large the pressure is at each element against its mean, (n_triangles,).

    The right-hand side is the pressure that the sources alone would give; of several the largest
    counts. Where it is small it says little, and a tenth of the mean is taken.
    """
    sizes = np.abs(right_hand_sides)
    means = np.sqrt(np.mean(sizes**2, axis=1, keepdims=True))
    sizes = np.divide(sizes, means, out=np.ones_like(sizes), where=means > 0)
    return np.asarray(np.maximum(sizes.max(axis=0), 0.1))


def absorbing_system(
    system: LinearSystem, problem: HelmholtzProblem, at: AtFrequency
) -> LinearSystem:
    """Return the system with its absorbing part: dp/dn = -ik (admittance) p, moved to the left."""
    if problem.admittance is None or not np.any(problem.admittance):
        return system
    factor = 1j * problem.wavenumber * np.asarray(problem.admittance)

    def multiply(vectors: ComplexArray) -> ComplexArray:
        taken = single_layers(at, factor * vectors)
        return np.asarray(system.multiply(vectors) + taken)

    def full_matrix() -> NDArray[np.complexfloating[Any, Any]] | None:
        matrix = system.full_matrix()
        if matrix is None:
            return None
        active = np.flatnonzero(factor)
        for block in np.array_split(active, max(1, active.size // 64)):
            unit = np.zeros((block.size, system.size), dtype=complex)
            unit[np.arange(block.size), block] = factor[block]
            matrix[:, block] += single_layers(at, unit).T
        return matrix

    return LinearSystem(size=system.size, multiply=multiply, full_matrix=full_matrix)


def single_layers(at: AtFrequency, gradient: ComplexArray) -> ComplexArray:
    """Return (V + (ie/k) (K' + 1/2)) times each row of ``gradient``, (n, n_triangles)."""
    layers = _single_layers_at(at, at.everywhere, gradient)
    return np.asarray(layers + 0.5j / at.wavenumber * at.coupling * gradient)


def plain_pressure(
    problem: HelmholtzProblem, at: AtFrequency, pressure: ComplexArray, rows: IntArray
) -> ComplexArray:
    """Return 2 (K p - V q) at the elements ``rows``, (n_sources, n_rows).

    The plain equation read as a formula for p. Unlike the coupled one it holds no hypersingular
    operator, so that on the moving surface, where p changes most, it is the more exact.
    """
    where = at.uncoupled(rows)
    double = _double_layers_at(at, where, pressure)
    single = _single_layers_at(at, where, problem.total_gradient(pressure))
    return np.asarray(2 * (double - single))


def _double_layers_at(at: AtFrequency, where: FieldPoints, pressure: ComplexArray) -> ComplexArray:
    """Return (K + (ie/k) H) times each row of ``pressure`` at field points, (n, n_points)."""
    number = len(where.points)
    result = np.empty((len(pressure), number), dtype=complex)
    far = _far_arguments(at, where)
    kernels.apply_coupled_double_layer(*far, phases.parts(pressure, np.float32), result)
    near_matrix = sparse.csr_array(
        (_near_corrections(at, where), where.near.element, where.near.start),
        shape=(number, at.mesh.n_triangles),
    )
    return np.asarray(result + (near_matrix @ pressure.T).T)


def _single_layers_at(at: AtFrequency, where: FieldPoints, gradient: ComplexArray) -> ComplexArray:
    """Return (V + (ie/k) K') times each row of ``gradient`` at field points, (n, n_points)."""
    discretisation = at.discretisation
    moving = np.any(gradient != 0, axis=0)
    result = np.zeros((len(gradient), len(where.points)), dtype=complex)
    points, normals, signs, couplings, sources, source_normals, weights, moments, scalars = (
        _far_arguments(at, where)
    )
    kernels.add_coupled_single_layer(
        points,
        normals,
        signs,
        couplings,
        # contiguous again, or the compiler takes single numbers instead of vectors
        np.ascontiguousarray(sources[:, moving]),
        np.ascontiguousarray(source_normals[:, moving]),
        weights[moving],
        moments[moving],
        scalars,
        phases.parts(gradient[:, moving], np.float32),
        result,
    )
    near_field.add_near_single_layer(
        where.coupled,
        discretisation.elements,
        where.near,
        moving,
        at.own_element[0],
        at.wavenumber,
        np.ascontiguousarray(gradient),
        result,
    )
    return result


def local_coupling(mesh: Mesh, wavenumber: float, copies: int) -> FloatArray:
    """Return e, k times the coupling of each collocation point, (n_triangles,): min(1, kh/2).

    Below the first irregular frequency that a body of its volume can have, it falls with the
    square of the frequency besides. ``copies`` is the number of mirror images, itself included.

    h is the square root of the element's area. Constant elements represent the hypersingular
    operator with an error of the order of h times the curvature of p. The classical coupling i/k
    weights it by 1/k: at a low frequency it rules the error, and the iteration is slow. Weighted
    by ih/2 it is of second order, like the rest. The equation keeps one solution at every
    frequency as long as the imaginary part of the coupling has one sign everywhere on the
    surface; there the plain equation's error, of order h^2, is divided by the coupling, so that
    a law which falls faster, such as (kh)^2, does not converge. ``tests/benchmarks/coupling.py``
    compares the choices on a cabinet, across its irregular frequencies.

    Irregular frequencies are those of the body's inside with zero pressure on its walls. Of all
    bodies of a volume the ball has the lowest, at k = pi over its radius (inequality of Faber
    and Krahn, from memory). Below it the plain equation needs no help, and what a small source
    radiates hangs on a small part of its pressure, which the coupling would spoil.
    """
    radius = (3 * abs(mesh.volume) * copies / (4 * np.pi)) ** (1 / 3)
    near_first = min(1.0, wavenumber * radius / np.pi) ** 2
    return np.asarray(near_first * np.minimum(1.0, 0.5 * wavenumber * np.sqrt(mesh.areas)))


def _near_corrections(at: AtFrequency, where: FieldPoints) -> ComplexArray:
    """Return what near pairs add to the far rule, (n_pairs,)."""
    corrections = np.empty(where.near.element.size, dtype=complex)
    near_field.near_corrections(
        where.coupled,
        at.discretisation.elements,
        where.near,
        at.own_element[1],
        at.wavenumber,
        corrections,
    )
    return corrections


def _far_arguments(
    at: AtFrequency, where: FieldPoints, real: type[np.floating[Any]] = np.float32
) -> tuple[NDArray[np.floating[Any]], ...]:
    """Return the arguments of the far kernels for some field points, in a precision."""
    mesh, discretisation = at.mesh, at.discretisation
    return (
        by_coordinate(where.points, real),
        by_coordinate(where.normals, real),
        discretisation.signs.astype(real),
        where.coupling.astype(real),
        by_coordinate(mesh.centroids, real),
        by_coordinate(mesh.normals, real),
        (mesh.areas / FOUR_PI).astype(real),
        (0.5 * at.wavenumber**2 * discretisation.moments).astype(real),
        phases.scalars(at.wavenumber, real),
    )
