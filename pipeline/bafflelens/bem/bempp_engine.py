# SPDX-License-Identifier: GPL-3.0-or-later
"""The second opinion: the same problem solved with bempp-cl, an independent general library.

It shares nothing with the project's own engine but the mesh: Galerkin instead of collocation,
continuous linear instead of constant pressure, the library's own singular quadrature. It is slow
(minutes from a few thousand triangles), so it is used on coarse meshes and few frequencies.
Library: T. Betcke and M. W. Scroggs, "Bempp-cl: A fast Python based just-in-time compiling
boundary element library", J. Open Source Softw. 6 (2021) 2879.
"""

from __future__ import annotations

import warnings
from contextlib import redirect_stdout
from io import StringIO

import numpy as np
from scipy import sparse
from scipy.sparse.linalg import LinearOperator, gmres

from bafflelens.base.conventions import ComplexArray
from bafflelens.base.errors import InputError, SolveError, invalid
from bafflelens.bem.bempp_layers import Layer, layer
from bafflelens.bem.discretisation import mirror_signs
from bafflelens.bem.kept_compilation import keep_compiled
from bafflelens.bem.problem import HelmholtzProblem, HelmholtzSolution
from bafflelens.mesh.mesh import Mesh

TOLERANCE = 1e-4
# Order of the regular rule; the library's default is 4. On a coarse lens, 2, 3 and 4 differ by
# 0.001 dB and order 1 by 0.14; 3 takes nearly twice as long as 2.
QUADRATURE_ORDER = 2


def solve_bempp(problem: HelmholtzProblem) -> HelmholtzSolution:
    """Solve a radiation problem with bempp-cl; mirror halves are completed first.

    Parameters
    ----------
    problem : HelmholtzProblem
        What to solve.

    Returns
    -------
    HelmholtzSolution
        With the pressure averaged over each triangle of the kept half.

    Raises
    ------
    InputError
        If the problem has an admittance.
    SolveError
        If the iteration does not converge.
    """
    if problem.admittance is not None and np.any(problem.admittance):
        rule = "None: the second engine solves rigid bodies only"
        raise InputError(invalid("admittance", "given", rule))
    full, velocity = _complete(problem)
    pressure, iterations, residual = _solve_full(full, velocity, problem)
    return HelmholtzSolution(
        problem=problem,
        surface_pressure=pressure,
        engine="bempp",
        iterations=iterations,
        residual=residual,
    )


def _complete(problem: HelmholtzProblem) -> tuple[Mesh, ComplexArray]:
    """Return the mesh with its mirror images, the kept part first, and the velocity on it."""
    mesh = problem.mesh.whole(problem.symmetry)
    copies = len(mirror_signs(problem.symmetry))
    return mesh, np.tile(np.asarray(problem.normal_velocity, dtype=complex), copies)


def _onto_kept(mesh: Mesh, symmetry: tuple[str, ...]) -> sparse.csr_matrix:
    """Return what gives every vertex of a whole mesh the value of the one it is an image of.

    Returns
    -------
    (n_vertices, n_kept) sparse array
        One in each row; the kept vertices in their order.
    """
    signs = mirror_signs(symmetry)
    copies = mesh.triangles.reshape(len(signs), -1, 3)
    kept = np.unique(copies[0])
    image_of = np.zeros(len(mesh.vertices), dtype=np.int64)
    for sign, copy in zip(signs, copies, strict=True):
        is_turned = np.prod(sign) < 0  # an image has its corners in the other order
        image_of[copy[:, ::-1] if is_turned else copy] = copies[0]
    columns = np.searchsorted(kept, image_of)
    return sparse.csr_matrix((np.ones(len(columns)), (np.arange(len(columns)), columns)))


def _mass(mesh: Mesh) -> sparse.csr_matrix:
    """Return the integrals of the products of two linear functions, (n_vertices, n_vertices)."""
    weights = np.full((3, 3), 1 / 12) + np.eye(3) / 12
    rows, columns = (np.repeat(mesh.triangles, 3, axis=1), np.tile(mesh.triangles, (1, 3)))
    values = mesh.areas[:, None] * weights.ravel()
    size = len(mesh.vertices)
    return sparse.csr_matrix((values.ravel(), (rows.ravel(), columns.ravel())), (size, size))


def _mass_of_constant(mesh: Mesh, values: ComplexArray) -> ComplexArray:
    """Return the integrals of linear functions times a value a triangle, (n, n_vertices)."""
    found = np.zeros((len(values), len(mesh.vertices)), dtype=complex)
    for corner in mesh.triangles.T:
        for side, own in zip(found, values * mesh.areas / 3, strict=True):
            np.add.at(side, corner, own)
    return found


