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

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from bafflelens.base.conventions import ComplexArray, FloatArray, IntArray
from bafflelens.bem.combination import best_combination
from bafflelens.bem.discretisation import Discretisation, discretise
from bafflelens.bem.engine_settings import EngineSettings
from bafflelens.bem.layers import (
    AtFrequency,
    double_layers,
    far_arguments,
    near_pair_corrections,
    single_layers,
)
from bafflelens.bem.linear_solver import (
    FOLLOWERS_TOLERANCE,
    LinearSolution,
    LinearSystem,
    solve_linear_system,
    solve_together,
)
from bafflelens.bem.problem import HelmholtzProblem, HelmholtzSolution
from bafflelens.bem.system_matrix import (
    Storage,
    Workspace,
    full_system,
    low_rank_matrix,
    packed_product,
)

# A guess that leaves less of the right-hand side than this says how large the solution is ...
_NEARLY = 0.3
# ... down to this share of its mean; what the sources alone would give, down to that.
_SMALL_BY_GUESS, _SMALL_BY_SOURCES = 0.05, 0.1


def solve_burton_miller(
    problem: HelmholtzProblem,
    *,
    discretisation: Discretisation | None = None,
    settings: EngineSettings | None = None,
    guesses: ComplexArray | None = None,
    workspace: Workspace | None = None,
    followers: int = 0,
    follower_guesses: ComplexArray | None = None,
    keep: Callable[[LinearSystem], None] | None = None,
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
        Pressures whose span probably holds much of the solution (neighbouring frequencies, other
        shapes). Where a combination of them is good enough, no matrix is formed.
    workspace : Workspace, optional
        Memory to reuse.
    followers : int
        How many of the last sources are profiles of the others: solved after these, which they
        leave as they are, and all at once.
    follower_guesses : (n_guesses, n_triangles) complex array, optional
        Pressures whose span probably holds much of theirs.
    keep : callable, optional
        Given the system of the rigid body, if one is formed, for other right-hand sides. It is
        as exact everywhere, then, not where this pressure is expected to be large.

    Raises
    ------
    SolveError
        If neither the iteration nor the direct solve gives a finite solution.
    """
    settings = settings or EngineSettings()
    discretisation = discretisation or discretise(problem.mesh, problem.symmetry)
    at = AtFrequency(discretisation, problem.wavenumber)
    combined = None
    if guesses is not None and len(guesses) and not followers:
        combined = best_combination(problem, at, guesses)
    limit = settings.combined_tolerance or settings.tolerance
    is_combined = combined is not None and combined.residual <= limit
    if combined is not None and is_combined:
        pressure = combined.pressure
        outcome = LinearSolution(
            solutions=pressure,
            iterations=0,
            residual=combined.residual,
            remarks=(),
            start_residual=combined.residual,
        )
    else:
        right_hand_sides = single_layers(at, at.everywhere, np.asarray(problem.pressure_gradient))
        leading = len(right_hand_sides) - followers
        sides = right_hand_sides[:leading]
        if keep is not None:  # other right-hand sides have other solutions
            expected = None
        elif combined is not None and combined.residual < _NEARLY:
            expected = expected_pressure(combined.pressure, _SMALL_BY_GUESS)
        else:
            expected = expected_pressure(sides, _SMALL_BY_SOURCES)
        rigid = assemble(at, settings, workspace or Workspace(), expected)
        if keep is not None:
            keep(rigid)
        system = absorbing_system(rigid, problem, at)
        outcome = solve_linear_system(
            system,
            sides,
            tolerance=settings.tolerance,
            guesses=guesses if combined is None else None,
            first=None if combined is None else combined.pressure,
        )
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
        is_combined=is_combined,
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
    expected: FloatArray | None = None,
    *,
    is_transposed: bool = False,
) -> LinearSystem:
    """Return the system matrix -1/2 + K + (ie/k) H, or its transpose.

    Blocks of low rank are the more exact where the pressure is ``expected`` to be large, from
    `expected_pressure`.
    """
    discretisation = at.discretisation
    size = at.mesh.n_triangles
    near = discretisation.near
    real = np.float64 if settings.double_precision else np.float32
    far = far_arguments(at, at.everywhere, real)
    corrections = near_pair_corrections(at, at.everywhere)
    storage = settings.storage_for(size)
    if storage is Storage.FULL:
        return full_system(
            far, discretisation, corrections, workspace, is_transposed=is_transposed
        )
    blocks = None
    if storage is Storage.PACKED:
        far_product = packed_product(
            far, discretisation, corrections, workspace, is_transposed=is_transposed
        )
    else:
        blocks = low_rank_matrix(
            far,
            discretisation,
            corrections,
            settings.tolerance,
            expected,
            workspace,
        )
        far_product = partial(blocks.product, is_transposed=is_transposed)
    near_matrix = sparse.csr_array(
        (corrections.astype(np.complex64), near.element, near.start), shape=(size, size)
    )
    if is_transposed:
        near_matrix = near_matrix.T.tocsr()

    def multiply(vectors: ComplexArray) -> ComplexArray:
        single = vectors.astype(np.complex64)
        return np.asarray(far_product(single) + (near_matrix @ single.T).T - 0.5 * single)

    def full_matrix() -> NDArray[np.complexfloating[Any, Any]] | None:
        if size > settings.direct_unknowns:
            return None
        full = replace(settings, storage=Storage.FULL)
        return assemble(at, full, Workspace(), is_transposed=is_transposed).full_matrix()

    held = workspace.nbytes + corrections.nbytes
    return LinearSystem(
        size=size, multiply=multiply, full_matrix=full_matrix, nbytes=held, blocks=blocks
    )


def expected_pressure(known: ComplexArray, least: float) -> FloatArray:
    """Return about how large the pressure is at each element against its mean, (n_triangles,).

    Parameters
    ----------
    known : (n, n_triangles) complex array
        Guesses, or the right-hand sides: the pressure that the sources alone would give. Of
        several the largest counts.
    least : float
        What is taken where it is less against its mean: there it says little.
    """
    sizes = np.abs(known)
    means = np.sqrt(np.mean(sizes**2, axis=1, keepdims=True))
    sizes = np.divide(sizes, means, out=np.ones_like(sizes), where=means > 0)
    return np.asarray(np.maximum(sizes.max(axis=0), least))


def absorbing_system(
    system: LinearSystem, problem: HelmholtzProblem, at: AtFrequency
) -> LinearSystem:
    """Return the system with its absorbing part: dp/dn = -ik (admittance) p, moved to the left."""
    if problem.admittance is None or not np.any(problem.admittance):
        return system
    factor = 1j * problem.wavenumber * np.asarray(problem.admittance)

    def multiply(vectors: ComplexArray) -> ComplexArray:
        taken = single_layers(at, at.everywhere, factor * vectors)
        return np.asarray(system.multiply(vectors) + taken)

    def full_matrix() -> NDArray[np.complexfloating[Any, Any]] | None:
        matrix = system.full_matrix()
        if matrix is None:
            return None
        active = np.flatnonzero(factor)
        for block in np.array_split(active, max(1, active.size // 64)):
            unit = np.zeros((block.size, system.size), dtype=complex)
            unit[np.arange(block.size), block] = factor[block]
            matrix[:, block] += single_layers(at, at.everywhere, unit).T
        return matrix

    return LinearSystem(size=system.size, multiply=multiply, full_matrix=full_matrix)


def plain_pressure(
    problem: HelmholtzProblem, at: AtFrequency, pressure: ComplexArray, rows: IntArray
) -> ComplexArray:
    """Return 2 (K p - V q) at the elements ``rows``, (n_sources, n_rows).

    The plain equation read as a formula for p. Unlike the coupled one it holds no hypersingular
    operator, so that on the moving surface, where p changes most, it is the more exact.
    """
    where = at.uncoupled(rows)
    double = double_layers(at, where, pressure)
    single = single_layers(at, where, problem.total_gradient(pressure))
    return np.asarray(2 * (double - single))