def _equation(
    mesh: Mesh, velocity: ComplexArray, problem: HelmholtzProblem
) -> tuple[ComplexArray, ComplexArray, sparse.csr_matrix]:
    """Return matrix, right-hand sides and mass matrix of the kept part.

    The sound is the same on both sides of a mirror plane. So the equation is asked for on the kept
    part alone, which halves the work: its rows are those of functions that end at the plane, and
    a column is the sum of those of a vertex and its images.
    """
    # It looks for programs that are not needed here, and says so on the terminal.
    with warnings.catch_warnings(), redirect_stdout(StringIO()):
        warnings.simplefilter("ignore")
        import bempp_cl.api as bempp  # slow to import, and rarely needed
        from bempp_cl.api.utils.parameters import DefaultParameters
    keep_compiled()

    parameters = DefaultParameters()
    parameters.quadrature.regular = QUADRATURE_ORDER
    wavenumber = problem.wavenumber
    coupling = 1j / wavenumber
    kept = problem.mesh.without_unused_vertices()
    grid = bempp.Grid(
        np.ascontiguousarray(mesh.vertices.T), np.ascontiguousarray(mesh.triangles.T)
    )
    linear = bempp.function_space(grid, "P", 1)
    tested = bempp.function_space(
        grid,
        "P",
        1,
        support_elements=np.arange(len(kept.triangles), dtype=np.uint32),
        include_boundary_dofs=True,
    )
    # Only what moves excites anything. Linear functions, three of which are a constant one, are
    # those that all loops are compiled for.
    moving = np.flatnonzero(np.any(velocity != 0, axis=0))
    excited = bempp.function_space(grid, "DP", 1, support_elements=moving.astype(np.uint32))
    gradient = 2j * np.pi * problem.frequency_hz * problem.air.density * velocity
    sides = np.zeros((len(velocity), excited.global_dof_count), dtype=complex)
    sides[:, excited.local2global[moving]] = gradient[:, moving, None]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        single, adjoint, double, hypersingular = (
            layer(kind, domain, tested, wavenumber, parameters)
            for kind, domain in (
                (Layer.SINGLE, excited),
                (Layer.ADJOINT_DOUBLE, excited),
                (Layer.DOUBLE, linear),
                (Layer.HYPERSINGULAR, linear),
            )
        )
    mass = _mass(kept)
    # bempp's hypersingular operator carries a minus sign: W = -H.
    matrix = (double - coupling * hypersingular) @ _onto_kept(mesh, problem.symmetry)
    excite = sides @ (single + coupling * adjoint).T
    excite += 0.5 * coupling * _mass_of_constant(kept, gradient[:, : len(kept.triangles)])
    return matrix - 0.5 * mass.toarray(), excite, mass


def _solve_full(
    mesh: Mesh, velocity: ComplexArray, problem: HelmholtzProblem
) -> tuple[ComplexArray, int, float]:
    """Return the mean pressure of each kept triangle, the iterations and the relative residual."""
    matrix, excite, mass = _equation(mesh, velocity, problem)
    iterations = 0
    residual = 0.0
    solutions = []
    for side in excite:
        steps = 0

        def count(_: float) -> None:
            nonlocal steps
            steps += 1

        # The mass matrix evens out the size of the elements, as a preconditioner.
        scale = 1 / np.maximum(np.asarray(mass.sum(axis=1)).ravel(), np.finfo(float).tiny)
        operator = LinearOperator(
            matrix.shape, matvec=lambda x, scale=scale: scale * (matrix @ x), dtype=complex
        )
        solution, information = gmres(
            operator,
            scale * side,
            rtol=TOLERANCE,
            restart=300,
            maxiter=1,
            callback=count,
            callback_type="pr_norm",
        )
        if information != 0 or not np.all(np.isfinite(solution)):
            msg = f"bempp-cl: the iteration did not converge in {steps} steps"
            raise SolveError(msg)
        iterations = max(iterations, steps)
        norm = max(float(np.linalg.norm(scale * side)), float(np.finfo(float).tiny))
        left = float(np.linalg.norm(scale * (matrix @ solution - side)))
        residual = max(residual, left / norm)
        solutions.append(solution)
    at_vertices = np.stack(solutions)
    kept = problem.mesh.without_unused_vertices()
    return at_vertices[:, kept.triangles].mean(axis=2), iterations, residual
